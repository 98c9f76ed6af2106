"""The few numbers that describe the population's spread, and their weakly informative priors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["CENTRE", "SPREAD", "Hyperparameters", "log_prior"]


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
        Share of records that say something else than what was. [-]
    """

    diver_sd: float = 0.5
    body_factor: float = 1.0
    suit_factor: float = 1.0
    scatter: float = 0.45
    breath_out: float = 0.5
    breath_in: float = 1.2
    wrong: float = 0.02

    def to_vector(self) -> NDArray[np.float64]:
        """Unconstrained coordinates: logs, and the logit of `wrong`; shape (7,)."""
        logs = np.log(
            [
                self.diver_sd,
                self.body_factor,
                self.suit_factor,
                self.scatter,
                self.breath_out,
                self.breath_in,
            ]
        )
        return np.append(logs, np.log(self.wrong / (1 - self.wrong)))

    @classmethod
    def from_vector(cls, vector: NDArray[np.float64]) -> Hyperparameters:
        """Inverse of `to_vector`."""
        *logs, logit = (float(v) for v in vector)
        a, b, c, d, e, f = (float(np.exp(v)) for v in logs)
        return cls(a, b, c, d, e, f, float(1 / (1 + np.exp(-logit))))


CENTRE: Final = Hyperparameters().to_vector()
"""Prior medians in unconstrained coordinates: the defaults above. The breath range is common
practice (a relaxed breath moves about a litre, exhaling low about half of that); the rest is judged in
kg and checked on simulated books."""

SPREAD: Final = np.array([0.6, 0.3, 0.4, 0.4, 0.25, 0.25, 0.7])
"""Prior sds in unconstrained coordinates. The breath range is held rather tight because divers who
note 'sank' less carefully than 'hovered' would otherwise inflate it, which errs on the light side."""


def log_prior(vector: NDArray[np.float64]) -> float:
    """Log density of the prior in unconstrained coordinates, up to a constant."""
    return float(-0.5 * np.sum(((vector - CENTRE) / SPREAD) ** 2))
