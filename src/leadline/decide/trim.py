"""Where lead sits: its totals by place, and the moment that pulls the feet or the head down."""

from __future__ import annotations

from typing import Final

from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass

__all__ = ["ARMS", "Trim", "on_belt", "trim"]

ARMS: Final[dict[str, float]] = {
    "ankles": -0.85,
    "legs": -0.50,
    "belt": -0.15,
    "waist": -0.15,
    "pockets": -0.10,
    "plate": 0.10,
    "back": 0.15,
    "band": 0.20,
    "chest": 0.20,
    "shoulders": 0.35,
    "neck": 0.40,
}
"""Lever arm of each place along the body from the lower ribs, positive towards the head. [m] (judged for an
adult of 1.75 m, no source)"""

LEVEL: Final = 0.3
"""A moment smaller than this is not felt. [kg m] (judged)"""


@dataclass(frozen=True)
class Trim:
    """Lead by place, and how it turns the diver.

    Parameters
    ----------
    totals : dict of str to float
        Place to lead, summed, in the order named. [kg]
    moment : float
        Lead times lever arm over the places whose arm is known; positive pulls the head down. [kg m]
    unplaced : float
        Lead in places without an arm. [kg]
    pulls : {"feet", "head", "level"}
        What goes down; level within 0.3 kg m.
    """

    totals: dict[str, float]
    moment: float
    unplaced: float
    pulls: str


def _arm(place: str) -> float | None:
    """Arm of a place in singular or plural; None where there is none."""
    return ARMS.get(place, ARMS.get(f"{place}s", ARMS.get(place.removesuffix("s"))))


def trim(places: str) -> Trim:
    """Totals and moment of lead.

    Parameters
    ----------
    places : str
        In the words of the records, such as `belt:4;pockets:2`. [kg]

    Returns
    -------
    Trim
        Of the lead alone: cylinder, suit and fins turn the diver too, so what counts is what moving lead
        changes.

    Raises
    ------
    OutOfRangeError
        If a part is not a place and a mass.

    Examples
    --------
    >>> trim("belt:4;pockets:2;back:2;band:1").pulls
    'level'
    >>> round(trim("belt:8;ankles:1").moment, 2)
    -2.05
    """
    totals: dict[str, float] = {}
    for part in filter(None, (piece.strip() for piece in places.split(";"))):
        place, _, number = part.partition(":")
        try:
            mass = float(number)
        except ValueError:
            raise OutOfRangeError(
                f"lead_places {part!r}: give a place and a mass, such as belt:4;pockets:2"
            ) from None
        name = place.strip().casefold()
        totals[name] = totals.get(name, 0.0) + mass
    arms = {name: arm for name in totals if (arm := _arm(name)) is not None}
    moment = sum((arms[name] * totals[name] for name in arms), 0.0)
    unplaced = sum((mass for name, mass in totals.items() if name not in arms), 0.0)
    pulls = "level" if abs(moment) <= LEVEL else "head" if moment > 0 else "feet"
    return Trim(totals, moment, unplaced, pulls)


def on_belt(places: str) -> float:
    """Lead that sits on a belt, whatever stands behind that word.

    Parameters
    ----------
    places : str
        As of `trim`. [kg]

    Returns
    -------
    float
        Its sum. [kg]

    Examples
    --------
    >>> on_belt("belt:4;pockets:2;belt left:1")
    5.0
    """
    return sum((mass for place, mass in trim(places).totals.items() if place.startswith("belt")), 0.0)
