"""A surface check as people read it at the water's edge: what to do in large letters, then why."""

from __future__ import annotations

from collections.abc import Sequence
from math import isinf, isnan
from typing import TYPE_CHECKING, Final

from leadline.cli.answer import taken_text
from leadline.cli.options import Units
from leadline.cli.output import quantity
from leadline.cli.paragraph import BLANK, Page, Part, facts, line, wrapped

if TYPE_CHECKING:
    from leadline.cli.check_source import Place
    from leadline.decide.check import CheckAnswer
    from leadline.decide.check_look import Look

__all__ = ["sight"]

_SINKS: Final = {"yes": ", and sinks on breathing out", "no": ", and stays up breathed out", "": ""}


def sight(place: Place, looks: Sequence[Look], answer: CheckAnswer, units: Units) -> Page:
    """The answer to a surface check.

    Parameters
    ----------
    place : Place
        Who, in what, where.
    looks : sequence of Look
        In order of time.
    answer : CheckAnswer
        For them.
    units : {"metric", "imperial"}
        Of what is read.

    Returns
    -------
    Page
        Fits 80 columns.
    """
    from leadline.decide.label import kit_labels, water_label
    from leadline.decide.sentence import STANDING

    kit = ", ".join(kit_labels(place.plan, 0)) or "no kit named"
    water = water_label(place.plan, 0, imperial=units == "imperial")
    said = [("Do", answer.instruction)]
    if not answer.again and not answer.advice.check_first:
        said.append(("Next", answer.advice.next_step))
    said += [("In doubt", f"{text}.") for text in answer.doubts]
    said += [("Caution", f"{text}.") for text in answer.cautions]
    return Page(
        (
            wrapped(f"{answer.diver}: {kit}; {water}"),
            BLANK,
            *_large(answer, units),
            BLANK,
            facts(_rows(place, looks, answer, units)),
            BLANK,
            facts(said),
            BLANK,
            wrapped(STANDING),
        )
    )


def _mass(mass: float, units: Units) -> str:
    return quantity(mass, "kg", units=units)


def _signed(mass: float, units: Units) -> str:
    text = _mass(abs(mass), units).split()[0]
    return text if not float(text) else f"{'+' if mass > 0 else '−'}{text}"


def _need(mass: float, units: Units) -> str:
    text = _mass(abs(mass), units)
    return f"none, heavy by {text}" if mass < 0 and float(text.split()[0]) else text


def _range(low: float, high: float, units: Units) -> str:
    return f"{_mass(low, units).split()[0]} to {_mass(high, units)}"


def _bar(bars: Sequence[float], units: Units) -> str:
    from leadline.decide.label import pressures_label

    return pressures_label(bars, imperial=units == "imperial")


def _large(answer: CheckAnswer, units: Units) -> list[Part]:
    from leadline.decide.check_words import SAME, after_a_dive, change_text
    from leadline.units import mass_text

    imperial = units == "imperial"

    text = (
        change_text(answer.change_kg, imperial=imperial).upper().replace(" KG", " kg").replace(" LB", " lb")
    )
    wear, wet = (
        mass_text(lead, imperial=imperial) if lead else "no lead" for lead in (answer.lead_kg, answer.look_kg)
    )
    there = f" in {answer.other_water.here}" if answer.other_water.here else ""
    today = "" if isnan(answer.another_day_kg) else " today"
    what = f"for the next dive{today}{there}" if after_a_dive(answer) else f"to dive{today}{there} with"
    # The lead of the dive stands out in both: nobody may go down on what was only for a look.
    if not answer.again:
        return [line(f"  {text}, {what}  ", (f" {wear} ", "bold reverse"))]
    # Between the two lines lead is put on or taken off, so that a second change would be counted from there.
    change = "as is on now"
    if abs(answer.change_kg) >= SAME:
        word = "more" if answer.change_kg > 0 else "less"
        change = f"{mass_text(abs(answer.change_kg), imperial=imperial)} {word} than is on now"
    return [
        line("  LOOK AGAIN FIRST, with  ", (wet, "bold")),
        line(f"  then, as things stand, {what}  ", (f" {wear} ", "bold reverse"), f"  {change}"),
    ]


def _rows(place: Place, looks: Sequence[Look], answer: CheckAnswer, units: Units) -> list[tuple[str, str]]:
    now, way, advice = answer.now, answer.course, answer.advice
    rows = [
        ("Seen", _seen(looks[-1], answer, units)),
        ("Right now", _now(answer, units)),
        ("To breathe", _gas(answer, units)),
        (
            "At the end",
            f"with {_bar(way.end_each_bar, units)} left {_need(advice.need_q50_kg, units)}; on 8 dives in 10 "
            f"{_range(advice.need_q10_kg, advice.need_q90_kg, units)}",
        ),
        ("From now", _way(answer, units)),
    ]
    rows += _chances(answer, units)
    if now.disagree:
        who = "the records" if answer.records else "body and kit alone"
        rows.append(
            (
                "They differ",
                f"by {who} it would be {_need(now.expected_q50_kg, units)} now, "
                f"{_range(now.expected_q10_kg, now.expected_q90_kg, units)}",
            )
        )
    if place.taken.taken:
        rows.append(("Taken over", taken_text(place.taken)))
    return rows


def _chances(answer: CheckAnswer, units: Units) -> list[tuple[str, str]]:
    from leadline.reports.phrase import chance

    over = quantity(2.0, "kg", units=units, digits=0 if units == "metric" else 1)
    return [
        ("Too light", f"at the end on {chance(answer.p_too_light)} with that"),
        ("Too heavy", f"by more than {over} on {chance(answer.p_too_heavy)}"),
    ]


def _seen(look: Look, answer: CheckAnswer, units: Units) -> str:
    from leadline.reports.phrase import BREATH, WATERLINE
    from leadline.units import mass_text

    lead = mass_text(look.lead_kg, imperial=units == "imperial") if look.lead_kg else "no lead"
    line = f"{WATERLINE[look.waterline]}, {BREATH[look.breath]}" if look.waterline else "waterline not noted"
    text = f"{lead} on, {_bar(answer.course.now_each_bar, units)}: {line}{_SINKS[look.exhale_sinks]}"
    return text if answer.looks < 2 else f"{text}; {answer.looks} looks count today"


def _now(answer: CheckAnswer, units: Units) -> str:
    """What would make this check right, and what the looks say by themselves."""
    from leadline.decide.check_words import UNUSED, change_text

    now = answer.now
    change = change_text(now.change_kg, imperial=units == "imperial")
    low, high = now.alone_low_kg, now.alone_high_kg
    level = "eye level on a normal breath"
    if now.q50_kg < 0 and float(_mass(-now.q50_kg, units).split()[0]):
        text = f"too heavy for {level} by {_mass(-now.q50_kg, units)} without any lead"
    else:
        text = f"{_mass(now.q50_kg, units)} would put the water at {level}"
    text += f", 8 in 10 {_range(now.q10_kg, now.q90_kg, units)}"
    if any(UNUSED in doubt for doubt in answer.doubts):
        # Nothing was seen, so nothing is changed on it: the look is made again as it was.
        return f"{text}, by what is known without this look"
    text += f": {change}, for this moment and not for the dive"
    if isinf(low) and isinf(high):
        return text
    if isinf(low):
        return f"{text}. By the look alone: less than about {_mass(high, units)}"
    if isinf(high):
        return f"{text}. By the look alone: more than about {_mass(low, units)}"
    return f"{text}. By the look alone: {_range(low, high, units)}"


def _gas(answer: CheckAnswer, units: Units) -> str:
    from leadline.decide.check_words import NO_GAS

    way = answer.course
    if way.gas_kg < NO_GAS:
        return f"nothing above {_bar(way.end_each_bar, units)}"
    gas, lead = (quantity(mass, "kg", units=units, digits=2) for mass in (way.gas_kg, way.gas_lead_kg))
    now, end = (_bar(bars, units) for bars in (way.kept_each_bar, way.end_each_bar))
    return f"{gas} of gas from {now} to {end}; in lead {lead}"


def _way(answer: CheckAnswer, units: Units) -> str:
    """What moves need from here to the stop, line by line; the lines add up."""
    from leadline.decide.check_words import known_lead

    way = answer.course
    left = len(way.now_each_bar) > len(way.end_each_bar)
    rest = "cylinder left behind" if left else "the rest"
    parts = [
        f"{name} {_signed(lead, units)}"
        for name, lead in (
            ("gas breathed", way.gas_lead_kg),
            ("foam at depth", way.foam_lead_kg),
            ("quiet breath", way.breath_lead_kg),
            ("head under", way.head_lead_kg),
            (rest, way.rest_lead_kg),
            ("what else is known", known_lead(answer)),
        )
        if abs(lead) >= 0.05
    ]
    return f"{', '.join(parts)}, in {'lb' if units == 'imperial' else 'kg'} of lead" if parts else "no change"
