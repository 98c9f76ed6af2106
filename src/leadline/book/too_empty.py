"""Gauge pressures too low to be meant so, mostly bar under the name of psi: said, not refused."""

# Statements are made from constants and names of tables of our own.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from leadline.book.rule import rounded
from leadline.book.sql import rows
from leadline.book.written import Written
from leadline.units import PSI

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["check_notes", "start_notes"]

LOW_START: Final = 34.0
"""Pressure below which no dive begins, about 500 psi. [bar] (common practice, no source)"""

LOW_CHECK: Final = 290.0
"""Pressure below which a check is hardly made, about 20 bar: after a dive there is the reserve. [psi]
(judged)"""

FULL: Final = 350.0
"""What no full cylinder is below in psi, and none is above in bar: where a file's checks all lie below
it they hardly are in psi. [psi] (judged)"""

EMPTY: Final = 15.0
"""Numbers below it are an empty cylinder in either unit. [psi] (judged)"""

MOST: Final = 330.0
"""Highest pressure that a cell may have in bar. [bar]"""


def start_notes(
    connection: DuckDBPyConnection, source: Source, found_in: Literal["sound", "stage"]
) -> list[str]:
    """One line on dives that begin with hardly any gas.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the dives in a temporary table, and staged.
    source : Source
        The file.
    found_in : {"sound", "stage"}
        That table: of rows that came in, or of a typed dive.

    Returns
    -------
    list of str
        Names the first row, counts the others and asks for the unit that may be meant; empty where there is
        none.
    """
    if not {"start_bar", "start_psi"} & set(source.headers):
        return []
    found = _pressures(connection, source, "start_bar", found_in, "highest < ?", [LOW_START])
    # Where bar may be meant that is said first: it is the slip of a whole file.
    found.sort(key=lambda row: not _may_be_bar(*row))
    return _told(source, "start", found, "a dive hardly begins below {}", {True: "500 psi", False: "34 bar"})


def check_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """One line on surface checks with so few psi that bar may be meant.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of the checks in the temporary table `sound`, and staged.
    source : Source
        The file.

    Returns
    -------
    list of str
        As of `start_notes`. A check after a dive has the reserve, so that it is noted only below that, or
        where all of the file are in numbers that bar have.
    """
    if "psi" not in source.headers:
        return []
    given = _pressures(connection, source, "bar", "sound", "imperial AND highest >= ?", [EMPTY * PSI * 0.999])
    all_low = all(highest <= FULL * PSI * 1.001 for *_, highest in given)
    found = [row for row in given if all_low or row[3] < LOW_CHECK * PSI * 0.999]
    low = any(row[3] < LOW_CHECK * PSI * 0.999 for row in found[:1])
    why = "a check is hardly made below {}" if low else "no check of the file is above {}"
    return _told(source, "", found, why, {True: "290 psi" if low else "350 psi"})


def _pressures(
    connection: DuckDBPyConnection, source: Source, column: str, found_in: str, where: str, bound: list[float]
) -> list[tuple[int, bool, str, float]]:
    """Row, whether it is in psi, cell and the highest of its pressures in bar, where a condition holds."""
    written = Written(source)
    return rows(
        connection,
        f"""
        WITH given AS (
            SELECT "row", {written.imperial(column)} AS imperial,
                {written.text(column, rounded(column))} AS cell,
                list_max(list_transform(parts({column}), lambda p: number(p))) AS highest
            FROM stage WHERE {column} IS NOT NULL)
        SELECT "row", imperial, cell, highest FROM {found_in} JOIN given USING ("row")
        WHERE {where} ORDER BY "row"
        """,
        bound,
    )


def _may_be_bar(row: int, psi: bool, cell: str, highest: float) -> bool:
    """Whether a number given in psi would do for a start in bar."""
    return psi and LOW_START <= highest / PSI <= MOST


def _told(
    source: Source, name: str, found: list[tuple[int, bool, str, float]], why: str, least: dict[bool, str]
) -> list[str]:
    """One line: the first row, what may be meant, how many more."""
    if not found:
        return []
    number, psi, cell, highest = found[0]
    stem = f"{name}_" if name else ""
    header = f"{stem}psi" if psi else f"{stem}bar"
    asked = "is that right?"
    if psi and highest / PSI <= MOST and (not name or _may_be_bar(*found[0])):
        given = highest / PSI
        asked = f"bar? ({given:.4g} bar are {given / PSI:.0f} psi; bar go under {stem}bar)"
    more = len(found) - 1
    alike = f" (so low in {more} more row{'' if more == 1 else 's'})" if more else ""
    return [f"{source.at(number)}{header} {cell}: {why.format(least[psi])}: {asked}{alike}; kept as it is"]
