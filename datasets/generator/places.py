"""The invented coast: waters, sites, and their season."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from generator.chance import Chance

__all__ = ["PLACES", "Conditions", "Place", "conditions"]


@dataclass(frozen=True, slots=True)
class Place:
    """A site.

    Parameters
    ----------
    name : str
        As written in the records.
    water : str
        fresh, brackish or salt.
    depth : float
        Greatest depth worth a visit. [m]
    altitude : float
        Of the water's surface. [m]
    spring, summer : float
        Water temperature in the upper metres at the start of April and at its height. [°C]
    salinity, salinity_sd : float
        Mean over the season and day-to-day sd. [g/kg]
    melt : float
        How much fresher at the height of the snow melt, early June. [g/kg]
    """

    name: str
    water: str
    depth: float
    altitude: float
    spring: float
    summer: float
    salinity: float
    salinity_sd: float
    melt: float = 0.0


@dataclass(frozen=True, slots=True)
class Conditions:
    """The true water of one outing.

    Parameters
    ----------
    salinity : float
        Absolute salinity. [g/kg]
    temperature : float
        At the stop. [°C]
    """

    salinity: float
    temperature: float


PLACES: Final[dict[str, Place]] = {
    place.name: place
    for place in (
        Place("Corvane Quarry", "fresh", 24, 185, 6.0, 22.5, 0.35, 0.05),
        Place("Ilsa Tarn", "fresh", 20, 1480, 4.0, 16.0, 0.05, 0.02),
        Place("Quellfjord Steps", "brackish", 28, 0, 5.5, 18.5, 12.5, 1.8, 5.0),
        Place("Quellfjord Mill Wall", "brackish", 40, 0, 5.5, 18.0, 14.0, 1.8, 4.5),
        Place("Marrel Reef", "salt", 22, 0, 6.5, 19.0, 34.1, 0.4),
        Place("Old Cutter", "salt", 32, 0, 6.5, 18.5, 34.3, 0.4),
        Place("Skell Gully", "salt", 18, 0, 6.5, 19.5, 34.0, 0.5),
        Place("Tern Drop", "salt", 60, 0, 6.5, 18.0, 34.5, 0.3),
    )
}


def _warmth(day_of_year: int) -> float:
    """Share of the way from spring to summer temperature; 1 around 8 August, 0 in early April [-]."""
    from_peak = (day_of_year - 220) / 125
    return math.exp(-2.2 * from_peak * from_peak) if from_peak < 0 else math.exp(-1.6 * from_peak * from_peak)


def conditions(place: Place, when: datetime) -> Conditions:
    """The true water at `place` on that day, the same for everyone there."""
    day = when.timetuple().tm_yday
    chance = Chance("water", place.name, day)
    melt = place.melt * math.exp(-(((day - 155) / 28) ** 2))
    salinity = max(0.02, chance.normal(place.salinity - melt, place.salinity_sd))
    temperature = place.spring + (place.summer - place.spring) * _warmth(day) + chance.normal(0.0, 0.7)
    return Conditions(round(salinity, 2), round(temperature, 1))
