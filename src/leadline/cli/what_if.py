"""What-ifs of `leadline suggest`: the same dive with one thing changed, each read and judged like a plan."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import read_plan
from leadline.cli.options import Units
from leadline.cli.output import note, option_values, quantity, table
from leadline.cli.paragraph import wrapped
from leadline.cli.planned import in_options, own_words
from leadline.errors import RecordError, TooFewBlocksError

if TYPE_CHECKING:
    from rich.console import RenderableType

    from leadline.cli.kit import Planned
    from leadline.decide.advice import Answer
    from leadline.decide.assessment import Assessment
    from leadline.decide.block import Block

__all__ = ["WhatIfOption", "changes", "changes_table"]

WhatIfOption = Annotated[
    list[str] | None,
    typer.Option(
        "--what-if",
        metavar="NAME=VALUE",
        help="The same dive with one thing changed, such as suit=full 7, cylinder=alu 11, water=fresh, "
        "altitude=1500, stop-depth=3, body-mass=+5 or reserve=50. Can be given several times.",
        rich_help_panel="What if",
    ),
]

_FIRST: Final = (
    "Check first: that lead begins a surface check and is none to dive with; have at hand what stands under "
    "bring."
)

_NO_LEAD: Final = "too few"  # blocks; a cell that says none would be read as a dive without lead

_MASS: Final = re.compile(r"\d+(\.\d+)? (kg|lb)\b")
_ROW: Final = re.compile(r"row (\d+): ")


def changes(
    book: Path | None, planned: Planned, texts: list[str], *, block: Block, risk: float, units: Units
) -> list[dict[str, Any]]:
    """The dive with each change by itself.

    Parameters
    ----------
    book : Path or None
        The book.
    planned : Planned
        The dive as it is.
    texts : list of str
        Changes, as `NAME=VALUE`.
    block : Block
        Blocks in use.
    risk : float
        Accepted chance of too light. [-]
    units : {"metric", "imperial"}
        Of plain numbers in the changes.

    Returns
    -------
    list of dict
        JSON-ready, one a change, in kg. One whose lead the blocks do not make has none; `lacking` says why.

    Raises
    ------
    LeadlineError
        If a change is unsound; the text names it.
    """
    from leadline.cli.kit import assumed
    from leadline.decide.advice import answers
    from leadline.decide.change import shift
    from leadline.decide.what_if import changed_cells
    from leadline.timeline import PLAN

    at = planned.assessment
    mass = float(at.rigs.body.mass[at.line.at(PLAN)[0]])
    cells = [dict(planned.taken.cells)]
    gear, imperial = planned.holding.records.gear, units == "imperial"
    with option_values():
        cells += [changed_cells(cells[0], t, gear=gear, body_mass=mass, imperial=imperial) for t in texts]
    numbered = [{**row, "dive": f"{number}"} for number, row in enumerate(cells)]
    with own_words({"stop_bar": "reserve"}):
        base, *others = _assessed(book, numbered, texts)
    before = answers(base, block=block, risk=risk)[0]
    made = []
    for text, other in zip(texts, others, strict=True):
        answer, lacking = _answer(other, block=block, risk=risk, imperial=imperial)
        gaps = assumed(other)
        moved = shift(base, other, needs=(before.need, answer.need))
        made.append(
            {
                "change": text,
                **{f"shift_{name}": round(value, 4) for name, value in asdict(moved).items()},
                "need_q50_kg": round(answer.advice.need_q50_kg, 4),
                "need_q10_kg": round(answer.advice.need_q10_kg, 4),
                "need_q90_kg": round(answer.advice.need_q90_kg, 4),
                "lead_kg": None if lacking else round(answer.advice.lead_kg, 6),
                "bring_kg": None if lacking else round(answer.advice.bring_kg, 6),
                "check_first": "yes" if answer.advice.check_first else "no",
                "cautions": "; ".join(answer.advice.cautions),
                "assumed": "" if gaps == assumed(base) else gaps,
                "lacking": lacking,
            }
        )
    return made


def _answer(changed: Assessment, *, block: Block, risk: float, imperial: bool) -> tuple[Answer, str]:
    """The answer of one change, and what its blocks lack, in words; empty where they suffice.

    That they do not make the lead of a change is no fault of the dive that was asked about.
    """
    from leadline.decide.advice import answers
    from leadline.decide.block_sentence import scarce
    from leadline.units import mass_text

    try:
        return answers(changed, block=block, risk=risk, imperial=imperial)[0], ""
    except TooFewBlocksError as found:
        fault = found
    whole, most = (mass_text(mass, imperial=imperial) for mass in (fault.lead, fault.most))
    answer = answers(changed, block=block.endless, risk=risk, imperial=imperial)[0]
    borrow = scarce(fault.lead, fault.most, imperial=imperial)  # of blocks that many share
    cautions = tuple(text for text in answer.advice.cautions if text not in borrow)
    advice = replace(answer.advice, cautions=cautions)
    return replace(answer, advice=advice), f"{whole} are called for, and these blocks make up to {most}"


def _assessed(book: Path | None, rows: list[dict[str, str]], texts: list[str]) -> list[Assessment]:
    """All rows judged as one plan file would be, then each by itself with all that is known of the diver."""
    import csv
    import tempfile

    columns = list(dict.fromkeys(name for row in rows for name in row))
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "plan.csv"
        with file.open("w", encoding="utf-8", newline="") as out:
            writer = csv.DictWriter(out, columns, restval="")
            writer.writeheader()
            writer.writerows(rows)
        told: list[str] = []
        try:
            holding, plan = read_plan(book, file, notify=told.append, as_named=True)
        except RecordError as fault:
            named = _ROW.sub(
                lambda m: f"--what-if {texts[int(m[1]) - 3]}: " if int(m[1]) > 2 else "",
                str(fault).removeprefix(f"{file}: "),
            )
            raise type(fault)(named) from None
        _tell([text.removeprefix(f"{file}: ") for text in told], texts)
    return [
        holding.assessment({name: values[[i]] for name, values in plan.items()}) for i in range(len(rows))
    ]


def _tell(told: list[str], texts: list[str]) -> None:
    """Notes of what is hardly true of a change; of the dive as it is, all has been said."""
    rows = [(int(found[1]), text[found.end() :]) for text in told if (found := _ROW.match(text))]
    before = {text for row, text in rows if row == 2}
    for row, text in rows:
        if text not in before:
            note(f"note: --what-if {texts[row - 3]}: {in_options(text)}")


def changes_table(found: list[dict[str, Any]], units: Units, told: Sequence[str] = ()) -> RenderableType:
    """The changes as one table: how much more or less need, and whence; below it what is to be said of them.

    Parameters
    ----------
    found : list of dict
        From `changes`.
    units : {"metric", "imperial"}
        Of what is read.
    told : sequence of str
        Cautions of the dive as it is, which are not said again.

    Returns
    -------
    rich renderable
        Fits 80 columns where the changes are short.
    """
    from leadline.units import mass_text

    def signed(value: float) -> str:
        text = quantity(abs(value), "kg", units=units).split()[0]
        return text if not float(text) else f"{'+' if value > 0 else '-'}{text}"

    def lead(mass: float | None) -> str:
        return _NO_LEAD if mass is None else mass_text(mass, imperial=units == "imperial").split()[0]

    rows = [
        [
            row["change"],
            signed(row["shift_total_kg"]),
            f"{signed(row['shift_q10_kg'])} to {signed(row['shift_q90_kg'])}",
            signed(row["shift_physics_kg"]),
            signed(row["shift_learned_kg"]),
            lead(row["lead_kg"]),
            lead(row["bring_kg"]) if row["bring_kg"] != row["lead_kg"] else "",
            "first" if row["check_first"] == "yes" else "",
        ]
        for row in found
    ]
    unit = "lb" if units == "imperial" else "kg"
    headers = ["if", "need", "8 in 10", "physics", "learned", "lead", "bring", "check"]
    title = f"What if: need more (+) or less (-), lead, in {unit}"
    used = [i for i, name in enumerate(headers) if name != "bring" or any(row[i] for row in rows)]
    shown = table(title, [headers[i] for i in used], [[row[i] for i in used] for row in rows])
    # The lead that begins a check is none to dive with.
    begun = any(row["check_first"] == "yes" and not row["lacking"] for row in found)
    said = [f"{row['change']}: {row['lacking']}." for row in found if row["lacking"]]
    said += [_FIRST] if begun else []
    said += _new(found, told)
    # Without what every diver wears a usual one is reckoned with, which may be more than there was.
    said += [
        f"{row['change']}: {row['assumed']} is reckoned with, none is named."
        for row in found
        if row["assumed"]
    ]
    if not said:
        return shown
    from rich.console import Group

    return Group(shown, *map(wrapped, said))


def _new(found: Sequence[Mapping[str, Any]], told: Sequence[str]) -> list[str]:
    """Cautions of the changed dives that the answer has not, each once with the changes it belongs to.

    One that the answer has with another mass is no new one, but for what may not be overlooked.
    """
    from leadline.decide.sentence import dangers

    known = {*told, *(_MASS.sub("", text) for text in told)}
    changes: dict[str, list[str]] = {}
    for row in found:
        texts = [text for text in row["cautions"].split("; ") if text]
        urgent = dangers(texts)
        for text in (*urgent, *(text for text in texts if text not in urgent)):
            if text not in known and (text in urgent or _MASS.sub("", text) not in known):
                changes.setdefault(text, []).append(row["change"])
    first = dangers(list(changes))
    return [
        f"{', '.join(changes[text])}: {text}." for text in (*first, *(t for t in changes if t not in first))
    ]
