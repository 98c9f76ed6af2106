"""Rows of the book that bear on some divers: theirs, and the dives that wore out the suits they wear."""

# Statements are made from the declaration of the records; all values are bound as parameters.

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records
from leadline.book import fetch
from leadline.book.sql import identifier, rows
from leadline.frozen import dataclass
from leadline.records import CHECKS, DIVERS, DIVES, GEAR, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["Portion", "portion", "suit_names"]


@dataclass(frozen=True)
class Portion:
    """What the book holds on some divers.

    Parameters
    ----------
    records : Records
        Those divers with their dives and checks, all gear, and others' wear of their suits.
    dives, checks : ndarray of int
        Data version in which each row was last written.
    """

    records: Records
    dives: NDArray[np.int64]
    checks: NDArray[np.int64]


_THESE: Final = "SELECT unnest(CAST(? AS VARCHAR[]))"
"""A list as a table: looking each row's diver up in it does not take longer the longer it is."""


def suit_names(cells: Collection[str]) -> set[str]:
    """Single suits in cells that may list several."""
    return {part.strip() for cell in cells for part in cell.split(";") if part.strip()}


def _own(
    connection: DuckDBPyConnection, table: Table, divers: list[str]
) -> tuple[Columns, NDArray[np.int64]]:
    found = fetch.filled(
        connection,
        table.columns,
        f"FROM {identifier(table.name)} WHERE diver IN ({_THESE}) ORDER BY seq",
        [divers],
        also=["version"],
    )
    return found, found.pop("version")


def _worn(connection: DuckDBPyConnection, divers: list[str], suits: set[str]) -> Columns:
    cells = [cell for (cell,) in rows(connection, "SELECT DISTINCT suit FROM dives") if cell]
    return fetch.filled(
        connection,
        [DIVES.column(name) for name in ("diver", "date", "suit")],
        "FROM dives WHERE list_contains(CAST(? AS VARCHAR[]), suit)"
        f" AND diver NOT IN ({_THESE}) ORDER BY seq",
        [[cell for cell in cells if suits & suit_names([cell])], divers],
    )


def portion(connection: DuckDBPyConnection, divers: Collection[str], suits: Collection[str]) -> Portion:
    """Records that bear on some divers; see `leadline.book.Book.portion`."""
    named = sorted(divers)
    (people, _), (dives, written), (checks, checked) = (
        _own(connection, table, named) for table in (DIVERS, DIVES, CHECKS)
    )
    wanted = suit_names({*suits, *dives["suit"].tolist(), *checks["suit"].tolist()})
    worn = _worn(connection, named, wanted)
    return Portion(Records(people, fetch.columns(connection, GEAR), dives, checks, worn), written, checked)
