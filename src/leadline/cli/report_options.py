"""What the reports on many divers have in common: their options, and where their pages and numbers go."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

import typer

from leadline.cli.options import Units
from leadline.cli.output import option_values

if TYPE_CHECKING:
    from leadline.decide.stock import Lacking, Pieces

__all__ = [
    "UNLEARNED",
    "BlocksOption",
    "CsvOption",
    "GroupOption",
    "Numbers",
    "NumbersOption",
    "OutOption",
    "SeedOption",
    "SinceOption",
    "apart",
    "lacking_note",
    "pieces_of",
    "write_csv",
]

Rows = Sequence[Mapping[str, Any]]

_PAGE: Final = ".html"  # what names of pages end in

UNLEARNED: Final = (
    "nothing has been learned from this book yet, so the numbers rest on general assumptions; "
    "run `leadline learn`"
)
"""Note beside a report on a book without a fit."""


def _day(value: str) -> str:
    """The day as it was given; refused where it is none."""
    from datetime import date

    if value:
        try:
            date.fromisoformat(value)
        except ValueError:
            raise typer.BadParameter(f"{value!r} is no day; write it as 2026-05-31") from None
    return value


def _csv_place(value: Path | None) -> Path | None:
    """The file as it was given; refused, before anything is written, where no file can lie."""
    if value is None:
        return None
    if os.path.isdir(value):  # noqa: PTH112 (what may not be looked at is not there)
        raise typer.BadParameter(f"{value} is a folder; name a file, such as {value / 'numbers.csv'}")
    above = next((folder for folder in value.parents if os.path.exists(folder)), None)  # noqa: PTH110
    if above is not None and not above.is_dir():
        raise typer.BadParameter(f"{above} is no folder; name another place for {value.name}")
    from leadline.book.destination import must_be_writable

    must_be_writable(value)
    return value


def apart(csv: Path | None, out: Path) -> None:
    """Refuse a file of numbers that is a page of the folder, or has the name of one, before any work.

    Parameters
    ----------
    csv : Path, optional
        Where the numbers go.
    out : Path
        Where the pages go; it need not exist.

    Raises
    ------
    LeadlineError
        If one would be written over the other.
    """
    from leadline.errors import LeadlineError

    if csv is None:
        return
    real, folder = os.path.realpath(csv), os.path.realpath(out)
    page = real.lower().endswith(_PAGE) and os.path.dirname(real) == folder  # noqa: PTH120 (no loops)
    if page or real in map(os.path.realpath, Path(folder).glob(f"*{_PAGE}")):
        raise LeadlineError(f"{csv}: pages go there; give --csv another name")


OutOption = Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the page goes.")]
CsvOption = Annotated[
    Path | None,
    typer.Option(
        "--csv",
        metavar="FILE",
        callback=_csv_place,
        help="Write the same numbers as CSV too, units in the names of the columns: the main table to FILE, "
        "each other table of the page beside it, as FILE-summary.csv and so on. Older files of these names "
        "are replaced, or removed where the page now has no such table, so that all that lie there belong "
        "together.",
    ),
]
GroupOption = Annotated[str, typer.Option("--group", metavar="TEXT", help="Only this class, trip or boat.")]
SinceOption = Annotated[
    str, typer.Option("--since", metavar="DATE", callback=_day, help="Only from this day on.")
]
Numbers = Literal["point", "comma"]
NumbersOption = Annotated[
    Numbers,
    typer.Option("--numbers", help="Decimal sign on the page. JSON and CSV keep the point."),
]
BlocksOption = Annotated[
    list[str] | None,
    typer.Option(
        "--block",
        metavar="MASS",
        help="A size of lead in use, such as 0.5 or 1lb; once for each size. Leads are what whole pieces of "
        "them make, however many that takes. Default: those of the book (load --blocks; of too few the "
        "sheet says what to borrow), else 0.5, 1 and 2 kg, or 1, 2 and 4 lb.",
    ),
]
SeedOption = Annotated[
    int, typer.Option("--seed", min=0, help="Of the simulated days behind the pieces of lead.")
]


def pieces_of(texts: list[str] | None, units: Units, *, there: Mapping[str, int] | None = None) -> Pieces:
    """Sizes of lead named on the command line, else those of the book and their numbers, else the usual.

    Where the book has both, those in the units of the reader; a note names the others.
    """
    from leadline.cli.blocks import of_reader
    from leadline.decide.stock import Pieces

    if texts:
        with option_values():
            return Pieces.parse(texts)
    own = of_reader(there or {}, units)
    return Pieces.listed(own) if own else Pieces.usual(imperial=units == "imperial")


def lacking_note(found: Lacking, what: str, units: Units) -> str:
    """Of which sizes more are wanted than there are; `what` they are wanted for, such as `to load`."""
    from leadline.units import mass_text

    short = [
        f"{wanted} x {mass_text(size, imperial=units == 'imperial')} {what} and {there} there, so borrow "
        f"{wanted - there}"
        for size, wanted, there in found
    ]
    return f"more than the book's blocks: {'; '.join(short)}"


def write_csv(rows: Rows, tables: Mapping[str, Rows], path: Path, *, keep: Path | None = None) -> str:
    """Write the numbers of a report as CSV files, each whole or not at all.

    Parameters
    ----------
    rows : sequence of mapping
        The main table.
    tables : mapping of str to sequence of mapping
        All further tables of such a report. What an older report left of one that has no rows now is removed.
    path : Path
        Of the main table; the others lie beside it, as FILE-<name>.csv. Its folder is made if needed. Where
        it is a pipe or standard output, nothing lies beside it, and the main table is all that is written.
    keep : Path, optional
        A file that was read and must not be written over.

    Returns
    -------
    str
        A note of what was written.

    Raises
    ------
    LeadlineError
        If one cannot or may not be written, or is a book or the one to keep; then nothing is written.
    """
    from leadline.book.destination import must_be_writable, takes_a_stream
    from leadline.decide.table_text import csv_text
    from leadline.errors import LeadlineError
    from leadline.reports.page import write_text

    alone = takes_a_stream(path)
    files = (
        {}
        if alone
        else {name: path.with_name(f"{path.stem}-{name}{path.suffix or '.csv'}") for name in tables}
    )
    if keep is not None and os.path.realpath(keep) in map(os.path.realpath, (path, *files.values())):
        raise LeadlineError(f"{keep} was read and would be written over; give --csv another name")
    must_be_writable(path, *files.values())
    path.parent.mkdir(parents=True, exist_ok=True)
    write_text(csv_text(rows), path)
    if alone:
        return f"the same numbers, masses in kg: {path}; for its other tables name a file, they go beside it"
    beside = []
    for name, further in tables.items():
        file = files[name]
        if further:
            write_text(csv_text(further), file)
            beside.append(file.name)
        else:
            file.unlink(missing_ok=True)
    return f"the same numbers, masses in kg: {path}, and beside it {', '.join(beside)}"
