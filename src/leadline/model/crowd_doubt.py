"""Compiled: where an answer for one diver of many has to be looked at by itself.

`leadline.model.diver` looks more closely where records lie far from physics, where far peaks show, where a
density does not end with its grid and where a need hangs on another by more than the Gaussian says. That is
rare, so it is not done a second time here: it is only noticed.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from leadline.model.crowd_problem import Found, Posed
from leadline.model.density import FAR, FEW_SWEEPS, KNOTS, MATTERS, NEARLY, ROUGHLY
from leadline.model.diver import ALIKE_GIVEN, BARELY
from leadline.model.prepared import E0, E2, L0, POINT
from leadline.model.sequel import Effort, latent, settle
from leadline.model.small_array import highest
from leadline.model.small_matrix import dot, multiply

__all__ = ["cut_off", "differs_given", "far_records", "near_top"]

FloatArray = NDArray[np.float64]

ENDED: Final = 4.0
"""Log density below its peak at which a density is let end with its grid. [-]"""

GIVEN: Final = Effort(ROUGHLY, 2 * FEW_SWEEPS, True)
"""For rows that are settled anew given the anchor."""


@njit(cache=True)
def far_records(posed: Posed, found: Found, direction: int, low: float, high: float) -> bool:
    """Whether some row by itself would put the direction outside of what the prior holds."""
    g, n = len(posed.rows), len(posed.rows[0])
    t = posed.mean.shape[1] - n
    at = found.anchor if direction == t else n + direction
    for i in range(n):
        upper = lower = 0.0
        for k in range(g):
            f, row = posed.loadings[k], posed.rows[k][i]
            pull = dot(f[at], f[i]) / max(dot(f[i], f[i]), 1e-12)
            begun = found.start[k, direction] - pull * posed.mean[k, i]
            upper += (begun + pull * row[E0]) / g
            lower += (begun + pull * (row[E0] if row[L0] == POINT else row[E2])) / g
        for place in (upper, lower):
            if math.isfinite(place) and not low <= place <= high:
                return True
    return False


@njit(cache=True)
def near_top(points: FloatArray, logs: FloatArray, centre: float, sd: float) -> float:
    """Highest log density near where the rows were settled."""
    top = -math.inf
    for u in range(len(points)):
        if abs(points[u] - centre) <= FAR * sd:
            top = max(top, logs[u])
    return top


@njit(cache=True)
def cut_off(logs: FloatArray, low: bool, high: bool) -> bool:
    """Whether some density has not vanished at an end that could lie farther out."""
    last = logs.shape[1] - 1
    for k in range(len(logs)):
        least = highest(logs[k]) - ENDED
        if (low and logs[k, 0] > least) or (high and logs[k, last] > least):
            return True
    return False


@njit(cache=True)
def differs_given(posed: Posed, found: Found, target: int, points: FloatArray, weights: FloatArray) -> bool:
    """Whether a target, given the anchor, is not what the Gaussian says, under one of the hyperparameters."""
    k = len(weights) // 2
    rows, f = posed.rows[k], posed.loadings[k]
    n, t = len(rows), found.centre.shape[1] - 1
    length, sd = found.start_sd[k, t], found.sd[k, t]
    unit = f[found.anchor] / length
    along, left = np.empty(n + 1), np.empty((n + 1, f.shape[1]))
    for i in range(n + 1):
        own = f[i] if i < n else f[n + target]
        along[i] = dot(own, unit)
        for j in range(f.shape[1]):
            left[i, j] = own[j] - along[i] * unit[j]
    pull = found.with_anchor[k, target] / (sd * sd)
    rest = math.sqrt(max(found.sd[k, target] ** 2 - (pull * sd) ** 2, 1e-12))
    best = highest(weights[k])
    mean, v = np.empty(n), np.empty(f.shape[1])
    for s in range(KNOTS):
        u = round(s * (len(points) - 1) / (KNOTS - 1))
        if weights[k, u] <= BARELY * best:
            continue
        score = (points[u] - found.start[k, t]) / length
        for i in range(n):
            mean[i] = posed.mean[k, i] + score * along[i]
        state = latent(n, f.shape[1])
        _, _, to_come = settle(rows, left[:n], mean, state, GIVEN)
        multiply(state.covariance, left[n], v)
        centre = posed.mean[k, n + target] + score * along[n] + dot(left[n], state.mean)
        plain = found.centre[k, target] + pull * (points[u] - found.centre[k, t])
        grown = math.sqrt(max(dot(v, left[n]), 1e-12)) / rest
        wrong = max(abs(centre - plain) / rest, abs(grown - 1))
        if not (to_come < NEARLY and wrong < ALIKE_GIVEN):
            return True
    return False
