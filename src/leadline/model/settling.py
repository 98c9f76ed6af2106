"""Compiled evidence of settled sites, its gradient, and each diver's offset."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from leadline.model.elimination import Local, Terms, eliminate, exposures, gathered, local, moments, step
from leadline.model.layout import Layout
from leadline.model.likelihood import POINT_RANGE
from leadline.model.row import HABIT, LIGHT_PART, Levels, chances, edges, noise, tilted
from leadline.model.small_matrix import dot, form
from leadline.model.tail import interval, normal, reading

__all__ = ["PLACES", "Settled", "settle"]

FloatArray = NDArray[np.float64]

DIVER, BODY, SUIT, SCATTER, OUT, IN, WRONG, HABIT_MEAN, HABIT_SD, DRIFT, CHANCE = range(11)
"""Places in the gradient; from CHANCE on the derivatives by form and zone."""

PLACES: Final = CHANCE + 24


class Settled(NamedTuple):
    """What follows from settled sites, by diver or by row, in place.

    Parameters
    ----------
    evidence : ndarray, shape (d,)
        Each diver's part of the log evidence, beta's determinant left out. [-]
    gradient : ndarray, shape (chunks, PLACES)
        Derivatives summed over the divers of a chunk.
    cavity_mean, cavity_variance : ndarray, shape (m,)
        Expected need without the row itself. [kg, kg²]
    offset, offset_variance : ndarray, shape (d,)
        The diver's offset at the last knot. [kg, kg²]
    first, first_variance : ndarray, shape (d,)
        The same at the first. [kg, kg²]
    """

    evidence: FloatArray
    gradient: FloatArray
    cavity_mean: FloatArray
    cavity_variance: FloatArray
    offset: FloatArray
    offset_variance: FloatArray
    first: FloatArray
    first_variance: FloatArray


@njit(cache=True)
def _scales(lay: Layout, level: Levels, d: int, terms: Terms, found: Settled, gradient: FloatArray) -> float:
    """The rows' part of the evidence and its derivatives, cavities held."""
    total = 0.0
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        alone = high - low == 1
        for n in range(low, high):
            v, m = terms.variance[n], terms.need[n]
            held = max(1 / v - terms.precision[n], 1e-10)
            c = (m / v - terms.shift[n]) / held
            found.cavity_mean[n], found.cavity_variance[n] = c, 1 / held
            value, slope, curvature = tilted(lay, level, n, alone, c, 1 / held)
            total += value - 0.5 * (m * m / v - c * c * held) - 0.5 * math.log(v * held)
            b = terms.shift[n] - terms.precision[n] * lay.prior[n]
            total += terms.shift[n] * lay.prior[n] - 0.5 * terms.precision[n] * lay.prior[n] ** 2
            total += 0.5 * b * (m - lay.prior[n])
            bend = curvature + slope * slope
            if alone:
                gradient[SCATTER] += bend * level.scatter_variance
            if lay.form[n] == HABIT:
                gradient[HABIT_MEAN] += slope
                gradient[HABIT_SD] += bend * level.habit_variance
            _levels_gradient(lay, level, n, c, 1 / held + noise(lay, level, n, alone), value, gradient)
    return total


@njit(cache=True)
def _levels_gradient(
    lay: Layout,
    level: Levels,
    n: int,
    mean: float,
    variance: float,
    value: float,
    gradient: FloatArray,
) -> None:
    """Derivatives of a row's log evidence in breath range, wrong records and forms."""
    if lay.point[n]:
        if lay.form[n] != HABIT:
            good = math.exp(reading(mean, lay.lower[n], 0.0, variance)[0] - value)
            gradient[WRONG] += math.exp(-value) / POINT_RANGE - good
        return
    sd = math.sqrt(variance)
    e0, e1, e2 = edges(lay, level, n)
    s0, s1, s2 = (e0 - mean) / sd, (e1 - mean) / sd, (e2 - mean) / sd
    l0, l1, l2, l3 = chances(lay, level, n)
    base = -0.5 * math.log(2 * math.pi) - value - math.log(sd)
    if lay.upper_breath[n] != 0.0 and not math.isinf(s0):
        gradient[OUT] += lay.upper_breath[n] * (l1 - l0) * math.exp(base - 0.5 * s0 * s0)
    if lay.lower_breath[n] != 0.0 and not math.isinf(s2):
        moved = (l3 - l2) * math.exp(base - 0.5 * s2 * s2)
        if level.breath_in < LIGHT_PART:
            moved += (l2 - l1) * math.exp(base - 0.5 * s1 * s1)
        gradient[IN] -= lay.lower_breath[n] * moved
    whole = math.exp(-value)
    word = lay.form[n]
    fits = (lay.fit[n, 0], lay.fit[n, 1], lay.fit[n, 1], lay.fit[n, 2])
    inside = (
        normal(-s0),
        interval(s0, s1) if s0 > s1 else 0.0,
        interval(s1, s2) if s1 > s2 else 0.0,
        normal(s2),
    )
    for zone in range(4):
        share = inside[zone] * whole
        fit = fits[zone]
        gradient[WRONG] += share * level.chance[word, zone] * (0.5 * (1 - fit) - fit)
        gradient[CHANCE + 4 * word + zone] += share * (fit * (1 - level.wrong) + (1 - fit) * level.wrong / 2)


@njit(cache=True)
def _scalars_gradient(
    lay: Layout,
    level: Levels,
    d: int,
    z: FloatArray,
    at: Local,
    terms: Terms,
    mean: FloatArray,
    covariance: FloatArray,
    gradient: FloatArray,
) -> None:
    """Derivatives in the prior variances, from the second moments of the latent scalars."""
    first = lay.knot_first[d]
    knots = lay.knot_first[d + 1] - first
    spread = level.diver_variance + level.body_square * lay.body_variance[d]
    square = at.offset[0] ** 2 + at.inverse[0, 0] + form(covariance, at.solved[0])
    pressure = (square / spread - 1) / spread
    gradient[DIVER] += pressure * level.diver_variance
    gradient[BODY] += pressure * level.body_square * lay.body_variance[d]
    for j in range(1, knots):
        variance = step(lay, level, first + j)
        apart = at.solved[j] - at.solved[j - 1]
        square = (
            (at.offset[j] - at.offset[j - 1]) ** 2
            + at.inverse[j, j]
            - 2 * at.inverse[j, j - 1]
            + at.inverse[j - 1, j - 1]
            + form(covariance, apart)
        )
        gradient[DRIFT] += (square / variance - 1) / variance * level.drift_variance * lay.elapsed[first + j]
    for s in range(knots, len(at.offset)):
        square = at.offset[s] ** 2 + at.inverse[s, s] + form(covariance, at.solved[s])
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
            shift += terms.shift[n] - t * lay.prior[n]
            of_one += t * z[n - begin]
        pulled = level.scatter_variance / (1 + level.scatter_variance * one)
        scatter = pulled * (shift - one * at.offset[a] - weight * at.offset[c] - dot(of_one, mean))
        through = of_one - one * at.solved[a] - weight * at.solved[c]
        square = (
            scatter**2
            + pulled
            + pulled
            * pulled
            * (
                one * one * at.inverse[a, a]
                + 2 * one * weight * at.inverse[a, c]
                + weight * weight * at.inverse[c, c]
                + form(covariance, through)
            )
        )
        gradient[SCATTER] += square / level.scatter_variance - 1


@njit(cache=True)
def _settle(
    lay: Layout,
    level: Levels,
    d: int,
    terms: Terms,
    mean: FloatArray,
    covariance: FloatArray,
    found: Settled,
    gradient: FloatArray,
) -> None:
    """One diver's part of `settle`."""
    z = exposures(lay, d)
    last = lay.knot_first[d + 1] - lay.knot_first[d] - 1
    at = local(last + 1 + lay.suits[d], z.shape[1])
    own, square = gathered(lay, d, mean, covariance)
    pivots = eliminate(lay, level, d, z, at, terms, False)
    moments(lay, level, d, z, at, terms, own, square)
    found.evidence[d] = _scales(lay, level, d, terms, found, gradient) - 0.5 * pivots
    _scalars_gradient(lay, level, d, z, at, terms, own, square, gradient)
    found.offset[d] = at.offset[last]
    found.offset_variance[d] = at.inverse[last, last] + form(square, at.solved[last])
    found.first[d] = at.offset[0]
    found.first_variance[d] = at.inverse[0, 0] + form(square, at.solved[0])


@njit(cache=True, nogil=True)
def settle(
    lay: Layout,
    level: Levels,
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
    mean, covariance : ndarray, shape (p,), (p, p)
        Posterior of beta.
    found : Settled
        Filled.
    first, last : int
        Chunks.
    """
    for chunk in range(first, last):
        for d in range(lay.chunk_first[chunk], lay.chunk_first[chunk + 1]):
            _settle(lay, level, d, terms, mean, covariance, found, found.gradient[chunk])
