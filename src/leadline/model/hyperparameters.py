"""The few numbers that describe the population's spread, and their weakly informative priors."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass

__all__ = ["CENTRE", "OUTLYING", "SDS", "SPREAD", "Hyperparameters", "log_prior"]

FloatArray = NDArray[np.float64]


def _logit(share: float) -> float:
    """Of none it is -inf."""
    with np.errstate(divide="ignore"):
        return float(np.log(share / (1 - share)))


def _share(logit: float) -> float:
    return float(1 / (1 + np.exp(-logit)))


USUAL_BREATH_IN: Final = 1.2
"""What breathing high usually covers. [kg] (common practice, no source)"""


OUTLYING: Final = 2.5
"""How many times as far from what is expected as usual a dive may lie whose record reads like a wrong one.

Records cannot tell a dive that is far out from one that was written down wrongly, and what is taken for wrong
is missing from `scatter`: 0.40 kg of a true 0.45, where that has the tails of Student's t with 4 degrees of
freedom and one record in twenty is wrong. (judged) [-]"""


@dataclass(frozen=True)
class Hyperparameters:
    """Spread of divers, suits, dives and records.

    Parameters
    ----------
    diver_sd : float
        tau_a: sd of a diver's offset beyond what physics leaves open about the body. [kg]
    body_factor : float
        m: common multiplier of the physics sd of the body. [-]
    suit_factor : float
        tau_c: common multiplier of the physics sd of a diver in a suit. [-]
    scatter : float
        sigma: dive-to-dive sd of need. [kg]
    breath_out : float
        Lightness that exhaling low covers. [kg]
    breath_in : float
        Heaviness that breathing high covers. [kg]
    wrong : float
        Share of records that say something else than what was; 0 where there can be none. [-]
    closed_low, closed_high : float
        Share of stops in the neutral zone with the BC empty, among those whose BC was noted, in the light
        part of the zone and in its heavy part. [-]
    closed_heavy : float
        The same in the heavy zone, where an empty BC sinks, among those not noted 'sank' with gas. [-]
    sank_open : float
        Share of stops in the heavy zone noted 'sank' with gas in the BC. [-]
    habit, habit_sd : float
        What divers choose to carry over their need, and how that differs. [kg]
    drift : float
        How far a diver's offset walks in a year. [kg]
    trusted_out : float
        Lightness that decisions may count on at most, as a second reading of the records found it. It is no
        part of the vector: nothing is inferred with it. [kg]
    """

    diver_sd: float = 0.5
    body_factor: float = 1.0
    suit_factor: float = 1.0
    scatter: float = 0.45
    breath_out: float = 0.5
    breath_in: float = USUAL_BREATH_IN
    wrong: float = 0.02
    closed_low: float = 0.3
    closed_high: float = 0.3
    closed_heavy: float = 0.3
    sank_open: float = 0.05
    habit: float = 1.5
    habit_sd: float = 1.6
    drift: float = 0.3
    trusted_out: float = np.inf

    def cautious(self) -> Hyperparameters:
        """The same, with breathing high trusted for no more than is usual.

        A breath range that is too wide on the heavy side makes 'hovered' and 'sank' say that less lead is
        needed than it is: the dangerous side.
        """
        return replace(self, breath_in=min(self.breath_in, USUAL_BREATH_IN))

    @property
    def scatter_ahead(self) -> float:
        """Sd of need on a dive to come, if what is taken for wrong may have been as written. [kg]."""
        return float(self.scatter * np.sqrt(1 + (OUTLYING**2 - 1) * self.wrong))

    def to_vector(self) -> FloatArray:
        """Unconstrained coordinates: logs and logits; closed shares relative to the lighter zone's."""
        positive = (
            self.diver_sd,
            self.body_factor,
            self.suit_factor,
            self.scatter,
            self.breath_out,
            self.breath_in,
        )
        low, high, heavy = (_logit(s) for s in (self.closed_low, self.closed_high, self.closed_heavy))
        shares = [_logit(self.wrong), low, high - low, heavy - high, _logit(self.sank_open)]
        return np.concatenate(
            [np.log(positive), shares, [self.habit, np.log(self.habit_sd), np.log(self.drift)]]
        )

    @classmethod
    def from_vector(cls, vector: FloatArray) -> Hyperparameters:
        """Inverse of `to_vector`."""
        a, b, c, d, e, f = (float(np.exp(v)) for v in vector[:6])
        wrong, low, more, still, opened, habit, habit_sd, drift = (float(v) for v in vector[6:])
        closed = (_share(low), _share(low + more), _share(low + more + still))
        spread, walk = float(np.exp(habit_sd)), float(np.exp(drift))
        return cls(a, b, c, d, e, f, _share(wrong), *closed, _share(opened), habit, spread, walk)


CENTRE: Final = Hyperparameters().to_vector()
"""Prior medians in unconstrained coordinates: the defaults above. The breath range is common
practice (a relaxed breath moves about a litre, exhaling low about half of that). For the shape of the
records the median says that a record means its interval and no more: all zones are written down
equally completely. The rest is judged in kg and checked on simulated books."""

SPREAD: Final = np.array([0.6, 0.3, 0.4, 0.4, 0.2, 0.08, 0.7, 1.2, 1.2, 1.2, 1.0, 1.5, 0.5, 0.5])
"""Prior sds in unconstrained coordinates. The breath range is held to what is common practice (0.35 to
0.75 kg out, 1.0 to 1.4 kg in): what it takes too wide on the heavy side errs towards too little lead."""

SDS: Final = np.array([0, 1, 2, 3, 12, 13])
"""Places of logs of sds, or of their common factors: the records know their squares."""


def log_prior(vector: FloatArray) -> float:
    """Log density of the prior in unconstrained coordinates, up to a constant."""
    return float(-0.5 * np.sum(((vector - CENTRE) / SPREAD) ** 2))
