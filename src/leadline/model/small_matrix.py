"""Compiled linear algebra for matrices of a few rows, where a library call costs more than the work."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit

__all__ = ["cholesky", "dot", "form", "inverse", "lower_outer", "multiply", "root", "thin"]

FloatArray = NDArray[np.float64]


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


@njit(cache=True)
def lower_outer(matrix: FloatArray, weight: float, left: FloatArray, right: FloatArray) -> None:
    """Add the lower half of a weighted outer product in place."""
    for i in range(len(left)):
        scaled = weight * left[i]
        if scaled != 0.0:
            for j in range(i + 1):
                matrix[i, j] += scaled * right[j]


@njit(cache=True)
def dot(left: FloatArray, right: FloatArray) -> float:
    """Scalar product, in four sums side by side.

    The order of the sums is written down, not left to the compiler: a reordered sum can depend on where in
    memory its numbers lie, and the same book must give the same bits.
    """
    a = b = c = d = 0.0
    size = len(left)
    whole = size - size % 4
    for i in range(0, whole, 4):
        a += left[i] * right[i]
        b += left[i + 1] * right[i + 1]
        c += left[i + 2] * right[i + 2]
        d += left[i + 3] * right[i + 3]
    for i in range(whole, size):
        a += left[i] * right[i]
    return (a + b) + (c + d)


@njit(cache=True)
def multiply(matrix: FloatArray, vector: FloatArray, found: FloatArray) -> None:
    """Vector times matrix: its rows added up, four at a time, so that many columns go at once."""
    size = len(vector)
    whole = size - size % 4
    found[:] = 0.0
    for j in range(0, whole, 4):
        a, b, c, d = vector[j], vector[j + 1], vector[j + 2], vector[j + 3]
        for i in range(len(found)):
            found[i] += (a * matrix[j, i] + b * matrix[j + 1, i]) + (
                c * matrix[j + 2, i] + d * matrix[j + 3, i]
            )
    for j in range(whole, size):
        a = vector[j]
        for i in range(len(found)):
            found[i] += a * matrix[j, i]


@njit(cache=True)
def form(matrix: FloatArray, vector: FloatArray) -> float:
    """Quadratic form of a symmetric matrix, from its lower half; sums as in `dot`."""
    diagonal = total = 0.0
    for i in range(len(vector)):
        if vector[i] == 0.0:
            continue
        a = b = c = d = 0.0
        whole = i - i % 4
        for j in range(0, whole, 4):
            a += matrix[i, j] * vector[j]
            b += matrix[i, j + 1] * vector[j + 1]
            c += matrix[i, j + 2] * vector[j + 2]
            d += matrix[i, j + 3] * vector[j + 3]
        for j in range(whole, i):
            a += matrix[i, j] * vector[j]
        total += vector[i] * ((a + b) + (c + d))
        diagonal += matrix[i, i] * vector[i] * vector[i]
    return diagonal + 2 * total


@njit(cache=True)
def root(matrix: FloatArray) -> FloatArray:
    """Lower factor; zero where a row says the same as those before and adds no direction."""
    size = len(matrix)
    found = np.zeros((size, size))
    for i in range(size):
        for j in range(i + 1):
            value = matrix[i, j]
            for k in range(j):
                value -= found[i, k] * found[j, k]
            if i == j:
                found[i, i] = math.sqrt(value) if value > 1e-12 else 0.0
            else:
                found[i, j] = value / found[j, j] if found[j, j] > 0.0 else 0.0
    return found


@njit(cache=True)
def thin(rows: FloatArray, least: float) -> FloatArray:
    """Rows with the same products on as few columns as leave no more than `least` of any square unsaid.

    The longest of what is left goes first: a Cholesky factor with pivots.
    """
    size = len(rows)
    left, found = np.empty(size), np.empty((size, size))
    columns = rows.T.copy()
    for i in range(size):
        left[i] = dot(rows[i], rows[i])
    count = 0
    while count < size:
        at = int(np.argmax(left))
        if not left[at] > least:
            break
        length = math.sqrt(left[at])
        column = found[count]
        multiply(columns, rows[at], column)
        for k in range(count):
            own = found[k, at]
            for i in range(size):
                column[i] -= own * found[k, i]
        for i in range(size):
            # What was said in full before is not said again by rounding.
            column[i] = column[i] / length if left[i] > 0.0 else 0.0
            left[i] -= column[i] * column[i]
        left[at] = 0.0
        count += 1
    return found[:count].T.copy()
