"""Compiled likelihood of rows, with what hyperparameters make of each reckoned once for all sweeps.

A compiled function that is handed a whole layout for each row spends most of its time on that.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.layout import Layout, Rows
from leadline.model.row import HABIT, Levels, chances, edges, noise
from leadline.model.tail import reading, slopes, zones

__all__ = ["E0", "E1", "E2", "L0", "L1", "L2", "L3", "NOISE", "POINT", "bent", "of_one", "prepare", "tilted"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

E0, E1, E2, L0, L1, L2, L3, NOISE = range(8)
"""Places in a prepared row: ends of the zones from light to heavy [kg], chance of the record in each [-],
variance around the expected need [kg²]. A reading has its value at E0, its chance to be worthless at L1, and
`POINT` at L0."""

POINT: Final = -1.0


@njit(cache=True)
def _fill(lay: Layout | Rows, level: Levels, n: int, alone: bool, row: FloatArray) -> None:
    row[NOISE] = noise(lay, level, n, alone)
    if lay.point[n]:
        # A chosen lead cannot be a wrong record.
        habit = lay.form[n] == HABIT
        row[E0] = lay.lower[n] - (level.habit if habit else 0.0)
        row[L0], row[L1] = POINT, 0.0 if habit else level.wrong
    else:
        row[E0], row[E1], row[E2] = edges(lay, level, n)
        row[L0], row[L1], row[L2], row[L3] = chances(lay, level, n)


@njit(cache=True, nogil=True)
def prepare(lay: Layout, level: Levels, rows: FloatArray, first: int, last: int) -> None:
    """What hyperparameters make of the rows of some chunks.

    Parameters
    ----------
    lay, level : Layout, Levels
        Records and hyperparameters.
    rows : ndarray, shape (m, 8)
        Filled.
    first, last : int
        Chunks.
    """
    begin, end = lay.diver_occasion[lay.chunk_first[first]], lay.diver_occasion[lay.chunk_first[last]]
    for o in range(begin, end):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        for n in range(low, high):
            _fill(lay, level, n, high - low == 1, rows[n])


@njit(cache=True)
def of_one(lay: Rows, level: Levels, index: IntArray, alone: NDArray[np.bool_]) -> FloatArray:
    """The same for some rows of one diver.

    Parameters
    ----------
    lay, level : Rows, Levels
        Records and hyperparameters.
    index, alone : ndarray, shape (n,)
        The rows; whether each is alone in its occasion.

    Returns
    -------
    ndarray, shape (n, 8)
        Prepared rows.
    """
    rows = np.zeros((len(index), NOISE + 1))
    for i in range(len(index)):
        _fill(lay, level, index[i], alone[i], rows[i])
    return rows


@njit(cache=True)
def tilted(row: FloatArray, mean: float, variance: float) -> tuple[float, float, float]:
    """Log evidence of a prepared row against its cavity, and two derivatives in the mean."""
    around = variance + row[NOISE]
    if row[L0] == POINT:
        return reading(mean, row[E0], row[L1], around)
    sd = math.sqrt(around)
    return zones(mean, row[E0], row[E1], row[E2], row[L0], row[L1], row[L2], row[L3], sd)


@njit(cache=True)
def bent(row: FloatArray, mean: float, variance: float) -> tuple[float, float]:
    """The two derivatives of `tilted`, without its value: all that a refinement asks for."""
    around = variance + row[NOISE]
    if row[L0] == POINT:
        _, slope, curvature = reading(mean, row[E0], row[L1], around)
        return slope, curvature
    sd = math.sqrt(around)
    return slopes(mean, row[E0], row[E1], row[E2], row[L0], row[L1], row[L2], row[L3], sd)
