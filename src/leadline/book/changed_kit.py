"""Kit whose row was changed after a fit that has seen dives in it: what was learned is of the old row."""

# Statements are made from the declaration of the records; all values are bound as parameters.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from leadline.book.sql import identifier, one, rows
from leadline.records import CHECKS, DIVES, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["changed_kit", "worn_in"]

_KIT: Final = ("suit", "undersuit", "bc", "cylinder", "other")


def worn_in(table: Table, where: str) -> str:
    """Statement for the names of the kit in dives or checks, each once, as the column `item`.

    Parameters
    ----------
    table : Table
        Dives or checks.
    where : str
        Which of its rows, in SQL.
    """
    cells = " UNION ".join(
        f"SELECT {column} AS cell FROM {identifier(table.name)} {where}" for column in _KIT
    )
    parts = f"SELECT unnest(string_split(cell, ';')) AS part FROM ({cells})"
    return f"SELECT DISTINCT trim(part) AS item FROM ({parts})"


def changed_kit(connection: DuckDBPyConnection, since: int) -> tuple[str, ...]:
    """Items changed after a data version that knew dives or checks in them; see `Book.changed_kit`."""
    if not int(one(connection, "SELECT count(*) FROM gear WHERE version > ?", [since])):
        return ()
    worn = " UNION ".join(worn_in(table, f"WHERE version <= {int(since)}") for table in (DIVES, CHECKS))
    found = rows(
        connection,
        f"SELECT item FROM gear WHERE version > ? AND item IN ({worn}) ORDER BY seq",
        [since],
    )
    return tuple(item for (item,) in found)
