"""Compiled: the shared effects that one diver's rows touch, and all others without these rows."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.layout import Rows
from leadline.model.small_matrix import dot, multiply, root

__all__ = ["Whole", "covariance_without", "mean_without", "whole_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Whole(NamedTuple):
    """What one diver's rows share with everybody, in directions in which that is N(0, I).

    Parameters
    ----------
    z, white : ndarray, shape (n, q)
        Exposures, and the same in those directions. [kg]
    reach : ndarray, shape (r, q)
        Covariance of other shared effects with those directions. [-]
    factor : ndarray, shape (q, q)
        Shared effects less their mean, from those directions. [-]
    """

    z: FloatArray
    white: FloatArray
    reach: FloatArray
    factor: FloatArray


@njit(cache=True)
def whole_of(
    rows: Rows, index: IntArray, columns: IntArray, others: IntArray, covariance: FloatArray
) -> Whole:
    """Directions of the shared effects that some rows touch.

    Parameters
    ----------
    rows : Rows
        Of the book.
    index : ndarray of int, shape (n,)
        The diver's rows; n >= 1.
    columns, others : ndarray of int, shape (q,), (r,)
        Shared effects that they touch, and those that an answer needs.
    covariance : ndarray, shape (p, p)
        Posterior of all.
    """
    n, q, r = len(index), len(columns), len(others)
    z, inner, across = np.empty((n, q)), np.empty((q, q)), np.empty((r, q))
    for i in range(q):
        for j in range(q):
            inner[i, j] = covariance[columns[i], columns[j]]
        for k in range(r):
            across[k, i] = covariance[others[k], columns[i]]
        for k in range(n):
            z[k, i] = rows.exposure[index[k], columns[i]]
    factor = root(inner)
    for k in range(r):
        for i in range(q):
            value = across[k, i]
            for j in range(i):
                value -= factor[i, j] * across[k, j]
            across[k, i] = value / factor[i, i] if factor[i, i] > 0.0 else 0.0
    white = np.empty((n, q))
    for k in range(n):
        multiply(factor, z[k], white[k])
    return Whole(z, white, across, factor)


@njit(cache=True)
def mean_without(whole: Whole, moved: FloatArray, mean: FloatArray) -> None:
    """Mean of the shared effects without the rows, in place."""
    for i in range(len(mean)):
        mean[i] += dot(whole.reach[i], moved)


@njit(cache=True)
def covariance_without(whole: Whole, grown: FloatArray, covariance: FloatArray) -> None:
    """Covariance of the shared effects without the rows, in place."""
    r, q = whole.reach.shape
    through = np.empty((r, q))
    for i in range(r):
        multiply(grown, whole.reach[i], through[i])
    for i in range(r):
        for j in range(i + 1):
            value = dot(through[i], whole.reach[j])
            covariance[i, j] += value
            if j < i:
                covariance[j, i] += value
