"""A sum of very many numbers that stand in several places, to the bit as if they stood in one.

NumPy halves a long array again and again and adds up the halves' sums. A place that has all numbers of a
branch can add that up by itself; of the short branches at its ends it tells the numbers.

References
----------
N. J. Higham, "The accuracy of floating point summation", SIAM J. Sci. Comput. 14 (1993) 783-799 (pairwise).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Branches", "branches", "total"]

FloatArray = NDArray[np.float64]

SHORT: Final = 128
"""Numbers up to which NumPy does not halve. [-]"""

Branches = dict[tuple[int, int], FloatArray]
"""Sums of whole branches, shape (), and numbers of parts of short ones, shape (n,), by where they stand."""


def _middle(low: int, high: int) -> int:
    half = (high - low) // 2
    return low + half - half % 8


def branches(values: FloatArray, first: int, whole: int) -> Branches:
    """What one place has to tell.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Its numbers.
    first : int
        Where these begin among all.
    whole : int
        How many there are in all.

    Returns
    -------
    dict
        At most two sums for each halving, and the numbers of two short branches.
    """
    found: Branches = {}

    def walk(low: int, high: int) -> None:
        begin, end = max(low, first), min(high, first + len(values))
        if begin >= end:
            return
        own = values[begin - first : end - first]
        if (begin, end) == (low, high):
            found[low, high] = np.asarray(np.sum(own))
        elif high - low <= SHORT:
            found[begin, end] = own.copy()
        else:
            walk(low, _middle(low, high))
            walk(_middle(low, high), high)

    walk(0, whole)
    return found


def total(told: Sequence[Branches], whole: int) -> float:
    """The sum of all numbers, from what all places tell; as `numpy.sum` has it."""
    found = {span: value for each in told for span, value in each.items()}

    def walk(low: int, high: int) -> float:
        if (low, high) in found and not found[low, high].shape:
            return float(found[low, high])
        if high - low <= SHORT:
            inside = sorted(span for span in found if low <= span[0] and span[1] <= high)
            return float(np.sum(np.concatenate([found[span] for span in inside])))
        return walk(low, _middle(low, high)) + walk(_middle(low, high), high)

    return walk(0, whole)
