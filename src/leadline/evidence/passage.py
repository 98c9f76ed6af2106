"""How far time and changes of the body may have moved a diver's offset."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Occasions
from leadline.frozen import dataclass

__all__ = ["Passage", "passage"]

FloatArray = NDArray[np.float64]

YEAR: Final = 365.25
"""Days."""

KNOT: Final = 28
"""Days within which a diver's offset is taken as one. (judged: far less than a season)"""

JUMP: Final = 0.1
"""Sd of the change of need for each kilogram of body mass gained or lost, beyond what the ledger reckons.
[kg/kg] (judged: a kilogram of fat floats by about 0.1 kg, a kilogram of lean mass sinks by as much)"""


@dataclass(frozen=True)
class Passage:
    """Time and changes of the body at *n* rows of a line of time.

    Parameters
    ----------
    elapsed : ndarray, shape (n,)
        Since the diver's first dated row. [years]
    jumped : ndarray, shape (n,)
        Variance that changes of body mass have added to the offset since. [kg²]
    """

    elapsed: FloatArray
    jumped: FloatArray

    def knots(self) -> Passage:
        """The same in steps of four weeks, so that a season has few of them."""
        step = KNOT / YEAR
        return Passage(np.floor(self.elapsed / step + 1e-9) * step, self.jumped)


def passage(occasions: Occasions) -> Passage:
    """Time and changes of the body before each row.

    Parameters
    ----------
    occasions : Occasions
        n rows; those without a date count as latest of their diver, at the time of the one before.

    Returns
    -------
    Passage
        0 at each diver's first row.
    """
    n = len(occasions)
    if not n:
        return Passage(np.zeros(0), np.zeros(0))
    late = np.where(np.isnat(occasions.date), np.datetime64("9999-12-31", "s"), occasions.date)
    order = np.lexsort((np.arange(n), late, occasions.diver))
    diver, date, mass = occasions.diver[order], occasions.date[order], occasions.body_mass[order]
    first = np.diff(diver, prepend=-1) != 0
    same = ~first[1:]
    days = np.zeros(n)
    gap = (date[1:] - date[:-1]).astype("timedelta64[s]").astype(np.float64) / 86400.0
    days[1:] = np.where(same & ~(np.isnat(date[1:]) | np.isnat(date[:-1])), gap, 0.0)
    change = np.zeros(n)
    change[1:] = np.where(same, np.nan_to_num(mass[1:] - mass[:-1]), 0.0)
    elapsed, jumped = np.empty(n), np.empty(n)
    elapsed[order] = _since(days, first) / YEAR
    jumped[order] = _since((JUMP * change) ** 2, first)
    return Passage(elapsed, jumped)


def _since(steps: FloatArray, first: NDArray[np.bool_]) -> FloatArray:
    """Running sum that starts again at every first row."""
    total = np.cumsum(steps)
    begin = total[first] - steps[first]
    # Differences of long running sums leave dust.
    return np.asarray(np.maximum(total - begin[np.cumsum(first) - 1], 0.0).round(9))
