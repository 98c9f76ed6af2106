"""Kit whose row was changed though dives in it are on record: what was learned is of the old row."""

# Statements are made from the declaration of the records; all values are bound as parameters.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from leadline.book.sql import identifier, one, rows
from leadline.records import CHECKS, DIVES, KIT, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["UNREAD", "changed_kit", "kit_notes", "worn_in"]

UNREAD: Final = ("lift_l", "extra")
"""Columns of gear that no need hangs on: the gas a BC holds, and what leadline does not know.

Need may read all others, so that what was learned of a piece goes with any of them: the rating tells the mass
of a cylinder nobody weighed, and the dives before tell the age of foam.
"""

_NAMED: Final = 3


def worn_in(table: Table, where: str) -> str:
    """Statement for the names of the kit in dives or checks, each once, as the column `item`.

    Parameters
    ----------
    table : Table
        Dives or checks.
    where : str
        Which of its rows, in SQL.
    """
    cells = " UNION ".join(f"SELECT {column} AS cell FROM {identifier(table.name)} {where}" for column in KIT)
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


def kit_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """One line on the kit whose row the file changed though dives or checks in it are on record.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of the gear in the temporary table `sound`, those that need reads anew marked.
    source : Source
        The file.

    Returns
    -------
    list of str
        Names the first pieces; empty where there is none.
    """
    if not rows(connection, "SELECT 1 FROM sound WHERE anew LIMIT 1"):
        return []
    worn = " UNION ".join(worn_in(table, "") for table in (DIVES, CHECKS))
    found = rows(connection, f'SELECT item FROM sound WHERE anew AND item IN ({worn}) ORDER BY "row"')
    if not found:
        return []
    few = ", ".join(item for (item,) in found[:_NAMED])
    more = f" and {len(found) - _NAMED} more" if len(found) > _NAMED else ""
    were, them = ("was", "it") if len(found) == 1 else ("were", "them")
    return [
        f"{source.name}: {few}{more} {were} changed, and dives in {them} that are on record are read by the "
        "new row from now on: right where the old one was wrong; a piece that was mended or replaced gets a "
        "name of its own"
    ]
