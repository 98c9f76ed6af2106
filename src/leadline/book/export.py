"""Every table as CSV or Parquet, in house units, so that `load` reads it back without loss."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from leadline.book import set_aside
from leadline.book.connection import owner_only, unreadable
from leadline.book.destination import draft, must_be_writable
from leadline.book.engine import duckdb
from leadline.book.fetch import cell_text, extra_names
from leadline.book.source import ORIGIN
from leadline.book.sql import identifier, literal, pointer
from leadline.csv_lines import csv_lines
from leadline.errors import BookError
from leadline.records import FILES, Column, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["Format", "write"]

Format = Literal["csv", "parquet"]
_REJECTS: Final = "rejects"


def _cell(column: Column, form: Format) -> str:
    name = identifier(column.name)
    return name if form == "parquet" else f"{cell_text(column)} AS {name}"


def _select(connection: DuckDBPyConnection, table: Table, form: Format) -> str:
    cells = [_cell(column, form) for column in table.columns]
    cells += [
        f"json_extract_string(extra, {pointer(name)}) AS {identifier(name)}"
        for name in extra_names(connection, table)
    ]
    return f"SELECT {', '.join(cells)} FROM {identifier(table.name)} ORDER BY seq"


def _rejects(connection: DuckDBPyConnection, part: Path, form: Format) -> None:
    lines = set_aside.table(connection) or [[*ORIGIN]]
    if form == "csv":
        part.write_bytes(csv_lines(lines).encode())
        return
    import numpy as np

    body = lines[1:]
    columns = {name: np.array([row[i] for row in body], object) for i, name in enumerate(lines[0])}
    connection.register("lines", columns)
    named = ", ".join(f"CAST({identifier(name)} AS VARCHAR) AS {identifier(name)}" for name in columns)
    connection.execute(f"COPY (SELECT {named} FROM lines) TO {literal(str(part))} (FORMAT parquet)")
    connection.unregister("lines")


def write(
    connection: DuckDBPyConnection,
    folder: Path,
    *,
    form: Format = "csv",
    tables: Sequence[str] | None = None,
    overwrite: bool = False,
) -> list[Path]:
    """Write the tables to `folder`; see `leadline.book.Book.export`."""
    known = (*FILES, _REJECTS)
    wanted = known if tables is None else tuple(tables)
    odd = [name for name in wanted if name not in known]
    if odd:
        raise BookError(f"no table {odd[0]!r} to export; there are {', '.join(known)}")
    paths = [folder / f"{name}.{form}" for name in wanted]
    standing = [path for path in paths if path.exists()]
    if standing and not overwrite:
        raise BookError(f"{standing[0]}: stands there already; give another folder, or --overwrite")
    must_be_writable(*paths)
    options = "FORMAT parquet" if form == "parquet" else "FORMAT csv, HEADER, DELIMITER ',', QUOTE '\"'"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with owner_only():
            for name, path in zip(wanted, paths, strict=True):
                with draft(path, private=True) as part:
                    if name == _REJECTS:
                        _rejects(connection, part, form)
                    else:
                        query = _select(connection, FILES[name], form)
                        connection.execute(f"COPY ({query}) TO {literal(str(part))} ({options})")
    except (OSError, duckdb.IOException) as error:
        if unreadable(error):
            raise  # the book's own file
        first = str(error).splitlines()[0]
        raise BookError(f"{folder}: cannot be written ({first}); give another folder") from None
    return paths
