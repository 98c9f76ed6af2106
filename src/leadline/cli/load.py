"""`leadline load`: bring records in."""

from __future__ import annotations

from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Annotated, Final

import typer

from leadline.cli.book_named import on_book
from leadline.cli.options import BookOption, JsonOption
from leadline.cli.output import note, progress, show, table

if TYPE_CHECKING:
    from rich.console import RenderableType

    from leadline.book import LoadReport

__all__ = ["register"]

_SHOWN: Final = 10


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(load)


def load(
    divers: Annotated[Path | None, typer.Option(metavar="FILE", help="Who dives.")] = None,
    gear: Annotated[Path | None, typer.Option(metavar="FILE", help="What is worn and carried.")] = None,
    dives: Annotated[Path | None, typer.Option(metavar="FILE", help="Dives, one row a diver.")] = None,
    checks: Annotated[Path | None, typer.Option(metavar="FILE", help="Surface checks.")] = None,
    blocks: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Blocks of lead there are; leads are made of them.")
    ] = None,
    book: BookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Bring records in from CSV or Parquet files.

    Sound rows go in once; the others are set aside with their reasons, to repair and load. A row that is
    in the book already is changed where the file says otherwise; the same file again changes nothing. Where
    every row is set aside the exit status is 1.
    """
    files = {"divers": divers, "gear": gear, "dives": dives, "checks": checks, "blocks": blocks}
    if not any(files.values()):
        raise typer.BadParameter("give at least one of --divers, --gear, --dives, --checks, --blocks")
    from leadline.book import Book

    with progress("loading"), Book.open(book, write=True, create=True) as opened:
        report = opened.load(**files)
    show(report.as_dict(), lambda: _view(report), as_json=as_json)
    for text in report.notes:
        note(f"note: {on_book(text, book)}")
    for fault in report.faults[:_SHOWN]:
        note(f"set aside: {fault}")
    if len(report.faults) > _SHOWN:
        note(f"and more than these {_SHOWN}; the file named next has the reason of each row")
    if report.rejects:
        rows, them = ("row", "it") if report.rejected == 1 else ("rows", "them")
        file = quote(str(report.rejects))
        again = " ".join(f"--{name} {file}" for name, counts in report.tables.items() if counts.rejected)
        then = on_book(f"`leadline load {again}`", book)
        note(f"{report.rejected} {rows} set aside in {report.rejects}; repair {them} there, then {then}")
    if report.rejected and report.rejected == report.read:
        # Nothing came in: a script that goes on would work with an old book.
        raise typer.Exit(1)


def _view(report: LoadReport) -> RenderableType:
    headers = ["", *report.tables["divers"].as_dict()]
    rows = [[name, *counts.as_dict().values()] for name, counts in report.tables.items() if counts.read]
    return table("", headers, rows) if rows else "nothing to load: the files have no rows"
