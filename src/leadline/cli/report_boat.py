"""`leadline report boat`: a sheet for tomorrow's plan, with the lead to load."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from leadline.cli.blocks import left_out
from leadline.cli.holding import Holding, read, single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption
from leadline.cli.output import note, progress, show
from leadline.cli.report_options import (
    UNLEARNED,
    BlocksOption,
    CsvOption,
    GroupOption,
    Numbers,
    NumbersOption,
    OutOption,
    SeedOption,
    SinceOption,
    apart,
    lacking_note,
    pieces_of,
    write_csv,
)
from leadline.cli.suggest import RiskOption

if TYPE_CHECKING:
    from datetime import datetime

    from leadline.arrays import Columns
    from leadline.decide.boat_data import BoatData
    from leadline.decide.stock import Pieces

__all__ = ["boat_data", "register", "write_boat"]


def register(group: typer.Typer) -> None:
    """Add the command to the group of reports."""
    group.command()(boat)


def boat_data(
    holding: Holding,
    plan: Columns,
    *,
    name: str,
    pieces: Pieces,
    risk: float = 0.05,
    units: Units = "metric",
    group: str = "",
    since: str = "",
    seed: int = 1,
    generated: datetime | None = None,
) -> BoatData:
    """What the boat sheet shows.

    Parameters
    ----------
    holding : Holding
        The book.
    plan : Columns
        Rows of a plan.
    name : str
        Of the plan's file.
    pieces : Pieces
        Sizes of lead.
    risk : float
        Accepted chance of too light. [-]
    units : {"metric", "imperial"}
        What the reader sees.
    group, since : str
        Rows of the plan to take; empty: all.
    seed : int
        Of the simulation of the lead to load.
    generated : datetime, optional
        Printed on the sheet; default now.

    Returns
    -------
    BoatData
        For `leadline.reports.boat.write`.
    """
    from leadline.decide.boat import boat as sheet
    from leadline.decide.boat import plan_rows
    from leadline.decide.label import latest_dive

    rows = plan_rows(plan, group=group, since=since)
    suits = {part.strip() for cell in rows["suit"].tolist() for part in cell.split(";")}
    near = holding.about(set(rows["diver"].tolist()), suits=suits)
    return sheet(
        near.assessment(rows),
        pieces=pieces,
        risk=risk,
        units=units,
        plan=name,
        since=since,
        group=group,
        seed=seed,
        book=holding.book,
        data_version=str(holding.data_version),
        latest=latest_dive(holding.records.dives),
        fitted=holding.fitted,
        generated=generated,
    )


def write_boat(data: BoatData, folder: Path, *, numbers: Numbers = "point") -> Path:
    """Write the sheet as `boat.html`, and let the folder's index link to it."""
    from leadline.reports import boat as page
    from leadline.reports import contents

    folder.mkdir(parents=True, exist_ok=True)
    path = page.write(data, folder / "boat.html", numbers=numbers)
    contents.refresh(folder)
    return path


def boat(
    plan: Annotated[
        Path, typer.Option("--plan", metavar="FILE", help="Who dives in what: a dives file without results.")
    ],
    out: OutOption = Path("reports"),
    blocks: BlocksOption = None,
    risk: RiskOption = 0.05,
    group: GroupOption = "",
    since: SinceOption = "",
    csv: CsvOption = None,
    seed: SeedOption = 1,
    book: BookOption = None,
    units: UnitsOption = "metric",
    numbers: NumbersOption = "point",
    as_json: JsonOption = False,
) -> None:
    """Write a sheet for the boat: leads on their pieces, checks that come first, the lead to load."""
    apart(csv, out)
    single_thread()
    from leadline.arrays import empty

    named = pieces_of(blocks, units) if blocks else None
    with progress("reckoning"):
        holding, rows = read(book, lambda opened: opened.read_plan(plan, notify=note))
        data = boat_data(
            holding,
            empty("dives") if rows is None else rows,
            name=plan.name,
            pieces=named or pieces_of(None, units, there=holding.blocks),
            risk=risk,
            units=units,
            group=group,
            since=since,
            seed=seed,
        )
    if not blocks:
        data = replace(data, left_out=left_out(holding.blocks, units))
    _report(data, plan=plan, out=out, csv=csv, units=units, numbers=numbers, as_json=as_json)


def _report(
    data: BoatData, *, plan: Path, out: Path, csv: Path | None, units: Units, numbers: Numbers, as_json: bool
) -> None:
    from leadline.decide.report_tables import boat_tables
    from leadline.decide.sheet_record import boat_document

    path = write_boat(data, out, numbers=numbers)
    document = boat_document(data)
    written = None if csv is None else write_csv(document["rows"], boat_tables(document), csv, keep=plan)
    show({**document, "page": str(path)}, lambda: _view(data, path, units), as_json=as_json)
    if data.fitted is None:
        note(UNLEARNED)
    if data.lacking:
        note(lacking_note(data.lacking, "to load", units))
    if written:
        note(written)


def _view(data: BoatData, path: Path, units: Units) -> Any:
    """The sheet in short."""
    from rich.console import Group

    from leadline.cli.output import table
    from leadline.decide.sentence import STANDING
    from leadline.decide.step_sentence import in_all
    from leadline.units import mass_text

    def text(mass: float) -> str:
        return mass_text(mass, imperial=units == "imperial")

    rows = [
        [
            diver.answer.diver,
            text(diver.answer.lead_kg),
            f"{diver.check_place}." if diver.check_place else "",
            text(diver.answer.bring_kg) if diver.check_place else "",
            ""
            if diver.after is None
            else f"+{text(diver.after.more_kg)}{in_all(diver.after, imperial=units == 'imperial')}",
        ]
        for diver in data.divers
    ]
    load = ", ".join(f"{n} x {text(size)}" for size, n in zip(data.load.sizes, data.load.counts, strict=True))
    return Group(
        table("", ["diver", "lead", "check first", "at hand", "after it"], rows),
        f"To load: {load}; {text(data.load.total_kg)} in all, enough on 95 days like this in 100.",
        f"The sheet: {path}",
        "",
        STANDING,
    )
