"""Compiled elimination of one diver's latent scalars, and the way back.

The scalars are the offsets at the knots in time (a chain), the offsets in each suit, and the scatter of
occasions with several observations. Scatter falls away first, in closed form; the rest is a dense matrix of
few rows. What is left for beta, the shared effects, is a precision and a shift for the columns that the
diver touches.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from leadline.model.layout import Layout
from leadline.model.row import Levels
from leadline.model.small_matrix import cholesky, dot, form, inverse, outer

__all__ = ["Local", "Terms", "eliminate", "exposures", "gathered", "local", "moments", "step"]

FloatArray = NDArray[np.float64]

LEAST_VARIANCE: Final = 1e-9
"""Floor of a step's variance between knots: keeps a chain that does not move solvable. [kg²]"""


class Terms(NamedTuple):
    """Sites and moments of the rows, changed in place; shape (m,) each, in need.

    Parameters
    ----------
    precision, shift : ndarray
        Natural parameters of the sites. [1/kg², 1/kg]
    need, variance : ndarray
        Expected need of each row given everything. [kg, kg²]
    """

    precision: FloatArray
    shift: FloatArray
    need: FloatArray
    variance: FloatArray


@njit(cache=True)
def exposures(lay: Layout, d: int) -> FloatArray:
    """Exposures of one diver, rows by touched columns. [kg]."""
    columns = lay.support_first[d + 1] - lay.support_first[d]
    rows = lay.occasion_first[lay.diver_occasion[d + 1]] - lay.occasion_first[lay.diver_occasion[d]]
    return lay.exposure[lay.exposure_first[d] : lay.exposure_first[d + 1]].reshape((rows, columns))


@njit(cache=True)
def gathered(lay: Layout, d: int, mean: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of beta on the columns that the diver touches."""
    support = lay.support[lay.support_first[d] : lay.support_first[d + 1]]
    columns = len(support)
    own, square = np.empty(columns), np.empty((columns, columns))
    for i in range(columns):
        own[i] = mean[support[i]]
        for j in range(columns):
            square[i, j] = covariance[support[i], support[j]]
    return own, square


class Local(NamedTuple):
    """One diver's problem: matrices of the latent scalars (s) and of the touched columns (q)."""

    factor: FloatArray
    inverse: FloatArray
    coupling: FloatArray
    solved: FloatArray
    shared: FloatArray
    scalar_shift: FloatArray
    column_shift: FloatArray
    offset: FloatArray


@njit(cache=True)
def local(scalars: int, columns: int) -> Local:
    """One diver's problem, all zero."""
    return Local(
        np.zeros((scalars, scalars)),
        np.zeros((scalars, scalars)),
        np.zeros((scalars, columns)),
        np.zeros((scalars, columns)),
        np.zeros((columns, columns)),
        np.zeros(scalars),
        np.zeros(columns),
        np.zeros(scalars),
    )


@njit(cache=True)
def _prior(lay: Layout, level: Levels, d: int, at: Local, spread: float) -> float:
    """Prior precision of the latent scalars; the log determinant of their prior variance."""
    first, last = lay.knot_first[d], lay.knot_first[d + 1]
    knots = last - first
    matrix = at.factor
    matrix[:] = 0.0
    matrix[0, 0] = 1 / spread
    total = math.log(spread)
    for j in range(1, knots):
        variance = step(lay, level, first + j)
        total += math.log(variance)
        matrix[j, j] += 1 / variance
        matrix[j - 1, j - 1] += 1 / variance
        matrix[j, j - 1] -= 1 / variance
        matrix[j - 1, j] -= 1 / variance
    for s in range(knots, matrix.shape[0]):
        matrix[s, s] = 1 / level.suit_variance
        total += math.log(level.suit_variance)
    return total


@njit(cache=True)
def step(lay: Layout, level: Levels, knot: int) -> float:
    """Variance between a knot and the one before. [kg²]."""
    variance: float = level.drift_variance * lay.elapsed[knot] + lay.jumped[knot]
    return max(variance, LEAST_VARIANCE)


@njit(cache=True)
def eliminate(
    lay: Layout, level: Levels, d: int, z: FloatArray, at: Local, terms: Terms, last: bool
) -> float:
    """Eliminate the diver's latent scalars; the log determinants met on the way.

    What is left for beta is summed only at the `last` time: the refinements before do without.
    """
    knots = lay.knot_first[d + 1] - lay.knot_first[d]
    spread = level.diver_variance + level.body_square * lay.body_variance[d]
    pivots = _prior(lay, level, d, at, spread)
    at.coupling[:] = 0.0
    at.shared[:] = 0.0
    at.scalar_shift[:] = 0.0
    at.column_shift[:] = 0.0
    columns = z.shape[1]
    of_one, of_suit = np.empty(columns), np.empty(columns)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        a, c = lay.knot[low], knots + lay.suit[low]
        one = weight = square = shift = in_suit = 0.0
        of_one[:] = 0.0
        of_suit[:] = 0.0
        for n in range(low, high):
            t, w = terms.precision[n], lay.suit_weight[n]
            b = terms.shift[n] - t * lay.prior[n]
            row = z[n - begin]
            one += t
            weight += t * w
            square += t * w * w
            shift += b
            in_suit += b * w
            for j in range(columns):
                of_one[j] += t * row[j]
                of_suit[j] += t * w * row[j]
                at.column_shift[j] += b * row[j]
            if last:
                outer(at.shared, t, row, row)
        if high - low > 1:
            pulled = level.scatter_variance / (1 + level.scatter_variance * one)
            pivots += math.log1p(level.scatter_variance * one)
            if last:
                outer(at.shared, -pulled, of_one, of_one)
            left = 1 - pulled * one
            for j in range(columns):
                at.column_shift[j] -= pulled * shift * of_one[j]
                of_suit[j] -= pulled * weight * of_one[j]
                of_one[j] *= left
            in_suit -= pulled * weight * shift
            square -= pulled * weight * weight
            shift *= left
            weight *= left
            one *= left
        at.factor[a, a] += one
        at.factor[c, c] += square
        at.factor[a, c] += weight
        at.factor[c, a] += weight
        at.scalar_shift[a] += shift
        at.scalar_shift[c] += in_suit
        for j in range(columns):
            at.coupling[a, j] += of_one[j]
            at.coupling[c, j] += of_suit[j]
    pivots += cholesky(at.factor)
    if math.isnan(pivots):
        return pivots
    inverse(at.factor, at.inverse)
    scalars = at.factor.shape[0]
    for i in range(scalars):
        at.offset[i] = 0.0
        for k in range(scalars):
            at.offset[i] += at.inverse[i, k] * at.scalar_shift[k]
        for j in range(columns):
            at.solved[i, j] = 0.0
        for k in range(scalars):
            if at.inverse[i, k] != 0.0:
                for j in range(columns):
                    at.solved[i, j] += at.inverse[i, k] * at.coupling[k, j]
    return pivots


@njit(cache=True)
def moments(
    lay: Layout,
    level: Levels,
    d: int,
    z: FloatArray,
    at: Local,
    terms: Terms,
    mean: FloatArray,
    covariance: FloatArray,
) -> None:
    """Expected need of each row and its variance; at.offset becomes the mean of the latent scalars."""
    knots = lay.knot_first[d + 1] - lay.knot_first[d]
    columns = z.shape[1]
    for i in range(at.factor.shape[0]):
        at.offset[i] -= dot(at.solved[i], mean)
    through = np.empty(columns)
    of_one = np.zeros(columns)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        a, c = lay.knot[low], knots + lay.suit[low]
        pulled = one = weight = scatter = 0.0
        if high - low > 1:
            of_one[:] = 0.0
            shift = 0.0
            for n in range(low, high):
                t = terms.precision[n]
                one += t
                weight += t * lay.suit_weight[n]
                shift += terms.shift[n] - t * lay.prior[n]
                for j in range(columns):
                    of_one[j] += t * z[n - begin, j]
            pulled = level.scatter_variance / (1 + level.scatter_variance * one)
            scatter = pulled * (shift - one * at.offset[a] - weight * at.offset[c] - dot(of_one, mean))
        for n in range(low, high):
            row = z[n - begin]
            in_suit = lay.suit_weight[n]
            alpha, beta = 1 - pulled * one, in_suit - pulled * weight
            terms.need[n] = lay.prior[n] + dot(row, mean) + at.offset[a] + in_suit * at.offset[c] + scatter
            for j in range(columns):
                through[j] = row[j] - pulled * of_one[j] - alpha * at.solved[a, j] - beta * at.solved[c, j]
            terms.variance[n] = (
                pulled
                + alpha * alpha * at.inverse[a, a]
                + 2 * alpha * beta * at.inverse[a, c]
                + beta * beta * at.inverse[c, c]
                + form(covariance, through)
            )
