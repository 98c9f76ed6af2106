"""The water that the lead of a surface check is for, where the diver dives in other water too."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from leadline.decide.assessment import Assessment
from leadline.decide.past import LIKE_WATER, usual_salinity
from leadline.frozen import dataclass
from leadline.physics.ledger import evaluate
from leadline.timeline import PLAN

__all__ = ["OtherWater", "other_water"]

WORTH_A_WORD: Final = 0.25
"""More lead in another water that is worth a word. [kg] (judged)"""

_OF_WATER: Final = (
    "water", "salinity_given", "temperature_given", "surface_density", "density_slope",
    "density_per_salinity", "density_per_temperature", "atmosphere",
)  # fmt: skip
"""What of a rig is the water's."""


@dataclass(frozen=True)
class OtherWater:
    """Where else the diver dives.

    Parameters
    ----------
    here : str
        The water of the check, such as `fresh water`, where it is to be named with the lead: not the sea, or
        not the water of all records; else empty.
    denser : str
        Water of the records in which the same kit takes more lead, the saltiest of all and of that the
        latest; empty where there is none.
    more_kg : float
        What it takes there more by the ledger, the same kit worn; NaN where there is none. [kg]
    """

    here: str = ""
    denser: str = ""
    more_kg: float = float("nan")


def other_water(assessment: Assessment, position: int) -> OtherWater:
    """The water of a planned dive against that of the diver's records.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    position : int
        Row of the timeline.

    Returns
    -------
    OtherWater
        Nothing is named where the plan names no water. The lead between two waters is that of the ledgers: as
        between two pressures, body and kit are the same in both.
    """
    line, o = assessment.line, assessment.line.occasions
    salt = usual_salinity(o.water, o.salinity)
    if np.isnan(salt[position]):
        return OtherWater()
    rows = np.flatnonzero((o.diver == o.diver[position]) & (line.table != PLAN) & ~np.isnan(salt))
    apart = salt[rows] - salt[position]
    # One such word may mean the water of the other.
    vague = np.isnan(o.salinity[rows]) | np.isnan(o.salinity[position])
    apart[(o.water[rows] == "brackish") & (o.water[position] == "brackish") & vague] = 0.0
    word = str(o.water[position])
    here = _text(word, float(salt[position]))
    if word == "salt" and not (np.abs(apart) > LIKE_WATER).any():
        here = ""
    rows = rows[apart > LIKE_WATER]
    if not len(rows):
        return OtherWater(here)
    there = rows[np.lexsort((o.date[rows], salt[rows]))[-1]]
    at = np.array([position])
    rigs, stop = assessment.rigs.take(at), assessment.state(at)
    moved = replace(rigs, **{name: getattr(assessment.rigs, name)[[there]] for name in _OF_WATER})
    more = float(evaluate(moved, stop).need[0] - evaluate(rigs, stop).need[0])
    if more < WORTH_A_WORD:
        return OtherWater(here)
    known = str(o.water[there])
    return OtherWater(here, _text("" if known == word else known, float(salt[there])), more)


def _text(word: str, salinity: float) -> str:
    """A water in words: its kind, else its salinity [g/kg]."""
    return f"{word} water" if word else f"water of about {salinity:.0f} g/kg"
