"""Files and typed rows as one kind of raw table inside DuckDB: text cells with their row numbers."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from glob import escape
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from leadline.book import delimited
from leadline.book.delimited import Delimited
from leadline.book.fetch import extra_names
from leadline.book.sql import identifier, literal, one, rows
from leadline.book.thousands import KINDS
from leadline.errors import RecordError
from leadline.frozen import dataclass
from leadline.records import Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["AMOUNTS", "DERIVED", "ORIGIN", "Source", "from_file", "from_rows", "known_names", "listed_name"]

ORIGIN: Final = (
    "set_aside_table",
    "set_aside_row",
    "set_aside_why",
    "set_aside_rest",
    "set_aside_columns",
)
"""Columns that the file of rows set aside has in front of the original ones; loading drops them.

The fourth holds what was beyond the header of a torn row, or says how many cells it lacked; as long as
something stands there the row is not sound. The last one names the columns of the row's own file, joined by
`;`: under any other column, which some other row brought in, an empty cell says nothing.
"""

DERIVED: Final[dict[str, tuple[str, ...]]] = {"gear": ("gas_capacity_cuft",)}
"""Columns a file may have that stand for a declared one by way of a formula."""

AMOUNTS: Final[dict[str, tuple[str, ...]]] = {"blocks": ("block",)}
"""Columns of text that hold a number with its unit, in which a comma may be a decimal point too."""

_CHUNK: Final = 50_000
_PARQUET: Final = b"PAR1"
_ZONED: Final = "TIMESTAMP WITH TIME ZONE"
_WHOLE: Final = "1e15"  # up to here a whole number is told apart from its neighbours


@dataclass(frozen=True)
class Source:
    """Raw cells of one file, in the temporary table `incoming`.

    The table has the columns `row` (as in the file; the header is row 1), `cells` (how many the row
    has) and `c0`, `c1` and so on, text as it was read.

    Parameters
    ----------
    table : Table
        What the rows are.
    name : str
        The file as given, for messages; empty for typed rows.
    headers : tuple of str
        Column names in file order; declared names in their declared spelling.
    comma_decimals : bool
        Whether a comma between digits is a decimal point.
    decimal : str
        The mark before decimals, point or comma; empty where the file may use either and shows neither.
    notes : tuple of str
        What the user should know about how the file was read.
    """

    table: Table
    name: str
    headers: tuple[str, ...]
    comma_decimals: bool = False
    decimal: str = "."
    notes: tuple[str, ...] = ()

    @property
    def told(self) -> str:
        """How a line about the file begins; empty for typed rows, which have none."""
        return f"{self.name}: " if self.name else ""

    def at(self, row: int) -> str:
        """How a line about one of its rows begins."""
        return f"{self.told}row {row}: "

    def cell(self, header: str) -> str | None:
        """Name of the raw column under `header`; None where the file has no such column."""
        return f"c{self.headers.index(header)}" if header in self.headers else None

    @property
    def merged(self) -> bool:
        """Whether its rows come from several files, so that not every empty cell is one of the row's own."""
        return ORIGIN[0] in self.headers

    def own(self, *headers: str) -> str:
        """SQL that holds where a row of rows set aside had one of the columns in its own file."""
        listed = self.cell(ORIGIN[4])
        if listed is None:
            return "false"
        cells = f"lower(';' || {listed} || ';')"
        named = [f"contains({cells}, lower({literal(f';{listed_name(name)};')}))" for name in headers]
        return f"({' OR '.join(named)})"

    @property
    def unknown(self) -> tuple[str, ...]:
        """Columns that are not declared, and not ours; kept aside."""
        known = {*known_names(self.table), *ORIGIN}
        return tuple(name for name in self.headers if name not in known)


def listed_name(header: str) -> str:
    """A column's name as it stands in a list joined by `;`."""
    return header.replace(";", ",")


def known_names(table: Table) -> tuple[str, ...]:
    """All column names a file of `table` may use: declared, imperial twins, derived."""
    twins = tuple(column.twin.name for column in table.columns if column.twin)
    return (*table.by_name, *twins, *DERIVED.get(table.name, ()))


def _headers(
    connection: DuckDBPyConnection,
    table: Table,
    found: Sequence[str],
    *,
    name: str,
    required: Sequence[str],
) -> tuple[str, ...]:
    """Header cells in their declared spelling, checked for keys and for doubles.

    Names differ by more than capitals: an unknown column keeps the spelling it first came with.
    """
    spelled = [*extra_names(connection, table), *known_names(table), *ORIGIN]
    declared = {known.casefold(): known for known in spelled}
    cleaned = [cell.replace("\0", "").strip().lstrip("\ufeff") for cell in found]
    headers = tuple(
        declared.get(cell.casefold(), cell) or f"column {i}" for i, cell in enumerate(cleaned, start=1)
    )
    # The file of rows set aside has rows of some tables; of another one it has none, which is no fault.
    lacking = [key for key in required if key not in headers and ORIGIN[0] not in headers]
    if lacking:
        shown = ", ".join(repr(h[:30]) for h in headers[:8]) + (", ..." if len(headers) > 8 else "")
        raise RecordError(
            f"{name}: no column {' and no column '.join(lacking)} in the header row, so these are no "
            f"{table.name} (found: {shown}); name the columns as in the manual"
        )
    folded = [header.casefold() for header in headers]
    doubles = [h for h, fold in zip(headers, folded, strict=True) if folded.count(fold) > 1]
    if doubles:
        raise RecordError(f"{name}: the column {doubles[0][:60]!r} stands twice; keep one of them")
    return headers


def _create(connection: DuckDBPyConnection, width: int) -> None:
    columns = "".join(f", c{i} VARCHAR" for i in range(width))
    connection.execute(f'CREATE OR REPLACE TEMP TABLE incoming ("row" BIGINT, cells INTEGER{columns})')


def _fitted(record: Sequence[str | None], width: int) -> list[str | None]:
    """Cells of a row padded or folded to `width` and a spare one."""
    if len(record) <= width:
        return [*record, *[None] * (width + 1 - len(record))]
    return [*record[:width], "\x1f".join(cell or "" for cell in record[width:])]


def _insert(
    connection: DuckDBPyConnection, numbered: Iterable[tuple[int, Sequence[str | None]]], width: int
) -> None:
    """Insert rows in blocks of columns, cells beyond `width` folded into the last, spare column."""
    iterator: Iterator[tuple[int, Sequence[str | None]]] = iter(numbered)
    while block := list(islice(iterator, _CHUNK)):
        lengths = [len(record) for _, record in block]
        cells = zip(*(_fitted(record, width) for _, record in block), strict=True)
        columns = {
            "row": np.array([number for number, _ in block], np.int64),
            "cells": np.array(lengths, np.int32),
        } | {f"c{j}": np.array(column, object) for j, column in enumerate(cells)}
        connection.register("block", columns)
        connection.execute("INSERT INTO incoming SELECT * FROM block")
        connection.unregister("block")


def _insert_plain(connection: DuckDBPyConnection, file: Delimited, width: int) -> bool:
    """Let DuckDB split a file that needs no CSV reader, ten times as fast.

    False, and nothing inserted, where the file must be read row by row.
    """
    expected = delimited.plain_rows(file)
    if not expected:
        return False
    cells = [f"c{i}" for i in range(width)]
    types = ", ".join(f"'{cell}': 'VARCHAR'" for cell in cells)
    # Torn rows are skipped here; then the number of rows is not as expected and the other reader takes over.
    connection.execute(
        f"""
        INSERT INTO incoming SELECT row_number() OVER () + 1, {width}, {", ".join(cells)}, NULL
        FROM read_csv({literal(escape(str(file.path)))}, auto_detect = false, header = false, skip = 1,
            delim = {literal(file.delimiter)}, quote = '', escape = '', comment = '', new_line = '\\n',
            nullstr = '', columns = {{{types}}}, ignore_errors = true)
        """
    )
    if one(connection, "SELECT count(*) FROM incoming") == expected:
        return True
    connection.execute("DELETE FROM incoming")
    return False


def _decimal_mark(connection: DuckDBPyConnection, table: Table, headers: Sequence[str]) -> str:
    """The mark before decimals that cannot part thousands: three digits after it may.

    A comma goes before a point: programs that write points put commas between cells.
    """
    cells = [f"c{i}" for i, header in enumerate(headers) if header in _numeric(table)]
    for mark in (",", "."):
        around = rf"(^|[^0-9]){{}}\{mark}{{}}([^0-9]|$)"
        sure = (("[0-9]*", "([0-9]{1,2}|[0-9]{4,})"), ("(0|[0-9]{4,})", "[0-9]{3}"))
        pattern = literal("|".join(around.format(before, after) for before, after in sure))
        seen = " OR ".join(
            f"(contains({cell}, '{mark}') AND regexp_matches({cell}, {pattern}))" for cell in cells
        )
        if cells and one(connection, f"SELECT count(*) FROM incoming WHERE {seen}"):
            return mark
    return ""


def _numeric(table: Table) -> set[str]:
    """Headers under which a table has plain numbers."""
    numeric = [column for column in table.columns if column.kind in KINDS]
    return {name for c in numeric for name in (c.name, c.twin.name if c.twin else c.name)}


def from_file(
    connection: DuckDBPyConnection, table: Table, path: Path, *, required: Sequence[str] | None = None
) -> Source:
    """Read a CSV or Parquet file into the temporary table `incoming`.

    Parameters
    ----------
    connection : duckdb connection
        An open book.
    table : Table
        What the rows are.
    path : Path
        The file, or a pipe, which is read once and whole.
    required : sequence of str, optional
        Columns it must have; default the table's key.

    Returns
    -------
    Source
        Headers and notes.

    Raises
    ------
    RecordError
        If the file is missing, empty, no table, or lacks a required column.
    """
    keys = table.key if required is None else required
    if path.is_file():
        return _from_regular(connection, table, path, keys)
    if not path.is_fifo():
        what = "a folder, not a file" if path.is_dir() else "no such file"
        what = "neither a file nor a pipe" if path.exists() and not path.is_dir() else what
        raise RecordError(f"{path}: {what}; give a CSV or Parquet file")
    from shutil import copyfileobj
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder:  # its owner's alone
        copy = Path(folder) / "piped"
        with path.open("rb") as pipe, copy.open("wb") as file:
            copyfileobj(pipe, file)
        try:
            found = _from_regular(connection, table, copy, keys)
        except RecordError as fault:
            raise type(fault)(str(fault).replace(str(copy), str(path))) from None
    notes = tuple(text.replace(str(copy), str(path)) for text in found.notes)
    return replace(found, name=str(path), notes=notes)


def _from_regular(connection: DuckDBPyConnection, table: Table, path: Path, keys: Sequence[str]) -> Source:
    """A file, which can be read more than once."""
    with path.open("rb") as file:
        is_parquet = file.read(4) == _PARQUET
    if is_parquet:
        return _from_parquet(connection, table, path, keys)
    written = delimited.inspect(path, known_names(table))
    headers = _headers(connection, table, written.header, name=str(path), required=keys)
    _create(connection, len(headers) + 1)
    if not _insert_plain(connection, written, len(headers)):
        _insert(connection, delimited.records(written), len(headers))
    unusual = written.encoding not in ("utf-8", "utf-8-sig", "utf-16", "ascii")
    notes = (f"{path}: read as {written.encoding.replace('_', '-')}",) if unusual else ()
    commas = written.delimiter != ","
    mark = _decimal_mark(connection, table, headers) if commas else "."
    return Source(table, str(path), headers, commas, mark, notes)


def _from_parquet(connection: DuckDBPyConnection, table: Table, path: Path, keys: Sequence[str]) -> Source:
    """Parquet cells as text."""
    from leadline.book.engine import duckdb

    # Left to itself, DuckDB takes a folder called `water=fresh` for a column, and the file's own goes unread.
    file = f"read_parquet({literal(escape(str(path)))}, hive_partitioning = false)"
    try:
        described = [(name, kind) for name, kind, *_ in rows(connection, f"DESCRIBE SELECT * FROM {file}")]
        headers = _headers(connection, table, [name for name, _ in described], name=str(path), required=keys)
        _create(connection, len(headers) + 1)
        cells = [
            _parquet_cell(table, header, name, kind)
            for header, (name, kind) in zip(headers, described, strict=True)
        ]
        connection.execute(
            f"INSERT INTO incoming SELECT row_number() OVER () + 1, {len(cells)}, {', '.join(cells)}, NULL"
            f" FROM {file}"
        )
    except duckdb.Error as error:
        raise RecordError(f"{path}: a damaged Parquet file ({str(error).splitlines()[0]})") from None
    zoned = [name for name, kind in described if kind == _ZONED]
    notes = tuple(
        f"{path}: the times of {name!r} come with a time zone and are read as UTC, so that an evening may "
        "fall on the next day; save local times, without a zone, if that is not meant"
        for name in zoned
    )
    return Source(table, str(path), headers, notes=notes)


def _parquet_cell(table: Table, header: str, name: str, kind: str) -> str:
    """SQL for a column's cells as text; a number that is NaN is missing."""
    cell = identifier(name)
    if kind in ("DOUBLE", "FLOAT"):
        cell = f"nullif({cell}, 'nan')"
    text = f"CAST({cell} AS VARCHAR)"
    if kind == "BLOB":  # text whose writer did not say so
        return f"coalesce(TRY(decode({cell})), {text})"
    column = table.by_name.get(header)
    if column is not None and column.kind not in KINDS and kind.startswith(("DOUBLE", "FLOAT", "DECIMAL")):
        # Whole numbers beside empty cells are made decimals of by whoever has no other way to leave gaps.
        whole = f"{cell} = trunc({cell}) AND abs({cell}) < {_WHOLE}"
        return f"CASE WHEN {whole} THEN CAST(CAST({cell} AS BIGINT) AS VARCHAR) ELSE {text} END"
    return text


def _text(value: Any) -> str | None:
    """Cell text of a Python value; None, NaN and NaT are missing."""
    if value is None or value != value:
        return None
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def from_rows(connection: DuckDBPyConnection, table: Table, given: Sequence[Mapping[str, Any]]) -> Source:
    """Put typed rows into the temporary table `incoming`.

    Parameters
    ----------
    connection : duckdb connection
        An open book.
    table : Table
        What the rows are.
    given : sequence of mapping
        Column name to value; declared, twin or unknown names; rows are numbered from 1.

    Returns
    -------
    Source
        Headers.

    Raises
    ------
    RecordError
        If no row has the key columns.
    """
    found = list(dict.fromkeys(name for row in given for name in row))
    headers = _headers(connection, table, found, name=table.name, required=table.key)
    _create(connection, len(headers) + 1)
    numbered = ((i, [_text(row.get(name)) for name in found]) for i, row in enumerate(given, start=1))
    _insert(connection, numbered, len(headers))
    return Source(table, "", headers)
