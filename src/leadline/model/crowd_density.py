"""Compiled: the density of one need given all rows of its diver, value by value.

The steps of `leadline.model.diver`, number by number.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from leadline.model.crowd_problem import Found, Posed
from leadline.model.diver import (
    ALIKE_ENOUGH,
    COARSE,
    DEPTH,
    FAR,
    FEW_SWEEPS,
    FINE,
    KNOTS,
    LOG_SQRT_2PI,
    MATTERS,
    NEARLY,
    REACH,
    ROUGHLY,
    SLIGHT,
)
from leadline.model.layout import Rows
from leadline.model.row import Levels
from leadline.model.sequel import latent, settle, told, worth
from leadline.model.small_matrix import dot

__all__ = ["gaps", "grid", "weights_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@njit(cache=True)
def _log_density(
    rows: Rows,
    levels: list[Levels],
    index: IntArray,
    alone: NDArray[np.bool_],
    found: Found,
    direction: int,
    points: FloatArray,
    which: IntArray,
) -> FloatArray:
    """Log density of one direction at the points, rows one by one, under some hyperparameters; (g, u)."""
    n = len(index)
    logs = np.empty((len(which), len(points)))
    for at in range(len(which)):
        k = which[at]
        state = found.states[k]
        sd, centre = found.sd[k, direction], found.centre[k, direction]
        normalised = -math.log(sd) - LOG_SQRT_2PI + found.mass[k]
        for u in range(len(points)):
            logs[at, u] = normalised - 0.5 * ((points[u] - centre) / sd) ** 2
        for i in range(n):
            pull = found.cross[k, direction, i] / (sd * sd)
            variance = max(state.variance[i] - pull * found.cross[k, direction, i], 1e-12)
            p, s = state.precision[i], state.shift[i]
            left = max(1 - p * variance, 1e-9)
            row = told(rows, levels[k], index[i], alone[i], variance / left)
            constant = -0.5 * math.log(left)
            for u in range(len(points)):
                mean = state.need[i] + (points[u] - centre) * pull
                beyond = 0.5 * (p * mean * mean - 2 * s * mean + variance * s * s) / left
                logs[at, u] += constant + beyond + worth(row, (mean - variance * s) / left)
    return logs


@njit(cache=True)
def _smooth(
    rows: Rows,
    levels: list[Levels],
    index: IntArray,
    alone: NDArray[np.bool_],
    found: Found,
    direction: int,
    points: FloatArray,
) -> FloatArray:
    """The same under all: at every other point and by cubics between, where that is good enough for one."""
    g, size = len(levels), len(points)
    taken = np.arange(0, size, 2)
    some = _log_density(rows, levels, index, alone, found, direction, points[taken], np.arange(g))
    left = points[1::2]
    one = _log_density(rows, levels, index, alone, found, direction, left, np.array([g // 2]))[0]
    logs = np.empty((g, size))
    worst = 0.0
    floor = np.max(some[g // 2]) - DEPTH
    for u in range(len(taken)):
        logs[:, taken[u]] = some[:, u]
    for u in range(len(left)):
        at = 2 * u + 1
        first = min(max(u - 1, 0), len(taken) - 4)
        logs[:, at] = 0.0
        for i in range(first, first + 4):
            weight = 1.0
            for j in range(first, first + 4):
                if j != i:
                    weight *= (left[u] - points[taken[j]]) / (points[taken[i]] - points[taken[j]])
            logs[:, at] += weight * some[:, i]
        if one[u] > floor:
            worst = max(worst, abs(logs[g // 2, at] - one[u]))
    if worst > ROUGHLY:
        others = _log_density(rows, levels, index, alone, found, direction, left, np.arange(g))
        for u in range(len(left)):
            logs[:, 2 * u + 1] = others[:, u]
    return logs


@njit(cache=True)
def _log_conditional(
    rows: Rows,
    levels: list[Levels],
    index: IntArray,
    posed: Posed,
    found: Found,
    direction: int,
    k: int,
    points: FloatArray,
) -> FloatArray:
    """The same by settling the rows anew given each point; NaN where they do not."""
    n = len(index)
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
    mean = np.empty(n)
    for u in range(len(points)):
        score = (points[u] - found.start[k, direction]) / length
        for i in range(n):
            mean[i] = posed.mean[k, i] + score * along[i]
        state = latent(n, f.shape[1])
        _, evidence, to_come = settle(
            rows, levels[k], index, posed.alone, left, mean, state, ROUGHLY, FEW_SWEEPS, False
        )
        logs[u] = evidence - 0.5 * score * score - math.log(length) - LOG_SQRT_2PI
        if not to_come < NEARLY:
            logs[u] = math.nan
    return logs


@njit(cache=True)
def _between(points: FloatArray, few: FloatArray, more: FloatArray) -> FloatArray:
    """Corrections carried from the few points where there are any to all; none where there are none."""
    valid = ~np.isnan(more)
    if not valid.any():
        return np.zeros(len(points))
    return np.interp(points, few[valid], more[valid])


@njit(cache=True)
def _merged(first: FloatArray, second: FloatArray) -> FloatArray:
    return np.unique(np.concatenate((first, second)))


@njit(cache=True)
def _few(points: FloatArray) -> FloatArray:
    found = np.empty(KNOTS)
    for k in range(KNOTS):
        found[k] = points[int(np.round(k * (len(points) - 1) / (KNOTS - 1)))]
    return np.unique(found)


@njit(cache=True)
def _corrected(
    rows: Rows,
    levels: list[Levels],
    index: IntArray,
    posed: Posed,
    found: Found,
    direction: int,
    points: FloatArray,
    logs: FloatArray,
) -> bool:
    """Make log densities hold, in place, where the rows cannot be taken one by one; whether they do."""
    g = len(levels)
    few = _few(points)
    plain = np.empty((g, len(few)))
    away = np.zeros((g, len(points)), np.bool_)
    top = np.full(g, -math.inf)
    any_away = False
    for k in range(g):
        plain[k] = np.interp(few, points, logs[k])
        for u in range(len(points)):
            away[k, u] = abs(points[u] - found.centre[k, direction]) > FAR * found.sd[k, direction]
            if not away[k, u]:
                top[k] = max(top[k], logs[k, u])
        for u in range(len(points)):
            if away[k, u] and logs[k, u] > top[k] - MATTERS:
                any_away = True
    if not any_away:
        middle = int(np.argsort(top)[g // 2])
        exact = _log_conditional(rows, levels, index, posed, found, direction, middle, few)
        more = exact - plain[middle]
        largest = 0.0
        for u in range(len(few)):
            # Settled anew, a place may hold a second peak of which the rows one by one know nothing.
            lost = math.isnan(exact[u])
            if (plain[middle, u] if lost else max(exact[u], plain[middle, u])) > top[middle] - MATTERS:
                largest = math.inf if lost else max(largest, abs(more[u]))
        if largest < ALIKE_ENOUGH:
            for k in range(g):
                if largest >= SLIGHT:
                    centre, sd = found.centre[k, direction], found.sd[k, direction]
                    score = (few - found.centre[middle, direction]) / found.sd[middle, direction]
                    logs[k] += _between((points - centre) / sd, score, more)
                for u in range(len(points)):
                    if away[k, u]:
                        logs[k, u] = -math.inf
            return True
    sound = True
    for k in range(g):
        exact = _log_conditional(rows, levels, index, posed, found, direction, k, few)
        logs[k] += _between(points, few, exact - plain[k])
        unsettled = np.isnan(exact)
        if np.any(unsettled & (plain[k] > np.max(plain[k]) - MATTERS)):
            sound = False
        sure = np.interp(points, few, (~unsettled).astype(np.float64))
        for u in range(len(points)):
            # Far from where the rows were settled, one by one says nothing on its own.
            if away[k, u] and not sure[u] > 0.5:
                logs[k, u] = -math.inf
    return sound


@njit(cache=True)
def grid(
    rows: Rows, levels: list[Levels], index: IntArray, posed: Posed, found: Found, direction: int
) -> tuple[FloatArray, FloatArray, bool]:
    """Points that hold all of one direction's posterior, the log densities there, and whether they hold."""
    centre, sd = found.centre[:, direction], found.sd[:, direction]
    before, wide = found.start[:, direction], found.start_sd[:, direction]
    low, high = np.min(centre - REACH * sd), np.max(centre + REACH * sd)
    far_low, far_high = min(low, np.min(before - 5 * wide)), max(high, np.max(before + 5 * wide))
    points = _merged(np.linspace(far_low, far_high, COARSE), np.linspace(low, high, COARSE))
    some = np.unique(np.array([np.argmin(centre), np.argmax(centre), np.argmax(sd)]))
    logs = _log_density(rows, levels, index, posed.alone, found, direction, points, some)
    first, last = len(points), 0
    for k in range(len(some)):
        best = np.max(logs[k])
        for u in range(len(points)):
            if logs[k, u] > best - DEPTH:
                first, last = min(first, u), max(last, u)
    low, high = points[max(first - 1, 0)], points[min(last + 1, len(points) - 1)]
    near_low, near_high = max(low, np.min(centre - 4 * sd)), min(high, np.max(centre + 4 * sd))
    points = np.linspace(low, high, FINE)
    if near_high - near_low < 0.5 * (high - low):
        points = _merged(points, np.linspace(near_low, near_high, FINE))
    logs = _smooth(rows, levels, index, posed.alone, found, direction, points)
    sound = _corrected(rows, levels, index, posed, found, direction, points, logs)
    return points, logs, sound


@njit(cache=True)
def gaps(points: FloatArray) -> FloatArray:
    """What `numpy.gradient` gives for a function that grows as its places do."""
    size = len(points)
    found = np.empty(size)
    found[0] = points[1] - points[0]
    found[size - 1] = points[size - 1] - points[size - 2]
    for u in range(1, size - 1):
        found[u] = (points[u + 1] - points[u - 1]) / 2
    return found


@njit(cache=True)
def weights_of(points: FloatArray, logs: FloatArray) -> FloatArray:
    """Probabilities of the points, each hyperparameter's summing to 1."""
    width = gaps(points)
    found = np.empty(logs.shape)
    for k in range(len(logs)):
        found[k] = np.exp(logs[k] - np.max(logs[k])) * width
        found[k] /= np.sum(found[k])
    return found
