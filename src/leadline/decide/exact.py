"""Sums of numbers to the last digit, so that neither their order nor the parts they come in matter.

References
----------
U. W. Kulisch and W. L. Miranker, "The arithmetic of the digital computer: a new approach", SIAM Review 28
(1986) 1-40, doi:10.1137/1028001 (one long fixed-point number holds any sum of floating-point ones).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["exact_sum", "nearest"]

FloatArray = NDArray[np.float64]

BLOCK: Final = 1 << 20
"""Numbers that are taken at once: their halves add up without rounding. [-]"""

DIGITS: Final = 53
HALF: Final = 27
"""Binary digits of a number, and of its lower half. [-]"""

UNIT: Final = 1126
"""The smallest digit of any number is 2 to the power of minus this. [-]"""


def exact_sum(values: FloatArray) -> int:
    """Sum of finite numbers, in units of 2 to the power of minus `UNIT`.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Any order.

    Returns
    -------
    int
        Sums of parts add up to that of the whole.

    Examples
    --------
    >>> nearest(exact_sum(np.array([1e16, 1.0])) + exact_sum(np.array([-1e16])))
    1.0
    """
    known = values[values != 0]
    found = 0
    for first in range(0, len(known), BLOCK):
        fraction, exponent = np.frexp(known[first : first + BLOCK])
        digits = np.ldexp(fraction, DIGITS).astype(np.int64)
        least = int(exponent.min())
        upper, lower = (
            np.bincount(exponent - least, half) for half in (digits >> HALF, digits & ((1 << HALF) - 1))
        )
        for i in np.flatnonzero((upper != 0) | (lower != 0)).tolist():
            shift = UNIT - DIGITS + least + i
            found += ((int(upper[i]) << HALF) + int(lower[i])) << shift
    return found


def nearest(total: int) -> float:
    """The number nearest to a sum that `exact_sum` has found."""
    return total / (1 << UNIT)
