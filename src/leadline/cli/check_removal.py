"""`leadline check --remove`: a surface check taken out of the book."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Final

from leadline.cli.book_named import on_book, say_book
from leadline.cli.output import note, show

__all__ = ["take_out"]

_NAMED: Final = 3


def take_out(check: str, *, book: Path | None, as_json: bool) -> None:
    """Take a check out, and say how it can be put back.

    Parameters
    ----------
    check : str
        Its key.
    book : Path or None
        The file; None for the default one.
    as_json : bool
        Whether to print one JSON document.

    Raises
    ------
    LeadlineError
        If there is no such book or check, or the book cannot be written.
    """
    from leadline.book import Book
    from leadline.csv_lines import csv_lines

    with Book.open(book, write=True) as opened:
        after = opened.checks_later_that_day(check)
        record = opened.remove_check(check)
        fitted = opened.latest_fit() is not None
    key, diver = record["check"], record.get("diver", "")
    document = {"check": key, "diver": diver, "status": "removed", "record": record}
    show(document, lambda: f"check {key}{f' of {diver}' if diver else ''}: taken out", as_json=as_json)
    say_book(opened.path, book)
    load = shlex.join(
        ["leadline", "load", *([] if book is None else ["--book", str(book)]), "--checks", "FILE"]
    )
    note(f"to put it back: `{load}` with these lines in FILE")
    for line in csv_lines([record, record.values()]).splitlines():
        note(line)
    if after:
        named = f"check {after[0]}" if len(after) == 1 else f"checks {', '.join(after[:_NAMED])}"
        more = f" and {len(after) - _NAMED} more" if len(after) > _NAMED else ""
        note(
            f"put back, it comes after {named}{more} of the same date and may count as the last look; "
            "where that matters, give these checks their times of day"
        )
    if fitted:
        note(on_book("what was learned from it stays until you run `leadline learn` again", book))
