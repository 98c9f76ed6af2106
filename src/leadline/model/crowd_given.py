"""Compiled: a need that no row is near to, by way of the anchor. As `leadline.model.diver` has it."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.crowd_problem import Found, Posed
from leadline.model.density import FEW_SWEEPS, KNOTS, NEARLY, ROUGHLY
from leadline.model.diver import ALIKE_GIVEN, BARELY
from leadline.model.grid import FINE
from leadline.model.sequel import Effort, latent, settle
from leadline.model.small_array import evenly, highest, interpolated
from leadline.model.small_matrix import dot, multiply

__all__ = ["through_anchor"]

FloatArray = NDArray[np.float64]

LOOSE: Final = Effort(ROUGHLY, 2 * FEW_SWEEPS, True)
TIGHT: Final = Effort(ROUGHLY, 2 * FEW_SWEEPS, False)


@njit(cache=True)
def _anew(
    posed: Posed, found: Found, target: int, k: int, points: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and sd of a target with the rows settled anew given the anchor; NaN where they do not settle."""
    rows, f = posed.rows[k], posed.loadings[k]
    n, t = len(rows), found.centre.shape[1] - 1
    length = found.start_sd[k, t]
    unit = f[found.anchor] / length
    along, own = np.empty(n + 1), np.empty((n + 1, f.shape[1]))
    for i in range(n + 1):
        at = i if i < n else n + target
        along[i] = dot(f[at], unit)
        for j in range(f.shape[1]):
            own[i, j] = f[at, j] - along[i] * unit[j]
    centre, sd = np.full(len(points), math.nan), np.full(len(points), math.nan)
    mean, v = np.empty(n), np.empty(f.shape[1])
    for u in range(len(points)):
        score = (points[u] - found.start[k, t]) / length
        for i in range(n):
            mean[i] = posed.mean[k, i] + score * along[i]
        # Where sites wider than their cavities do not settle, narrower ones mostly do.
        for effort in (LOOSE, TIGHT):
            state = latent(n, f.shape[1])
            _, _, to_come, _ = settle(rows, own[:n], mean, posed.together[k], state, effort)
            multiply(state.covariance, own[n], v)
            variance = dot(v, own[n])
            if to_come < NEARLY and variance < found.start_sd[k, target] ** 2:
                centre[u] = posed.mean[k, n + target] + score * along[n] + dot(own[n], state.mean)
                sd[u] = math.sqrt(max(variance, 1e-12))
                break
    return centre, sd


@njit(cache=True)
def _corrected(
    posed: Posed,
    found: Found,
    target: int,
    points: FloatArray,
    weights: FloatArray,
    one: int,
    centre: FloatArray,
    left: FloatArray,
) -> bool:
    """Make mean and sd of a target given the anchor hold, (g, u) each, in place; whether they do."""
    at = np.empty(KNOTS, np.int64)
    for i in range(KNOTS):
        at[i] = round(i * (len(points) - 1) / (KNOTS - 1))
    few = points[at]
    mean, sd = _anew(posed, found, target, one, few)
    least, wrong = BARELY * highest(weights[one]), 0.0
    for i in range(KNOTS):
        if weights[one, at[i]] > least:
            away = max(abs(mean[i] - centre[one, at[i]]), abs(sd[i] - left[one, at[i]]))
            wrong = math.inf if math.isnan(mean[i]) else max(wrong, away / left[one, at[i]])
    if wrong < ALIKE_GIVEN:
        return True
    sound = True
    for k in range(len(weights)):
        mean, sd = _anew(posed, found, target, k, few)
        least = BARELY * highest(weights[k])
        for i in range(KNOTS):
            sound &= not (math.isnan(mean[i]) and weights[k, at[i]] > least)
        if highest(mean) > -math.inf:
            moved = interpolated(points, few, mean - centre[k, at])
            grown = interpolated(points, few, sd / left[k, at])
            for u in range(len(points)):
                centre[k, u] += moved[u]
                left[k, u] *= grown[u]
    return sound


@njit(cache=True)
def through_anchor(
    posed: Posed, found: Found, target: int, points: FloatArray, weights: FloatArray, likeliest: int
) -> tuple[FloatArray, FloatArray, bool]:
    """Points of a target that no row is near to, and its density there under each hyperparameter.

    Parameters
    ----------
    posed, found : Posed, Found
        One diver's rows, and where they settled.
    target : int
        Of `found`.
    points, weights : ndarray, shape (u,), (g, u)
        Of the anchor. [kg, -]
    likeliest : int
        Of the hyperparameters. Where what the rows say of the target hardly changes with the anchor under
        these, it is taken not to under the others.

    Returns
    -------
    points, logs : ndarray, shape (v,), (g, v)
        [kg, -]
    """
    g, size = weights.shape
    t = found.centre.shape[1] - 1
    centre, left = np.empty((g, size)), np.empty((g, size))
    for k in range(g):
        variance = found.sd[k, t] ** 2
        pull = found.with_anchor[k, target] / variance
        spread = math.sqrt(max(found.sd[k, target] ** 2 - pull**2 * variance, 1e-12))
        for s in range(size):
            centre[k, s] = found.centre[k, target] + pull * (points[s] - found.centre[k, t])
            left[k, s] = spread
    sound = _corrected(posed, found, target, points, weights, likeliest, centre, left)
    low, high = math.inf, -math.inf
    for k in range(g):
        for s in range(size):
            low = min(low, centre[k, s] - 4.5 * left[k, s])
            high = max(high, centre[k, s] + 4.5 * left[k, s])
    own = evenly(low, high, 2 * FINE)
    density = np.zeros((g, len(own)))
    for k in range(g):
        for s in range(size):
            if weights[k, s] < 1e-12:
                continue
            share = weights[k, s] / left[k, s]
            for u in range(len(own)):
                density[k, u] += share * math.exp(-0.5 * ((own[u] - centre[k, s]) / left[k, s]) ** 2)
    for k in range(g):
        for u in range(len(own)):
            density[k, u] = math.log(max(density[k, u], 1e-300))
    return own, density, sound
