"""The words of what is new on a dive: kit, water, a body that changed, a long break."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from leadline.decide.history import LikeKit
from leadline.decide.trigger import Trigger
from leadline.units import about_text

if TYPE_CHECKING:
    from leadline.decide.assessment import Assessment

__all__ = ["FIRST", "change_texts"]

FIRST: Final = "First dive"
"""How a caution begins about what is on no record of the diver."""

SEEN: Final = "checked that day"
"""What stands in the place of asking for a check where there is one."""

_CHANGE: Final = {
    "suit": f"{FIRST} in this suit on record",
    "undersuit": f"{FIRST} in this suit with this undersuit on record",
    "no undersuit": f"{FIRST} in this suit with no undersuit noted on record",
    "cylinder": f"{FIRST} with this type of cylinder on record",
    "bc": f"{FIRST} with this BC on record",
    # "All that is carried" is read as the lead, of which 3 % are next to nothing.
    "water": f"{FIRST} in {{water}} on record, and salt water asks for more lead than fresh, by about 3 % of "
    "the mass of diver and kit",
    "other": f"{FIRST} {{items}} on record",
    "body": "Body mass {amount} since the last {record}",
    "break": "Last dive on record {amount} days before this one",
}


def _water_text(word: str, salinity: float) -> str:
    """The water of a plan, by what was noted of it: the salinity says more than the word."""
    return f"{word} water" if np.isnan(salinity) else f"water of about {salinity:.0f} g/kg"


def _swapped(trigger: Trigger) -> str:
    """Other items that are new or missing, in words."""
    parts = [
        f"{word} {', '.join(names[:-1])}{' and ' if names[1:] else ''}{names[-1]}"
        for word, names in (("with", trigger.gained), ("without", trigger.missing))
        if names
    ]
    return " and ".join(parts)


def _under_it(assessment: Assessment, position: int, history: LikeKit) -> str:
    """What is new where a suit is: the suit itself, or the undersuit."""
    if not history.suit_seen:
        return "suit"
    return "undersuit" if (assessment.line.occasions.undersuit[position] >= 0).any() else "no undersuit"


def _text(trigger: Trigger, water: str, suit: str, looked: bool, imperial: bool) -> str:
    amount = f"{trigger.amount:.0f}"
    if trigger.name == "body":
        way = "up" if trigger.amount > 0 else "down"
        amount = f"{way} {about_text(abs(trigger.amount), imperial)}"
    name = suit if trigger.name == "suit" else trigger.name
    record = "surface check" if trigger.since_check else "dive on record"
    first = _CHANGE[name].format(water=water, amount=amount, items=_swapped(trigger), record=record)
    wider = (
        f"it makes the band {about_text(trigger.widens_kg, imperial)} wider"
        if trigger.widens_kg >= 0.05
        else "the band hardly widens for it"
    )
    return f"{first}: {SEEN if looked and trigger.looked else 'check again'} ({wider})"


def change_texts(
    assessment: Assessment, position: int, history: LikeKit, triggers: Sequence[Trigger], *, looked: bool,
    imperial: bool,
) -> list[str]:  # fmt: skip
    """A caution for each reason to check again.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    position : int
        Row of the timeline.
    history : LikeKit
        Of this diver in like kit.
    triggers : sequence of Trigger
        The reasons.
    looked : bool
        Whether a check of the day has been made that is gone by; it answers what it has seen.
    imperial : bool
        Whether to speak in pounds.
    """
    o = assessment.line.occasions
    water = _water_text(str(o.water[position]), float(o.salinity[position]))
    suit = _under_it(assessment, position, history)
    return [_text(trigger, water, suit, looked, imperial) for trigger in triggers]
