"""`leadline suggest`: lead for one dive, or for every row of a plan."""

from __future__ import annotations

import inspect
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import Holding, read, single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption
from leadline.cli.output import note, progress, show
from leadline.cli.planned import cells_of, parameters

if TYPE_CHECKING:
    from leadline.cli.kit import Planned
    from leadline.decide.advice import Advice
    from leadline.decide.answering import Lateness
    from leadline.decide.block import Block

__all__ = ["answer_plan", "block_of", "register", "write_plan"]

BlockOption = Annotated[
    str | None,
    typer.Option(
        "--block", metavar="MASS", help="Blocks in use, such as 0.5 or 1lb. Default: 0.5 kg, or 1 lb."
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


def register(app: typer.Typer) -> None:
    """Add the command to `app`, with an option for every column of a plan that bears on need."""
    app.command()(_with_columns())


def _with_columns() -> Any:
    """The command, its signature made from the declaration of a dive."""
    columns = list(parameters())

    def suggest(**given: Any) -> None:
        cells = cells_of({name: given[name] for name, _ in columns}, given["units"])
        _suggest(
            cells,
            plan=given["plan"],
            out=given["out"],
            block=given["block"],
            risk=given["risk"],
            book=given["book"],
            units=given["units"],
            as_json=given["as_json"],
        )

    suggest.__doc__ = (
        "Suggest lead for one dive (--diver, --suit and what else is known), or for a plan (--plan).\n\n"
        "Kit that is not named is taken over from the diver's last dive in that suit, and the answer says "
        "so; `-` says none. An in-water check overrules every number."
    )
    shared = [
        ("plan", _PLAN, None),
        ("out", _OUT, None),
        ("block", BlockOption, None),
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


def block_of(text: str | None, units: Units) -> Block:
    """Blocks named on the command line; else half kilograms, or pounds where those are read."""
    from leadline.decide.block import Block

    return Block.parse(text if text is not None else "1lb" if units == "imperial" else "0.5")


def _suggest(
    cells: dict[str, str],
    *,
    plan: Path | None,
    out: Path | None,
    block: str | None,
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
    single_thread()
    blocks = block_of(block, units)
    if plan is not None:
        _many(plan, out=out, block=blocks, risk=risk, book=book, units=units, as_json=as_json)
    else:
        _one(cells, block=blocks, risk=risk, book=book, units=units, as_json=as_json)


def _one(
    cells: dict[str, str], *, block: Block, risk: float, book: Path | None, units: Units, as_json: bool
) -> None:
    from leadline.cli.kit import plan_one
    from leadline.decide.advice import advise
    from leadline.decide.answering import lateness
    from leadline.timeline import PLAN

    with progress("reckoning"):
        planned = plan_one(book, cells)
        answer = advise(planned.assessment, block=block, risk=risk, imperial=units == "imperial")[0]
        late = lateness(planned.assessment, int(planned.assessment.line.at(PLAN)[0]))

    def view() -> Any:
        from leadline.cli.answer import one

        return one(planned, answer, late, units)

    show(_document(planned, answer, late), view, as_json=as_json)


def _document(planned: Planned, answer: Advice, late: Lateness) -> dict[str, Any]:
    """The row of the plan file, and what stands beside it."""
    from leadline.decide.answering import newer_than_fit
    from leadline.decide.label import kit_labels, water_label
    from leadline.decide.plan_file import record
    from leadline.decide.sentence import STANDING

    holding, taken = planned.holding, planned.taken
    dives, checks = newer_than_fit(planned.assessment, answer.diver)
    return {
        **record(answer),
        "kit": list(kit_labels(planned.plan, 0)),
        "water": water_label(planned.plan, 0),
        "taken_over": taken.taken,
        "taken_from": taken.source if taken.taken else None,
        "late_bar": late.bar,
        "late_need_q50_kg": round(answer.need_q50_kg + late.more_kg, 4),
        "late_need_q90_kg": round(answer.need_q90_kg + late.more_kg, 4),
        "learned": None if holding.fitted is None else holding.fitted.isoformat(sep=" "),
        "newer_dives": dives,
        "newer_checks": checks,
        "standing_caution": STANDING,
    }


def answer_plan(
    plan: Path, *, block: Block, risk: float, book: Path | None, units: Units
) -> tuple[Holding, list[Advice]]:
    """Answer every row of a plan file, in its order.

    Parameters
    ----------
    plan : Path
        CSV or Parquet.
    block : Block
        Blocks in use.
    risk : float
        Accepted chance of too light. [-]
    book : Path or None
        The book.
    units : {"metric", "imperial"}
        Of the sentences.

    Returns
    -------
    holding : Holding
        The book, as far as it bears on the divers of the plan.
    answers : list of Advice
        One a row.

    Raises
    ------
    LeadlineError
        If the plan cannot be read, or names a diver or an item that the book does not have.
    """
    from leadline.decide.advice import advise

    holding, columns = read(book, lambda opened: opened.read_plan(plan))
    if columns is None or not len(columns["diver"]):
        return holding, []
    suits = {part.strip() for cell in columns["suit"].tolist() for part in cell.split(";")}
    near = holding.about(set(columns["diver"].tolist()), suits=suits)
    return near, advise(near.assessment(columns), block=block, risk=risk, imperial=units == "imperial")


def write_plan(answers: list[Advice], out: Path) -> None:
    """Write the plan file, whole or not at all."""
    from leadline.decide.plan_file import csv_text
    from leadline.reports.page import write_text

    write_text(csv_text(answers), out)


def _many(
    plan: Path, *, out: Path | None, block: Block, risk: float, book: Path | None, units: Units, as_json: bool
) -> None:
    from leadline.decide.plan_file import record

    with progress("reckoning"):
        holding, answers = answer_plan(plan, block=block, risk=risk, book=book, units=units)
    if out is not None:
        write_plan(answers, out)

    def view() -> Any:
        from leadline.cli.answer import many

        return many(answers, units)

    show([record(answer) for answer in answers], view, as_json=as_json)
    if holding.fitted is None:
        note(
            "nothing has been learned from this book yet, so the numbers rest on general assumptions; "
            "run `leadline learn`"
        )
    if out is not None:
        note(f"{len(answers)} {'row' if len(answers) == 1 else 'rows'} written to {out}, masses in kg")
