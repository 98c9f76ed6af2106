"""Surface checks whose two halves cannot both be true: said, not refused."""

# Statements are made from constants.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from leadline.book.sql import rows
from leadline.physics.odds import CONTRADICTORY, CONTRADICTORY_OUT

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["crossed_notes"]

_NAMED: Final = 3


def crossed_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """One line for each of the first checks that contradict themselves.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of checks in the temporary table `sound`.
    source : Source
        The file.

    Returns
    -------
    list of str
        Names file, row and both words; the last line counts those that are left out.
    """
    if not {"waterline", "exhale_sinks"} <= set(source.headers):
        return []
    pairs = [
        (line, sinks, breath)
        for breath, these in (("", CONTRADICTORY), ("normal", CONTRADICTORY), ("out", CONTRADICTORY_OUT))
        for line, sinks in these
    ]
    known = ", ".join("(?, ?, ?)" for _ in pairs)
    found = rows(
        connection,
        f"""
        SELECT "row", waterline, exhale_sinks FROM sound
        WHERE (coalesce(waterline, ''), coalesce(exhale_sinks, ''), coalesce(breath, '')) IN ({known})
        ORDER BY 1
        """,
        [word for pair in pairs for word in pair],
    )
    said = [
        f"{source.at(number)}waterline {line} and exhale_sinks {sinks} contradict each other; kept, and says "
        "nothing of the need: which is the slip?"
        for number, line, sinks in found[:_NAMED]
    ]
    if len(found) > _NAMED:
        said.append(f"{source.told}{len(found) - _NAMED} more checks that contradict themselves")
    return said
