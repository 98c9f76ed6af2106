"""Spelling of the book's SQL: identifiers, literals, and the few functions every statement shares."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["NUMBER", "identifier", "install_functions", "literal", "one", "pointer", "rows"]

# Everything Unicode calls white space, with the byte order mark and the zero-width space.
_BLANKS: Final = (
    " \t\n\v\f\r\x1c\x1d\x1e\x1f\x85\xa0\u1680\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008"
    "\u2009\u200a\u200b\u2028\u2029\u202f\u205f\u3000\ufeff"
)

NUMBER: Final = r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?"
"""What a number looks like: digits with a point, no thousands separator, no nan or inf."""


def identifier(name: str) -> str:
    """Quoted identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Quoted text literal."""
    return "'" + text.replace("'", "''") + "'"


def pointer(name: str) -> str:
    """JSON pointer to the member `name`, as a text literal."""
    return literal("/" + name.replace("~", "~0").replace("/", "~1"))


def install_functions(connection: DuckDBPyConnection) -> None:
    """Define, for this connection only, the functions that the statements below use.

    trimmed: text without blanks around it. composed: text in the normal form NFC, in which an accent typed
    after its letter is the same as a letter with an accent. is_number, number: strict reading of a number,
    NULL where the text is none; both NULL for NULL. number_text: shortest text that reads back as the same
    number. parts: a list split at `;`, each part trimmed. shown: text cut and made printable for a message.
    today_here: the date where the user is.
    """
    connection.execute("SET TimeZone = 'UTC'")  # times are kept as they were written, whatever the zone
    number = literal(NUMBER)
    today = literal(date.today().isoformat())
    for definition in (
        # Most cells begin and end with a visible ASCII character: six times as fast as trimming them.
        "trimmed(x) AS CASE WHEN ord(x) BETWEEN 33 AND 126 AND ord(right(x, 1)) BETWEEN 33 AND 126 THEN x"
        f" ELSE trim(x, {literal(_BLANKS)}) END",
        # What follows a null character would be lost.
        "composed(x) AS CASE WHEN strlen(x) = length(x) OR contains(x, chr(0)) THEN x"
        " ELSE nfc_normalize(x) END",
        f"is_number(x) AS regexp_full_match(x, {number}) AND isfinite(TRY_CAST(x AS DOUBLE))",
        "number(x) AS CASE WHEN is_number(x) THEN TRY_CAST(x AS DOUBLE) END",
        r"number_text(v) AS regexp_replace(CAST(v AS VARCHAR), '\.0$', '')",
        "parts(x) AS list_transform(string_split(x, ';'), lambda p: trimmed(p))",
        f"today_here() AS CAST({today} AS DATE)",
        r"shown(x) AS regexp_replace(CASE WHEN length(x) > 60 THEN left(x, 57) || '...' ELSE x END,"
        r" '[\x00-\x1f\x7f]', ' ', 'g')",
    ):
        connection.execute(f"CREATE OR REPLACE TEMP MACRO {definition}")


def rows(connection: DuckDBPyConnection, statement: str, parameters: Sequence[Any] = ()) -> list[Any]:
    """All rows of a statement, which frees the connection for the next one."""
    return connection.execute(statement, list(parameters)).fetchall()


def one(connection: DuckDBPyConnection, statement: str, parameters: Sequence[Any] = ()) -> Any:
    """First cell of a statement's first row; None where there is no row."""
    found = rows(connection, statement, parameters)
    return found[0][0] if found else None
