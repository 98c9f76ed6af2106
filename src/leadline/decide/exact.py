"""Sums of numbers to the last digit, so that neither their order nor the parts they come in matter.

References
----------
U. W. Kulisch and W. L. Miranker, "The arithmetic of the digital computer: a new approach", SIAM Review 28
(1986) 1-40, doi:10.1137/1028001 (one long fixed-point number holds any sum of floating-point ones);
S. M. Rump, T. Ogita and S. Oishi, "Accurate floating-point summation, part I", SIAM J. Sci. Comput. 31
(2008) 189-224, doi:10.1137/050645671, section 3 (the digits of numbers above a place taken off without
rounding, and their sum without rounding).
"""

from __future__ import annotations

from math import frexp
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["LARGEST", "exact_sums", "nearest"]

FloatArray = NDArray[np.float64]

ROOM: Final = 10
"""Binary digits that so many numbers, taken at once, can add to their largest; 2 to the power of it. [-]"""

DIGITS: Final = 53
"""Binary digits of a number."""

UNIT: Final = 1126
"""The smallest digit of any number is 2 to the power of minus this. [-]"""

LARGEST: Final = 2.0 ** (1022 - ROOM)
"""Above what can be summed."""


def exact_sums(values: FloatArray) -> list[int]:
    """Sum of each column, in units of 2 to the power of minus `UNIT`.

    Parameters
    ----------
    values : ndarray, shape (n, p)
        In any order; none beyond `LARGEST`.

    Returns
    -------
    list of int, length p
        Sums of parts add up to those of the whole.

    Examples
    --------
    >>> here, there = exact_sums(np.array([[1e16], [1.0]])), exact_sums(np.array([[-1e16]]))
    >>> nearest(here[0] + there[0])
    1.0
    """
    found = [0] * values.shape[1]
    for first in range(0, len(values), 1 << ROOM):
        rest = values[first : first + (1 << ROOM)]
        most = np.abs(rest).max(axis=0)
        while most.any():
            # As large that only the upper digits of a number, added to it, are left: together they have room.
            place = np.ldexp(1.5, np.frexp(most)[1] + ROOM)
            upper = (rest + place) - place
            for column, part in enumerate(upper.sum(axis=0).tolist()):
                if part:
                    fraction, exponent = frexp(part)
                    found[column] += int(fraction * (1 << DIGITS)) << (UNIT - DIGITS + exponent)
            rest = rest - upper
            most = np.abs(rest).max(axis=0)
    return found


def nearest(total: int) -> float:
    """The number nearest to a sum that `exact_sums` has found."""
    return total / (1 << UNIT)
