"""What being under water without any lead shows of need at the stop: a bound from above, and no more.

The word says that the crown is covered: need then lies below the lead that is on, none, by all of the head
that is out at eye level, and by how much nobody sees. So it weighs with what was known, as `leadline check`
has it, and asks for no more than that did.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import pi, sqrt
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.checked_dive import ASTRAY, LEAST_CARRY_SD
from leadline.frozen import dataclass
from leadline.model.marginal import Marginal
from leadline.model.quantile import quantiles
from leadline.model.stack import Mixture, stacks
from leadline.normal import distribution

if TYPE_CHECKING:
    from leadline.decide.crowd import Crowd

__all__ = ["Look", "crowd_under", "known_under"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

ROOT_TAU: Final = sqrt(2 * pi)
PLACES: Final = 72
"""Needs that are weighed: less than the least scatter apart, where what is known is not far off. [-]"""

REACH: Final = 5.0
"""Sds to either side. What is cut off below only adds to what is enough. [-]"""

SPARE: Final = (0.02, 0.05)
"""Added to the bound: for the places between those that are weighed, and for a diver with records, for what
these teach of the way from the surface to the stop, which nobody reckons here. [kg]

(judged: with it none of the demo book's divers, in seven kits each, is told a block less than `check` says)
"""

FURTHER: Final = 2.0
"""Further down than what is known, for days on which it does not hold. [kg]"""


@dataclass(frozen=True)
class Look:
    """What the word shows of need at the stop; shape (t,).

    Parameters
    ----------
    most : ndarray
        Most need at the stop of whoever is under water without any lead, by the mean way. [kg]
    sd : ndarray
        How sharply that is seen at the surface: the word, breath and head. [kg]
    apart : ndarray
        Sd of what need there and need at the stop do not share, by the physics: mostly foam. [kg]
    wider : ndarray
        Sd of what is expected there, over that of what is expected at the stop. [-]
    """

    most: FloatArray
    sd: FloatArray
    apart: FloatArray
    wider: FloatArray

    @property
    def alone_sd(self) -> FloatArray:
        """How sharply the look by itself shows need at the stop. [kg]."""
        return np.hypot(self.sd, self.apart)

    def take(self, rows: IntArray) -> Look:
        """The same of some of them."""
        return Look(self.most[rows], self.sd[rows], self.apart[rows], self.wider[rows])

    def at(self, cell: tuple[int, ...]) -> Look:
        """That of one cell, where there is one for each cell of a table."""
        return Look(*(np.array([x[cell]]) for x in (self.most, self.sd, self.apart, self.wider)))

    def with_spare(self, recorded: BoolArray | bool) -> Look:
        """The same with something to spare, so that it never asks for less than `leadline check` does."""
        return replace(self, most=self.most + np.where(recorded, SPARE[1], SPARE[0]))


def _places(mean: FloatArray, sd: FloatArray, most: FloatArray, look_sd: FloatArray) -> FloatArray:
    """Needs to weigh, from far below to as much as a look in error may hide; shape (t, k). [kg]."""
    low = np.minimum(mean, most) - REACH * sd - FURTHER
    return np.asarray(np.linspace(low, most + REACH * look_sd, PLACES, axis=-1))


def _beyond(
    places: FloatArray, known: FloatArray, mean: FloatArray, own: FloatArray, day: FloatArray,
    look: Look, *, risk: float,
) -> FloatArray:  # fmt: skip
    """Need at the stop that such a share of those under water is beyond. [kg].

    `places` are needs at the surface, taken to the stop by the mean way; `known` is their density before the
    look, `own` and `day` the variance of need at the stop that is the diver's and that is the day's. The two
    needs share the less, the more foam and head put in doubt: as `CheckedDive.carried_to` has it.
    """
    (holds, _), (astray, off) = ASTRAY
    here, beside = own * look.wider**2, day[:, None] + np.array([0.0, off**2])
    shared = np.clip((here + own - look.apart**2) / 2, 0.0, np.sqrt(here * own))[:, None] + beside
    slope = shared / (here[:, None] + beside)
    left = np.maximum(own[:, None] + beside - slope * shared, LEAST_CARRY_SD**2)
    wide = np.sqrt(here + beside[:, 1])[:, None]
    from_mean = places - mean[:, None]
    other = astray * np.exp(-0.5 * (from_mean / wide) ** 2) / (wide * ROOT_TAU)
    both = holds * known + other
    seen = both * distribution((look.most[:, None] - places) / look.sd[:, None])
    seen /= seen.sum(axis=1, keepdims=True)
    strays = other / np.maximum(both, 1e-300)
    shown = mean[:, None] + (slope[:, :1] + (slope[:, 1:] - slope[:, :1]) * strays) * from_mean
    share = np.einsum("nk,nk->n", seen, strays)
    # Each place stands for as much to either side.
    width = (places[:, 1] - places[:, 0]) ** 2 / 12
    scatter = np.sqrt(left[:, 0] + (left[:, 1] - left[:, 0]) * share + width)
    rows = zip(np.maximum.accumulate(shown, axis=1), seen, scatter.tolist(), strict=True)
    return quantiles([Marginal(*row) for row in rows], [1 - risk])[:, 0]


def known_under(needs: Sequence[Mixture], look: Look, *, risk: float) -> FloatArray:
    """Need at the stop of those under water without any lead, which so many of them are beyond.

    Parameters
    ----------
    needs : sequence of Mixture
        Need at the stop, before the look, of *t* divers.
    look : Look
        What the word shows of each.
    risk : float
        Accepted chance of too light. [-]

    Returns
    -------
    ndarray, shape (t,)
        [kg]

    Notes
    -----
    As `leadline check` has it, what is known does not hold on one day in fifty, and a bound from above asks
    for no more than what was known.
    """
    found = np.zeros(len(needs))
    for at, stack in stacks(needs, numbers=PLACES):
        told, scatter = look.take(at), stack.scatter[:, None]
        mean, day = np.einsum("ng,ng->n", stack.weights, stack.points), stack.scatter**2
        own = stack.sd**2 - day
        points = mean[:, None] + told.wider[:, None] * (stack.points - mean[:, None])
        places = _places(mean, np.sqrt(own * told.wider**2 + day), told.most, told.sd)
        away = (places[..., None] - points[:, None]) / scatter[..., None]
        known = np.einsum("nkg,ng->nk", np.exp(-0.5 * away * away), stack.weights) / (scatter * ROOT_TAU)
        found[at] = _beyond(places, known, mean, own, day, told, risk=risk)
    return np.minimum(found, quantiles(needs, [1 - risk])[:, 0])


def crowd_under(crowd: Crowd, look: Look, *, risk: float) -> float:
    """The same of one person out of a crowd.

    Parameters
    ----------
    crowd : Crowd
        Need at the stop, before the look.
    look : Look
        What the word shows of one of them; one row.
    risk : float
        Accepted chance of too light. [-]

    Returns
    -------
    float
        [kg]
    """
    day = float(crowd.weights @ [member.scatter**2 for member in crowd.members])
    mean, sd, own = np.array([crowd.mean]), crowd.sd, np.array([crowd.sd**2 - day])
    there = np.sqrt(own * look.wider**2 + day)
    places = _places(mean, there, look.most, look.sd)
    half, wider = (places[0, 1] - places[0, 0]) / 2, there[0] / sd
    low, high = (crowd.mean + (places + side - crowd.mean) / wider for side in (-half, half))
    known = (crowd.above(low) - crowd.above(high)) / (2 * half)
    found = _beyond(places, known, mean, own, np.array([day]), look, risk=risk)
    return min(float(found[0]), float(crowd.quantile(1 - risk)))
