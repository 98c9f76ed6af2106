"""Close matches for names and words that are spelled otherwise."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final

from leadline.book.sql import identifier, rows
from leadline.records import TABLES

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["add_close_matches", "close_matches"]

_MOST: Final = 200  # distinct values; a file with more has another trouble than spelling
_COMPARISONS: Final = 200_000  # names compared for one load: about two seconds


def close_matches(name: str, known: Iterable[str], *, most: int = 3) -> list[str]:
    """Known names that resemble `name`, the closest first; capitals do not count.

    Parameters
    ----------
    name : str
        What was written.
    known : iterable of str
        What might be meant.
    most : int
        How many to give.

    Returns
    -------
    list of str
        Empty where nothing is close.

    Examples
    --------
    >>> close_matches("Inez", ["Ines", "Ivo", "Inga"])
    ['Ines']
    """
    by_folded: dict[str, list[str]] = {}
    for candidate in known:
        by_folded.setdefault(candidate.casefold(), []).append(candidate)
    # One letter is half of a name of two, such as W5 for W6.
    cutoff = 0.5 if len(name) <= 3 else 0.6
    close = get_close_matches(name.casefold(), by_folded, n=most, cutoff=cutoff)
    return [candidate for folded in close for candidate in by_folded[folded]][:most]


def _candidates(connection: DuckDBPyConnection, hint: str) -> list[str]:
    if hint not in TABLES:
        return hint.split()
    key = identifier(TABLES[hint].key[0])
    return [name for (name,) in rows(connection, f"SELECT DISTINCT {key} FROM {identifier(hint)}")]


def add_close_matches(connection: DuckDBPyConnection) -> None:
    """Append ``; closest: ...`` to the reasons in the temporary table `faults` that ask for it."""
    wanted = rows(
        connection,
        "SELECT DISTINCT hint, subject FROM faults WHERE hint <> '' AND length(subject) <= 100"
        f" ORDER BY ALL LIMIT {_MOST}",
    )
    known: dict[str, list[str]] = {}
    budget = _COMPARISONS
    for hint, subject in wanted:
        if hint not in known:
            known[hint] = _candidates(connection, hint)
        budget -= len(known[hint])
        if budget < 0:
            return
        close = close_matches(subject, known[hint])
        if close:
            connection.execute(
                "UPDATE faults SET reason = reason || '; closest: ' || ? WHERE hint = ? AND subject = ?",
                [", ".join(close), hint, subject],
            )
