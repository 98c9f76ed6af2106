"""Cylinders filled far beyond what they are rated for: said, not refused."""

# Statements are made from constants and names of tables of our own.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from leadline.book.sql import one, rows
from leadline.book.written import Written
from leadline.units import PSI

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["OVERFULL", "fill_notes"]

OVERFULL: Final = 1.15
"""Start pressure, as a multiple of the rated one, from which that is said: warm fills stay below. (judged)"""

_NAMED: Final = 3


def fill_notes(connection: DuckDBPyConnection, source: Source, dives: Literal["sound", "stage"]) -> list[str]:
    """One line for each of the first dives that begin far above the rated pressure of a cylinder.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the gear of the book, and the dives in a temporary table.
    source : Source
        The file of dives, planned or logged.
    dives : {"sound", "stage"}
        That table.

    Returns
    -------
    list of str
        Names file, row, column and cylinder; the last line counts those that are left out.
    """
    if not {"start_bar", "start_psi"} & set(source.headers):
        return []
    least = one(connection, "SELECT min(rated_bar) FROM gear WHERE kind = 'cylinder'")
    if least is None:
        return []
    found = rows(
        connection,
        f"""
        WITH few AS (
            SELECT "row", parts(cylinder) AS cylinders, parts(start_bar) AS starts FROM {dives}
            WHERE CASE WHEN contains(start_bar, ';') THEN true ELSE number(start_bar) > ? END),
        each AS (
            SELECT "row", unnest(cylinders) AS item, starts, generate_subscripts(cylinders, 1) AS i FROM few)
        SELECT "row", imperial, item, number(starts[CASE WHEN len(starts) = 1 THEN 1 ELSE i END]) AS bar,
            rated_bar
        FROM each JOIN gear USING (item) {Written(source).beside("start_bar")}
        WHERE bar > ? * rated_bar ORDER BY "row", i
        """,
        [OVERFULL * least, OVERFULL],
    )
    said = []
    for number, psi, item, bar, rated in found[:_NAMED]:
        unit, per = ("psi", PSI) if psi else ("bar", 1.0)
        said.append(
            f"{source.at(number)}start_{unit} {bar / per:.4g}: more than {OVERFULL:g} times the "
            f"{rated / per:.4g} {unit} that {item} is rated for; kept as it is: are both right?"
        )
    if len(found) > _NAMED:
        said.append(f"{source.told}{len(found) - _NAMED} more cylinders that begin so full")
    return said
