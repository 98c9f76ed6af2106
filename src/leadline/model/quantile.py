"""Quantiles of many mixtures at once: what a plan of a thousand dives asks for again and again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.normal import distribution

__all__ = ["Mixture", "quantiles"]

FloatArray = NDArray[np.float64]

ENOUGH: Final = 1e-9  # kg
MOST_STEPS: Final = 60
BATCH: Final = 200_000  # numbers in a block of work, so that it stays in the processor's cache


class Mixture(Protocol):
    """Points with weights and Gaussian scatter around each, such as a `Marginal`."""

    @property
    def points(self) -> FloatArray:
        """Ascending. [kg]."""

    @property
    def weights(self) -> FloatArray:
        """Summing to 1. [-]."""

    @property
    def scatter(self) -> float:
        """Sd. [kg]."""

    def expected_quantile(self, probability: ArrayLike) -> FloatArray:
        """Quantiles of the points alone. [kg]."""


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
    wanted = np.asarray(probability, float)
    width = max((len(need.points) for need in needs), default=1)
    size = max(BATCH // (width * len(wanted)), 1)
    found = [_block(needs[i : i + size], width, wanted) for i in range(0, len(needs), size)]
    return np.concatenate(found) if found else np.zeros((0, len(wanted)))


def _block(needs: Sequence[Mixture], width: int, wanted: FloatArray) -> FloatArray:
    """Newton's steps, kept inside a bracket that is halved where a step would leave it."""
    points, weights = np.zeros((2, len(needs), width))
    for i, need in enumerate(needs):
        points[i, : len(need.points)] = need.points
        weights[i, : len(need.points)] = need.weights
    scatter = np.repeat([need.scatter for need in needs], len(wanted))
    sought = np.tile(wanted, len(needs))
    whose = np.repeat(np.arange(len(needs)), len(wanted))
    low = np.repeat([need.points[0] for need in needs], len(wanted)) - 9 * scatter
    high = np.repeat([need.points[-1] for need in needs], len(wanted)) + 9 * scatter
    at = np.concatenate([need.expected_quantile(wanted) for need in needs])
    open_ = np.arange(len(at))
    for _ in range(MOST_STEPS):
        z = (at[open_, None] - points[whose[open_]]) / scatter[open_, None]
        mine = weights[whose[open_]]
        over = np.einsum("ij,ij->i", distribution(z), mine) - sought[open_]
        slope = np.einsum("ij,ij->i", np.exp(-0.5 * z * z), mine) / (scatter[open_] * np.sqrt(2 * np.pi))
        here, by = at[open_], over / np.maximum(slope, 1e-300)
        low[open_], high[open_] = np.where(over < 0, here, low[open_]), np.where(over < 0, high[open_], here)
        inside = (here - by > low[open_]) & (here - by < high[open_])
        at[open_] = np.where(inside, here - by, (low[open_] + high[open_]) / 2)
        there = np.abs(by) < ENOUGH
        at[open_[there]] = here[there]
        open_ = open_[~there & (high[open_] - low[open_] > ENOUGH)]
        if not len(open_):
            break
    return at.reshape(len(needs), len(wanted))
