"""Densities on a grid for what looks at the surface say: intervals, common errors, bounds to one side."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.marginal import Marginal
from leadline.normal import log_distribution

__all__ = ["REACH", "bias_nodes", "log_between", "log_density", "no_further", "smoothed"]

FloatArray = NDArray[np.float64]

COARSE: Final = 0.04  # kg of the grid on which two needs are held against each other
REACH: Final = 6.0  # sds to either side
BIAS_NODES: Final = 15
TINY: Final = 1e-9  # chance that is left where a look rules a need out: other records may rule out all others


def no_further(found: Marginal, before: Marginal, side: int) -> Marginal:
    """A need that no look has moved against the way it points.

    Any look opens the chance of a day on which nothing known holds, to both sides. One that only shows that
    less would do closes it above by as much as it saw, which may be little; it asks for no more for that.
    """
    if side == 0:
        return found
    found, before = _trimmed(found), _trimmed(before)
    grid = np.arange(
        min(one.points[0] - REACH * one.scatter for one in (found, before)),
        max(one.points[-1] + REACH * one.scatter for one in (found, before)) + COARSE,
        COARSE,
    )
    above = np.minimum if side < 0 else np.maximum
    weights = np.maximum(-np.diff(above(found.above(grid), before.above(grid))), 0.0)
    return Marginal((grid[1:] + grid[:-1]) / 2, weights / weights.sum(), COARSE / 2)


def _trimmed(need: Marginal) -> Marginal:
    """Without points that hold nothing, and of the others as many as `COARSE` asks for: less to reckon."""
    kept = np.flatnonzero(need.weights > need.weights.max() * 1e-10)
    points, weights = need.points[kept[0] : kept[-1] + 1], need.weights[kept[0] : kept[-1] + 1]
    first = np.flatnonzero(np.diff(np.floor(points / COARSE), prepend=-np.inf))
    mass = np.add.reduceat(weights, first)
    middle = np.add.reduceat(weights * points, first) / np.maximum(mass, 1e-300)
    there = mass > 0
    return Marginal(middle[there], mass[there] / mass.sum(), need.scatter)


@lru_cache(maxsize=1)
def bias_nodes() -> tuple[FloatArray, FloatArray]:
    """Places of a standard normal error, and their weights."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(BIAS_NODES)
    return nodes, weights / weights.sum()


def log_between(low: FloatArray, high: FloatArray) -> FloatArray:
    """Log chance that a standard normal lies between two values, from the tail that keeps its digits."""
    flip = low + high > 0
    near, far = np.where(flip, -low, high), np.where(flip, -high, low)
    top = log_distribution(near)
    return np.asarray(top + np.log1p(-np.exp(np.minimum(log_distribution(far) - top, -1e-12))))


def log_density(marginal: Marginal, points: FloatArray) -> FloatArray:
    """Log density of need, scatter included, up to a constant that is the same for all."""
    kept = marginal.weights > marginal.weights.max() * 1e-12
    z = (points[:, None] - marginal.points[kept]) / marginal.scatter
    logs = np.log(marginal.weights[kept]) - 0.5 * z**2
    top = logs.max(axis=1, keepdims=True)
    return np.asarray(top[:, 0] + np.log(np.exp(logs - top).sum(axis=1) / marginal.scatter))


def smoothed(logs: FloatArray, grid: FloatArray, points: FloatArray, sd: float) -> FloatArray:
    """Log of a likelihood on a grid, blurred by a normal error and read at other points.

    Parameters
    ----------
    logs : ndarray, shape (g,)
        Log likelihood on `grid`; beyond its ends it goes on as it is there.
    grid, points : ndarray, shape (g,), (k,)
        [kg]
    sd : float
        Of the error. [kg]

    Returns
    -------
    ndarray, shape (k,)
    """
    at = np.clip(points, grid[0], grid[-1])
    kernel = np.exp(-0.5 * ((grid - at[:, None]) / sd) ** 2)
    top = logs.max()
    # As far as the grid reaches: near its ends the blur has one side only.
    return np.asarray(top + np.log(kernel @ np.exp(logs - top) / kernel.sum(axis=1) + TINY))
