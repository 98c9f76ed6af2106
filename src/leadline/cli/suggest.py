"""`leadline suggest`: lead for one dive, or for every row of a plan."""

from __future__ import annotations

import inspect
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import Holding, read_plan, single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption
from leadline.cli.output import MOST_SHOWN, note, option_values, progress, show
from leadline.cli.planned import cells_of, parameters
from leadline.cli.what_if import WhatIfOption

if TYPE_CHECKING:
    from leadline.arrays import Columns
    from leadline.cli.kit import Planned
    from leadline.decide.advice import Answer
    from leadline.decide.block import Block

__all__ = ["answer_plan", "block_of", "blocks_named", "register", "write_plan"]

BlockOption = Annotated[
    str | None,
    typer.Option(
        "--block",
        metavar="MASS",
        help="Blocks in use, such as 0.5 or 1lb. Default: those of the book (load --blocks), no more of each "
        "than there are as long as all together are enough, else 0.5 kg, or 1 lb.",
    ),
]
BlocksOption = Annotated[
    str | None,
    typer.Option(
        "--blocks",
        metavar="MASS:N,...",
        help="The blocks there are for one diver, such as 1kg:4,2kg:6, instead of --block.",
    ),
]
RiskOption = Annotated[
    float, typer.Option("--risk", min=0.001, max=0.5, help="Accepted chance of being too light at the stop.")
]
_PLAN: Final = Annotated[
    Path | None,
    typer.Option(
        "--plan", metavar="FILE", help="Many dives: a dives file without results.", rich_help_panel="A plan"
    ),
]
_OUT: Final = Annotated[
    Path | None,
    typer.Option("--out", metavar="FILE", help="Write the answers to a CSV file.", rich_help_panel="A plan"),
]
_PLACES: Final = Annotated[
    str | None,
    typer.Option(
        "--lead-places", metavar="PLACE:MASS;...", help="Where lead sits, such as belt:4;pockets:2.",
        rich_help_panel="The rig",
    ),
]  # fmt: skip
_DITCHABLE: Final = Annotated[
    str | None,
    typer.Option(
        "--ditchable", metavar="MASS", help="Lead that can be dropped in one move.", rich_help_panel="The rig"
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command to `app`, with an option for every column of a plan that bears on need."""
    app.command()(_with_columns())


def _with_columns() -> Any:
    """The command, its signature made from the declaration of a dive."""
    columns = list(parameters())

    def suggest(**given: Any) -> None:
        cells = cells_of({name: given[name] for name, _ in columns}, given["units"])
        cells |= _rig_cells(given["lead_places"], given["ditchable"], given["units"])
        _suggest(
            cells,
            plan=given["plan"],
            out=given["out"],
            block=given["block"],
            blocks=given["blocks"],
            what_if=given["what_if"] or [],
            risk=given["risk"],
            book=given["book"],
            units=given["units"],
            as_json=given["as_json"],
        )

    suggest.__doc__ = (
        "Suggest lead for one dive (--diver, --suit and what else is known), or for a plan (--plan).\n\n"
        "Kit that is not named is taken over from the diver's last dive in that suit, or a later surface "
        "check, and the answer says so; `-` says none: of a BC, a cylinder or an undersuit of a dry suit a "
        "usual one is then reckoned with. An in-water check overrules every number."
    )
    shared = [
        ("plan", _PLAN, None),
        ("out", _OUT, None),
        ("block", BlockOption, None),
        ("blocks", BlocksOption, None),
        ("what_if", WhatIfOption, None),
        ("lead_places", _PLACES, None),
        ("ditchable", _DITCHABLE, None),
        ("risk", RiskOption, 0.05),
        ("book", BookOption, None),
        ("units", UnitsOption, "metric"),
        ("as_json", JsonOption, False),
    ]
    command: Any = suggest
    command.__signature__ = inspect.Signature(
        [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation)
            for name, annotation, default in [(name, a, None) for name, a in columns] + shared
        ]
    )
    return command


def block_of(text: str | None, units: Units, *, there: Mapping[str, int] | None = None) -> Block:
    """Blocks named on the command line; else those of the book; else half kilograms, or pounds.

    Parameters
    ----------
    text : str or None
        As named.
    units : {"metric", "imperial"}
        What is read.
    there : mapping of str to int, optional
        Blocks that the book lists; where some are in kg and some in lb, those of the reader's unit are used
        and a note names the others.

    Returns
    -------
    Block
        Leads are made of these.

    Raises
    ------
    OptionError
        If the text is no mass of a block.
    """
    from leadline.cli.blocks import of_reader
    from leadline.decide.block import Block, BlockSet

    if text is None and there:
        return BlockSet.of(of_reader(there, units))
    with option_values():
        return Block.parse(text if text is not None else "1lb" if units == "imperial" else "0.5")


def _rig_cells(places: str | None, ditchable: str | None, units: Units) -> dict[str, str]:
    """Columns of where lead sits, in the units of the command line."""
    unit = "lb" if units == "imperial" else "kg"
    cells = {} if places is None else {"lead_places_lb" if unit == "lb" else "lead_places": places}
    return cells if ditchable is None else {**cells, f"lead_ditchable_{unit}": ditchable}


def blocks_named(block: str | None, blocks: str | None, units: Units) -> Block | None:
    """One size of blocks without end, or the blocks there are; None where none are named.

    Parameters
    ----------
    block, blocks : str or None
        As given to --block and --blocks.
    units : {"metric", "imperial"}
        What is read.

    Returns
    -------
    Block or None
        Leads are made of these.

    Raises
    ------
    typer.BadParameter
        If both are given.
    """
    if blocks is None:
        return None if block is None else block_of(block, units)
    if block is not None:
        raise typer.BadParameter("give --block or --blocks, not both")
    from leadline.decide.block import BlockSet

    with option_values():
        return BlockSet.parse(blocks)


def _suggest(
    cells: dict[str, str],
    *,
    plan: Path | None,
    out: Path | None,
    block: str | None,
    blocks: str | None,
    what_if: list[str],
    risk: float,
    book: Path | None,
    units: Units,
    as_json: bool,
) -> None:
    if plan is not None and cells:
        raise typer.BadParameter("give --plan, or --diver and one dive's kit, not both")
    if plan is None and not cells.get("diver"):
        raise typer.BadParameter("give --diver (and --suit) for one dive, or --plan for many")
    if plan is None and out is not None:
        raise typer.BadParameter("--out goes with --plan")
    if plan is not None and what_if:
        raise typer.BadParameter("--what-if goes with one dive, not with --plan")
    single_thread()
    owned = blocks_named(block, blocks, units)
    if plan is not None:
        _many(plan, out=out, block=owned, risk=risk, book=book, units=units, as_json=as_json)
    else:
        _one(cells, what_if=what_if, block=owned, risk=risk, book=book, units=units, as_json=as_json)


def _one(
    cells: dict[str, str],
    *,
    what_if: list[str],
    block: Block | None,
    risk: float,
    book: Path | None,
    units: Units,
    as_json: bool,
) -> None:
    from leadline.cli.kit import plan_one
    from leadline.cli.what_if import changes
    from leadline.decide.advice import answers

    with progress("reckoning"):
        planned = plan_one(book, cells)
        block = block or block_of(None, units, there=planned.holding.blocks)
        answer = answers(planned.assessment, block=block, risk=risk, imperial=units == "imperial")[0]
        changed = changes(book, planned, what_if, block=block, risk=risk, units=units) if what_if else []

    def view() -> Any:
        from leadline.cli.answer import one

        return one(planned, answer, changed, units)

    show(_document(planned, answer, changed), view, as_json=as_json)


def _document(planned: Planned, answer: Answer, changed: list[dict[str, Any]]) -> dict[str, Any]:
    """The row of the plan file, and what stands beside it."""
    from leadline.decide.answering import newer_than_fit
    from leadline.decide.beside import acts, rechecks, rig
    from leadline.decide.label import kit_labels, water_label
    from leadline.decide.plan_file import record
    from leadline.decide.sentence import STANDING

    holding, taken = planned.holding, planned.taken
    advice = answer.advice
    dives, checks = newer_than_fit(planned.assessment, advice.diver)
    return {
        **record(advice),
        "kit": list(kit_labels(planned.plan, 0)),
        "water": water_label(planned.plan, 0),
        "taken_over": taken.taken,
        "taken_from": taken.source if taken.taken else None,
        "late_bar": answer.late_bar,
        "late_need_q50_kg": round(advice.need_q50_kg + answer.late_more_kg, 4),
        "late_need_q90_kg": round(advice.need_q90_kg + answer.late_more_kg, 4),
        "late_bring_kg": round(answer.late_bring_kg, 6),
        "late_called_for_kg": round(answer.late_called_for_kg, 6),
        "late_p_too_light": round(answer.late_p_too_light, 5),
        "after_check_kg": None if answer.after is None else round(answer.after.more_kg, 6),
        "dive_at_least_kg": None if answer.after is None else round(answer.after.at_least, 6),
        "after_check_bar": None if answer.after is None else answer.after.bar,
        "learned": None if holding.fitted is None else holding.fitted.isoformat(sep=" "),
        "newer_dives": dives,
        "newer_checks": checks,
        "acts": acts(answer.step),
        "recheck": rechecks(answer.triggers),
        "rig": rig(answer.safety, answer.row),
        "what_if": changed,
        "standing_caution": STANDING,
    }


def answer_plan(
    plan: Path,
    *,
    block: Block | None,
    risk: float,
    book: Path | None,
    units: Units,
    notify: Callable[[str], None] = note,
) -> tuple[Holding, Columns, list[Answer]]:
    """Answer every row of a plan file, in its order.

    Parameters
    ----------
    plan : Path
        CSV or Parquet.
    block : Block or None
        Blocks in use; None for those of the book, else the usual ones.
    risk : float
        Accepted chance of too light. [-]
    book : Path or None
        The book.
    units : {"metric", "imperial"}
        Of the sentences.
    notify : callable
        Called with each thing the user should know; default a note on standard error.

    Returns
    -------
    holding : Holding
        The book, as far as it bears on the divers of the plan.
    rows : Columns
        The plan.
    answers : list of Answer
        One a row.

    Raises
    ------
    LeadlineError
        If the plan cannot be read, or names a diver or an item that the book does not have.
    """
    holding, columns = read_plan(book, plan, notify=notify)
    from leadline.decide.advice import answers

    if not len(columns["diver"]):
        return holding, columns, []
    block = block or block_of(None, units, there=holding.blocks)
    found = answers(holding.assessment(columns), block=block, risk=risk, imperial=units == "imperial")
    return holding, columns, found


def write_plan(answers: list[Answer], out: Path) -> None:
    """Write the plan file, whole or not at all."""
    from leadline.decide.plan_file import csv_text
    from leadline.reports.page import write_text

    write_text(csv_text([answer.advice for answer in answers]), out)


def _many(
    plan: Path, *, out: Path | None, block: Block | None, risk: float, book: Path | None, units: Units,
    as_json: bool,
) -> None:  # fmt: skip
    from leadline.book.destination import must_be_writable
    from leadline.errors import RecordError

    if out is not None:
        must_be_writable(out)
    if out is not None and os.path.realpath(out) == os.path.realpath(plan):
        raise RecordError(f"{out}: that is the plan itself; give the answers another name")
    with progress("reckoning"):
        holding, rows, answers = answer_plan(plan, block=block, risk=risk, book=book, units=units)
    from leadline.decide.plan_file import record

    if out is not None:
        write_plan(answers, out)

    def view() -> Any:
        from leadline.cli.answer import many
        from leadline.decide.label import row_labels

        most = None if out is None else MOST_SHOWN
        return many(answers[:most], units, labels=row_labels(rows)[:most])

    show(lambda: [record(answer.advice) for answer in answers], view, as_json=as_json)
    if holding.fitted is None:
        note(
            "nothing has been learned from this book yet, so the numbers rest on general assumptions; "
            "run `leadline learn`"
        )
    if out is not None:
        first = "" if as_json or len(answers) <= MOST_SHOWN else f"; above are the first {MOST_SHOWN}"
        note(f"{len(answers)} {'row' if len(answers) == 1 else 'rows'} written to {out}, masses in kg{first}")
