"""Compiled array functions for a few dozen numbers.

The library's own, compiled along with what calls them, take longer to compile than all else that is there.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit

__all__ = ["copied", "evenly", "highest", "interpolated", "median_place", "merged", "probabilities", "widths"]

FloatArray = NDArray[np.float64]


@njit(cache=True)
def copied(values: FloatArray, found: FloatArray) -> None:
    """Numbers into an array of their own length: an assignment brings along what tells of unlike shapes."""
    for i in range(len(values)):
        found[i] = values[i]


@njit(cache=True)
def evenly(low: float, high: float, size: int) -> FloatArray:
    """As `numpy.linspace`, size >= 2."""
    found = np.empty(size)
    for i in range(size):
        found[i] = low + i * ((high - low) / (size - 1))
    found[size - 1] = high
    return found


@njit(cache=True)
def merged(first: FloatArray, second: FloatArray) -> FloatArray:
    """All numbers of two ascending arrays, ascending, none twice."""
    found = np.empty(len(first) + len(second))
    i = j = size = 0
    while i < len(first) or j < len(second):
        if j == len(second) or (i < len(first) and first[i] <= second[j]):
            value = first[i]
            i += 1
        else:
            value = second[j]
            j += 1
        if size == 0 or value > found[size - 1]:
            found[size] = value
            size += 1
    return found[:size].copy()


@njit(cache=True)
def interpolated(at: FloatArray, points: FloatArray, values: FloatArray) -> FloatArray:
    """As `numpy.interp`, places where the value is NaN left out; 0 where there is no other."""
    valid = np.empty(len(points), np.int64)
    size = 0
    for i in range(len(points)):
        if not math.isnan(values[i]):
            valid[size] = i
            size += 1
    found = np.zeros(len(at))
    if size == 0:
        return found
    k = 0
    for u in range(len(at)):
        if at[u] < points[valid[k]]:
            k = 0
        while k + 1 < size and points[valid[k + 1]] <= at[u]:
            k += 1
        low = valid[k]
        if k + 1 == size or at[u] <= points[low]:
            found[u] = values[low]
            continue
        high = valid[k + 1]
        slope = (values[high] - values[low]) / (points[high] - points[low])
        found[u] = values[low] + slope * (at[u] - points[low])
    return found


@njit(cache=True)
def highest(values: FloatArray) -> float:
    """The largest number that is one; -inf where there is none."""
    found = -math.inf
    for i in range(len(values)):
        if values[i] > found:
            found = values[i]
    return found


@njit(cache=True)
def median_place(values: FloatArray) -> int:
    """Place of the middle one of some numbers, the upper one of two."""
    size = len(values)
    for i in range(size):
        below = 0
        for j in range(size):
            if values[j] < values[i] or (values[j] == values[i] and j < i):
                below += 1
        if below == size // 2:
            return i
    return 0


@njit(cache=True)
def widths(points: FloatArray) -> FloatArray:
    """What `numpy.gradient` gives for a function that grows as its places do."""
    size = len(points)
    found = np.empty(size)
    found[0] = points[1] - points[0]
    found[size - 1] = points[size - 1] - points[size - 2]
    for u in range(1, size - 1):
        found[u] = (points[u + 1] - points[u - 1]) / 2
    return found


@njit(cache=True)
def probabilities(logs: FloatArray, width: FloatArray, found: FloatArray) -> float:
    """Densities from their logs, times widths, made to sum to 1; the log of what they summed to."""
    top = highest(logs)
    total = 0.0
    for u in range(len(logs)):
        found[u] = math.exp(logs[u] - top) * width[u]
        total += found[u]
    for u in range(len(logs)):
        found[u] /= total
    return top + math.log(total)
