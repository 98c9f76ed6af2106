"""What `leadline learn` tells people of its findings, on one screen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from leadline.cli.options import Units
from leadline.cli.output import plain, quantity

if TYPE_CHECKING:
    from rich.console import RenderableType

    from leadline.decide.findings import Contradiction, Convergence, Doubt, Effect, Findings
    from leadline.decide.fleet import Harvest

__all__ = ["short_view", "view"]

_EFFECTS: Final = 4
_DOUBTS: Final = 4
_CONTRADICTED: Final = 3

LEAST_EXCESS, MOST_EXCESS = -2.5, 6.0
"""Lead over physics of the middle diver that no club has: with kilograms under pounds it is 3 too little, the
other way round 8 too much; invented and simulated books lie between 0 and 3.5. [kg] (judged)"""

_STILL: Final = 0.5
"""Up to so many sds left a fit is called settled; more than one is never stored. [-]"""

_FEWEST: Final = 3
"""Divers from which on the middle one tells of the book."""

_KINDS: Final = {
    "stop": "at stops",
    "hand_off": "after hand-offs",
    "descent": "hard descents",
    "waterline": "waterlines",
    "exhale": "breathing out",
}
_DOUBT: Final = {
    "stop": "stop",
    "hand_off": "hand-off",
    "descent": "descent",
    "waterline": "waterline",
    "exhale": "breathing out",
    "at_odds": "waterline, breathing out",
}


def view(findings: Findings, units: Units) -> RenderableType:
    """What was found, for people.

    Parameters
    ----------
    findings : Findings
        Of a book with evidence.
    units : {"metric", "imperial"}
        For masses.

    Returns
    -------
    rich renderable
        At most some forty lines of eighty columns; all of it is in `--json`.
    """
    from rich.console import Group

    counts = findings.counts
    kinds = ", ".join(f"{counts[kind]} {word}" for kind, word in _KINDS.items() if counts[kind])
    parts: list[RenderableType] = [
        f"Learned from {_counted(counts['observations'], 'observation')} of "
        f"{_counted(counts['divers'], 'diver')} on {_counted(counts['occasions'], 'dive')} "
        f"or check {'day' if counts['occasions'] == 1 else 'days'}: {kinds}.",
        _converged(findings.convergence),
        "",
        _spreads(findings, units),
        "",
        _parts(findings, units),
    ]
    if findings.effects:
        parts += ["", _effects(findings.effects, units)]
    if findings.contradictions:
        parts.append(_contradicted(findings.contradictions, units))
    if odd := _odd_leads(findings, units):
        parts += ["", odd]
    parts += ["", _doubts(findings.doubts, units) if findings.doubts else "No record stands out as wrong."]
    return Group(*parts)


def short_view(harvest: Harvest, units: Units) -> RenderableType:
    """What was learned from records in parts, for people; single records stay with the workers."""
    from rich.console import Group

    counts = harvest.counts
    parts: list[RenderableType] = [
        f"Learned from {_counted(counts['observations'], 'observation')} of "
        f"{_counted(counts['divers'], 'diver')}.",
        _converged(harvest.convergence),
        "",
        _spreads(harvest, units),
    ]
    if harvest.effects:
        parts += ["", _effects(harvest.effects, units)]
    if harvest.contradictions:
        parts.append(_contradicted(harvest.contradictions, units))
    return Group(*parts)


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _unit(units: Units) -> str:
    return "lb" if units == "imperial" else "kg"


def _mass(value: float, units: Units, sign: str = "") -> str:
    """Without its unit, which stands in the heading."""
    return format(float(quantity(value, "kg", units=units, digits=3).split()[0]), f"{sign}.2f")


def _converged(found: Convergence) -> str:
    said = (
        f"{'Settled' if found.left_sd <= _STILL else 'Nearly settled'} in {_counted(found.rounds, 'round')} "
        f"({_counted(found.fits, 'fit')} of all divers): one "
        f"round more would move no number by more than {max(found.left_sd, 0.01):.2f} of its sd."
    )
    still = "" if found.settled else " A few records still moved by up to a fifth of their sd."
    return said + still


def _table(headers: Sequence[str], rows: Sequence[Sequence[str]], *, words: int = 1) -> RenderableType:
    """Table without air: the first columns, of words, to the left, numbers to the right."""
    from rich.table import Table

    made = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for i, header in enumerate(headers):
        made.add_column(plain(header), justify="left" if i < words else "right", overflow="fold")
    for row in rows:
        made.add_row(*(plain(cell) for cell in row))
    return made


def _spreads(findings: Findings | Harvest, units: Units) -> RenderableType:
    from leadline.decide.spread import spreads

    def shown(value: float, unit: str) -> str:
        if unit == "kg":
            return _mass(value, units)
        return f"{100 * value:.1f}" if unit == "share" else f"{value:.2f}"

    breath = findings.breath
    rows = []
    for spread in spreads(findings.fit):
        unit = {"kg": f", {_unit(units)}", "share": ", %"}.get(spread.unit, "")
        interval = f"{shown(spread.low, spread.unit)} to {shown(spread.high, spread.unit)}"
        rows.append([f"{spread.label}{unit}", shown(spread.value, spread.unit), interval])
        other = {"breath_out": breath.fixed_out, "breath_in": breath.fixed_in}.get(spread.name)
        if other is not None:
            rows.append(["  if every record meant its interval and no more", _mass(other, units), ""])
        if spread.name == "breath_out":
            rows.append(["  what decisions count on", _mass(breath.decision_out, units), ""])
    return _table(["Learned of everybody", "about", "95 %"], rows)


def _parts(findings: Findings, units: Units) -> RenderableType:
    rows = [
        [
            part.label,
            _mass(part.before_kg, units),
            f"{100 * part.before_share:.0f} %",
            _mass(part.after_kg, units),
            f"{100 * part.after_share:.0f} %",
        ]
        for part in findings.parts
    ]
    before, now = (f"{when}, sd {_unit(units)}" for when in ("before", "now"))
    return _table(["What makes strangers' needs differ", before, "share", now, "share"], rows)


def _effects(found: Sequence[Effect], units: Units) -> RenderableType:
    rows = [
        [
            effect.label,
            _mass(effect.kg, units, "+"),
            f"{_mass(effect.low_kg, units, '+')} to {_mass(effect.high_kg, units, '+')}",
            _mass(effect.prior_sd_kg, units),
            str(effect.rows),
        ]
        for effect in found[:_EFFECTS]
    ]
    headers = ["Largest corrections, + more lead", _unit(units), "95 %", "sd before", "seen in"]
    return _table(headers, rows)


def _contradicted(found: Sequence[Contradiction], units: Units) -> str:
    def one(kit: Contradiction) -> str:
        low, high, alone = (_mass(value, units, "+") for value in (kit.low_kg, kit.high_kg, kit.alone_kg))
        return (
            f"{plain(kit.label)} takes {_mass(kit.kg, units, '+')} {_unit(units)} ({low} to {high}), "
            f"by the records alone {alone}"
        )

    named = "; ".join(one(kit) for kit in found[:_CONTRADICTED])
    more = f"; and {len(found) - _CONTRADICTED} more" if len(found) > _CONTRADICTED else ""
    first = next((plain(kit.label) for kit in found if kit.name.startswith("type:")), None)
    said = f"Not as listed, beyond chance: {named}{more}."
    if first is None:
        return said
    return (
        f"{said} Answers go only part of that way while the entry stands: measure {first} (of a type, each "
        "piece), correct its row of the gear, load it and learn again. A piece that was mended or replaced "
        "gets a name of its own."
    )


def _odd_leads(findings: Findings, units: Units) -> str:
    """What is to be said where all leads are so far from physics that they or the kit must be wrong."""
    excess = findings.excess_kg
    if findings.counts["divers"] < _FEWEST or not (excess > MOST_EXCESS or excess < LEAST_EXCESS):
        return ""
    side = "over" if excess > 0 else "below"
    return (
        f"Lean on no answer of this book yet: the leads lie {_mass(abs(excess), units)} {_unit(units)} "
        f"{side} what physics reckons, those of the diver in the middle. So it is where pounds stand under "
        "kilograms or the other way round, or a column has another one's name: look at leads, body masses "
        "and gear, correct them, load and learn again."
    )


def _doubts(found: Sequence[Doubt], units: Units) -> RenderableType:
    from rich.console import Group

    rows = [
        [
            f"{doubt.table} {doubt.key}",
            doubt.diver,
            _DOUBT.get(doubt.kind, doubt.kind),
            f"{100 * doubt.probability:.0f} %",
            _mass(doubt.lead_kg, units),
            _mass(doubt.need_kg, units),
        ]
        for doubt in found[:_DOUBTS]
    ]
    unit = _unit(units)
    headers = ["Look wrong", "diver", "what", "chance", f"lead, {unit}", f"need from the rest, {unit}"]
    shown = _table(headers, rows, words=3)
    more = len(found) - _DOUBTS
    return Group(shown, f"and {more} more, all in `leadline learn --json`") if more > 0 else shown
