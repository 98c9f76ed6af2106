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
from leadline.model.likelihood import NARROW, TAIL
from leadline.model.observations import SLIPS
from leadline.model.row import HABIT, LIGHT_PART, OF_FOUR, Levels, refined
from leadline.model.tail import reading, slopes, within, zones

__all__ = [
    "E0",
    "E1",
    "E2",
    "L0",
    "L1",
    "L2",
    "L3",
    "NOISE",
    "POINT",
    "SURE",
    "bent",
    "of_one",
    "plain",
    "prepare",
    "site",
    "tilted",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

E0, E1, E2, L0, L1, L2, L3, NOISE = range(8)
"""Places in a prepared row: ends of the zones from light to heavy [kg], chance of the record in each [-],
variance around the expected need [kg²]. A reading has its value at E0, its chance to be worthless at L1, and
`POINT` at L0, or `SURE` where no record is ever wrong."""

POINT: Final = -1.0
SURE: Final = -2.0


@njit(cache=True)
def _fill(
    lay: Layout | Rows, level: Levels, index: IntArray, alone: NDArray[np.bool_], rows: FloatArray
) -> None:
    """What hyperparameters make of the rows at `index`; whether each is alone in its occasion.

    All arrays are taken out of their tuples before the rows: done row by row that takes ten times as long.
    """
    lower, upper, lower_breath, upper_breath = lay.lower, lay.upper, lay.lower_breath, lay.upper_breath
    forms, points, fits, variances, chance = lay.form, lay.point, lay.fit, lay.reading_variance, level.chance
    breath_out, breath_in, middle = level.breath_out, level.breath_in, min(LIGHT_PART, level.breath_in)
    right = 1 - level.wrong
    for i in range(len(index)):
        n = index[i]
        form = forms[n]
        # Scatter that is shared belongs to the latent scalars.
        noise = variances[n] + level.scatter_variance * alone[i]
        if form == HABIT:
            noise += level.habit_variance
        rows[i, NOISE] = noise
        if points[n]:
            # A chosen lead cannot be a wrong record.
            rows[i, E0] = lower[n] - (level.habit if form == HABIT else 0.0)
            rows[i, L0] = POINT if level.wrong > 0.0 else SURE
            rows[i, L1] = 0.0 if form == HABIT else level.wrong
            continue
        rows[i, E0] = upper[n] + breath_out * upper_breath[n]
        rows[i, E1] = lower[n] - middle * lower_breath[n]
        rows[i, E2] = lower[n] - breath_in * lower_breath[n]
        light, neutral, heavy = fits[n, 0], fits[n, 1], fits[n, 2]
        wrong = level.wrong * SLIPS[form]
        of_neutral = neutral * right + (1 - neutral) * wrong
        mistaken = as_neutral = 0.0
        if neutral == 1.0 and heavy == 1.0 and form < OF_FOUR:
            # Whoever is taken for heavy may be noted so, and a heavy diver who is taken for neutral.
            mistaken, as_neutral = chance[form, 3] * wrong, chance[form, 1] * wrong
        rows[i, L0] = chance[form, 0] * (light * right + (1 - light) * wrong) + mistaken
        rows[i, L1] = chance[form, 1] * of_neutral + mistaken
        rows[i, L2] = chance[form, 2] * of_neutral + mistaken
        rows[i, L3] = chance[form, 3] * (heavy * right + (1 - heavy) * wrong) + as_neutral


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
    occasion_first = lay.occasion_first
    begin, end = lay.diver_occasion[lay.chunk_first[first]], lay.diver_occasion[lay.chunk_first[last]]
    low, high = occasion_first[begin], occasion_first[end]
    alone = np.zeros(high - low, np.bool_)
    for o in range(begin, end):
        if occasion_first[o + 1] - occasion_first[o] == 1:
            alone[occasion_first[o] - low] = True
    _fill(lay, level, np.arange(low, high), alone, rows[low:high])


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
    _fill(lay, level, index, alone, rows)
    return rows


@njit(cache=True)
def plain(row: FloatArray) -> bool:
    """Whether a row says for sure that need is in an interval, and nothing else."""
    found: bool = row[L1] == 1.0 and row[L2] == 1.0 and row[L0] == 0.0 and row[L3] == 0.0
    return found


@njit(cache=True)
def _far(row: FloatArray, mean: float, sd: float) -> bool:
    """Whether a row is such an interval, and tails would not tell its variance."""
    if not plain(row) or not row[E0] > row[E2]:
        return False
    upper, lower = (row[E0] - mean) / sd, (row[E2] - mean) / sd
    found: bool = upper < -TAIL or lower > TAIL or upper - lower < NARROW
    return found


@njit(cache=True)
def tilted(row: FloatArray, mean: float, variance: float) -> tuple[float, float, float]:
    """Log evidence of a prepared row against its cavity, and two derivatives in the mean."""
    around = variance + row[NOISE]
    if row[L0] < 0.0:
        return reading(mean, row[E0], row[L1], around)
    sd = math.sqrt(around)
    if _far(row, mean, sd):
        value, moved, left = within((row[E0] - mean) / sd, (row[E2] - mean) / sd)
        return value, moved / sd, (left - 1) / around
    return zones(mean, row[E0], row[E1], row[E2], row[L0], row[L1], row[L2], row[L3], sd)


@njit(cache=True)
def bent(row: FloatArray, mean: float, variance: float) -> tuple[float, float]:
    """The two derivatives of `tilted`, without its value: all that a refinement asks for."""
    around = variance + row[NOISE]
    if row[L0] < 0.0:
        _, slope, curvature = reading(mean, row[E0], row[L1], around)
        return slope, curvature
    sd = math.sqrt(around)
    return slopes(mean, row[E0], row[E1], row[E2], row[L0], row[L1], row[L2], row[L3], sd)


@njit(cache=True)
def site(row: FloatArray, mean: float, variance: float, loosest: float) -> tuple[float, float]:
    """Precision and shift of the site of a prepared row that agrees with it against its cavity.

    Those of `tilted` and `refined`, without the value. Where a row is never wrong, and all the rest knows far
    less of it than it does itself, derivatives have not the digits for that.
    """
    noise = row[NOISE]
    if row[L0] == SURE:
        return 1 / noise, row[E0] / noise
    around = variance + noise
    sd = math.sqrt(around)
    if _far(row, mean, sd):
        _, moved, left = within((row[E0] - mean) / sd, (row[E2] - mean) / sd)
        precision, slope = (1 - left) / (noise + variance * left), moved / sd
        return precision, slope + precision * (mean + variance * slope)
    slope, curvature = bent(row, mean, variance)
    return refined(mean, variance, slope, curvature, loosest)
