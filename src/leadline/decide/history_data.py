"""One diver's history for one planned dive, as numbers."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["LikeKit"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class LikeKit:
    """One diver's history for one planned dive.

    Parameters
    ----------
    known : bool
        Whether there is evidence in the same suit, undersuit and type of cylinder.
    enough : ndarray, shape (k,)
        Leads proven enough at a stop in like kit, which was held or at which the diver sank, carried to this
        water and pressure by the ledger. [kg]
    light : ndarray, shape (r,)
        Leads at which the stop showed the diver too light, likewise. [kg]
    carried : ndarray, shape (d,)
        All leads carried in like kit, in order of date, likewise. [kg]
    worn : ndarray, shape (d,)
        The same as they were put on. [kg]
    light_signs, heavy_signs : int
        Dives in like kit whose stop showed the diver too light, BC and suit empty; heavier than breathing
        high covers.
    fresh_check : bool
        A surface check near the reserve on the day of the dive.
    upper, lower, point : bool
        Whether evidence in like kit bounds need from above, from below, or reads it.
    dives_used : int
        Occasions of this diver that count as evidence, in any kit.
    last_dive : datetime64
        NaT where there is none.
    last_row : int
        Row of the timeline of the latest dive; -1 where there is none.
    suit_worn, water_seen, cylinder_used, bc_worn : bool
        Whether this diver has a dive in this suit, in water of about this salinity, with these types of
        cylinder, in this BC.
    """

    known: bool
    enough: FloatArray
    light: FloatArray
    carried: FloatArray
    light_signs: int
    heavy_signs: int
    fresh_check: bool
    upper: bool
    lower: bool
    point: bool
    dives_used: int
    last_dive: np.datetime64
    last_row: int
    suit_worn: bool
    water_seen: bool
    cylinder_used: bool
    bc_worn: bool
    worn: FloatArray = field(default_factory=lambda: np.zeros(0))
    light_hints: int = 0
    looked: bool = False
    estimated: bool = False
    suit_seen: bool = False
    gained: tuple[int, ...] = ()
    missing: tuple[int, ...] = ()
