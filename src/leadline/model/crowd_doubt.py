"""Compiled: where an answer for one diver of many has to be looked at by itself.

`leadline.model.diver` looks more closely where records lie far from physics, where far peaks show and where a
density does not end with its grid. That is rare, so it is not done a second time here: it is only noticed.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.crowd_problem import Found, Posed
from leadline.model.density import FAR
from leadline.model.prepared import E0, E2, L0, POINT
from leadline.model.small_array import highest
from leadline.model.small_matrix import dot

__all__ = ["cut_off", "far_records", "near_top"]

FloatArray = NDArray[np.float64]

ENDED: Final = 4.0
"""Log density below its peak at which a density is let end with its grid. [-]"""


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
            scatter = 0.0 if posed.together[k].following[i] == i else posed.together[k].variance
            pull = dot(f[at], f[i]) / max(dot(f[i], f[i]) + scatter, 1e-12)
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
