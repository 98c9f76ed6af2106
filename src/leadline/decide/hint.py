"""The lead that somebody carries as a hint of what is needed, as far as the records show it to be one.

An answer for one diver takes the lead as given: what was seen with it counts, not that it was chosen. To pick
out of many those who carry too much is another matter. Who carries most may need most, and whoever is picked
for a high lead is picked for a high need too; without looks with an empty BC nothing corrects that. So a flag
has to hold both ways: with the lead as given, and with the lead as a hint.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model.marginal import Marginal
from leadline.model.stack import Stack, stacks

__all__ = ["Case", "cautious_chances", "cautious_weights"]

FloatArray = NDArray[np.float64]

SHARES: Final = np.arange(0.0, 0.95, 0.1)
"""Shares of a lead's departure from the usual that are need; all equally likely before. [-]"""

USUAL: Final = np.linspace(-1.5, 1.5, 7)
"""Departures of this roster's usual excess from that of the book. [kg]"""

USUAL_SD: Final = 0.75
"""How far a roster's usual excess may be from that of the book, sd. [kg] (judged)"""


@dataclass(frozen=True)
class Case:
    """One student.

    Parameters
    ----------
    need : Marginal
        On all evidence; the lead as given.
    before_mean, before_sd : float
        Of the expected need before any record of this student. [kg]
    excess : float
        First lead recorded in that kit, less the need expected then; NaN where unknown. [kg]
    chance : ndarray, shape (g,)
        Chance of what may be flagged, for each value of `need.points`. [-]
    """

    need: Marginal
    before_mean: float
    before_sd: float
    excess: float
    chance: FloatArray


def cautious_weights(cases: Sequence[Case], *, usual: float) -> list[FloatArray]:
    """Weights of the need under which the chance is lower: the lead as given, or the lead as a hint.

    Parameters
    ----------
    cases : sequence of Case
        All students of a roster: whether leads are hints is learned from them together.
    usual : float
        Lead over need that people of this book usually carry. [kg]

    Returns
    -------
    list of ndarray, shape (g,)
        One a case, summing to 1: `case.need.weights`, or those with the hint.

    Notes
    -----
    As a hint, need ~ N(before + share (excess - usual), before_sd² (1 - share)): share 0 means that leads
    know nothing of the person (a rule of thumb), a share near 1 that everybody carries the same over need.
    Share and usual excess are integrated over a grid, weighted by how well they foretell what was seen.
    """
    blocks = [
        (places, stack, [cases[place] for place in places])
        for places, stack in stacks([one.need for one in cases], numbers=len(SHARES) * len(USUAL))
    ]
    logs = -0.5 * (USUAL / USUAL_SD) ** 2 + np.zeros((len(SHARES), 1))
    for _, stack, own in blocks:
        total = _reweighted(stack, own, usual).sum(axis=-1)
        logs = logs + np.log(np.maximum(total, 1e-300)).sum(axis=0)
    share = np.exp(logs - logs.max())
    share /= share.sum()
    chosen: list[FloatArray] = [np.zeros(0)] * len(cases)
    for places, stack, own in blocks:
        weight = _reweighted(stack, own, usual)
        total = weight.sum(axis=-1)
        part = np.divide(share, total, out=np.zeros(total.shape), where=total > 0)
        # What leaves nothing of the need says nothing about it.
        rest = np.sum(share * (total <= 0), axis=(1, 2))
        hint = np.einsum("nsu,nsug->ng", part, weight) + rest[:, None] * stack.weights
        for place, one, hinted in zip(places.tolist(), own, hint, strict=True):
            lower = hinted @ one.chance < one.need.weights @ one.chance
            chosen[place] = hinted if lower else one.need.weights
    return chosen


def cautious_chances(cases: Sequence[Case], *, usual: float) -> FloatArray:
    """The lower of two chances: the lead as given, and the lead as a hint.

    Parameters
    ----------
    cases, usual
        As of `cautious_weights`.

    Returns
    -------
    ndarray, shape (len(cases),)
        Never more than the chance with the lead as given. [-]
    """
    weights = cautious_weights(cases, usual=usual)
    chances = [w @ one.chance for w, one in zip(weights, cases, strict=True)]
    return np.asarray(np.clip(np.array(chances, float), 0.0, 1.0))


def _reweighted(stack: Stack, cases: Sequence[Case], usual: float) -> FloatArray:
    """Weights of the needs for each share and usual excess; shape (n, shares, usuals, g)."""
    mean, sd, excess = np.array([(one.before_mean, one.before_sd, one.excess) for one in cases]).T
    # The log of a ratio of normal densities is a parabola in the need: three coefficients, then few steps.
    share = SHARES[:, None]
    middle = share * (excess[:, None, None] - usual - USUAL) / sd[:, None, None]
    left = 1 / (1 - share)
    point = ((stack.points - mean[:, None]) / sd[:, None])[:, None, None, :]
    logs = (middle * left)[..., None] * point
    logs += (0.5 * (1 - left))[..., None] * point**2
    logs += (0.5 * (np.log(left) - middle**2 * left))[..., None]
    np.minimum(logs, 700.0, out=logs)
    # A lead that nobody noted is no hint.
    logs[np.isnan(excess)] = 0.0
    found = np.exp(logs, out=logs)
    found *= stack.weights[:, None, None, :]
    return np.asarray(found)
