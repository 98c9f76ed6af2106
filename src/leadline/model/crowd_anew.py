"""Compiled: the density of one need with its diver's rows settled anew at some of its values.

As `leadline.model.density` has it.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.crowd_problem import Found, Posed
from leadline.model.density import FEW_SWEEPS, LOG_SQRT_2PI, NEARLY, STEP, WEIGHTY
from leadline.model.sequel import Effort, carried, latent, settle
from leadline.model.small_array import highest
from leadline.model.small_matrix import dot

__all__ = ["filled", "log_conditional"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

NEARLY_ENOUGH: Final = Effort(NEARLY, FEW_SWEEPS, False)
"""For rows settled anew at one point of many: the evidence hardly hangs on sites that are nearly settled, and
is then within a thousandth."""


@njit(cache=True)
def log_conditional(
    posed: Posed,
    found: Found,
    direction: int,
    k: int,
    points: FloatArray,
) -> FloatArray:
    """Log density of one direction by settling the rows anew given each point.

    Parameters
    ----------
    posed, found : Posed, Found
        One diver's rows, and where they settled.
    direction, k : int
        Of `found`; of the hyperparameters.
    points : ndarray, shape (u,)
        Needs. [kg]

    Returns
    -------
    ndarray, shape (u,)
        NaN where the rows do not settle.
    """
    rows = posed.rows[k]
    n = len(rows)
    t = posed.mean.shape[1] - n
    f = posed.loadings[k]
    at = found.anchor if direction == t else n + direction
    length = found.start_sd[k, direction]
    unit = f[at] / length
    left = np.empty((n, f.shape[1]))
    along = np.empty(n)
    for i in range(n):
        along[i] = dot(f[i], unit)
        for j in range(f.shape[1]):
            left[i, j] = f[i, j] - along[i] * unit[j]
    logs = np.empty(len(points))
    mean, moved = np.empty(n), np.empty(n)
    state, determinant, before = latent(n, f.shape[1]), math.nan, 0.0
    for u in range(len(points)):
        score = (points[u] - found.start[k, direction]) / length
        for i in range(n):
            mean[i] = posed.mean[k, i] + score * along[i]
            moved[i] = (score - before) * along[i]
        if not math.isnan(determinant):
            # Sites settled given one point are near to those given the next, and so is what follows.
            carried(state, left, moved, posed.together[k])
        _, evidence, to_come, determinant = settle(
            rows, left, mean, posed.together[k], state, NEARLY_ENOUGH, determinant
        )
        before = score
        logs[u] = evidence - 0.5 * score * score - math.log(length) - LOG_SQRT_2PI
        if not to_come < NEARLY:
            logs[u] = math.nan
            state, determinant = latent(n, f.shape[1]), math.nan
    return logs


@njit(cache=True)
def _steep(points: FloatArray, logs: FloatArray, at: IntArray, exact: FloatArray) -> IntArray:
    """Places half way between neighbours whose corrections are too far apart to be carried over."""
    found, count = np.empty(len(at), np.int64), 0
    best = highest(exact)
    for u in range(len(at) - 1):
        left, right = at[u], at[u + 1]
        begun = exact[u] - logs[left]
        grown = exact[u + 1] - logs[right] - begun
        if right - left < 2 or not abs(grown) > STEP:
            continue
        top = max(exact[u], exact[u + 1])
        for i in range(left + 1, right):
            part = (points[i] - points[left]) / (points[right] - points[left])
            top = max(top, logs[i] + begun + part * grown)
        if abs(grown) * math.exp(min(top - best, 0.0)) > WEIGHTY:
            found[count] = (left + right) // 2
            count += 1
    return found[:count]


@njit(cache=True)
def filled(
    posed: Posed,
    found: Found,
    direction: int,
    k: int,
    points: FloatArray,
    logs: FloatArray,
    at: IntArray,
    exact: FloatArray,
) -> tuple[IntArray, FloatArray]:
    """Settle the rows anew between two points too, as long as the corrections of these are far apart.

    Parameters
    ----------
    posed, found, direction, k : Posed, Found, int, int
        As for `log_conditional`.
    points, logs : ndarray, shape (u,)
        Grid, and log densities there with the rows taken one by one.
    at, exact : ndarray, shape (n,)
        Places in the grid where the rows were settled anew, ascending, and the log densities found.

    Returns
    -------
    at, exact : ndarray, shape (m,)
        With those between.
    """
    while True:
        new = _steep(points, logs, at, exact)
        if not len(new):
            return at, exact
        anew = log_conditional(posed, found, direction, k, points[new])
        both, values = np.append(at, new), np.append(exact, anew)
        order = np.argsort(both)
        at, exact = both[order], values[order]
