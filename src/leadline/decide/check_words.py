"""The words of a surface check: why a reading may be off, what applies besides, what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from leadline.decide.check_look import Conditions, Look
from leadline.decide.history import NEAR_RESERVE
from leadline.decide.label import pressures_label
from leadline.decide.lead_rule import WIDE
from leadline.decide.sentence import LOW_END, dangers
from leadline.units import about_text, mass_text

if TYPE_CHECKING:
    from leadline.decide.check import CheckAnswer
    from leadline.decide.check_reading import Course
    from leadline.decide.check_water import OtherWater
    from leadline.decide.checked_dive import CheckedDive

__all__ = [
    "HARDLY_FIT",
    "HELD_BREATH",
    "cautions",
    "change_text",
    "doubts",
    "instruction",
    "known_lead",
    "left_out_texts",
]

SETTLING: Final = 3.0
"""Minutes in the water until the air has found its way out of a suit. [min] (judged)"""

HELD_BREATH: Final = "Breath is held only here, at the surface: never at depth, never on the way up"

SAME: Final = 0.05
"""Change of lead that is none. [kg]"""

MORE: Final = 0.25
"""More lead at the end than now that is worth a word. [kg] (judged)"""

NO_GAS: Final = 0.01
"""Gas down to the end that is none: a bar and a half of a small cylinder, or the rounding of psi. [kg]"""

UNUSED: Final = "this look is not used"

HARDLY_FIT: Final = "The looks of today hardly fit each other"
"""How the doubt begins that is about no look by itself: which of them was misread, the next one says."""

_CONTRADICTION: Final = {
    (
        "chin",
        "yes",
    ): "Water at the chin on a breath that, let out, sinks you: breathing out is not worth a head",
    ("crown", "no"): "Water over the crown, yet you stay up breathed out: the two do not go together",
    ("under", "no"): "Under on that breath, yet up when it is let out: the two do not go together",
}

_CONTRADICTION_OUT: Final = {
    "yes": "Up with the breath out, yet breathing out sinks you: the two do not go together",
    "no": "Under with the breath out, yet up breathed out: the two do not go together",
}


NOR_AGAIN: Final = "without naming this look beside it (--again)"
"""Of a look that counts for less than what was seen: named as an earlier one it would count in full."""


def doubts(
    look: Look,
    conditions: Conditions,
    *,
    suited: bool,
    dry: bool,
    contradict: bool,
) -> tuple[str, ...]:
    """Why the reading of now may be off, the gravest first.

    Parameters
    ----------
    look : Look
        The last.
    conditions : Conditions
        How it was made.
    suited, dry : bool
        In a suit; in a dry suit.
    contradict : bool
        Whether some look of the day hardly fits the others.

    Returns
    -------
    tuple of str
        Clauses without a semicolon; empty where nothing speaks against it.
    """
    found = []
    if conditions.still is False:
        moved = "finning, sculling and holding on carry kilograms"
        found.append(f"Not still: {moved}, so {UNUSED}: look again {NOR_AGAIN}")
    if look.breath == "out" and look.at_odds:
        found.append(f"{_CONTRADICTION_OUT[look.exhale_sinks]}, so {UNUSED}")
    elif look.breath != "out" and (text := _CONTRADICTION.get((look.waterline, look.exhale_sinks))):
        found.append(f"{text}, not even a full one" if look.breath == "full" else f"{text}, so {UNUSED}")
    if contradict:
        found.append(f"{HARDLY_FIT}: something changed in between, or was misread")
    if look.breath == "full":
        found.append(
            "Held on a full breath, which is some litres above a normal one and differs most between people"
        )
    if suited and conditions.minutes is not None and conditions.minutes < SETTLING:
        vent = "vent it standing upright" if dry else "let water through it"
        found.append(
            f"Just in the water: air still in the suit makes the reading too light, so {vent}, and look "
            f"again {NOR_AGAIN}"
        )
    return tuple(found)


def left_out_texts(checked: CheckedDive, *, imperial: bool) -> tuple[str, ...]:
    """A caution that names the look that all others of the day contradict; none where there is none."""
    if checked.left_out is None:
        return ()
    line, row = checked.line, int(checked.evidence.statements.row[checked.left_out][0])
    seen = line.records.checks["waterline"][line.row[row]] or "none noted"
    lead = mass_text(float(line.records.checks["lead_kg"][line.row[row]]), imperial=imperial)
    return (f"Left out: the look of today with {lead} (waterline: {seen}), which all others contradict",)


def cautions(
    given: tuple[str, ...],
    look: Look,
    conditions: Conditions,
    *,
    way: Course,
    more: float,
    suited: bool,
    imperial: bool,
) -> tuple[str, ...]:
    """What applies to this answer, most urgent first; the standing caution is not among them.

    Parameters
    ----------
    given : tuple of str
        Cautions of the answer for the dive.
    look : Look
        The last.
    conditions : Conditions
        How it was made, as far as anybody said.
    way : Course
        From here to the end of the dive.
    more : float
        Need then less need now. [kg]
    suited : bool
        In a suit.
    imperial : bool
        Whether to speak in psi.

    Returns
    -------
    tuple of str
        Clauses without a semicolon.
    """
    found = []
    now, end = (pressures_label(bars, imperial=imperial) for bars in (way.now_each_bar, way.end_each_bar))
    if way.gas_kg < NO_GAS and len(way.end_each_bar) == len(way.now_each_bar):
        found.append(
            f"No gas left to breathe above the end of {end}: do not go down on it, and if the gauge shows "
            "more read the check again, since more gas takes more lead"
        )
        # Nobody planned that end: it is what there is now.
        given = tuple(text for text in given if not text.startswith(LOW_END))
    elif max(way.now_each_bar) > NEAR_RESERVE:
        # Where foam shrinks by more than the gas weighs, what is right now is not too light then.
        light = "what is right now is too light when that gas is gone, so " if more > MORE else ""
        found.append(
            f"Made with {now}: {light}look again after the dive with a nearly empty cylinder, at the planned "
            "reserve"
        )
    unsaid = ["hung still, neither finning nor holding on"] if conditions.still is None else []
    if suited and conditions.minutes is None:
        unsaid.append("was long enough in the water for the air to leave the suit")
    if unsaid:
        found.append(f"Holds for one who {' and '.join(unsaid)}, which nobody has said")
    urgent = dangers(given)
    found = [*urgent, *found, *(text for text in given if text not in urgent)]
    if look.breath != "out":
        found.append(HELD_BREATH)
    return tuple(found)


def change_text(change: float, *, imperial: bool = False) -> str:
    """A change of lead in words.

    Parameters
    ----------
    change : float
        [kg] Positive: more lead.
    imperial : bool
        Whether to speak in pounds.

    Returns
    -------
    str
        Such as `add 1.5 kg`.

    Examples
    --------
    >>> change_text(1.5), change_text(-0.5), change_text(0.0)
    ('add 1.5 kg', 'take off 0.5 kg', 'leave it as it is')
    """
    if abs(change) < SAME:
        return "leave it as it is"
    return f"{'add' if change > 0 else 'take off'} {mass_text(abs(change), imperial=imperial)}"


def known_lead(answer: CheckAnswer) -> float:
    """What leads from need now to need at the end of the dive besides the parts of its course.

    Parameters
    ----------
    answer : CheckAnswer
        All of it.

    Returns
    -------
    float
        [kg of lead] The parts are forces by the ledger; what records and looks say of the moment is not all
        true of the stop.
    """
    way = answer.course
    parts = way.gas_lead_kg + way.foam_lead_kg + way.breath_lead_kg + way.head_lead_kg + way.rest_lead_kg
    return answer.advice.need_q50_kg - answer.now.q50_kg - parts


def after_a_dive(answer: CheckAnswer) -> bool:
    """Whether the cylinders are so empty that nobody goes down on them: the lead is for the next dive."""
    return max(answer.course.now_each_bar) <= NEAR_RESERVE


def instruction(answer: CheckAnswer, *, far: bool, imperial: bool) -> str:
    """What to do, in one sentence or two.

    Parameters
    ----------
    answer : CheckAnswer
        All else.
    far : bool
        Whether the change is large for one look.
    imperial : bool
        Whether to speak in pounds.

    Returns
    -------
    str
        No act in it rewards breathing below the reserve.
    """
    wear, wet = (
        mass_text(lead, imperial=imperial) if lead > 0 else "no lead"
        for lead in (answer.lead_kg, answer.look_kg)
    )
    water = answer.other_water
    there = f" in {water.here}" if water.here else ""
    beside = f"{_another_day(answer, imperial)}{_denser(water, imperial)}"
    if not answer.again:
        when = f"The next dive in this kit{there} with" if after_a_dive(answer) else f"Dive{there} with"
        said = f"{when} {wear}, and note the stop with an empty BC.{beside}"
        if not answer.advice.check_first:
            return said
        # However wide the range below: under water without lead, no other look shows how far.
        less = "no other look shows whether less would do" if answer.lead_kg > 0 else "less takes lighter kit"
        return f"{said} Under water without any lead, {less}."
    why = ""
    if answer.now.disagree and answer.looks <= 1:
        other = "records" if answer.records else "formulas"
        why = f" If it shows the same, go by the water, not by the {other}."
    elif far and answer.looks:  # else no look asks for a change
        why = " So large a change is not made on one look."
    elif answer.advice.need_q90_kg - answer.advice.need_q10_kg > WIDE and not answer.doubts:
        why = " The range is still wide."
    return (
        f"Look again with {wet}: upright and still, BC empty, a normal breath held, then let it out.{why} "
        f"As things stand the dive{there} takes {wear}.{beside}"
    )


def _another_day(answer: CheckAnswer, imperial: bool) -> str:
    """What the diver is told on a later day, where the step down is held back then; else nothing."""
    if np.isnan(answer.another_day_kg):
        return ""
    later, wear = (
        mass_text(lead, imperial=imperial) if lead > 0 else "no lead"
        for lead in (answer.another_day_kg, answer.lead_kg)
    )
    return (
        f" That is for today: on another day look again before the dive. Without a look it may be as much as "
        f"{later} then, unless a stop was held with {wear} since."
    )


def _denser(water: OtherWater, imperial: bool) -> str:
    """What the same kit takes in denser water that the diver dives in too; nothing where there is none."""
    if not water.denser:
        return ""
    word, more = water.denser, about_text(water.more_kg, imperial)
    return f" {word[0].upper()}{word[1:]} takes about {more} more: ask again before a dive there."
