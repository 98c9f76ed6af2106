"""Forward migrations: named steps, each run with its own bookkeeping row in one transaction.

A step is never edited once a release has carried it; a change of the schema is a new step at the end.
A book is as new as the steps it has taken; one that has taken a step unknown here was written by a newer
version and is left alone.
"""

# Statements are made from constants; names are bound as parameters.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from leadline.book.schema import create_records
from leadline.book.sql import one, rows
from leadline.errors import BookError
from leadline.records import BLOCKS, TABLES

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["MIGRATIONS", "apply", "pending", "schema_version"]


def _records(connection: DuckDBPyConnection) -> None:
    for table in TABLES.values():
        create_records(connection, table)
    connection.execute("CREATE TABLE meta (name VARCHAR PRIMARY KEY, value BIGINT)")
    connection.execute("INSERT INTO meta VALUES ('data_version', 0)")


def _set_aside(connection: DuckDBPyConnection) -> None:
    connection.execute(
        'CREATE TABLE rejects (file VARCHAR, "table" VARCHAR, "row" BIGINT, "column" VARCHAR, value VARCHAR,'
        ' reason VARCHAR, "when" TIMESTAMP, raw VARCHAR)'
    )
    connection.execute('CREATE TABLE history ("when" TIMESTAMP, what VARCHAR, counts VARCHAR)')


def _fits(connection: DuckDBPyConnection) -> None:
    connection.execute("CREATE SEQUENCE fit_id")
    connection.execute(
        "CREATE TABLE fits (id BIGINT PRIMARY KEY DEFAULT nextval('fit_id'), created TIMESTAMP,"
        ' "schema" INTEGER, data_version BIGINT, counts VARCHAR, evidence_hash VARCHAR, info VARCHAR,'
        " payload BLOB)"
    )


def _blocks(connection: DuckDBPyConnection) -> None:
    create_records(connection, BLOCKS)


_COMPOSED: Final[dict[str, tuple[str, ...]]] = {
    "gear": ("type",),
    "dives": ("group", "leader", "site"),
    "checks": ("site",),
}
_KIT: Final = ("suit", "undersuit", "bc", "cylinder", "other")


def _form(column: str) -> str:
    """SQL for the normal form of a column; a text with a null character would lose what follows it."""
    return f"(CASE WHEN contains({column}, chr(0)) THEN {column} ELSE nfc_normalize({column}) END)"


def _composed(connection: DuckDBPyConnection) -> None:
    """Names in the normal form in which they are read now; two that differ in nothing else stay two."""

    def odd(table: str, key: str) -> list[tuple[str, str]]:
        form = _form(key)
        return rows(
            connection,
            f"SELECT {key}, {form} FROM {table}"
            f" QUALIFY {key} <> {form} AND count(*) OVER (PARTITION BY {form}) = 1",
        )

    for table, names in _COMPOSED.items():
        for name in names:
            form = _form(f'"{name}"')
            connection.execute(f'UPDATE {table} SET "{name}" = {form} WHERE "{name}" <> {form}')
    items, divers = odd("gear", "item"), odd("divers", "diver")
    for old, new in items:
        connection.execute("UPDATE gear SET item = ? WHERE item = ?", [new, old])
        for table in ("dives", "checks"):
            for name in _KIT:
                part = "lambda p: CASE p WHEN $old THEN $new ELSE p END"
                swapped = f"array_to_string(list_transform(string_split({name}, ';'), {part}), ';')"
                connection.execute(
                    f"UPDATE {table} SET {name} = {swapped} WHERE contains({name}, $old)",
                    {"old": old, "new": new},
                )
    for old, new in divers:
        for table in ("divers", "dives", "checks"):
            connection.execute(f"UPDATE {table} SET diver = ? WHERE diver = ?", [new, old])
    for name, keys in (("dive", ("dives", "checks")), ("check", ("checks",))):
        form, other = _form(f'"{name}"'), "diver" if name == "dive" else "''"
        if not one(connection, f"SELECT count(*) - count(DISTINCT ({form}, {other})) FROM {keys[0]}"):
            for table in keys:
                connection.execute(f'UPDATE {table} SET "{name}" = {form} WHERE "{name}" <> {form}')
    if items or divers:  # a fit goes by the names it was made with
        connection.execute("UPDATE meta SET value = value + 1 WHERE name = 'data_version'")


MIGRATIONS: Final[tuple[tuple[str, Callable[[DuckDBPyConnection], None]], ...]] = (
    ("records", _records),
    ("set_aside", _set_aside),
    ("fits", _fits),
    ("blocks", _blocks),
    ("composed", _composed),
)
"""Names and steps, oldest first."""


def _taken(connection: DuckDBPyConnection) -> list[str] | None:
    """Steps the file has taken, in order; None where it keeps no list of steps."""
    listed = one(
        connection,
        "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'migrations'"
        " AND database_name = current_database() AND NOT internal",
    )
    if not listed:
        return None
    return [name for (name,) in rows(connection, "SELECT name FROM migrations ORDER BY step")]


def schema_version(connection: DuckDBPyConnection) -> int:
    """Number of migrations the book has taken."""
    return len(_taken(connection) or ())


def pending(connection: DuckDBPyConnection, path: Path) -> list[str]:
    """Names of the migrations still to run; changes nothing.

    Parameters
    ----------
    connection : duckdb connection
        An open book.
    path : Path
        Its file, for the message.

    Returns
    -------
    list of str
        Oldest first; empty for a book of this version.

    Raises
    ------
    BookError
        If the file is a database but no book, or was written by a newer version.
    """
    taken = _taken(connection)
    known = [name for name, _ in MIGRATIONS]
    if taken is None:
        raise BookError(f"{path}: a DuckDB file, but not a leadline book; give another --book")
    unknown = [name for name in taken if name not in known]
    if unknown:
        raise BookError(
            f"{path}: written by a newer version of leadline (it has {', '.join(unknown)}); "
            "update leadline to open it"
        )
    return known[len(taken) :]


def apply(connection: DuckDBPyConnection, names: list[str]) -> None:
    """Run the named migrations in order, each in one transaction with its bookkeeping row."""
    steps = dict(MIGRATIONS)
    connection.execute(
        "CREATE TABLE IF NOT EXISTS migrations (step INTEGER PRIMARY KEY, name VARCHAR, applied TIMESTAMP)"
    )
    for name in names:
        connection.begin()
        try:
            steps[name](connection)
            connection.execute(
                "INSERT INTO migrations SELECT count(*) + 1, ?, CAST(now() AS TIMESTAMP) FROM migrations",
                [name],
            )
        except BaseException:
            connection.rollback()
            raise
        connection.commit()
