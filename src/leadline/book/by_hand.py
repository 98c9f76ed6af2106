"""What its user changed in the file of rows set aside, so that it is not lost where the file is written anew.

The file is both what the program tells and what the user works on. What was changed there and is not read by
a load stays: in that file as long as there is nothing new to write, else in a copy with a number, which holds
the rows of those tables from then on.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from shlex import quote

from leadline.book import delimited
from leadline.book.destination import draft, is_book
from leadline.book.source import ORIGIN
from leadline.csv_lines import csv_lines
from leadline.errors import RecordError
from leadline.records import FILES

__all__ = ["copies", "cut", "moved_away", "put", "unread"]

Lines = Sequence[Sequence[str]]


def _lines(file: Path) -> tuple[str, list[list[str]]]:
    """Delimiter, and header and rows of the file as it is."""
    if is_book(file):
        raise RecordError(f"{file}: a book, no table")
    written = delimited.inspect(file, ORIGIN)
    return written.delimiter, [[*written.header], *(cells for _, cells in delimited.records(written))]


def _by_table(lines: Lines) -> dict[str, Counter[frozenset[tuple[str, str]]]]:
    """Rows of each table, as what is filled in; under an empty name those that name no table."""
    found: dict[str, Counter[frozenset[tuple[str, str]]]] = {}
    for row in lines[1:]:
        named = enumerate(row)
        cells = {lines[0][i] if i < len(lines[0]) else str(i): cell.strip() for i, cell in named}
        filled = {name: cell for name, cell in cells.items() if cell}
        table = filled.pop(ORIGIN[0], "")
        if filled:
            found.setdefault(table, Counter())[frozenset(filled.items())] += 1
    return found


def unread(file: Path, lines: Lines, files: Mapping[str, Path]) -> frozenset[str]:
    """Tables of which the file has rows that nobody but its user knows.

    Parameters
    ----------
    file : Path
        The file of rows set aside; it need not exist.
    lines : sequence of sequence of str
        What would be written to it, header first.
    files : mapping of str to Path
        Table name to file: what is being loaded, and so is known.

    Returns
    -------
    frozenset of str
        With an empty name in it where rows name no table, or the file is no table any more.
    """
    if not file.is_file() or file.read_bytes() == csv_lines(lines).encode():
        return frozenset()
    try:
        found = _by_table(_lines(file)[1])
    except RecordError:
        return frozenset([""] if file.stat().st_size else [])
    own = os.path.realpath(file)
    read = {name for name, path in files.items() if os.path.realpath(path) == own}
    known = _by_table(lines)
    if read:
        read.add("")  # any table takes a row that names none
    return frozenset(name for name in {*found} - read if found[name] - known.get(name, Counter()))


def copies(file: Path) -> dict[int, Path]:
    """What the file was moved away to, by number."""
    named = re.compile(rf"{re.escape(file.stem)}-([0-9]+){re.escape(file.suffix)}")
    found = ((named.fullmatch(path.name), path) for path in file.parent.iterdir())
    return {int(match[1]): path for match, path in found if match}


def moved_away(file: Path, tables: Iterable[str]) -> str:
    """Give the file another name; one line that says so, and how to load it.

    Parameters
    ----------
    file : Path
        The file of rows set aside.
    tables : iterable of str
        Those that `unread` found.
    """
    copy = file.with_name(f"{file.stem}-{max(copies(file), default=0) + 1}{file.suffix}")
    file.rename(copy)
    again = " ".join(f"--{name} {quote(str(copy))}" for name in FILES if name in tables)
    then = f"; what was repaired there goes in with `leadline load {again}`" if again else ""
    return f"{file} was changed by hand and not loaded since: it is {copy} now{then}"


def cut(file: Path, about: Callable[[Sequence[str]], bool]) -> None:
    """Take rows out of the file or a copy of it, the others as they stand there.

    Parameters
    ----------
    file : Path
        The file; one that is no table is left alone.
    about : callable
        Of the cells of a row: whether it goes.
    """
    try:
        delimiter, lines = _lines(file)
    except RecordError:
        return
    left = [lines[0], *(row for row in lines[1:] if not about(row))]
    if len(left) < len(lines):
        put(file, csv_lines(left, delimiter=delimiter))


def put(file: Path, text: str) -> None:
    """Write a file whole or not at all, readable by its owner only."""
    with draft(file, private=True) as part:
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as opened:
            opened.write(text.encode())
