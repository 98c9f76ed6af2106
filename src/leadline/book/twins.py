"""What may stand there twice: dives, checks and divers under a second name, or twice in a plan.

Said, not refused.
"""

# Statements are made from the declaration of the records; all values are bound as parameters.
# ruff: noqa: S608

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Final

from leadline.book.sql import identifier, rows
from leadline.records import CHECKS, DIVES, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["TIMED", "alike", "check_twin_notes", "taken_out", "twice_planned", "twin_notes"]

_NAMED: Final = 3

FEWEST: Final = 3
"""Dives that all have to be those of another diver before two names are taken for one person: buddies in
rental kit may well have one or two alike. (judged)"""

_OUT: Final = "what is too much comes out by `leadline export` and loading the rest into a new book"

TIMED: Final = "a.date = b.date AND a.date <> date_trunc('day', a.date)"
"""SQL that holds where dives a and b begin at the same time of the same day."""


def taken_out(dive: str, diver: str) -> str:
    """How one dive comes out of the book, in words."""
    return f"`leadline log --remove --diver {shlex.quote(diver)} --dive {shlex.quote(dive)}` takes it out"


def alike(*but: str, table: Table = DIVES) -> str:
    """SQL that holds where rows a and b, dives for one, agree in every declared column but some."""
    names = [identifier(column.name) for column in table.columns if column.name not in but]
    return " AND ".join(f"a.{name} IS NOT DISTINCT FROM b.{name}" for name in names)


def twin_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """Lines on new dives that the book seems to have already under another key.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of dives in the temporary table `sound`, written already.
    source : Source
        The file.

    Returns
    -------
    list of str
        One on dives of one diver at one time, or alike in every cell where pressures and depth are noted; one
        for each new diver, up to three, all of whose dives are those of another one.
    """
    return [*_dives(connection, source), *_divers(connection, source)]


def check_twin_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """A line on new surface checks that the book seems to have already under another key.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of checks in the temporary table `sound`, written already.
    source : Source
        The file.

    Returns
    -------
    list of str
        One on checks of a day that are alike in every cell but the key, and of which no two times are noted.
    """
    day = "date_trunc('day', {0}.date)"
    mine, other = day.format("a"), day.format("b")
    # At one time there may be looks with several leads; at two times the same may have been seen.
    untold = (
        f"{mine} IS NOT DISTINCT FROM {other} AND (a.date = b.date OR a.date = {mine} OR b.date = {other})"
    )
    found = rows(
        connection,
        f"""
        SELECT s."row", a."check", min(b."check"), a.diver
        FROM sound s JOIN checks a ON a."check" = s."check"
        JOIN checks b ON b.diver = a.diver AND b.seq < a.seq
        WHERE NOT s.known AND a.lead_kg IS NOT NULL
            AND coalesce(a.waterline, a.exhale_sinks) IS NOT NULL
            AND ((a.date IS NULL AND b.date IS NULL) OR ({untold})) AND {alike("check", "date", table=CHECKS)}
        GROUP BY ALL ORDER BY 1
        """,
    )
    if not found:
        return []
    said = _twice(source, found, "check", "the same in every cell as another one of that day", "one look")
    out = f"`leadline check --remove {shlex.quote(found[0][1])}` takes it out; if not, give each its time"
    return [said + out]


def _dives(connection: DuckDBPyConnection, source: Source) -> list[str]:
    noted = "a.end_bar IS NOT NULL AND a.max_depth_m IS NOT NULL AND a.lead_kg IS NOT NULL"
    found = rows(
        connection,
        f"""
        SELECT s."row", a.dive, min(b.dive), a.diver
        FROM sound s JOIN dives a ON a.dive = s.dive AND a.diver = s.diver
        JOIN dives b ON b.diver = a.diver AND b.seq < a.seq AND b.date IS NOT DISTINCT FROM a.date
        WHERE NOT s.known AND (({TIMED}) OR ({noted} AND {alike("dive")}))
        GROUP BY ALL ORDER BY 1
        """,
    )
    if not found:
        return []
    like = "at the time of another one of the same diver, or the same in every cell"
    _, dive, _, diver = found[0]
    return [_twice(source, found, "dive", like, "one dive") + taken_out(dive, diver)]


def _twice(source: Source, found: list[tuple[int, str, str, str]], kind: str, like: str, one: str) -> str:
    """What all that were found have in common, with the first: row, key, key of the other, diver."""
    row, key, other, diver = found[0]
    what = f"a new {kind} is" if len(found) == 1 else f"{len(found)} new {kind}s are"
    return (
        f"{source.name}: {what} {like} (row {row}: {key} of {diver}, as {other}): if they are {one} under "
        "two names it counts twice; "
    )


def _divers(connection: DuckDBPyConnection, source: Source) -> list[str]:
    found = rows(
        connection,
        f"""
        WITH fresh AS (
            SELECT diver, count(*) AS dives FROM dives GROUP BY diver
            HAVING count(*) >= ? AND diver IN (SELECT diver FROM sound WHERE NOT known)
                AND count(*) = (SELECT count(*) FROM sound s WHERE s.diver = dives.diver AND NOT s.known)),
        shared AS (
            SELECT a.diver, b.diver AS other, count(DISTINCT a.seq) AS alike, min(a.seq) AS first
            FROM dives a JOIN fresh USING (diver) JOIN dives b
                ON b.diver <> a.diver AND b.seq < a.seq AND b.dive = a.dive
                AND {alike("diver", "group", "leader")}
            GROUP BY ALL)
        SELECT diver, other, dives FROM shared JOIN fresh USING (diver) WHERE alike = dives ORDER BY first
        """,
        [FEWEST],
    )
    said = [
        f"{source.name}: all {dives} dives of {diver} are those of {other} in every cell: if that is one "
        f"person under two names, each counts twice; {_OUT}"
        for diver, other, dives in found[:_NAMED]
    ]
    if len(found) > _NAMED:
        said.append(
            f"{source.name}: {len(found) - _NAMED} more divers whose dives are all those of another one"
        )
    return said


def twice_planned(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """A line on divers whom a plan has more than once in one dive of a day, or at one time of it.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the plan in the temporary table `stage`.
    source : Source
        The file.

    Returns
    -------
    list of str
        At most one: file, divers and rows. Where no time is noted, dives of other keys, or of none, follow
        each other.
    """
    rows_of = """SELECT diver, list("row" ORDER BY "row") AS places FROM stage"""
    found = rows(
        connection,
        f"""
        {rows_of} WHERE dive <> '' GROUP BY diver, dive, date_trunc('day', date) HAVING count(*) > 1
        UNION {rows_of} WHERE date <> date_trunc('day', date) GROUP BY diver, date HAVING count(*) > 1
        ORDER BY places
        """,
    )
    if not found:
        return []
    named = ", ".join(f"{diver} (rows {', '.join(map(str, places))})" for diver, places in found[:_NAMED])
    more = f" (and {len(found) - _NAMED} more)" if len(found) > _NAMED else ""
    return [
        f"{source.told}the same diver more than once in one dive or at one time: {named}{more}; each row is "
        "answered, and a boat loads lead for each: take out the row that is too much, or give each dive its "
        "own key and time"
    ]
