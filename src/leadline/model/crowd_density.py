"""Compiled: the density of one need given all rows of its diver, value by value.

The steps of `leadline.model.diver`, number by number.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.crowd_anew import filled, log_conditional
from leadline.model.crowd_doubt import cut_off, far_records, near_top
from leadline.model.crowd_problem import Found, Posed
from leadline.model.density import (
    ALIKE_ENOUGH,
    FAR,
    HARMLESS,
    KNOTS,
    LOG_SQRT_2PI,
    MATTERS,
    NOTHING,
    ROUGHLY,
    SLIGHT,
    SMOOTH,
    UNCHANGED,
    UNLIKE,
)
from leadline.model.grid import BROAD, COARSE, DEPTH, FINE, REACH
from leadline.model.small_array import (
    copied,
    evenly,
    highest,
    interpolated,
    median_place,
    merged,
    probabilities,
    widths,
)
from leadline.model.told import told, worth

__all__ = ["evidence_of", "grid", "weights_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@njit(cache=True)
def _log_density(
    rows: list[FloatArray],
    found: Found,
    direction: int,
    points: FloatArray,
    which: IntArray,
) -> FloatArray:
    """Log density of one direction at the points, rows one by one, under some hyperparameters; (g, u)."""
    n = len(rows[0])
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
            row = told(rows[k][i], variance / left)
            constant = -0.5 * math.log(left)
            for u in range(len(points)):
                mean = state.need[i] + (points[u] - centre) * pull
                beyond = 0.5 * (p * mean * mean - 2 * s * mean + variance * s * s) / left
                logs[at, u] += constant + beyond + worth(row, (mean - variance * s) / left)
    return logs


@njit(cache=True)
def _between_taken(points: FloatArray, taken: IntArray, some: FloatArray) -> FloatArray:
    """Values at all points by cubics through those taken; (g, u)."""
    logs = np.empty((len(some), len(points)))
    k = 0
    for u in range(len(points)):
        while k + 2 < len(taken) and taken[k + 1] <= u:
            k += 1
        first = min(max(k - 1, 0), len(taken) - 4)
        for g in range(len(some)):
            logs[g, u] = 0.0
        for i in range(first, first + 4):
            weight = 1.0
            for j in range(first, first + 4):
                if j != i:
                    here = points[taken[j]]
                    weight *= (points[u] - here) / (points[taken[i]] - here)
            for g in range(len(some)):
                logs[g, u] += weight * some[g, i]
    return logs


@njit(cache=True)
def _smooth(rows: list[FloatArray], found: Found, direction: int, points: FloatArray) -> FloatArray:
    """The same under all: at some of the points and by cubics between, where that is good enough for one."""
    g, size = len(rows), len(points)
    every, middle = np.arange(g), np.array([g // 2])
    one = _log_density(rows, found, direction, points, middle)[0]
    floor = highest(one) - DEPTH
    step = 4
    while step > 1:
        count = (size + step - 2) // step + 1
        taken, at = np.empty(count, np.int64), np.empty(count)
        for i in range(count):
            taken[i] = min(i * step, size - 1)
            at[i] = points[taken[i]]
        known = np.empty((1, count))
        for i in range(count):
            known[0, i] = one[taken[i]]
        tried = _between_taken(points, taken, known)[0]
        worst = 0.0
        for u in range(size):
            if one[u] > floor:
                worst = max(worst, abs(tried[u] - one[u]))
        if worst <= ROUGHLY:
            return _between_taken(points, taken, _log_density(rows, found, direction, at, every))
        step //= 2
    return _log_density(rows, found, direction, points, every)


@njit(cache=True)
def _few(points: FloatArray, count: int) -> IntArray:
    """Places of so many points at most, spread evenly over all."""
    count = min(count, len(points))
    found = np.empty(count, np.int64)
    for k in range(count):
        found[k] = round(k * (len(points) - 1) / (count - 1))
    return found


@njit(cache=True)
def _of_one(
    posed: Posed,
    found: Found,
    direction: int,
    k: int,
    few: FloatArray,
    plain: FloatArray,
    top: float,
    more: FloatArray,
) -> float:
    """Corrections under one hyperparameter, into `more`; the largest that matters."""
    largest = changed = 0.0
    # Every other point first: where corrections hardly change the density, they are as good from those.
    for begin in range(2):
        exact = log_conditional(posed, found, direction, k, few[begin::2].copy())
        for i in range(len(exact)):
            u = begin + 2 * i
            more[u] = exact[i] - plain[u]
            # Settled anew, a place may hold a second peak of which the rows one by one know nothing.
            lost = math.isnan(exact[i])
            if (plain[u] if lost else max(exact[i], plain[u])) > top - MATTERS:
                largest = math.inf if lost else max(largest, abs(more[u]))
                # Where it is lost that stops nothing: the correction itself does.
                changed = max(changed, abs(math.exp(exact[i] - top) - math.exp(plain[u] - top)))
            else:
                # What one may borrow of another is what matters there.
                more[u] = math.nan
        if changed < UNCHANGED and largest < SMOOTH:
            break
    return largest


@njit(cache=True)
def _apart(exact: FloatArray, plain: FloatArray, of_other: FloatArray, of_other_plain: FloatArray) -> float:
    """How far the other's corrections would put densities wrong, in units of the highest density."""
    top = highest(exact)
    worst = 0.0
    for u in range(len(exact)):
        given = plain[u] + of_other[u] - of_other_plain[u]
        if math.isnan(given) or math.isnan(exact[u]):
            worst = max(worst, math.exp(plain[u] - top))
        else:
            worst = max(worst, abs(math.exp(given - top) - math.exp(exact[u] - top)))
    return worst


@njit(cache=True)
def _elsewhere(
    exact: FloatArray, plain: FloatArray, few: FloatArray, centre: float, sd: float, depth: float
) -> bool:
    """Whether anything within `depth` of the peak lies far from where the rows were settled."""
    least = highest(exact) - depth
    found = False
    for u in range(len(few)):
        there = plain[u] if math.isnan(exact[u]) else exact[u]
        found |= abs(few[u] - centre) > FAR * sd and there > least
    return found


@njit(cache=True)
def _narrowed_alike(found: Found, direction: int) -> bool:
    """Whether the rows narrow the doubt alike under all hyperparameters."""
    least, most = math.inf, 0.0
    for k in range(len(found.centre)):
        narrowed = found.sd[k, direction] / found.start_sd[k, direction]
        least, most = min(least, narrowed), max(most, narrowed)
    return most < UNLIKE * least


@njit(cache=True)
def _corrected(
    posed: Posed, found: Found, direction: int, points: FloatArray, logs: FloatArray, count: int
) -> bool:
    """Make log densities hold, in place, where the rows cannot be taken one by one; whether they do."""
    g = len(posed.rows)
    places = _few(points, count)
    few = points[places]
    plain = np.empty((g, len(few)))
    away = np.zeros((g, len(points)), np.bool_)
    top = np.full(g, -math.inf)
    any_away, at_odds = False, np.zeros(g, np.bool_)
    for k in range(g):
        for u in range(len(few)):
            plain[k, u] = logs[k, places[u]]
        for u in range(len(points)):
            away[k, u] = abs(points[u] - found.centre[k, direction]) > FAR * found.sd[k, direction]
            if not away[k, u]:
                top[k] = max(top[k], logs[k, u])
        for u in range(len(points)):
            if away[k, u] and logs[k, u] > top[k] - MATTERS:
                any_away = at_odds[k] = True
    exact, done = np.empty((g, len(few))), np.zeros(g, np.bool_)
    middle = median_place(top)
    some = _extremes(found, direction, middle)
    score, more = np.empty(len(points)), np.full(len(few), math.nan)
    if not any_away and _narrowed_alike(found, direction):
        largest = _of_one(posed, found, direction, middle, few, plain[middle], top[middle], more)
        if largest < ALIKE_ENOUGH:
            of_few = np.empty(len(few))
            for u in range(len(few)):
                of_few[u] = (few[u] - found.centre[middle, direction]) / found.sd[middle, direction]
            for k in range(g):
                for u in range(len(points)):
                    score[u] = (points[u] - found.centre[k, direction]) / found.sd[k, direction]
                own = interpolated(score, of_few, more)
                for u in range(len(points)):
                    if away[k, u]:
                        logs[k, u] = -math.inf
                    elif largest >= SLIGHT:
                        logs[k, u] += own[u]
            return True
    for k in some:
        if not done[k]:
            copied(log_conditional(posed, found, direction, k, few), exact[k])
            done[k] = True
    one_for_all, depth = True, NOTHING if any_away else MATTERS
    for k in some:
        centre, sd = found.centre[k, direction], found.sd[k, direction]
        wrong = _apart(exact[k], plain[k], exact[middle], plain[middle])
        one_for_all &= wrong < HARMLESS and not _elsewhere(exact[k], plain[k], few, centre, sd, depth)
    sound = True
    for k in range(g):
        borrowed = not done[k] and one_for_all and not at_odds[k]
        if not done[k]:
            # A peak far from where the rows were settled may be nothing but their sites: look there.
            if borrowed:
                for u in range(len(few)):
                    exact[k, u] = plain[k, u] + exact[middle, u] - plain[middle, u]
            else:
                copied(log_conditional(posed, found, direction, k, few), exact[k])
        at, anew = places, exact[k]
        if not borrowed:
            at, anew = filled(posed, found, direction, k, points, logs[k], at, anew)
        best = highest(plain[k])
        more, settled = np.empty(len(at)), np.ones(len(at))
        for u in range(len(at)):
            more[u] = anew[u] - logs[k, at[u]]
            if math.isnan(more[u]):
                settled[u] = 0.0
                sound &= not logs[k, at[u]] > best - MATTERS
        own, sure = interpolated(points, points[at], more), interpolated(points, points[at], settled)
        for u in range(len(points)):
            # Far from where the rows were settled, one by one says nothing on its own.
            # Nor does another's correction.
            lost = away[k, u] and (borrowed or not sure[u] > 0.5)
            logs[k, u] = -math.inf if lost else logs[k, u] + own[u]
    return sound


@njit(cache=True)
def _reach(found: Found, direction: int, sds: float) -> tuple[float, float]:
    """Ends of what holds so many sds to either side under every hyperparameter."""
    low, high = math.inf, -math.inf
    for k in range(len(found.centre)):
        centre, sd = found.centre[k, direction], found.sd[k, direction]
        low, high = min(low, centre - sds * sd), max(high, centre + sds * sd)
    return low, high


@njit(cache=True)
def _extremes(found: Found, direction: int, middle: int) -> IntArray:
    """One of the hyperparameters, and those with the lowest, the highest and the widest posterior."""
    low = high = wide = 0
    for k in range(len(found.centre)):
        centre, sd = found.centre[k, direction], found.sd[k, direction]
        low = k if centre < found.centre[low, direction] else low
        high = k if centre > found.centre[high, direction] else high
        wide = k if sd > found.sd[wide, direction] else wide
    return np.array([middle, low, high, wide])


@njit(cache=True)
def grid(posed: Posed, found: Found, direction: int) -> tuple[FloatArray, FloatArray, bool]:
    """Points that hold all of one direction's posterior, the log densities there, and whether they hold."""
    far_low, far_high = low, high = _reach(found, direction, REACH)
    for k in range(len(found.start)):
        before, wide = found.start[k, direction], found.start_sd[k, direction]
        far_low, far_high = min(far_low, before - BROAD * wide), max(far_high, before + BROAD * wide)
    sound = not far_records(posed, found, direction, far_low, far_high)
    points = merged(evenly(far_low, far_high, COARSE), evenly(low, high, COARSE))
    some = _extremes(found, direction, len(found.centre) // 2)[1:].copy()
    logs = _log_density(posed.rows, found, direction, points, some)
    first, last = len(points), 0
    for i in range(len(some)):
        # Far off, the rows one by one can show a peak that is nothing but their sites: it cuts nothing off.
        top = near_top(points, logs[i], found.centre[some[i], direction], found.sd[some[i], direction])
        for u in range(len(points)):
            if logs[i, u] > top - DEPTH:
                first, last = min(first, u), max(last, u)
    low, high = points[max(first - 1, 0)], points[min(last + 1, len(points) - 1)]
    fine, logs, held = _between(posed, found, direction, low, high)
    ends = points[0], points[len(points) - 1]
    if cut_off(logs, low > ends[0], high < ends[1]):
        # What the rows say together ends farther out than what they say one by one.
        low, high = _wider(posed, found, direction, points, low, high)
        fine, logs, held = _between(posed, found, direction, low, high)
        held &= not cut_off(logs, low > ends[0], high < ends[1])
    return fine, logs, sound and held


@njit(cache=True)
def _wider(
    posed: Posed, found: Found, direction: int, points: FloatArray, low: float, high: float
) -> tuple[float, float]:
    """Ends that also hold what the rows settled anew at the points leave there."""
    first, last = len(points), 0
    for k in range(len(posed.rows)):
        anew = log_conditional(posed, found, direction, k, points)
        best = -math.inf
        for u in range(len(points)):
            if not math.isnan(anew[u]):
                best = max(best, anew[u])
        for u in range(len(points)):
            if anew[u] > best - DEPTH:
                first, last = min(first, u), max(last, u)
    if first > last:
        return low, high
    return min(low, points[max(first - 1, 0)]), max(high, points[min(last + 1, len(points) - 1)])


@njit(cache=True)
def _between(
    posed: Posed, found: Found, direction: int, low: float, high: float
) -> tuple[FloatArray, FloatArray, bool]:
    """Points between two ends, log densities there, and whether they hold."""
    near_low, near_high = _reach(found, direction, 4.0)
    near_low, near_high = max(low, near_low), min(high, near_high)
    fine = evenly(low, high, FINE)
    if near_high - near_low < 0.5 * (high - low):
        fine = merged(fine, evenly(near_low, near_high, FINE))
    logs = _smooth(posed.rows, found, direction, fine)
    # Where more than one place is held, a correction changes faster than a few knots can follow.
    narrow = high - low < 3 * REACH * highest(found.sd[:, direction])
    held = _corrected(posed, found, direction, fine, logs, KNOTS if narrow else 3 * KNOTS)
    return fine, logs, held


@njit(cache=True)
def weights_of(points: FloatArray, logs: FloatArray) -> FloatArray:
    """Probabilities of the points, each hyperparameter's summing to 1."""
    width = widths(points)
    found = np.empty(logs.shape)
    for k in range(len(logs)):
        probabilities(logs[k], width, found[k])
    return found


@njit(cache=True)
def evidence_of(points: FloatArray, logs: FloatArray) -> FloatArray:
    """Log of what each hyperparameter's density integrates to."""
    width = widths(points)
    found, own = np.empty(len(logs)), np.empty(len(points))
    for k in range(len(logs)):
        found[k] = probabilities(logs[k], width, own)
    return found
