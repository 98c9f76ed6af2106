"""A single dive that was typed: what is hardly true of it, said and not refused."""

# Statements are made from the declaration of the records; all values are bound as parameters.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from leadline.book.doubt import FELL, GREW
from leadline.book.sql import one, rows
from leadline.book.twins import TIMED, alike, taken_out
from leadline.book.written import Written
from leadline.units import POUND

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["logged_notes"]

LONG_AGO: Final = 300
"""Days after which a dive is hardly still to be logged: the first days of a year are written with the old
one. [d] (judged)"""

FAR: Final = 3.0
"""Least distance from the usual lead that is told: another water and another cylinder make as much. [kg]
(judged)"""

OF_BODY, OF_ANYBODY = 0.25, 20.0
"""Share of the body mass, and mass where that is not known, beyond which hardly any lead lies. [-], [kg]
(judged)"""


def logged_notes(
    connection: DuckDBPyConnection, source: Source, found_in: Literal["sound", "stage"]
) -> list[str]:
    """What is hardly true of a typed dive, beside what is asked of every row.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the dive in a temporary table.
    source : Source
        The typed row.
    found_in : {"sound", "stage"}
        That table: written already, or judged only.

    Returns
    -------
    list of str
        On the lead, the date, and a dive that the book seems to have already; each begins with the column
        it is about, but the last one.
    """
    return [
        *_lead(connection, source, found_in),
        *_date(connection, source, found_in),
        *_twin(connection, found_in),
    ]


def _lead(connection: DuckDBPyConnection, source: Source, found_in: str) -> list[str]:
    """A lead far from what the diver carries in that suit; without one far from what anybody carries."""
    if not {"lead_kg", "lead_lb"} & set(source.headers):
        return []
    found = rows(
        connection,
        f"""
        SELECT imperial, s.lead_kg, s.suit, coalesce(s.body_mass_kg, d.mass_kg),
            (SELECT median(b.lead_kg) FROM dives b WHERE b.diver = s.diver AND b.dive <> s.dive
                AND b.suit IS NOT DISTINCT FROM s.suit)
        FROM {found_in} s {Written(source).beside("lead_kg")} LEFT JOIN divers d ON d.diver = s.diver
        WHERE s.lead_kg IS NOT NULL
        """,
    )
    said = []
    for pounds, lead, suit, body, usual in found:
        header, per, unit = ("lead_lb", POUND, "lb") if pounds else ("lead_kg", 1.0, "kg")
        given, asked = lead / per, "are unit and decimal point right?"
        if usual is None:
            if lead <= (OF_ANYBODY if body is None else OF_BODY * body):
                continue
            much = "" if body is None else f", {lead / body:.0%} of the body mass".replace("%", " %")
            said.append(f"{header} {given:.4g}{much}: hardly anybody carries so much: {asked}; kept as it is")
            continue
        if abs(lead - usual) < FAR or FELL * usual <= lead <= GREW * usual:
            continue
        # Of the usual lead pounds under kilograms are 2.2, the other way round 0.45.
        if not pounds and GREW * usual < lead < GREW / FELL * usual:
            asked = f"pounds? ({given:.4g} lb are {given * POUND:.2g} kg)"
        elif pounds and FELL / GREW * usual < lead < FELL * usual:
            asked = f"kilograms? ({given:.4g} kg are {given / POUND:.3g} lb)"
        where = f"in {suit}" if suit else "without a suit"
        said.append(
            f"{header} {given:.4g}: far from the {usual / per:.3g} {unit} usually carried {where}: {asked}; "
            "kept as it is"
        )
    return said


def _date(connection: DuckDBPyConnection, source: Source, found_in: str) -> list[str]:
    """A day so long ago that another year may be meant."""
    if "date" not in source.headers:
        return []
    days = one(connection, f"SELECT min(date_diff('day', CAST(date AS DATE), today_here())) FROM {found_in}")
    if days is None or days < LONG_AGO:
        return []
    day = one(connection, f"SELECT CAST(CAST(min(date) AS DATE) AS VARCHAR) FROM {found_in}")
    return [f"date {day}: {days} days ago: is the year right?; kept as it is"]


def _twin(connection: DuckDBPyConnection, found_in: str) -> list[str]:
    """A new dive at the time of another one of the diver, or the same in every cell."""
    found = rows(
        connection,
        f"""
        SELECT a.dive, a.diver, arg_min(b.dive, b.seq) FROM {found_in} a JOIN dives b
            ON b.diver = a.diver AND b.dive <> a.dive AND b.date IS NOT DISTINCT FROM a.date
        WHERE NOT a.known AND (({TIMED}) OR ({alike("dive")})) GROUP BY ALL
        """,
    )
    return [
        f"at the time of dive {other}, or the same in every cell: if {dive} is the same dive once more it "
        f"counts twice; {taken_out(dive, diver)}"
        for dive, diver, other in found
    ]
