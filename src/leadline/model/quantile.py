"""Quantiles of many mixtures at once: what a plan of a thousand dives asks for again and again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.stack import Mixture, Stack, stacks
from leadline.normal import distribution

__all__ = ["quantiles"]

FloatArray = NDArray[np.float64]

ENOUGH: Final = 1e-9  # kg
NEAR: Final = 1e-5  # kg; from so near Newton's next step ends within a millionth of a gram
MOST_STEPS: Final = 60


def quantiles(needs: Sequence[Mixture], probability: Sequence[float] | FloatArray) -> FloatArray:
    """Quantiles of need, scatter included.

    Parameters
    ----------
    needs : sequence of Mixture
        *n* needs.
    probability : sequence of float
        *k* probabilities. [-] Valid: between 0 and 1.

    Returns
    -------
    ndarray, shape (n, k)
        Of the exact mixtures, to a millionth of a gram. [kg]

    Examples
    --------
    >>> import numpy as np
    >>> from leadline.model.marginal import Marginal
    >>> need = Marginal(np.array([5.0]), np.array([1.0]), 0.5)
    >>> quantiles([need], [0.5, 0.975]).round(3)
    array([[5.  , 5.98]])
    """
    wanted, place = np.unique(np.asarray(probability, float), return_inverse=True)
    found = np.zeros((len(needs), len(wanted)))
    for places, stack in stacks(needs, numbers=len(wanted)):
        found[places] = _newton(stack, wanted, stack.expected_quantile(wanted))
    return found[:, place.ravel()]


def _newton(needs: Stack, wanted: FloatArray, begin: FloatArray) -> FloatArray:
    """Newton's steps, kept inside a bracket that is halved where a step would leave it."""
    scatter = np.repeat(needs.scatter, len(wanted))
    sought = np.tile(wanted, len(needs.points))
    whose = np.repeat(np.arange(len(needs.points)), len(wanted))
    low = np.repeat(needs.points[:, 0], len(wanted)) - 9 * scatter
    high = np.repeat(needs.points[:, -1], len(wanted)) + 9 * scatter
    at = begin.ravel().copy()
    open_ = np.arange(len(at))
    for _ in range(MOST_STEPS):
        z = (at[open_, None] - needs.points[whose[open_]]) / scatter[open_, None]
        mine = needs.weights[whose[open_]]
        over = np.einsum("ij,ij->i", distribution(z), mine) - sought[open_]
        slope = np.einsum("ij,ij->i", np.exp(-0.5 * z * z), mine) / (scatter[open_] * np.sqrt(2 * np.pi))
        here, by = at[open_], over / np.maximum(slope, 1e-300)
        low[open_], high[open_] = np.where(over < 0, here, low[open_]), np.where(over < 0, high[open_], here)
        inside = (here - by > low[open_]) & (here - by < high[open_])
        at[open_] = np.where(inside, here - by, (low[open_] + high[open_]) / 2)
        there = inside & (np.abs(by) < NEAR)
        open_ = open_[~there & (high[open_] - low[open_] > ENOUGH)]
        if not len(open_):
            break
    return at.reshape(begin.shape)
