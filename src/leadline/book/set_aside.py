"""Rows set aside: kept in the book, and written beside it as one table to repair and load.

The file has the columns of `leadline.book.source.ORIGIN` in front of the original ones. Any `load`
option takes it: `--dives` reads its dives and passes over the rest. Its columns are those of all files that
rows were set aside from; which of them a row's own file had is told in the row, so that loading it again
changes nothing else.
"""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

import json
import os
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from leadline.book import by_hand
from leadline.book.destination import followed, must_be_writable
from leadline.book.source import ORIGIN, Source, listed_name
from leadline.book.sql import rows
from leadline.book.stage import raw_json
from leadline.csv_lines import csv_lines

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["beside", "give_away", "keep", "must_have_place", "table", "write"]


def beside(book: Path) -> Path:
    """File next to the book that holds the rows set aside."""
    return book.with_name(f"{book.stem}-set-aside.csv")


def must_have_place(book: Path) -> None:
    """Refuse what stands where the rows set aside go and cannot be written over, before the book changes."""
    must_be_writable(beside(book), then="rows set aside go there, so move it away")


def keep(connection: DuckDBPyConnection, source: Source, book: Path) -> None:
    """Replace what was set aside from this file by what `faults` holds now.

    Parameters
    ----------
    connection : duckdb connection
        The book, inside the transaction of the load.
    source : Source
        The file.
    book : Path
        The book's file: loading the rows set aside settles all that were set aside of that table.
    """
    file = os.path.realpath(source.name)
    repaired = file == os.path.realpath(beside(book))
    connection.execute(
        'DELETE FROM rejects WHERE "table" = ? AND (file = ? OR ?)',
        [source.table.name, file, repaired],
    )
    connection.execute(
        f"""
        INSERT INTO rejects
        SELECT ?, ?, f."row", f."column", f.value, f.reason, CAST(now() AS TIMESTAMP), {raw_json(source)}
        FROM faults f JOIN stage s ON s."row" = f."row" ORDER BY f."row", f.rowid
        """,
        [file, source.table.name],
    )


def table(connection: DuckDBPyConnection) -> list[list[str]]:
    """Rows set aside, header first; empty where there are none.

    Parameters
    ----------
    connection : duckdb connection
        An open book.

    Returns
    -------
    list of list of str
        Origin, reasons joined by `; `, the columns of the row's file, then the cells as they were read.
    """
    found = rows(
        connection,
        """
        SELECT "table", "row", string_agg(reason, '; ' ORDER BY rowid), any_value(raw) FROM rejects
        GROUP BY file, "table", "row" ORDER BY "table", file, "row"
        """,
    )
    if not found:
        return []
    cells = [json.loads(raw) for *_, raw in found]
    # Files may differ in the capitals of a column unknown to us; in one file these are the same column.
    spelled: dict[str, str] = {}
    for row in cells:
        for name in row:
            spelled.setdefault(name.casefold(), name)
    cells = [{spelled[name.casefold()]: cell for name, cell in row.items()} for row in cells]
    headers = [name for name in spelled.values() if name != ORIGIN[3]]
    body = [
        [
            name,
            str(number),
            why,
            row.get(ORIGIN[3]) or "",
            own,
            *(row.get(header) or "" for header in headers),
        ]
        for (name, number, why, _), row in zip(found, cells, strict=True)
        for own in [";".join(listed_name(header) for header in row if header != ORIGIN[3])]
    ]
    return [[*ORIGIN, *headers], *body]


def give_away(connection: DuckDBPyConnection, tables: Collection[str]) -> None:
    """Forget what earlier loads set aside of these tables: the user has it in a file of their own.

    Parameters
    ----------
    connection : duckdb connection
        The book, inside the transaction of a load, which keeps what it has set aside itself.
    tables : collection of str
        Their names.
    """
    connection.execute(
        'DELETE FROM rejects WHERE list_contains(?, "table") AND "when" <> CAST(now() AS TIMESTAMP)',
        [[*tables]],
    )


def write(connection: DuckDBPyConnection, book: Path) -> Path | None:
    """Write the rows set aside beside the book, readable by its owner only.

    Parameters
    ----------
    connection : duckdb connection
        An open book.
    book : Path
        Its file.

    Returns
    -------
    Path or None
        The file; None, and no file, where nothing is set aside.
    """
    path = beside(book)
    lines = table(connection)
    if not lines:
        followed(path).unlink(missing_ok=True)
        return None
    by_hand.put(path, csv_lines(lines))
    return path
