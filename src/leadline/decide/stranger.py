"""Adults nobody knows, drawn evenly from each class of body mass: both sexes, all heights and ages.

What a rental desk asks is the body mass. Height, age, sex and experience stay open, so a class is answered
for by a crowd of strangers that holds as many of each as may come. The crowd is the same each time.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from leadline.arrays import Columns, columns_from_rows
from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass
from leadline.physics.body import body
from leadline.records import DIVERS
from leadline.units import POUND

__all__ = ["CROWD", "MassClass", "mass_classes", "population_share", "strangers"]

FloatArray = NDArray[np.float64]

CROWD: Final = 48
"""Strangers in each class. [-]"""

# Adults who dive: body mass, half of them women; log-normal. Common practice, no source.
_MEDIAN_MASS: Final = {"f": 65.0, "m": 80.0}  # kg
_MASS_SPREAD: Final = {"f": 0.17, "m": 0.16}  # of the logarithm
_HEIGHT_SD: Final = {"f": 0.065, "m": 0.070}  # m, at one body mass; common practice, no source
_AGE: Final = (38.0, 12.0, 19.0, 75.0)  # years: mean, sd, least, most; common practice, no source
_DIVES_BEFORE: Final = (5, 30, 150)  # a third each: new, occasional, used to it; judged

_METRIC: Final = (40, 50, 60, 70, 80, 90, 100, 110, 125)  # kg
_IMPERIAL: Final = (90, 110, 130, 150, 170, 190, 210, 230, 275)  # lb
_LEAST, _MOST = 35.0, 200.0  # kg: adults

# Fractions of the powers of the root of x^6 = x + 1: five even, unrelated sequences (M. Roberts, "The
# unreasonable effectiveness of quasirandom sequences", 2018, from memory).
_STEPS: Final = (1 / 1.1347241384015194) ** np.arange(1, 6)


@dataclass(frozen=True)
class MassClass:
    """A class of body mass.

    Parameters
    ----------
    low, high : float
        Ends. [kg]
    """

    low: float
    high: float

    def holds(self, mass: FloatArray) -> NDArray[np.bool_]:
        """Which masses [kg] lie in it, the upper end left out."""
        return np.asarray((mass >= self.low - 1e-9) & (mass < self.high - 1e-9))


def mass_classes(text: str | None, *, imperial: bool = False) -> tuple[MassClass, ...]:
    """Classes between edges.

    Parameters
    ----------
    text : str or None
        Edges in kg, or in lb if `imperial`, joined by commas; None for the usual ones.
    imperial : bool
        Unit of the edges.

    Returns
    -------
    tuple of MassClass
        In order.

    Raises
    ------
    OutOfRangeError
        If the edges do not rise, are fewer than two, or leave the range of adults.

    Examples
    --------
    >>> mass_classes("50,65,80")
    (MassClass(low=50.0, high=65.0), MassClass(low=65.0, high=80.0))
    """
    try:
        edges = (
            [float(part) for part in text.split(",")] if text else list(_IMPERIAL if imperial else _METRIC)
        )
    except ValueError:
        edges = []
    unit = POUND if imperial else 1.0
    kilograms = [edge * unit for edge in edges]
    rising = all(a < b for a, b in pairwise(kilograms))
    if len(edges) < 2 or not rising or kilograms[0] < _LEAST or kilograms[-1] > _MOST:
        low, high = (round(limit / unit) for limit in (_LEAST, _MOST))
        usual = _IMPERIAL if imperial else _METRIC
        raise OutOfRangeError(
            f"classes {text!r}: give rising edges from {low} to {high} {'lb' if imperial else 'kg'}, such as "
            f"{','.join(f'{edge:g}' for edge in usual)}"
        )
    return tuple(MassClass(a, b) for a, b in pairwise(kilograms))


def _density(mass: FloatArray, sex: str) -> FloatArray:
    z = np.log(mass / _MEDIAN_MASS[sex]) / _MASS_SPREAD[sex]
    return np.asarray(np.exp(-0.5 * z**2) / (mass * _MASS_SPREAD[sex]))


def population_share(classes: Sequence[MassClass]) -> FloatArray:
    """Share of the adults inside the classes that each of them holds, before anybody is counted. [-]."""

    def below(mass: float) -> float:
        return float(np.mean([ndtr(np.log(mass / _MEDIAN_MASS[s]) / _MASS_SPREAD[s]) for s in "fm"]))

    held = np.array([below(c.high) - below(c.low) for c in classes])
    return np.asarray(held / held.sum())


def _masses(group: MassClass, share: FloatArray) -> FloatArray:
    """Body masses of a class, as dense as adults are. [kg]."""
    grid = np.linspace(group.low, group.high, 101)
    density = _density(grid, "f") + _density(grid, "m")
    risen = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2)])
    return np.asarray(np.interp(share, risen / risen[-1], grid))


def _design(size: int) -> FloatArray:
    """Even points of the unit cube, shape (size, 5), one in each of `size` equal parts of every side."""
    spread = np.mod(0.5 + np.arange(1, size + 1)[:, None] * _STEPS, 1.0)
    return np.asarray((spread.argsort(axis=0).argsort(axis=0) + 0.5) / size)


def strangers(classes: Sequence[MassClass], *, year: int, size: int = CROWD) -> Columns:
    """A divers table of strangers, `size` of each class in turn.

    Parameters
    ----------
    classes : sequence of MassClass
        Classes of body mass.
    year : int
        Year of the dive, for their ages.
    size : int
        Strangers in each class. [-] Valid 1 and more.

    Returns
    -------
    Columns
        The divers table, len(classes) * size rows, named by number; the same each time.

    Notes
    -----
    Sex follows from the mass by Bayes' rule, half of all divers being women; the mean height for mass and
    sex is that of the ledger where no height is noted, with its spread around it.

    The ledger takes one diver whose sex is not noted for half a man whatever the mass. By these densities an
    adult of 105 kg is a man in 93 of 100 cases, which is 1.4 kg less lead. How many heavy women dive is
    judged; the table has what a woman needs more beside it, and the answer for one diver has not.

    Examples
    --------
    >>> table = strangers(mass_classes("60,70"), year=2026)
    >>> len(table["diver"]), sorted(set(table["sex"]))
    (48, ['f', 'm'])
    """
    u = _design(size)
    rows: list[dict[str, Any]] = []
    for group in classes:
        mass = _masses(group, u[:, 0])
        men, women = _density(mass, "m"), _density(mass, "f")
        male = u[:, 1] < men / (men + women)
        age = np.clip(_AGE[0] + _AGE[1] * ndtri(u[:, 3]), _AGE[2], _AGE[3])
        usual = body(mass, np.full(size, np.nan), age=age, male=male.astype(float)).height
        spread = np.where(male, _HEIGHT_SD["m"], _HEIGHT_SD["f"])
        height = np.clip(usual + spread * ndtri(u[:, 2]), 1.40, 2.15)
        dives = np.array(_DIVES_BEFORE)[(u[:, 4] * len(_DIVES_BEFORE)).astype(int)]
        rows += [
            {
                "diver": str(len(rows) + i),
                "mass_kg": mass[i],
                "height_cm": 100 * height[i],
                "birth_year": year - int(age[i]),
                "sex": "m" if male[i] else "f",
                "dives_before": dives[i],
            }
            for i in range(size)
        ]
    return columns_from_rows(DIVERS, rows)
