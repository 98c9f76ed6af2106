"""Compiled linear algebra for matrices of a few rows, where a library call costs more than the work."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["FAST", "cholesky", "dot", "form", "inverse", "outer"]

FloatArray = NDArray[np.float64]

FAST: Final = {"reassoc", "contract", "nsz"}
"""Sums may be reordered, which is what lets them use vector units; infinities keep their meaning."""


@njit(cache=True)
def cholesky(matrix: FloatArray) -> float:
    """Lower factor in place; the log determinant, NaN where there is none."""
    size = matrix.shape[0]
    total = 0.0
    for j in range(size):
        for k in range(j):
            matrix[j, j] -= matrix[j, k] * matrix[j, k]
        if not matrix[j, j] > 0.0:
            return math.nan
        root = math.sqrt(matrix[j, j])
        matrix[j, j] = root
        total += 2 * math.log(root)
        for i in range(j + 1, size):
            value = matrix[i, j]
            for k in range(j):
                value -= matrix[i, k] * matrix[j, k]
            matrix[i, j] = value / root
    return total


@njit(cache=True)
def inverse(factor: FloatArray, found: FloatArray) -> None:
    """Inverse of a matrix from its lower factor."""
    size = factor.shape[0]
    for column in range(size):
        for i in range(size):
            value = 1.0 if i == column else 0.0
            for k in range(i):
                value -= factor[i, k] * found[k, column]
            found[i, column] = value / factor[i, i]
        for i in range(size - 1, -1, -1):
            value = found[i, column]
            for k in range(i + 1, size):
                value -= factor[k, i] * found[k, column]
            found[i, column] = value / factor[i, i]


@njit(cache=True, fastmath=FAST)
def outer(matrix: FloatArray, weight: float, left: FloatArray, right: FloatArray) -> None:
    """Add a weighted outer product in place."""
    for i in range(len(left)):
        scaled = weight * left[i]
        if scaled != 0.0:
            for j in range(len(right)):
                matrix[i, j] += scaled * right[j]


@njit(cache=True, fastmath=FAST)
def form(matrix: FloatArray, vector: FloatArray) -> float:
    """Quadratic form of a symmetric matrix."""
    total = 0.0
    for i in range(len(vector)):
        if vector[i] != 0.0:
            row = 0.0
            for j in range(len(vector)):
                row += matrix[i, j] * vector[j]
            total += vector[i] * row
    return total


@njit(cache=True, fastmath=FAST)
def dot(left: FloatArray, right: FloatArray) -> float:
    """Scalar product."""
    total = 0.0
    for i in range(len(left)):
        total += left[i] * right[i]
    return total
