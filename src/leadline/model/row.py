"""Compiled likelihood of one row under given hyperparameters, against what all else says of its need."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.layout import Layout, Rows
from leadline.model.observations import SLIPS
from leadline.model.tail import reading, zones

__all__ = [
    "HABIT",
    "LIGHT_PART",
    "OF_FOUR",
    "Levels",
    "chances",
    "edges",
    "noise",
    "packed",
    "refined",
    "tilted",
    "unpacked",
]

FloatArray = NDArray[np.float64]

HABIT: Final = 5
"""`Form.HABIT`."""

OF_FOUR: Final = 6
"""`Form.OF_FOUR`: from here on what is recorded is no stop."""

LIGHT_PART: Final = 0.4
"""As in `leadline.model.occasion`."""


class Levels(NamedTuple):
    """Hyperparameters as the sweeps use them.

    Parameters
    ----------
    diver_variance, body_square, suit_variance, drift_variance, scatter_variance : float
        Of the offsets; the square of the body's multiplier. [kg², -, -, kg²/year, kg²]
    breath_out, breath_in, wrong, habit, habit_variance : float
        As in `Hyperparameters`.
    chance : ndarray, shape (8, 4)
        Chance of each form in the light zone, both parts of the neutral zone and the heavy zone. [-]
    """

    diver_variance: float
    body_square: float
    suit_variance: float
    drift_variance: float
    scatter_variance: float
    breath_out: float
    breath_in: float
    wrong: float
    habit: float
    habit_variance: float
    chance: FloatArray


def packed(levels: Sequence[Levels]) -> tuple[FloatArray, FloatArray]:
    """Several as two arrays, shape (g, 10) and (g, 8, 4)."""
    return np.array([level[:-1] for level in levels]), np.array([level.chance for level in levels])


@njit(cache=True)
def unpacked(numbers: FloatArray, chance: FloatArray) -> list[Levels]:
    """Inverse of `packed`."""
    return [
        Levels(n[0], n[1], n[2], n[3], n[4], n[5], n[6], n[7], n[8], n[9], c)
        for n, c in zip(numbers, chance)  # noqa: B905 (not known to the compiler)
    ]


@njit(cache=True)
def edges(lay: Layout | Rows, level: Levels, n: int) -> tuple[float, float, float]:
    """Upper end of the neutral zone, where its light part ends, and its lower end. [kg]."""
    upper = lay.upper[n] + level.breath_out * lay.upper_breath[n]
    lower = lay.lower[n] - level.breath_in * lay.lower_breath[n]
    middle = lay.lower[n] - min(LIGHT_PART, level.breath_in) * lay.lower_breath[n]
    return upper, middle, lower


@njit(cache=True)
def chances(lay: Layout | Rows, level: Levels, n: int) -> tuple[float, float, float, float]:
    """Chance of the record in each zone, from light to heavy."""
    form, right = lay.form[n], 1 - level.wrong
    wrong = level.wrong * SLIPS[form]
    light, neutral, heavy = lay.fit[n, 0], lay.fit[n, 1], lay.fit[n, 2]
    of_neutral = neutral * right + (1 - neutral) * wrong
    mistaken = as_neutral = 0.0
    if neutral == 1.0 and heavy == 1.0 and form < OF_FOUR:
        # Whoever is taken for heavy may be noted so, and a heavy diver who is taken for neutral.
        mistaken, as_neutral = level.chance[form, 3] * wrong, level.chance[form, 1] * wrong
    return (
        level.chance[form, 0] * (light * right + (1 - light) * wrong) + mistaken,
        level.chance[form, 1] * of_neutral + mistaken,
        level.chance[form, 2] * of_neutral + mistaken,
        level.chance[form, 3] * (heavy * right + (1 - heavy) * wrong) + as_neutral,
    )


@njit(cache=True)
def noise(lay: Layout | Rows, level: Levels, n: int, alone: bool) -> float:
    """Variance around the expected need; scatter that is shared belongs to the latent scalars."""
    found: float = lay.reading_variance[n]
    if alone:
        found += level.scatter_variance
    if lay.form[n] == HABIT:
        found += level.habit_variance
    return found


@njit(cache=True)
def tilted(
    lay: Layout | Rows, level: Levels, n: int, alone: bool, mean: float, variance: float
) -> tuple[float, float, float]:
    """Log evidence of a row against its cavity, and two derivatives in the mean."""
    around = variance + noise(lay, level, n, alone)
    if lay.point[n]:
        habit = lay.form[n] == HABIT
        # A chosen lead cannot be a wrong record.
        wrong = 0.0 if habit else level.wrong
        return reading(mean, lay.lower[n] - habit * level.habit, wrong, around)
    upper, middle, lower = edges(lay, level, n)
    l0, l1, l2, l3 = chances(lay, level, n)
    return zones(mean, upper, middle, lower, l0, l1, l2, l3, math.sqrt(around))


@njit(cache=True)
def refined(
    mean: float, variance: float, slope: float, curvature: float, loosest: float
) -> tuple[float, float]:
    """Site whose product with the cavity has the exact mean and, within limits, the exact variance."""
    kept = max(1 + variance * curvature, 1e-9)
    precision = max(-curvature / kept, loosest / variance)
    return precision, slope + precision * (mean + variance * slope)
