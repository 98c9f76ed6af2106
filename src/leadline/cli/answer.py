"""The answer as people read it: the lead large and plain, then what it rests on, then what to do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from leadline.cli.options import Units
from leadline.cli.output import quantity, table
from leadline.cli.paragraph import BLANK, Page, Part, facts, line, wrapped

if TYPE_CHECKING:
    from rich.console import RenderableType

    from leadline.cli.grid import Grid
    from leadline.cli.kit import Planned
    from leadline.decide.advice import Advice, Answer
    from leadline.decide.answering import Taken
    from leadline.decide.trim import Trim

__all__ = ["many", "one", "taken_text"]

_CHECK_FIRST: Final = (
    "Check first: at the surface, where `check` has a number. Begin with the lead in the table, `bring` at "
    "hand; add or take off until the water comes to eye level on a normal breath, BC empty, the cylinder as "
    "full as planned. Then put on that number more, for the end of the dive, and no less in all than is "
    "named below, or go by `leadline check`."
)
_TAUGHT: Final = ", and on what other kit and other divers have taught"
"""Where nothing has been learned, no other diver has."""

_ONLY_LIGHT: Final = (
    "Of kit like this the records show only what was too little, or hints, and no lead that was enough: the "
    f"number rests on physics{_TAUGHT}."
)
"""For evidence that bounds need from above nowhere, which the word for it (none) does not tell."""

_TAKEN: Final = {
    "altitude_m": "altitude",
    "salinity_gkg": "salinity",
    "stop_bar": "cylinder left behind",
    "stop_depth_m": "depth of the stop",
    "other": "other kit",
    "bc": "BC",
}


_OTHER_LEAD: Final = 1.0
"""How far named places may part from the lead asked for before that is said: two usual blocks. [kg]"""


def _lead(mass: float, units: Units) -> str:
    from leadline.units import mass_text

    return mass_text(mass, imperial=units == "imperial")


def _need(mass: float, units: Units) -> str:
    """Need in words; negative: already heavy."""
    text = quantity(abs(mass), "kg", units=units)
    return f"already heavy by {text}" if mass < 0 and float(text.split()[0]) else text


def _range(low: float, high: float, units: Units) -> str:
    first, second = (quantity(value, "kg", units=units) for value in (low, high))
    return f"{first.split()[0]} to {second}"


def one(planned: Planned, answer: Answer, changed: list[dict[str, Any]], units: Units) -> RenderableType:
    """The answer for one dive.

    Parameters
    ----------
    planned : Planned
        The dive.
    answer : Answer
        For it, with what stands behind it.
    changed : list of dict
        What-ifs; may be empty.
    units : {"metric", "imperial"}
        Of what is read.

    Returns
    -------
    Page, or rich renderable
        Fits 80 columns.
    """
    from leadline.decide.sentence import STANDING, dangers

    advice = answer.advice
    first = dangers(advice.cautions)
    rest = [caution for caution in advice.cautions if caution not in first]
    said = [("Next", advice.next_step), *(("Caution", f"{caution}.") for caution in rest)]
    danger = [facts([("Danger", _said(caution)) for caution in first]), BLANK] if first else []
    before = (
        wrapped(_headline(planned, advice, units)),
        BLANK,
        *_large(advice, units),
        BLANK,
        *danger,
        facts(_rows(planned, answer, units)),
        BLANK,
        facts(said),
    )
    after = BLANK, wrapped(STANDING)
    if not changed:
        return Page((*before, *after))
    from rich.console import Group

    from leadline.cli.what_if import changes_table

    return Group(*before, BLANK, changes_table(changed, units, advice.cautions), *after)


def _said(caution: str) -> str:
    """A danger behind the word itself."""
    plain_text = caution.removeprefix("Danger of ")
    return f"{plain_text[0].upper()}{plain_text[1:]}."


def _headline(planned: Planned, answer: Advice, units: Units) -> str:
    from leadline.decide.label import kit_labels, water_label

    kit = ", ".join(kit_labels(planned.plan, 0)) or "no kit named"
    return f"{answer.diver}: {kit}; {water_label(planned.plan, 0, imperial=units == 'imperial')}"


def _large(answer: Advice, units: Units) -> list[Part]:
    lead, bring = _lead(answer.lead_kg, units), _lead(answer.bring_kg, units)
    if answer.check_first:
        begin = f" {lead} " if answer.lead_kg else " no lead "
        lines = [line("  CHECK FIRST, at the surface, beginning with  ", (begin, "bold reverse"))]
        if bring != lead:
            lines.append(line("  have at hand  ", (bring, "bold")))
        return lines
    lines = [line("  PUT ON  ", (f" {lead} ", "bold reverse"))]
    if bring != lead:
        lines.append(line(f"  lightest within the accepted risk: {bring}"))
    return lines


def _left(planned: Planned, units: Units) -> tuple[str, str]:
    """Pressures left at the stop, as planned and where the dive ends late, of all cylinders carried there."""
    import numpy as np

    from leadline.decide.change import late_pressures
    from leadline.decide.label import pressures_label
    from leadline.timeline import PLAN

    state = planned.assessment.state(planned.assessment.line.at(PLAN)[:1])
    bars = np.asarray(state.cylinder_pressure, float)[0][np.asarray(state.carried, bool)[0]]
    if not len(bars):
        return "no cylinder", ""
    as_planned, late = (
        pressures_label(values.tolist(), imperial=units == "imperial")
        for values in (bars, late_pressures(bars))
    )
    return as_planned, late


def _late(answer: Answer, lower: str, units: Units) -> list[tuple[str, str]]:
    """Need and lead if the dive ends with less gas than planned, with what is left then."""
    from leadline.reports.phrase import chance

    if answer.late_bar != answer.late_bar:
        return []
    need = answer.advice.need_q50_kg
    then = _need(need + answer.late_more_kg, units)
    # As printed, so that the sum is one.
    before, after = (
        float(quantity(v, "kg", units=units).split()[0]) for v in (need, need + answer.late_more_kg)
    )
    text = (
        f"with {lower} left {after - before:.1f} {quantity(need, 'kg', units=units).split()[1]} more: {then}"
    )
    text += f"; with {_lead(answer.advice.lead_kg, units)} too light on {chance(answer.late_p_too_light)}"
    if answer.late_called_for_kg == answer.late_called_for_kg:
        called = _lead(answer.late_called_for_kg, units)
        text += f"; {called} would be within the accepted risk, which these blocks do not make"
    else:
        text += f"; {_lead(answer.late_bring_kg, units)} would be within the accepted risk"
    return [("Ends late", text)]


def _trim(places: str, lead: float, planned: bool, units: Units) -> list[tuple[str, str]]:
    """Where lead sits and what that does; told apart from the lead asked for where it is another."""
    from leadline.decide.trim import trim

    if not places:
        return []
    found = trim(places)
    where = ", ".join(f"{place} {_lead(mass, units)}" for place, mass in found.totals.items())
    when = "" if planned else "on the latest dive in this suit that named it "
    total = sum(found.totals.values())
    if planned and abs(total - lead) >= _OTHER_LEAD:
        where += f", which is {_lead(total, units)} and not {_lead(lead, units)}"
    return [("Lead sits", f"{when}{where}: {_pull(found, units)} (lever arms judged, no source)")]


def _pull(found: Trim, units: Units) -> str:
    rest = ""
    if found.unplaced:
        # A place without an arm is not one in the middle: 9 kg at an unheard-of place are not level.
        if found.unplaced >= sum(found.totals.values()):
            return "which way it pulls is not known of such places"
        rest = f", {_lead(found.unplaced, units)} left out whose place is not known"
    if found.pulls == "level":
        return f"about level by itself{rest}"
    from leadline.units import FOOT, POUND

    moment = abs(found.moment)
    size = f"{moment / (POUND * FOOT):.0f} lb ft" if units == "imperial" else f"{moment:.1f} kg m"
    return f"by itself it pulls the {found.pulls} down, {size}{rest}"


def _rows(planned: Planned, whole: Answer, units: Units) -> list[tuple[str, str]]:
    from leadline.cli.kit import assumed
    from leadline.reports.phrase import EVIDENCE, chance

    answer = whole.advice
    at, lower = _left(planned, units)
    need = (
        f"with {at} left {_need(answer.need_q50_kg, units)}; on 8 dives in 10 "
        f"{_range(answer.need_q10_kg, answer.need_q90_kg, units)}"
    )
    rows = [("Need", need)]
    rows += _late(whole, lower, units)
    who = "beginning with that" if answer.check_first else "with that"
    rows.append(("Too light", f"on {chance(answer.p_too_light)} {who}"))
    over = quantity(2.0, "kg", units=units, digits=0 if units == "metric" else 1)
    rows.append(("Too heavy", f"by more than {over} on {chance(answer.p_too_heavy)}"))
    known = _ONLY_LIGHT if answer.evidence == "none" and whole.known else EVIDENCE[answer.evidence]
    if planned.holding.fitted is None:
        known = known.replace(_TAUGHT, ", and on what other kit has taught" if answer.dives_used else "")
    rows.append(("Rests on", f"{_count(answer.dives_used)}. {known}"))
    rows.append(("Learned", _learned(planned, answer)))
    places = str(whole.safety.places[whole.row])
    rows += _trim(places, answer.lead_kg, bool(planned.plan["lead_places"][0]), units)
    if planned.taken.taken:
        rows.append(("Taken over", taken_text(planned.taken)))
    if gaps := assumed(planned.assessment):
        rows.append(("Assumed", f"{gaps}: none is named"))
    return rows


def _count(used: int) -> str:
    if not used:
        return "no dive or check of this diver"
    return f"{used} {'dive or check day' if used == 1 else 'dives and check days'} of this diver, in any kit"


def _learned(planned: Planned, answer: Advice) -> str:
    from leadline.decide.answering import newer_than_fit
    from leadline.reports.phrase import day

    holding = planned.holding
    dives, checks = newer_than_fit(planned.assessment, answer.diver)
    if holding.fitted is None:
        return (
            "nothing from all divers together yet (run `leadline learn`); this diver's own records, if there "
            "are any, are taken in"
        )
    text = f"from all divers on {day(holding.fitted.date())}"
    if dives or checks:
        counted = [
            f"{n} {word if n == 1 else word + 's'}" for n, word in ((dives, "dive"), (checks, "check")) if n
        ]
        since = "changed or new" if holding.changed_kit else "since then"
        text += f"; {' and '.join(counted)} of this diver {since} taken in too"
    return text


def taken_text(taken: Taken) -> str:
    """What was taken over from which dive or check, in words; only where anything was."""
    when = f" of {taken.date}" if taken.date else ""
    named = [_TAKEN.get(name, name) for name in taken.taken]
    what = ", ".join(named[:-1]) + (" and " if named[1:] else "") + named[-1]
    where = f"on dive {taken.source}" if taken.word == "dive" else "at the surface check"
    return f"{what}: as {where}{when}, since not named"


def _if_late(answer: Answer, units: Units) -> list[str]:
    """The lead if the dive ends with less gas than planned, where that is another."""
    if not answer.late_bring_kg > answer.advice.bring_kg + 1e-6:
        return []
    lower = quantity(answer.late_bar, "bar", units=units, digits=0)
    what = "have at hand" if answer.advice.check_first else "within the accepted risk"
    return [f"Should it end late, with {lower} left: {what} {_lead(answer.late_bring_kg, units)}."]


def many(answers: Sequence[Answer], units: Units, *, labels: Sequence[str] = ()) -> Page | str:
    """The answers of a plan as one table, with the next steps and cautions under it.

    Parameters
    ----------
    answers : sequence of Answer
        One a row of the plan.
    labels : sequence of str, optional
        What tells each row from the others of its diver; none, or all empty: that needs no telling.
    units : {"metric", "imperial"}
        Of what is read.

    Returns
    -------
    Page, or str
        Fits 80 columns.
    """
    from leadline.decide.sentence import STANDING, dangers

    if not answers:
        return "the plan has no rows"
    labels = labels or [""] * len(answers)
    parts: list[Part] = [_plan_table(answers, units, labels)]
    if any(answer.after is not None for answer in answers):
        parts += [wrapped(_CHECK_FIRST), BLANK]
    for answer, label in zip(answers, labels, strict=True):
        a = answer.advice
        first = dangers(a.cautions)
        said = [f"{caution}." for caution in first]
        said += (_in_all(answer, units) if a.check_first else [a.next_step]) + _if_late(answer, units)
        said += [f"{caution}." for caution in a.cautions if caution not in first]
        if said:
            parts.append(wrapped(f"{_whose(a.diver, label)}: {' '.join(said)}"))
    parts += [BLANK, wrapped(STANDING)]
    return Page(tuple(parts))


def _in_all(answer: Answer, units: Units) -> list[str]:
    """What bounds the lead of a dive after its check, and what there is for whoever finds no eye level."""
    from leadline.decide.step_sentence import deeper, in_all

    if answer.after is None:
        return []
    bounds = in_all(answer.after, imperial=units == "imperial").removeprefix(", ")
    deep = deeper(answer.after, imperial=units == "imperial")
    return [
        f"{text[0].upper()}{text[1:]}." for text in (bounds and f"after the check {bounds}", deep) if text
    ]


def _whose(diver: str, label: str) -> str:
    """Diver and dive in one cell: a column more would not fit 80."""
    return f"{diver}, {label}" if label else diver


def _plan_table(answers: Sequence[Answer], units: Units, labels: Sequence[str]) -> Grid:
    from leadline.reports.phrase import percent

    def mass(value: float) -> str:
        return quantity(value, "kg", units=units).split()[0]

    def lead(value: float) -> str:
        return _lead(value, units).split()[0]

    rows = [
        [
            _whose(a.diver, label),
            lead(a.lead_kg),
            "" if answer.after is None else f"+{lead(answer.after.more_kg)}",
            lead(a.bring_kg) if a.bring_kg != a.lead_kg else "",
            mass(a.need_q50_kg),
            f"{mass(a.need_q10_kg)} to {mass(a.need_q90_kg)}",
            quantity(a.need_at_bar, "bar", units=units, digits=0).partition(" ")[0],
            percent(a.p_too_light),
            percent(a.p_too_heavy),
        ]
        for answer, label in zip(answers, labels, strict=True)
        for a in [answer.advice]
    ]
    mass_unit, pressure = ("lb", "psi") if units == "imperial" else ("kg", "bar")
    who = "diver, dive" if any(labels) else "diver"
    headers = [who, "lead", "check", "bring", "need", "8 in 10", pressure, "light", "heavy"]
    return table(f"Lead and need in {mass_unit}", headers, rows)
