"""Rows of the book as arrays, in file order."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records
from leadline.book.sql import identifier, literal, one, rows
from leadline.records import DIVES, TABLES, Column, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = [
    "cell_text",
    "columns",
    "extra_names",
    "filled",
    "last_dive",
    "names",
    "next_dive",
    "records",
    "typed_array",
    "versions",
]

MANY: Final = 20_000
FEW_WORDS: Final = 5_000
"""Rows from which a table is large, and distinct words of a column that are few. [-, -]"""

_NUMBER: Final[tuple[str, Any]] = ("float64", np.nan)
_TEXT: Final[tuple[str, Any]] = ("object", "")
_KINDS: Final = {
    "number": _NUMBER,
    "integer": _NUMBER,
    "date": ("datetime64[s]", np.datetime64("NaT", "s")),
}
"""Type of an array, and what stands where a cell is missing; any other kind is text."""

_NEVER: Final = f"CAST('{np.datetime64('NaT').astype(np.int64)}' AS BIGINT)"
"""NaT as the number that it is to numpy."""


def typed_array(column: Column, values: Any) -> NDArray[Any]:
    """Array of one declared column as `leadline.arrays` wants it.

    Parameters
    ----------
    column : Column
        Declaration.
    values : array_like, shape (n,)
        As DuckDB gives them; masked where NULL.

    Returns
    -------
    ndarray, shape (n,)
        Text as object array of str, "" where missing; numbers as float64 with NaN; dates as
        datetime64[s] with NaT. A long column without any value is one value in many places: read it only.
    """
    kind, missing = _KINDS.get(column.kind, _TEXT)
    array = np.ma.asarray(values)
    if len(array) > MANY and np.all(array.mask):
        return np.broadcast_to(np.array(missing, kind), array.shape)
    return np.asarray(np.ma.filled(array.astype(kind, copy=False), missing), kind)


def _whole_cell(column: Column) -> str:
    """SQL of a cell with what stands in an array where it is missing."""
    name = identifier(column.name)
    if column.kind in ("number", "integer"):
        return f"coalesce(CAST({name} AS DOUBLE), CAST('nan' AS DOUBLE)) AS {name}"
    if column.kind == "date":
        return f"coalesce(CAST(epoch({name}) AS BIGINT), {_NEVER}) AS {name}"
    return f"coalesce({name}, '') AS {name}"


def filled(
    connection: DuckDBPyConnection,
    wanted: Sequence[Column],
    rest: str,
    parameters: Sequence[Any] = (),
    *,
    also: Sequence[str] = (),
) -> dict[str, NDArray[Any]]:
    """Some columns of not too many rows, without masks: what masks need takes long to load.

    Parameters
    ----------
    connection : duckdb connection
        An open book.
    wanted : sequence of Column
        Declared columns.
    rest : str
        SQL after the columns, from FROM on.
    parameters : sequence
        Bound to it.
    also : sequence of str
        Further columns that are never NULL, as DuckDB gives them.

    Returns
    -------
    dict of str to ndarray
        As of `columns`.
    """
    cells = ", ".join([*map(_whole_cell, wanted), *also])
    found = connection.execute(f"SELECT {cells} {rest}", list(parameters)).fetchnumpy()
    dates = {column.name for column in wanted if column.kind == "date"}
    return {name: values.view("datetime64[s]") if name in dates else values for name, values in found.items()}


def _distinct(connection: DuckDBPyConnection, table: Table, source: str) -> dict[str, list[str]]:
    """Words of the text columns that have few of them."""
    text = [column.name for column in table.columns if column.kind not in ("number", "integer", "date")]
    counts = ", ".join(f"approx_count_distinct({identifier(name)})" for name in text)
    about = rows(connection, f"SELECT {counts} FROM {source}")[0]
    found = {}
    for name, count in zip(text, about, strict=True):
        if 0 < count < FEW_WORDS:
            cell = identifier(name)
            words = rows(connection, f"SELECT DISTINCT {cell} FROM {source} WHERE {cell} IS NOT NULL")
            found[name] = [word for (word,) in words]
    return found


def _select(table: Table, words: Mapping[str, Sequence[str]]) -> str:
    """Cells of a table; of columns with few words their numbers, which come at once and take little room."""

    def cell(name: str) -> str:
        quoted = identifier(name)
        if name not in words:
            return quoted
        return f"enum_code(CAST({quoted} AS ENUM({', '.join(map(literal, words[name]))}))) AS {quoted}"

    return ", ".join(cell(column.name) for column in table.columns)


def columns(connection: DuckDBPyConnection, table: Table, *, source: str = "", order: str = "seq") -> Columns:
    """Column set of one table.

    Parameters
    ----------
    connection : duckdb connection
        An open book.
    table : Table
        Declaration.
    source : str
        SQL name of the table to read; default the book's own.
    order : str
        SQL column that gives the order.

    Returns
    -------
    Columns
        Every declared column. Of a large table equal words are one object.
    """
    where = source or identifier(table.name)
    if int(one(connection, f"SELECT count(*) FROM {where}")) <= MANY:
        return filled(connection, table.columns, f"FROM {where} ORDER BY {order}")
    words = _distinct(connection, table, where)
    found = connection.execute(f"SELECT {_select(table, words)} FROM {where} ORDER BY {order}").fetchnumpy()

    def array(column: Column) -> NDArray[Any]:
        values = found.pop(column.name)
        if column.name not in words:
            return typed_array(column, values)
        known = np.array([*words[column.name], ""], object)
        return known[np.ma.filled(np.ma.asarray(values, np.int64), len(known) - 1)]

    return {column.name: array(column) for column in table.columns}


def records(connection: DuckDBPyConnection) -> Records:
    """All records of the book, in file order."""
    return Records(**{name: columns(connection, table) for name, table in TABLES.items()})


def versions(connection: DuckDBPyConnection, table: Table) -> NDArray[np.int64]:
    """Data version in which each row was last written, in the order of `columns`; see `Book.versions`."""
    found = connection.execute(f"SELECT version FROM {identifier(table.name)} ORDER BY seq").fetchnumpy()
    return np.asarray(found["version"], np.int64)


def cell_text(column: Column) -> str:
    """SQL of a typed cell as the text a file would have."""
    name = identifier(column.name)
    if column.kind == "number":
        return f"number_text({name})"
    if column.kind == "date":
        # A date without a time is written as one; `T` keeps date and time in one word.
        timed = f"strftime({name}, '%Y-%m-%dT%H:%M:%S')"
        return f"CASE WHEN right({timed}, 8) = '00:00:00' THEN left({timed}, 10) ELSE {timed} END"
    return f"CAST({name} AS VARCHAR)"


def extra_names(connection: DuckDBPyConnection, table: Table) -> list[str]:
    """Names of the unknown columns kept aside, in the order in which they first came."""
    found = rows(
        connection,
        f"""
        SELECT name FROM (
            SELECT seq, unnest(json_keys(extra)) AS name, generate_subscripts(json_keys(extra), 1) AS place
            FROM {identifier(table.name)} WHERE extra IS NOT NULL)
        GROUP BY name ORDER BY min(seq), arg_min(place, seq)
        """,
    )
    return [name for (name,) in found]


def names(connection: DuckDBPyConnection, table: Table, *, styles: Sequence[str] = ()) -> list[str]:
    """Keys of the divers or gear table, sorted; see `leadline.book.Book.names`."""
    key = identifier(table.key[0])
    where = f"WHERE style IN ({', '.join(literal(style) for style in styles)})" if styles else ""
    found = rows(connection, f"SELECT DISTINCT {key} FROM {identifier(table.name)} {where} ORDER BY 1")
    return [name for (name,) in found]


def last_dive(connection: DuckDBPyConnection, diver: str) -> dict[str, str]:
    """A diver's latest dive as cells of text; see `leadline.book.Book.last_dive`."""
    cells = ", ".join(cell_text(column) for column in DIVES.columns)
    found = rows(
        connection,
        f"SELECT {cells} FROM dives WHERE diver = ? ORDER BY date DESC NULLS LAST, seq DESC LIMIT 1",
        [diver],
    )
    return {c.name: text or "" for row in found for c, text in zip(DIVES.columns, row, strict=True)}


def next_dive(connection: DuckDBPyConnection, diver: str) -> str:
    """A dive number not yet taken; see `leadline.book.Book.next_dive`."""
    highest = one(
        connection,
        "SELECT greatest(coalesce(max(TRY_CAST(dive AS BIGINT)), 0), count(*)) FROM dives WHERE diver = ?",
        [diver],
    )
    return str(int(highest) + 1)
