"""Leads in half pounds, which nobody's blocks make: kilograms under the name of pounds; said, not refused."""

# Statements are made from constants and names of tables of our own.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from leadline.book.sql import rows
from leadline.book.written import Written
from leadline.units import POUND

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["lead_notes"]

FEWEST: Final = 3
SHARE: Final = 0.2
"""Leads in half pounds that are told of, at least, and their part of all that a file gives in pounds. Blocks
weigh whole pounds (common practice, no source), and halves of a kilogram are usual. [-, -] (judged)"""


def lead_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """One line on a file of dives or checks whose leads in pounds look like kilograms.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows in the temporary table `sound`, and staged.
    source : Source
        The file.

    Returns
    -------
    list of str
        Names the first row and counts the others; empty where fewer than `FEWEST` leads or a share below
        `SHARE` are in half pounds, or where as many have other fractions: those were kilograms once, and
        somebody turned them into pounds.
    """
    if "lead_lb" not in source.headers:
        return []
    # A hundredth of a pound: what is left of the way into kilograms and back.
    pounds = f"round(lead_kg / {POUND!r}, 2)"
    (found,) = rows(
        connection,
        f"""
        WITH given AS (
            SELECT "row", {pounds} - floor({pounds}) AS part, {pounds} AS lead
            FROM sound {Written(source).beside("lead_kg")} WHERE imperial AND lead_kg IS NOT NULL)
        SELECT count(*), count(*) FILTER (part = 0.5), count(*) FILTER (part NOT IN (0, 0.5)),
            min("row") FILTER (part = 0.5), arg_min(lead, "row") FILTER (part = 0.5)
        FROM given
        """,
    )
    leads, halves, others, number, lead = found
    if halves < FEWEST or halves < SHARE * leads or others >= halves:
        return []
    return [
        f"{source.at(number)}lead_lb {lead:.4g}: {halves} of {leads} leads are in half pounds, and blocks "
        f"weigh whole ones: kilograms? ({lead:.4g} kg are {lead / POUND:.3g} lb; kg go under lead_kg); "
        "kept as it is"
    ]
