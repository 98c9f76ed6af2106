"""Blocks of one size, however it is written: `2 kg`, `2.0 kg` and `2kg` are the same pieces and add up."""

# Statements are made from the declaration of the records; whatever else enters them is bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

from leadline.book.sql import NUMBER, rows
from leadline.records import BLOCKS

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["add_up", "fold", "respell", "totals"]

Size = tuple[float, str]

_SIZE: Final = re.compile(f"({NUMBER})(kg|lb)s?", re.ASCII)


def _size(text: str, *, comma: bool = False) -> Size | None:
    """Number and unit; None where the text is no size."""
    plain = text.strip().replace(" ", "").lower()
    if comma:
        plain = re.sub(r"(?<=\d),(?=\d)", ".", plain)
    found = _SIZE.fullmatch(plain)
    return (float(found[1]), found[found.re.groups]) if found else None


def totals(listed: Iterable[tuple[str, int]]) -> dict[str, int]:
    """Pieces of each size that there are any of, by its first spelling.

    Parameters
    ----------
    listed : iterable of (str, int)
        Sizes and numbers.

    Examples
    --------
    >>> totals([("2 kg", 30), ("1 kg", 0), ("2.0kg", 40), ("2 lb", 5)])
    {'2 kg': 70, '2 lb': 5}
    """
    first: dict[Size | str, str] = {}
    found: dict[str, int] = {}
    for text, pieces in listed:
        name = first.setdefault(_size(text) or text, text)
        found[name] = found.get(name, 0) + int(pieces)
    return {text: pieces for text, pieces in found.items() if pieces > 0}


def fold(connection: DuckDBPyConnection, source: Source) -> None:
    """Make one row of the book's rows of one size, which older books keep apart, for a list of blocks."""
    if source.table is not BLOCKS:
        return
    listed = rows(connection, "SELECT block, pieces FROM blocks ORDER BY seq")
    first: dict[Size | str, str] = {}
    for text, pieces in listed:
        name = first.setdefault(_size(text) or text, text)
        if name != text:
            connection.execute(
                "UPDATE blocks SET pieces = pieces + ? WHERE block = ?", [int(pieces or 0), name]
            )
            connection.execute("DELETE FROM blocks WHERE block = ?", [text])


def respell(connection: DuckDBPyConnection, source: Source) -> None:
    """Write each size in `incoming` as the book writes it, or as the file does first.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the raw cells in `incoming`.
    source : Source
        The file; where it is no list of blocks, nothing is done.
    """
    cell = source.cell(BLOCKS.key[0])
    if source.table is not BLOCKS or cell is None:
        return
    first: dict[Size, str] = {}
    for (text,) in rows(connection, "SELECT block FROM blocks ORDER BY seq"):
        if size := _size(text):
            first.setdefault(size, text)
    written = f'SELECT {cell} FROM incoming WHERE {cell} IS NOT NULL GROUP BY ALL ORDER BY min("row")'
    for (text,) in rows(connection, written):
        size = _size(text, comma=source.comma_decimals)
        if size and (name := first.setdefault(size, text)) != text:
            connection.execute(f"UPDATE incoming SET {cell} = ? WHERE {cell} = ?", [name, text])


def add_up(connection: DuckDBPyConnection, source: Source) -> tuple[int, list[str]]:
    """Make one row of the sound rows of one size in `stage`.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With `stage` and its `faults`, after `respell`.
    source : Source
        The file; where it is no list of blocks with numbers, nothing is done.

    Returns
    -------
    merged : int
        Rows that went into another one.
    notes : list of str
        One line for each size of which there were several.
    """
    if source.table is not BLOCKS or "pieces" not in source.headers:
        return 0, []
    sound = 'FROM stage WHERE "row" NOT IN (SELECT "row" FROM faults)'
    several = rows(
        connection,
        f'SELECT block, list("row" ORDER BY "row"), sum(pieces) {sound} GROUP BY block HAVING count(*) > 1'
        ' ORDER BY min("row")',
    )
    notes = []
    for block, own, pieces in several:
        _merge(connection, own, int(pieces))
        named = f"{', '.join(map(str, own[:-1]))} and {own[-1]}"
        notes.append(f"{source.name}: rows {named} are all {block}: added up to {int(pieces)} pieces")
    return sum(len(own) - 1 for _, own, _ in several), notes


def _merge(connection: DuckDBPyConnection, own: list[Any], pieces: int) -> None:
    """The first of these rows has all pieces, the others go."""
    connection.execute('UPDATE stage SET pieces = ? WHERE "row" = ?', [pieces, own[0]])
    connection.execute('DELETE FROM stage WHERE list_contains(?, "row")', [own[1:]])
