"""Compiled: how one diver's latent scalars follow beta, the shared effects, and what the diver says of it.

What is left once the scalars are eliminated is a precision and a shift for those columns of beta that the
diver touches.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.elimination import Local, Terms
from leadline.model.layout import Layout
from leadline.model.row import Levels
from leadline.model.small_matrix import form, lower_outer

__all__ = ["couple", "reach"]

FloatArray = NDArray[np.float64]


@njit(cache=True)
def couple(lay: Layout, level: Levels, d: int, z: FloatArray, at: Local, terms: Terms, whole: bool) -> None:
    """How the scalars follow beta, after `eliminate`; if `whole`, also what the diver says of beta."""
    knots, columns = len(at.pivot), z.shape[1]
    at.coupling[:] = 0.0
    at.shared[:] = 0.0
    at.scalar_shift[:] = 0.0
    at.column_shift[:] = 0.0
    of_one, of_suit = np.empty(columns), np.empty(columns)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        a, c = lay.knot[low], knots + lay.suit[low]
        one = weight = shift = in_suit = 0.0
        of_one[:] = 0.0
        of_suit[:] = 0.0
        for n in range(low, high):
            t, w = terms.precision[n], lay.suit_weight[n]
            b = terms.shift[n] - t * lay.prior[n]
            row = z[n - begin]
            one += t
            weight += t * w
            shift += b
            in_suit += b * w
            for j in range(columns):
                of_one[j] += t * row[j]
                of_suit[j] += t * w * row[j]
            if whole:
                for j in range(columns):
                    at.column_shift[j] += b * row[j]
                lower_outer(at.shared, t, row, row)
        if high - low > 1:
            pulled = level.scatter_variance / (1 + level.scatter_variance * one)
            if whole:
                lower_outer(at.shared, -pulled, of_one, of_one)
            left = 1 - pulled * one
            for j in range(columns):
                at.column_shift[j] -= pulled * shift * of_one[j]
                of_suit[j] -= pulled * weight * of_one[j]
                of_one[j] *= left
            in_suit -= pulled * weight * shift
            shift *= left
        at.scalar_shift[a] += shift
        at.scalar_shift[c] += in_suit
        for j in range(columns):
            at.coupling[a, j] += of_one[j]
            at.coupling[c, j] += of_suit[j]
    _follow(at)
    if whole:
        _reduce(at)


@njit(cache=True)
def _follow(at: Local) -> None:
    """The bordered chain solved for every column of beta."""
    knots, suits = at.pulled.shape
    columns = at.coupling.shape[1]
    left = np.zeros((suits, columns))
    for s in range(suits):
        for i in range(columns):
            left[s, i] = at.coupling[knots + s, i]
        for j in range(knots):
            for i in range(columns):
                left[s, i] -= at.pulled[j, s] * at.coupling[j, i]
    at.solved[:] = 0.0
    for s in range(suits):
        for r in range(suits):
            for i in range(columns):
                at.solved[knots + s, i] += at.corner[s, r] * left[r, i]
    for j in range(knots):
        for i in range(columns):
            at.solved[j, i] = at.coupling[j, i]
        if j:
            for i in range(columns):
                at.solved[j, i] -= at.link[j] * at.solved[j - 1, i]
    for j in range(knots - 1, -1, -1):
        for i in range(columns):
            at.solved[j, i] /= at.pivot[j]
        if j + 1 < knots:
            for i in range(columns):
                at.solved[j, i] -= at.link[j + 1] * at.solved[j + 1, i]
    for j in range(knots):
        for s in range(suits):
            for i in range(columns):
                at.solved[j, i] -= at.pulled[j, s] * at.solved[knots + s, i]


@njit(cache=True)
def reach(
    lay: Layout, level: Levels, d: int, z: FloatArray, at: Local, terms: Terms, covariance: FloatArray
) -> None:
    """The part of each row's variance that comes from beta, after `couple`."""
    knots, columns = len(at.pivot), z.shape[1]
    through, of_one = np.empty(columns), np.zeros(columns)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        a, c = lay.knot[low], knots + lay.suit[low]
        pulled = one = weight = 0.0
        if high - low > 1:
            of_one[:] = 0.0
            for n in range(low, high):
                t = terms.precision[n]
                one += t
                weight += t * lay.suit_weight[n]
                for j in range(columns):
                    of_one[j] += t * z[n - begin, j]
            pulled = level.scatter_variance / (1 + level.scatter_variance * one)
        for n in range(low, high):
            alpha, beta = 1 - pulled * one, lay.suit_weight[n] - pulled * weight
            row = z[n - begin]
            for j in range(columns):
                through[j] = row[j] - alpha * at.solved[a, j] - beta * at.solved[c, j]
            if pulled != 0.0:
                for j in range(columns):
                    through[j] -= pulled * of_one[j]
            terms.shared[n] = form(covariance, through)


@njit(cache=True)
def _reduce(at: Local) -> None:
    """What is left for beta once the scalars are gone."""
    for k in range(len(at.coupling)):
        lower_outer(at.shared, -1.0, at.coupling[k], at.solved[k])
        for i in range(len(at.column_shift)):
            at.column_shift[i] -= at.solved[k, i] * at.scalar_shift[k]
