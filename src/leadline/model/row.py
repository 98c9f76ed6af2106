"""Compiled likelihood of one row under given hyperparameters, against what all else says of its need."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.hyperparameters import OUTLYING

__all__ = [
    "HABIT",
    "LIGHT_PART",
    "OF_FOUR",
    "Levels",
    "ahead",
    "packed",
    "refined",
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
def ahead(level: Levels) -> float:
    """Square of `Hyperparameters.scatter_ahead`. [kg²]."""
    return level.scatter_variance * (1 + (OUTLYING * OUTLYING - 1) * level.wrong)


@njit(cache=True)
def refined(
    mean: float, variance: float, slope: float, curvature: float, loosest: float
) -> tuple[float, float]:
    """Site whose product with the cavity has the exact mean and, within limits, the exact variance."""
    kept = max(1 + variance * curvature, 1e-9)
    precision = max(-curvature / kept, loosest / variance)
    return precision, slope + precision * (mean + variance * slope)
