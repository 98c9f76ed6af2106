"""`leadline report roster`: whose lead is right, whose is not, of whom it is not known, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import Holding, read, single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption
from leadline.cli.output import note, progress, show
from leadline.cli.report_options import (
    CsvOption,
    Numbers,
    NumbersOption,
    OutOption,
    SinceOption,
    apart,
    write_csv,
)
from leadline.cli.suggest import BlockOption, RiskOption

if TYPE_CHECKING:
    from datetime import datetime

    from leadline.decide.block import Block
    from leadline.decide.roster_data import Roster

__all__ = ["register", "roster_data", "write_roster"]

MOST_NAMED: Final = 8
"""Flagged students under other headings that the terminal names; the page has them all."""


def register(group: typer.Typer) -> None:
    """Add the command to the group of reports."""
    group.command()(roster)


def roster_data(
    holding: Holding,
    *,
    groups: Sequence[str] = (),
    since: str = "",
    block: Block | None = None,
    risk: float = 0.05,
    units: Units = "metric",
    generated: datetime | None = None,
) -> Roster:
    """What the roster shows.

    Parameters
    ----------
    holding : Holding
        The book.
    groups : sequence of str
        Classes, trips or boats; none: everybody.
    since : str
        First day, ISO 8601; empty: from the start.
    block : Block, optional
        Blocks in use; default 0.5 kg, or 1 lb in imperial units.
    risk : float
        Accepted chance of too light. [-]
    units : {"metric", "imperial"}
        What the reader sees.
    generated : datetime, optional
        Printed on the page; default now.

    Returns
    -------
    Roster
        For `leadline.reports.roster.write`.
    """
    from datetime import datetime

    import numpy as np

    from leadline.cli.suggest import block_of
    from leadline.decide.roster import roster as reckoned
    from leadline.decide.roster_scope import roster_plan

    when = generated or datetime.now()
    first = np.datetime64(since or "NaT", "s")
    plan = roster_plan(holding.records, date=when.date().isoformat(), groups=groups, since=first)
    return reckoned(
        holding.assessment(plan),
        groups=groups,
        since=first,
        block=block or block_of(None, units, there=holding.blocks),
        risk=risk,
        units=units,
        book=holding.book,
        data_version=str(holding.data_version),
        fitted=holding.fitted,
        generated=when,
    )


def write_roster(data: Roster, folder: Path, *, numbers: Numbers = "point") -> Path:
    """Write the roster as `roster.html`, and let the folder's index link to it."""
    from leadline.reports import contents
    from leadline.reports import roster as page

    folder.mkdir(parents=True, exist_ok=True)
    path = page.write(data, folder / "roster.html", numbers=numbers)
    contents.refresh(folder)
    return path


def roster(
    groups: Annotated[
        list[str] | None,
        typer.Option(
            "--group",
            metavar="TEXT",
            help="Only this class, trip or boat; may be given again. Default: everybody.",
        ),
    ] = None,
    since: SinceOption = "",
    out: OutOption = Path("reports"),
    block: BlockOption = None,
    risk: RiskOption = 0.05,
    csv: CsvOption = None,
    book: BookOption = None,
    units: UnitsOption = "metric",
    numbers: NumbersOption = "point",
    as_json: JsonOption = False,
) -> None:
    """Write a page on a group's students: too light, too heavy, not known, and the next step for each."""
    apart(csv, out)
    single_thread()
    from leadline.cli.suggest import block_of
    from leadline.decide.report_tables import roster_tables
    from leadline.decide.roster_record import roster_document, roster_rows

    blocks = None if block is None else block_of(block, units)
    with progress("reckoning"):
        holding, _ = read(book)
        data = roster_data(holding, groups=groups or (), since=since, block=blocks, risk=risk, units=units)
        path = write_roster(data, out, numbers=numbers)
        written = None
        if csv is not None:
            written = write_csv(roster_rows(data), roster_tables(roster_document(data)), csv)
    show(
        lambda: {**roster_document(data), "page": str(path)},
        lambda: _view(data, path, units),
        as_json=as_json,
    )
    if written:
        note(written)
    if not data.students:
        note("no dives of students in the book; bring some in with `leadline load --dives`")


def _view(data: Roster, path: Path, units: Units) -> Any:
    """The roster in short."""
    from rich.console import Group

    from leadline.cli.output import MOST_SHOWN, plain, table
    from leadline.decide.roster_data import near_light
    from leadline.decide.sentence import STANDING
    from leadline.reports.phrase import look, percent
    from leadline.reports.roster_words import KINDS
    from leadline.units import about_text, mass_text

    def text(mass: float) -> str:
        return "" if mass != mass else mass_text(mass, imperial=units == "imperial")

    def about(mass: float) -> str:
        return "" if mass != mass else about_text(mass, units == "imperial")

    rows = [
        [
            one.diver,
            KINDS[one.status][0].lower(),
            text(one.lead_kg),
            about(float(one.margin[2])),
            percent(one.p_too_light, below=near_light(data.risk)),
            percent(one.p_heavy_most),
            "latest not believed" if one.doubted else "from physics only" if one.basis == "physics" else "",
            f"check {text(one.next_lead_kg)}" if one.check_first else text(one.next_lead_kg),
        ]
        for one in data.students[:MOST_SHOWN]
    ]
    count = len(data.students)
    heads = ["student", "what", "lead", "over need", "too light", "heavy on most", "rests on", "next"]
    flagged = int(data.flags.flagged.sum())
    heavy, light = (
        f"about {found.expected:.0f} (8 in 10: {found.low} to {found.high})"
        for found in (data.heavy, data.light)
    )
    false = (
        f"{flagged} flagged as too heavy, of which {data.flags.expected_false:.1f} are expected to be false "
        f"({percent(data.flags.false_share)})."
        if flagged
        else "Nobody is flagged as too heavy."
    )
    if data.flagged_elsewhere:
        named = [f"{plain(one.diver)} ({KINDS[one.status][0].lower()})" for one in data.flagged_elsewhere]
        more = [f"{len(named) - MOST_NAMED} more"] if len(named) > MOST_NAMED else []
        false += (
            " Of these under another heading, by the lead of the latest dive: "
            f"{', '.join(named[:MOST_NAMED] + more)}."
        )
    expected = f"Expected of {count}: {heavy} too heavy on most dives, {light} too light on the next."
    looked = (
        f"{data.never_looked.count} of {data.never_looked.of} never looked at. "
        f"Looked at: {look(dry=data.dry, checks=True)}."
    )
    first = (
        [f"Above are the first {MOST_SHOWN} of {count}; the page has them all."] if count > MOST_SHOWN else []
    )
    return Group(table("", heads, rows), *first, expected, false, looked, f"The page: {path}", "", STANDING)
