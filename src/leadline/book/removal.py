"""Taking a dive or a surface check out of the book, as where it was logged twice."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

from leadline.book.fetch import cell_text
from leadline.book.hint import close_matches
from leadline.book.loading import transaction
from leadline.book.sql import identifier, rows
from leadline.errors import RecordError, UnknownNameError
from leadline.records import CHECKS, DIVES, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["checks_later_that_day", "later_that_day", "remove", "remove_check", "unknown_dive"]

_NAMED: Final = 3


def later_that_day(connection: DuckDBPyConnection, dive: str, diver: str) -> list[str]:
    """Dives of that date, and time, that come after it; see `leadline.book.Book.later_that_day`."""
    found = rows(
        connection,
        """
        SELECT other.dive FROM dives other JOIN dives own ON own.diver = other.diver
        WHERE own.dive = ? AND own.diver = ?
            AND other.date IS NOT DISTINCT FROM own.date AND other.seq > own.seq
        ORDER BY other.seq
        """,
        [dive, diver],
    )
    return [name for (name,) in found]


def unknown_dive(connection: DuckDBPyConnection, dive: str, diver: str) -> UnknownNameError:
    """What to say of a dive that is not in the book, with close ones of that diver."""
    known = [name for (name,) in rows(connection, "SELECT dive FROM dives WHERE diver = ?", [diver])]
    close = close_matches(dive, known)
    hint = f"closest: {', '.join(close)}" if close else "`leadline export` lists the dives"
    return UnknownNameError(f"no dive {dive!r} of {diver} in the book; {hint}")


def checks_later_that_day(connection: DuckDBPyConnection, check: str) -> list[str]:
    """Checks of that date, and time, that come after it; see `leadline.book.Book.checks_later_that_day`."""
    found = rows(
        connection,
        """
        SELECT other."check" FROM checks other JOIN checks own ON own.diver = other.diver
        WHERE own."check" = ? AND other.date IS NOT DISTINCT FROM own.date AND other.seq > own.seq
        ORDER BY other.seq
        """,
        [check],
    )
    return [name for (name,) in found]


def remove(connection: DuckDBPyConnection, dive: str, diver: str) -> dict[str, str]:
    """Take a dive out and return its cells; see `leadline.book.Book.remove_dive`."""
    key = [dive, diver]
    with transaction(connection):
        record = _record(connection, DIVES, key)
        if record is None:
            raise unknown_dive(connection, dive, diver)
        made = rows(connection, f'SELECT "check" FROM checks {_where(DIVES)} ORDER BY seq', key)  # noqa: S608 (constants)
        if made:
            few = ", ".join(name for (name,) in made[:_NAMED])
            more = f" and {len(made) - _NAMED} more" if len(made) > _NAMED else ""
            what = "check" if len(made) == 1 else "checks"
            raise RecordError(
                f"dive {dive} of {diver} is the one that {what} {few}{more} took kit and water from; load "
                f"{'it' if len(made) == 1 else 'them'} with another dive first, then take this one out"
            )
        _take_out(connection, DIVES, key)
    return record


def remove_check(connection: DuckDBPyConnection, check: str) -> dict[str, str]:
    """Take a surface check out and return its cells; see `leadline.book.Book.remove_check`."""
    with transaction(connection):
        record = _record(connection, CHECKS, [check])
        if record is None:
            known = [name for (name,) in rows(connection, 'SELECT "check" FROM checks')]
            close = close_matches(check, known)
            hint = f"closest: {', '.join(close)}" if close else "`leadline export` lists the checks"
            raise UnknownNameError(f"no check {check!r} in the book; {hint}")
        _take_out(connection, CHECKS, [check])
    return record


def _where(table: Table) -> str:
    """SQL that finds the row of a key."""
    return "WHERE " + " AND ".join(f"{identifier(name)} = ?" for name in table.key)


def _record(connection: DuckDBPyConnection, table: Table, key: list[str]) -> dict[str, str] | None:
    """Cells of a row that are not empty; None where there is none."""
    cells = ", ".join(cell_text(column) for column in table.columns)
    found = rows(connection, f"SELECT {cells}, extra FROM {table.name} {_where(table)}", key)  # noqa: S608 (constants)
    if not found:
        return None
    *declared, extra = found[0]
    row = {column.name: text for column, text in zip(table.columns, declared, strict=True) if text}
    return row | {name: str(text) for name, text in json.loads(extra or "{}").items()}


def _take_out(connection: DuckDBPyConnection, table: Table, key: list[str]) -> None:
    """Take a row out, counted and noted."""
    connection.execute(f"DELETE FROM {table.name} {_where(table)}", key)  # noqa: S608 (constants)
    connection.execute("UPDATE meta SET value = value + 1 WHERE name = 'data_version'")
    # Without names: whoever is forgotten must not stay in the history.
    connection.execute(
        "INSERT INTO history VALUES (CAST(now() AS TIMESTAMP), ?, ?)",
        [f"remove {table.name}", json.dumps({table.name: {"removed": 1}})],
    )
