"""Compiled evidence of settled sites, its gradient, and each diver's offset."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.coupling import couple, reach
from leadline.model.elimination import (
    Local,
    Terms,
    eliminate,
    expected,
    exposures,
    gathered,
    local,
    moments,
    step,
)
from leadline.model.layout import Layout
from leadline.model.likelihood import NARROW, POINT_RANGE
from leadline.model.observations import SLIPS
from leadline.model.prepared import E0, E1, E2, L0, L1, L2, L3, NOISE, SURE, plain, tilted
from leadline.model.row import HABIT, LIGHT_PART, OF_FOUR, Levels
from leadline.model.small_matrix import form
from leadline.model.tail import INV_ROOT_2PI, SOUND, interval, normal, reading, weighted

__all__ = ["PLACES", "Settled", "settle"]

FloatArray = NDArray[np.float64]

DIVER, BODY, SUIT, SCATTER, OUT, IN, WRONG, HABIT_MEAN, HABIT_SD, DRIFT, CHANCE = range(11)
"""Places in the gradient; from CHANCE on the derivatives by form and zone."""

PLACES: Final = CHANCE + 4 * len(SLIPS)


class Settled(NamedTuple):
    """What follows from settled sites, by diver or by row, in place.

    Parameters
    ----------
    evidence : ndarray, shape (d,)
        Each diver's part of the log evidence, beta's determinant left out. [-]
    gradient : ndarray, shape (d, PLACES)
        Derivatives of that.
    pull : ndarray, shape (d, p)
        Its slope in beta, at beta's mean; no rows where that is not asked for. [-]
    cavity_mean, cavity_variance : ndarray, shape (m,)
        Expected need without the row itself. [kg, kg²]
    offset, offset_variance : ndarray, shape (d,)
        The diver's offset at the last knot. [kg, kg²]
    first, first_variance : ndarray, shape (d,)
        The same at the first. [kg, kg²]
    """

    evidence: FloatArray
    gradient: FloatArray
    pull: FloatArray
    cavity_mean: FloatArray
    cavity_variance: FloatArray
    offset: FloatArray
    offset_variance: FloatArray
    first: FloatArray
    first_variance: FloatArray


class _Seen(NamedTuple):
    """What a record says against its cavity.

    Parameters
    ----------
    value, slope, curvature : float
        As of `prepared.tilted`.
    upper, middle, lower : float
        Density of need at the ends of the zones, over the chance of the record. [1/kg]
    light, neutral, heavier, heavy : float
        Chance of need in each zone, over the chance of the record.
    """

    value: float
    slope: float
    curvature: float
    upper: float
    middle: float
    lower: float
    light: float
    neutral: float
    heavier: float
    heavy: float


@njit(cache=True)
def _seen(rows: FloatArray, n: int, mean: float, around: float) -> _Seen:
    """A record that is no reading; the long way where digits would be lost on the short one."""
    l0, l1, l2, l3 = rows[n, L0], rows[n, L1], rows[n, L2], rows[n, L3]
    sd = math.sqrt(around)
    s0, s1, s2 = (rows[n, E0] - mean) / sd, (rows[n, E1] - mean) / sd, (rows[n, E2] - mean) / sd
    f0, f1, f2 = normal(s0), normal(s1), normal(s2)
    light, heavy = 1 - f0, f2
    neutral, heavier = f0 - f1 if s0 > s1 else 0.0, f1 - f2 if s1 > s2 else 0.0
    chance = l0 * light + l1 * neutral + l2 * heavier + l3 * heavy
    if not chance > SOUND or (l0 == l3 == 0.0 and s0 - s2 < NARROW):
        return _seen_far(rows[n], mean, around, s0, s1, s2)
    whole = 1 / chance
    scale = INV_ROOT_2PI * whole / sd
    upper, middle = scale * math.exp(-0.5 * s0 * s0), scale * math.exp(-0.5 * s1 * s1)
    lower = scale * math.exp(-0.5 * s2 * s2)
    w0, w1, w2 = (l1 - l0) * upper, (l2 - l1) * middle, (l3 - l2) * lower
    slope = -(w0 + w1 + w2)
    moment = weighted(w0, s0, w1, s1, w2, s2)
    return _Seen(
        math.log(chance),
        slope,
        -moment / sd - slope * slope,
        upper,
        middle,
        lower,
        light * whole,
        neutral * whole,
        heavier * whole,
        heavy * whole,
    )


@njit(cache=True)
def _seen_far(row: FloatArray, mean: float, around: float, s0: float, s1: float, s2: float) -> _Seen:
    """The same by logarithms, as far out as a record can be."""
    value, slope, curvature = tilted(row, mean, around - row[NOISE])
    whole, base = math.exp(-value), -0.5 * math.log(2 * math.pi * around) - value
    return _Seen(
        value,
        slope,
        curvature,
        math.exp(base - 0.5 * s0 * s0),
        math.exp(base - 0.5 * s1 * s1),
        math.exp(base - 0.5 * s2 * s2),
        normal(-s0) * whole,
        (interval(s0, s1) if s0 > s1 else 0.0) * whole,
        (interval(s1, s2) if s1 > s2 else 0.0) * whole,
        normal(s2) * whole,
    )


@njit(cache=True)
def _scales(
    lay: Layout, level: Levels, rows: FloatArray, d: int, terms: Terms, found: Settled, gradient: FloatArray
) -> float:
    """The rows' part of the evidence and its derivatives, cavities held."""
    total = 0.0
    # What a row's function needs is taken out by itself: whole layouts are dear to hand on.
    upper_breath, lower_breath, fit, chance = lay.upper_breath, lay.lower_breath, lay.fit, level.chance
    wrong, part = level.wrong, level.breath_in < LIGHT_PART
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        for n in range(low, high):
            v, m, precision, shift = terms.variance[n], terms.need[n], terms.precision[n], terms.shift[n]
            held = max(1 / v - precision, 1e-10)
            c = (m / v - shift) / held
            found.cavity_mean[n], found.cavity_variance[n] = c, 1 / held
            around = 1 / held + rows[n, NOISE]
            if lay.point[n]:
                value, slope, curvature = reading(c, rows[n, E0], rows[n, L1], around)
                if rows[n, L0] != SURE and lay.form[n] != HABIT:
                    good = math.exp(reading(c, rows[n, E0], 0.0, around)[0] - value)
                    gradient[WRONG] += math.exp(-value) / POINT_RANGE - good
            else:
                seen = _seen(rows, n, c, around)
                value, slope, curvature = seen.value, seen.slope, seen.curvature
                _edges_gradient(rows, n, upper_breath[n], lower_breath[n], part, seen, gradient)
                if not plain(rows[n]):
                    _zones_gradient(fit, chance, wrong, n, lay.form[n], seen, gradient)
            total += value - 0.5 * (m * m / v - c * c * held) - 0.5 * math.log(v * held)
            b = shift - precision * lay.prior[n]
            total += shift * lay.prior[n] - 0.5 * precision * lay.prior[n] ** 2
            total += 0.5 * b * (m - lay.prior[n])
            bend = curvature + slope * slope
            if high - low == 1:
                gradient[SCATTER] += bend * level.scatter_variance
            if lay.form[n] == HABIT:
                gradient[HABIT_MEAN] += slope
                gradient[HABIT_SD] += bend * level.habit_variance
    return total


@njit(cache=True)
def _edges_gradient(
    rows: FloatArray,
    n: int,
    upper_breath: float,
    lower_breath: float,
    part: bool,
    seen: _Seen,
    gradient: FloatArray,
) -> None:
    """Derivatives of a row's log evidence in the breath range."""
    if upper_breath != 0.0:
        gradient[OUT] += upper_breath * (rows[n, L1] - rows[n, L0]) * seen.upper
    if lower_breath != 0.0:
        moved = (rows[n, L3] - rows[n, L2]) * seen.lower
        if part:
            moved += (rows[n, L2] - rows[n, L1]) * seen.middle
        gradient[IN] -= lower_breath * moved


@njit(cache=True)
def _zones_gradient(
    fit: FloatArray,
    chance: FloatArray,
    wrong: float,
    n: int,
    word: int,
    seen: _Seen,
    gradient: FloatArray,
) -> None:
    """Derivatives of a row's log evidence in wrong records and the chances of its form."""
    fits = (fit[n, 0], fit[n, 1], fit[n, 1], fit[n, 2])
    inside = (seen.light, seen.neutral, seen.heavier, seen.heavy)
    slip = SLIPS[word]
    for zone in range(4):
        share, right = inside[zone], fits[zone]
        gradient[WRONG] += share * chance[word, zone] * (slip * (1 - right) - right)
        gradient[CHANCE + 4 * word + zone] += share * (right * (1 - wrong) + (1 - right) * wrong * slip)
    if fit[n, 1] == 1.0 and fit[n, 2] == 1.0 and word < OF_FOUR:
        others = inside[0] + inside[1] + inside[2]
        share = inside[3]
        gradient[WRONG] += slip * (share * chance[word, 1] + others * chance[word, 3])
        gradient[CHANCE + 4 * word + 1] += share * wrong * slip
        gradient[CHANCE + 4 * word + 3] += others * wrong * slip


@njit(cache=True)
def _scalars_gradient(
    lay: Layout,
    level: Levels,
    d: int,
    z: FloatArray,
    base: FloatArray,
    at: Local,
    terms: Terms,
    covariance: FloatArray,
    gradient: FloatArray,
) -> None:
    """Derivatives in the prior variances, from the second moments of the latent scalars."""
    first = lay.knot_first[d]
    knots = lay.knot_first[d + 1] - first
    spread = level.diver_variance + level.body_square * lay.body_variance[d]
    square = at.offset[0] ** 2 + at.variance[0] + form(covariance, at.solved[0])
    pressure = (square / spread - 1) / spread
    gradient[DIVER] += pressure * level.diver_variance
    gradient[BODY] += pressure * level.body_square * lay.body_variance[d]
    for j in range(1, knots):
        variance = step(lay, level, first + j)
        apart = at.solved[j] - at.solved[j - 1]
        square = (
            (at.offset[j] - at.offset[j - 1]) ** 2
            + at.variance[j]
            - 2 * at.beside[j]
            + at.variance[j - 1]
            + form(covariance, apart)
        )
        gradient[DRIFT] += (square / variance - 1) / variance * level.drift_variance * lay.elapsed[first + j]
    for s in range(knots, len(at.offset)):
        own = at.corner[s - knots, s - knots]
        square = at.offset[s] ** 2 + own + form(covariance, at.solved[s])
        gradient[SUIT] += square / level.suit_variance - 1
    begin = lay.occasion_first[lay.diver_occasion[d]]
    of_one = np.zeros(z.shape[1])
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        if high - low == 1:
            continue
        a, c = lay.knot[low], knots + lay.suit[low]
        one = weight = shift = 0.0
        of_one[:] = 0.0
        for n in range(low, high):
            t = terms.precision[n]
            one += t
            weight += t * lay.suit_weight[n]
            shift += terms.shift[n] - t * base[n - begin]
            of_one += t * z[n - begin]
        pulled = level.scatter_variance / (1 + level.scatter_variance * one)
        scatter = pulled * (shift - one * at.offset[a] - weight * at.offset[c])
        through = of_one - one * at.solved[a] - weight * at.solved[c]
        square = (
            scatter**2
            + pulled
            + pulled
            * pulled
            * (
                one * one * at.variance[a]
                + 2 * one * weight * at.cross[a, c - knots]
                + weight * weight * at.corner[c - knots, c - knots]
                + form(covariance, through)
            )
        )
        gradient[SCATTER] += square / level.scatter_variance - 1


@njit(cache=True)
def _settle(
    lay: Layout,
    level: Levels,
    rows: FloatArray,
    d: int,
    terms: Terms,
    mean: FloatArray,
    covariance: FloatArray,
    found: Settled,
) -> None:
    """One diver's part of `settle`."""
    z = exposures(lay, d)
    last = lay.knot_first[d + 1] - lay.knot_first[d] - 1
    at = local(last + 1, lay.suits[d], z.shape[1])
    own, square = gathered(lay, d, mean, covariance)
    base = expected(lay, d, z, own)
    pivots = eliminate(lay, level, d, base, at, terms)
    couple(lay, level, d, z, at, terms, len(found.pull) > 0)
    if len(found.pull):
        _pulled(lay, d, at, own, found.pull[d])
    reach(lay, level, d, z, at, terms, square)
    moments(lay, level, d, base, at, terms)
    gradient = found.gradient[d]
    found.evidence[d] = _scales(lay, level, rows, d, terms, found, gradient) - 0.5 * pivots
    _scalars_gradient(lay, level, d, z, base, at, terms, square, gradient)
    found.offset[d] = at.offset[last]
    found.offset_variance[d] = at.variance[last] + form(square, at.solved[last])
    found.first[d] = at.offset[0]
    found.first_variance[d] = at.variance[0] + form(square, at.solved[0])


@njit(cache=True)
def _pulled(lay: Layout, d: int, at: Local, mean: FloatArray, pull: FloatArray) -> None:
    """Slope of what the diver says of beta at its mean."""
    support = lay.support[lay.support_first[d] : lay.support_first[d + 1]]
    for i in range(len(support)):
        pull[support[i]] = at.column_shift[i]
    for i in range(len(support)):
        for j in range(i):
            pull[support[i]] -= at.shared[i, j] * mean[j]
            pull[support[j]] -= at.shared[i, j] * mean[i]
        pull[support[i]] -= at.shared[i, i] * mean[i]


@njit(cache=True, nogil=True)
def settle(
    lay: Layout,
    level: Levels,
    rows: FloatArray,
    terms: Terms,
    mean: FloatArray,
    covariance: FloatArray,
    found: Settled,
    first: int,
    last: int,
) -> None:
    """Evidence, its gradient and the divers' offsets for settled sites of some chunks.

    Parameters
    ----------
    lay, level, terms : Layout, Levels, Terms
        Moments in `terms` are brought up to date.
    rows : ndarray, shape (m, 8)
        From `leadline.model.prepared.prepare`.
    mean, covariance : ndarray, shape (p,), (p, p)
        Posterior of beta.
    found : Settled
        Filled.
    first, last : int
        Chunks.
    """
    for chunk in range(first, last):
        for d in range(lay.chunk_first[chunk], lay.chunk_first[chunk + 1]):
            _settle(lay, level, rows, d, terms, mean, covariance, found)
