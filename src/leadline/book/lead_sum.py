"""The lead of a dive that is noted by its places only: their sum, for places have to add up to the lead."""

# Statements are made from constants and names of tables of our own.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from leadline.book.cell import raw
from leadline.book.sql import rows
from leadline.book.written import Written
from leadline.units import POUND

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["PLACED", "derive", "sum_notes"]

PLACED: Final = (
    "list_sum(list_transform(string_split(lead_places, ';'),"
    " lambda p: number(regexp_extract(p, ':([^:]*)$', 1))))"
)
"""SQL for the sum of the places. [kg]"""


_LEFT: Final = (
    "lead_places go in kg and lead_lb in pounds: where no lead is given their sum is not taken for it "
    "(rows: {count}); give lead_lb, or places under lead_places_lb"
)


def derive(connection: DuckDBPyConnection, source: Source) -> None:
    """Fill in `lead_kg` in `stage` where a row has places and no lead.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With dives in `stage`; the rows that are filled in are listed in the temporary table `summed`.
    source : Source
        The file, or a typed row; one without places says nothing of them.
    """
    places, leads = (
        [raw(name) for name in names if name in source.headers]
        for names in (("lead_places", "lead_places_lb"), ("lead_kg", "lead_lb"))
    )
    given = " OR ".join(["false", *(f"{cell} IS NOT NULL" for cell in places)])
    empty = " AND ".join(["lead_kg IS NULL", *(f"{cell} IS NULL" for cell in leads)])
    connection.execute(
        'CREATE OR REPLACE TEMP TABLE summed AS SELECT "row" FROM stage'
        f" WHERE ({given}) AND {empty} AND {PLACED} IS NOT NULL"
    )
    if _other_unit(source):
        # Which of the two units such places are in nobody can tell: twelve pounds are no twelve kilograms.
        connection.execute("DELETE FROM summed")
    # What is left of adding decimals is no lead.
    connection.execute(
        f'UPDATE stage SET lead_kg = round({PLACED}, 9) WHERE "row" IN (SELECT "row" FROM summed)'
    )


def _other_unit(source: Source) -> bool:
    """Whether a file has its leads in pounds alone, and its places in the column for kilograms."""
    names = set(source.headers)
    return "lead_lb" in names and not {"lead_kg", "lead_places_lb"} & names


def sum_notes(connection: DuckDBPyConnection, source: Source, *, typed: bool) -> list[str]:
    """A line for each unit on the rows that came in with the sum of their places for their lead.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows in the temporary table `sound`, after `derive`.
    source : Source
        The file, or a typed row.
    typed : bool
        Whether it is a single typed dive.
    """
    if _other_unit(source):
        ((count, first),) = rows(
            connection,
            'SELECT count(*), min("row") FROM sound WHERE lead_kg IS NULL AND lead_places IS NOT NULL',
        )
        return [f"{source.at(first)}{_LEFT.format(count=count)}"] if count else []
    found = rows(
        connection,
        f"""
        SELECT imperial, count(*), max(lead_kg) FROM sound {Written(source).beside("lead_places")}
        WHERE "row" IN (SELECT "row" FROM summed) GROUP BY imperial ORDER BY imperial
        """,
    )
    said = []
    for pounds, count, lead in found:
        name, places = ("lead_lb", "lead_places_lb") if pounds else ("lead_kg", "lead_places")
        if typed:
            much = f"{lead / POUND:.3g} lb" if pounds else f"{lead:.3g} kg"
            said.append(f"{name} is not given: {much}, the sum of {places}")
            continue
        of_rows = "1 row" if count == 1 else f"{count} rows"
        said.append(
            f"{source.told}{name} is empty in {of_rows} with {places}: their sum is taken as all lead on"
        )
    return said
