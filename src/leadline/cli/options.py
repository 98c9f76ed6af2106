"""Options that several commands share, and what completes them in the shell."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from leadline.records import Column

__all__ = [
    "BookFile",
    "BookOption",
    "JsonOption",
    "Units",
    "UnitsOption",
    "book_of",
    "complete_divers",
    "complete_items",
    "completion",
]

Units = Literal["metric", "imperial"]

_BOOK_HELP = "The book; else LEADLINE_BOOK, else leadline.duckdb in your data folder."


def _own_or_group(context: typer.Context, value: Path | None) -> Path | None:
    """The command's own --book, else the one given before the command."""
    if value is None and context.parent is not None and isinstance(context.parent.obj, Path):
        return context.parent.obj
    return value


BookFile = Annotated[Path | None, typer.Option("--book", metavar="FILE", help=_BOOK_HELP)]
"""--book before the command."""

BookOption = Annotated[
    Path | None, typer.Option("--book", metavar="FILE", help=_BOOK_HELP, callback=_own_or_group)
]
"""--book of a command; for `leadline.book.Book.open`."""

JsonOption = Annotated[
    bool, typer.Option("--json", help="Print one JSON document on standard output, nothing else there.")
]
"""--json; for `leadline.cli.output.show`."""

UnitsOption = Annotated[Units, typer.Option("--units", help="Units of what is printed and asked.")]
"""--units; default metric."""


def book_of(context: typer.Context) -> Path | None:
    """Book named on the command line so far, for completion, where callbacks have not run."""
    at: Any = context
    while at is not None:
        named = at.params.get("book")
        if named:
            return Path(named)
        at = at.parent
    return None


def _names(context: typer.Context, table: str) -> list[str]:
    """Names in the book; none where it cannot be read at once, since completion must never fail."""
    from leadline.book import Book
    from leadline.errors import LeadlineError

    try:
        with Book.open(book_of(context), patience=0.0) as book:
            return book.names(table)
    except LeadlineError:
        return []


def complete_divers(context: typer.Context, incomplete: str) -> list[str]:
    """Divers in the book that begin so."""
    return [name for name in _names(context, "divers") if name.startswith(incomplete)]


def complete_items(context: typer.Context, incomplete: str) -> list[str]:
    """Items in the book that begin like the last of the `;` list typed so far."""
    before, mark, last = incomplete.rpartition(";")
    return [before + mark + name for name in _names(context, "gear") if name.startswith(last)]


def completion(column: Column) -> Callable[..., list[str]] | None:
    """What completes the value of a column in the shell; None where nothing can."""
    if column.refers == "divers":
        return complete_divers
    if column.refers == "gear":
        return complete_items
    if column.words:

        def words(incomplete: str) -> list[str]:
            return [word for word in column.words if word.startswith(incomplete)]

        return words
    return None
