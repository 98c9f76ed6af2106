"""Compiled elimination of one diver's latent scalars, and the way back.

The scalars are the offsets at the knots in time (a chain), the offsets in each suit, and the scatter of
occasions with several observations. Scatter falls away first, in closed form. What is left is a chain with a
border of the suits: its factor and those parts of its inverse that rows ask for take a number of operations
that is linear in the knots. Beta, the shared effects, is held meanwhile; `leadline.model.coupling` has what
the diver says of it.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.layout import Layout
from leadline.model.row import Levels
from leadline.model.small_matrix import cholesky, dot, inverse

__all__ = ["Local", "Terms", "eliminate", "expected", "exposures", "gathered", "local", "moments", "step"]

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
    shared : ndarray
        The part of the variance that comes from what is not known of beta; NaN where not reckoned yet. [kg²]
    """

    precision: FloatArray
    shift: FloatArray
    need: FloatArray
    variance: FloatArray
    shared: FloatArray


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


@njit(cache=True)
def expected(lay: Layout, d: int, z: FloatArray, mean: FloatArray) -> FloatArray:
    """Need of each row from physics and the mean of beta, before the diver's own offsets. [kg]."""
    begin = lay.occasion_first[lay.diver_occasion[d]]
    found = np.empty(len(z))
    for n in range(len(z)):
        found[n] = lay.prior[begin + n] + dot(z[n], mean)
    return found


class Local(NamedTuple):
    """One diver's problem: K knots, S suits, q touched columns.

    Parameters
    ----------
    pivot, link : ndarray, shape (K,)
        The chain's factor: L D L' with D the pivots and links from each knot to the one before.
    pulled : ndarray, shape (K, S)
        The suits as the chain sees them: its inverse times the border.
    corner : ndarray, shape (S, S)
        Posterior covariance of the suits.
    variance, beside : ndarray, shape (K,)
        Posterior variance of each knot, and its covariance with the knot before.
    cross : ndarray, shape (K, S)
        Posterior covariance of knots and suits.
    offset : ndarray, shape (K + S,)
        Posterior mean of the scalars.
    coupling, solved : ndarray, shape (K + S, q)
        The scalars' precision with beta, and how they follow it (with the sign changed).
    shared : ndarray, shape (q, q)
        What the diver says of beta: precision, lower half.
    scalar_shift, column_shift : ndarray, shape (K + S,), (q,)
        Shifts of the scalars and of beta.
    """

    pivot: FloatArray
    link: FloatArray
    pulled: FloatArray
    corner: FloatArray
    variance: FloatArray
    beside: FloatArray
    cross: FloatArray
    offset: FloatArray
    coupling: FloatArray
    solved: FloatArray
    shared: FloatArray
    scalar_shift: FloatArray
    column_shift: FloatArray


@njit(cache=True)
def local(knots: int, suits: int, columns: int) -> Local:
    """One diver's problem, all zero."""
    scalars = knots + suits
    return Local(
        np.zeros(knots),
        np.zeros(knots),
        np.zeros((knots, suits)),
        np.zeros((suits, suits)),
        np.zeros(knots),
        np.zeros(knots),
        np.zeros((knots, suits)),
        np.zeros(scalars),
        np.zeros((scalars, columns)),
        np.zeros((scalars, columns)),
        np.zeros((columns, columns)),
        np.zeros(scalars),
        np.zeros(columns),
    )


@njit(cache=True)
def step(lay: Layout, level: Levels, knot: int) -> float:
    """Variance between a knot and the one before. [kg²]."""
    variance: float = level.drift_variance * lay.elapsed[knot] + lay.jumped[knot]
    return max(variance, LEAST_VARIANCE)


@njit(cache=True)
def _prior(lay: Layout, level: Levels, d: int, at: Local) -> float:
    """Prior precision of the latent scalars; the log determinant of their prior variance."""
    first = lay.knot_first[d]
    knots, suits = at.pulled.shape
    spread = level.diver_variance + level.body_square * lay.body_variance[d]
    at.pivot[0] = 1 / spread
    at.link[0] = 0.0
    total = math.log(spread)
    for j in range(1, knots):
        variance = step(lay, level, first + j)
        total += math.log(variance)
        at.pivot[j] = 1 / variance
        at.pivot[j - 1] += 1 / variance
        at.link[j] = -1 / variance
    at.pulled[:] = 0.0
    at.corner[:] = 0.0
    for s in range(suits):
        at.corner[s, s] = 1 / level.suit_variance
        total += math.log(level.suit_variance)
    return total


@njit(cache=True)
def eliminate(lay: Layout, level: Levels, d: int, base: FloatArray, at: Local, terms: Terms) -> float:
    """Posterior of the diver's latent scalars with beta held; the log determinants met on the way.

    Parameters
    ----------
    lay, level, d : Layout, Levels, int
        The diver.
    base : ndarray, shape (rows of the diver,)
        From `expected`.
    at : Local
        Filled, all but what has columns of beta.
    terms : Terms
        Sites.

    Returns
    -------
    float
        NaN where the sites leave nothing proper.
    """
    knots = len(at.pivot)
    pivots = _prior(lay, level, d, at)
    at.offset[:] = 0.0
    begin = lay.occasion_first[lay.diver_occasion[d]]
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        a, c = lay.knot[low], lay.suit[low]
        one = weight = square = shift = in_suit = 0.0
        for n in range(low, high):
            t, w = terms.precision[n], lay.suit_weight[n]
            b = terms.shift[n] - t * base[n - begin]
            one += t
            weight += t * w
            square += t * w * w
            shift += b
            in_suit += b * w
        if high - low > 1:
            pulled = level.scatter_variance / (1 + level.scatter_variance * one)
            pivots += math.log1p(level.scatter_variance * one)
            left = 1 - pulled * one
            in_suit -= pulled * weight * shift
            square -= pulled * weight * weight
            shift *= left
            weight *= left
            one *= left
        at.pivot[a] += one
        at.corner[c, c] += square
        at.pulled[a, c] += weight
        at.offset[a] += shift
        at.offset[knots + c] += in_suit
    return pivots + _solve(at)


@njit(cache=True)
def _solve(at: Local) -> float:
    """Factor of the bordered chain, the parts of its inverse that are asked for, and the means."""
    knots, suits = at.pulled.shape
    pivots = 0.0
    border = at.cross  # holds the border until the inverse takes its place
    border[:] = at.pulled
    for j in range(knots):
        if j:
            off = at.link[j]
            at.link[j] = off / at.pivot[j - 1]
            at.pivot[j] -= off * at.link[j]
            for s in range(suits):
                at.pulled[j, s] -= at.link[j] * at.pulled[j - 1, s]
            at.offset[j] -= at.link[j] * at.offset[j - 1]
        if not at.pivot[j] > 0.0:
            return math.nan
        pivots += math.log(at.pivot[j])
    for j in range(knots - 1, -1, -1):
        after = at.link[j + 1] if j + 1 < knots else 0.0
        at.offset[j] /= at.pivot[j]
        for s in range(suits):
            at.pulled[j, s] /= at.pivot[j]
        if j + 1 < knots:
            at.offset[j] -= after * at.offset[j + 1]
            for s in range(suits):
                at.pulled[j, s] -= after * at.pulled[j + 1, s]
    for s in range(suits):
        for j in range(knots):
            at.offset[knots + s] -= border[j, s] * at.offset[j]
            for r in range(s + 1):
                at.corner[s, r] -= border[j, s] * at.pulled[j, r]
        for r in range(s):
            at.corner[r, s] = at.corner[s, r]
    lost = cholesky(at.corner)
    if math.isnan(lost):
        return lost
    root = at.corner.copy()
    inverse(root, at.corner)
    _back(at)
    return pivots + lost


@njit(cache=True)
def _back(at: Local) -> None:
    """From the suits' covariance to means and covariances of all."""
    knots, suits = at.pulled.shape
    own = np.empty(suits)
    for s in range(suits):
        own[s] = 0.0
        for r in range(suits):
            own[s] += at.corner[s, r] * at.offset[knots + r]
    for s in range(suits):
        at.offset[knots + s] = own[s]
    alone = 0.0
    for j in range(knots - 1, -1, -1):
        after = at.link[j + 1] if j + 1 < knots else 0.0
        if j + 1 < knots:
            at.beside[j + 1] = -after * alone
        alone = 1 / at.pivot[j] + after * after * alone
        at.variance[j] = alone
        for s in range(suits):
            at.offset[j] -= at.pulled[j, s] * own[s]
            at.cross[j, s] = 0.0
            for r in range(suits):
                at.cross[j, s] -= at.pulled[j, r] * at.corner[r, s]
            at.variance[j] -= at.cross[j, s] * at.pulled[j, s]
    at.beside[0] = 0.0
    for j in range(1, knots):
        for s in range(suits):
            at.beside[j] -= at.cross[j, s] * at.pulled[j - 1, s]


@njit(cache=True)
def moments(lay: Layout, level: Levels, d: int, base: FloatArray, at: Local, terms: Terms) -> None:
    """Expected need of each row and its variance, after `eliminate`; what beta adds is in `terms.shared`."""
    knots = len(at.pivot)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        a, c = lay.knot[low], lay.suit[low]
        time, suit = at.offset[a], at.offset[knots + c]
        pulled = one = weight = scatter = 0.0
        if high - low > 1:
            shift = 0.0
            for n in range(low, high):
                t = terms.precision[n]
                one += t
                weight += t * lay.suit_weight[n]
                shift += terms.shift[n] - t * base[n - begin]
            pulled = level.scatter_variance / (1 + level.scatter_variance * one)
            scatter = pulled * (shift - one * time - weight * suit)
        for n in range(low, high):
            in_suit = lay.suit_weight[n]
            alpha, beta = 1 - pulled * one, in_suit - pulled * weight
            terms.need[n] = base[n - begin] + time + in_suit * suit + scatter
            terms.variance[n] = (
                pulled
                + alpha * alpha * at.variance[a]
                + 2 * alpha * beta * at.cross[a, c]
                + beta * beta * at.corner[c, c]
                + terms.shared[n]
            )
