"""What a season page shows beside the season: a card of other kit and waters, and the season before."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass

__all__ = ["DIVE_EVIDENCE", "CardRow", "SeasonChange", "SeasonPart"]

FloatArray = NDArray[np.float64]


DIVE_EVIDENCE: Final = (
    "none",
    "hint",
    "upper_only",
    "lower_only",
    "too_much",
    "two_sided",
    "measured",
    "doubted",
)
"""What a single dive can say about need; a suggestion never rests on `lower_only`, nor on a `hint` of it.

A `doubted` one says what all else that was known after it makes unlikely.
"""


@dataclass(frozen=True)
class CardRow:
    """The next dive with one thing changed.

    Parameters
    ----------
    changed : str
        suit, water or cylinder; empty: the next dive as planned.
    label : str
        What it is changed to; of the planned dive its suit.
    lead_kg, bring_kg : float
        Lead, and lead to have at hand, as `suggest` answers. [kg]
    check_first : bool
        A surface check comes first.
    p_too_light, p_too_heavy : float
        With that lead. [-]
    need : ndarray, shape (5,)
        Quantiles of need at `leadline.decide.season_data.LEVELS`. [kg]
    after_check_kg : float
        What to put on after the check over the lead that brings the water to eye level; NaN where none
        comes first. [kg]
    dive_at_least_kg : float
        Least lead to dive with, whatever the check shows; NaN where that needs no saying. [kg]
    bare_kg : float
        Lead to dive with for whoever is under water without any; NaN where that is not to be
        expected, or no check comes first. [kg]
    new : bool
        Something of it is on no record of this diver: to be checked again, though no check comes first.
    """

    changed: str
    label: str
    lead_kg: float
    bring_kg: float
    check_first: bool
    p_too_light: float
    p_too_heavy: float
    need: FloatArray
    after_check_kg: float
    dive_at_least_kg: float = np.nan
    bare_kg: float = np.nan
    new: bool = False


@dataclass(frozen=True)
class SeasonPart:
    """One season in short.

    Parameters
    ----------
    first, last : datetime64
        Days of its first and last dive.
    dives, looks, rose, sank : int
        Dives; those that are looks (`roster_scope.looks`); those that rose or sank at the stop. [-]
    margin_kg : float
        Lead over need on the dive in the middle; NaN where no lead is noted. [kg]
    body_mass_kg : float
        On its last dive; NaN where unknown. [kg]
    need : ndarray, shape (5,)
        Of the next dive, as known after the last one of this season. [kg]
    """

    first: np.datetime64
    last: np.datetime64
    dives: int
    looks: int
    rose: int
    sank: int
    margin_kg: float
    body_mass_kg: float
    need: FloatArray


@dataclass(frozen=True)
class SeasonChange:
    """The last season and this one.

    Parameters
    ----------
    before, now : SeasonPart
        Parted by a break without dives.
    break_days : int
        How long it was. [d]
    new_kit : tuple of str
        Suits, undersuits, BCs and cylinders worn now and never before.
    """

    before: SeasonPart
    now: SeasonPart
    break_days: int
    new_kit: tuple[str, ...]
