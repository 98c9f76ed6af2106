"""Tables of the book, made from the declaration of the records."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from leadline.book.sql import identifier, rows
from leadline.records import FILES, Column, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["BOOKKEEPING", "create_records", "missing_columns", "sql_type"]

BOOKKEEPING: Final = (("seq", "BIGINT"), ("version", "BIGINT"), ("extra", "VARCHAR"))
"""Columns every record table has besides the declared ones: file order, the data version in which the
row was last written (of gear: otherwise than in what no need hangs on), and the unknown columns of its file
as one JSON object."""

_TYPES: Final = {"number": "DOUBLE", "integer": "INTEGER", "date": "TIMESTAMP_S"}


def sql_type(column: Column) -> str:
    """Type a column is kept in; words are text, since an enumerated type would pull in pandas."""
    return _TYPES.get(column.kind, "VARCHAR")


def create_records(connection: DuckDBPyConnection, table: Table) -> None:
    """Create the table for `table`'s records, keyed."""
    columns = [f"{identifier(c.name)} {sql_type(c)}" for c in table.columns]
    columns += [f"{identifier(name)} {kind}" for name, kind in BOOKKEEPING]
    key = ", ".join(identifier(name) for name in table.key)
    connection.execute(f"CREATE TABLE {identifier(table.name)} ({', '.join(columns)}, PRIMARY KEY ({key}))")


def missing_columns(connection: DuckDBPyConnection) -> list[tuple[str, Column]]:
    """Declared columns that the book's tables lack, as (table, column); none in a book of this version."""
    present = set(
        rows(
            connection,
            "SELECT table_name, column_name FROM duckdb_columns()"
            " WHERE database_name = current_database() AND NOT internal",
        )
    )
    return [(t.name, c) for t in FILES.values() for c in t.columns if (t.name, c.name) not in present]
