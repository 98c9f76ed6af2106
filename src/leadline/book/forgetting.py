"""Forgetting a person: the book is rewritten without them, so that no bytes stay behind."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from leadline.book import by_hand, set_aside
from leadline.book import connection as opening
from leadline.book.fetch import extra_names
from leadline.book.hint import close_matches
from leadline.book.loading import transaction
from leadline.book.schema import sql_type
from leadline.book.sql import identifier, literal, one, pointer, rows
from leadline.errors import UnknownNameError
from leadline.records import FILES

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["forget"]


def _about(diver: str, texts: Iterable[str]) -> bool:
    """Whether any text names the diver, as a word of its own and in whatever capitals."""
    named = re.compile(rf"(?<!\w){re.escape(diver)}(?!\w)", re.IGNORECASE)
    return any(named.search(text) for text in texts)


def _delete(connection: DuckDBPyConnection, diver: str) -> None:
    """Delete what is about the diver; fits go too, since they hold what was learned about everyone."""
    with transaction(connection):
        for table in ("checks", "dives", "divers"):
            connection.execute(f"DELETE FROM {table} WHERE diver = ?", [diver])
        connection.execute("UPDATE dives SET leader = NULL WHERE leader = ?", [diver])
        kept = rows(connection, "SELECT rowid, raw, coalesce(value, ''), reason FROM rejects")
        for number, raw, value, reason in kept:
            cells = [str(cell) for cell in json.loads(raw).values()]
            if _about(diver, [*cells, value, reason]):
                connection.execute("DELETE FROM rejects WHERE rowid = ?", [number])
        connection.execute("DELETE FROM fits")
        connection.execute("UPDATE meta SET value = value + 1 WHERE name = 'data_version'")
        connection.execute("INSERT INTO history VALUES (CAST(now() AS TIMESTAMP), 'forget', '{}')")


def _texts(connection: DuckDBPyConnection) -> Iterator[tuple[str, str, str]]:
    """Columns of text, as (name, table, SQL); the names of other divers are theirs, and not among them."""
    for table in FILES.values():
        for column in table.columns:
            is_diver = column.refers == "divers" or (table.name, column.name) == ("divers", "diver")
            if sql_type(column) == "VARCHAR" and not is_diver:
                yield f"{table.name}.{column.name}", identifier(table.name), identifier(column.name)
        for name in extra_names(connection, table):
            cell = f"json_extract_string(extra, {pointer(name)})"
            yield f"{table.name}.{name}", identifier(table.name), cell
    yield "history.what", "history", "what"


def _left(connection: DuckDBPyConnection, diver: str) -> dict[str, int]:
    """Cells that still name the diver, counted by column."""
    left = {}
    for name, table, cell in _texts(connection):
        found = rows(
            connection,
            f"SELECT {cell}, count(*) FROM {table} WHERE contains(lower({cell}), lower(?)) GROUP BY ALL",
            [diver],
        )
        if count := sum(times for text, times in found if _about(diver, [text])):
            left[name] = count
    return left


def _copy(connection: DuckDBPyConnection, draft: Path) -> None:
    """Copy the whole open book to `draft`: only rows that are there, none of the freed blocks."""
    own = identifier(str(one(connection, "SELECT current_database()")))
    connection.execute(f"ATTACH {literal(str(draft))} AS rewritten")
    connection.execute(f"COPY FROM DATABASE {own} TO rewritten")
    connection.execute("DETACH rewritten")


def _beside_link(named: Path, aside: Path) -> list[Path]:
    """Rows set aside beside a link to the book, where an earlier version wrote them."""
    other = set_aside.beside(named)
    if not named.is_symlink() or os.path.realpath(other) == os.path.realpath(aside):
        return []
    return [file for file in (other, *by_hand.copies(other).values()) if file.is_file()]


def forget(path: Path, diver: str, *, patience: float, named: Path) -> dict[str, int]:
    """Remove a diver from the book at `path`, a file and no link; see `leadline.book.Book.forget`.

    `named` is what the book was opened by.
    """
    draft = path.with_name(f".{path.name}.{os.getpid()}.new")
    with opening.owner_only():
        connection = opening.connect(path, write=True, patience=patience)
        try:
            if not one(connection, "SELECT count(*) FROM divers WHERE diver = ?", [diver]):
                known = [name for (name,) in rows(connection, "SELECT diver FROM divers")]
                close = close_matches(diver, known)
                hint = f"; closest: {', '.join(close)}" if close else "; `leadline export` lists the divers"
                raise UnknownNameError(f"no diver {diver!r} in the book{hint}")
            aside, about = set_aside.beside(path), partial(_about, diver)
            unread = by_hand.unread(aside, set_aside.table(connection), {})
            if not unread:
                set_aside.must_have_place(path)
            _delete(connection, diver)
            left = _left(connection, diver)
            _copy(connection, draft)
            own = [*by_hand.copies(aside).values(), *([aside] if unread else [])]
            for file in [*own, *_beside_link(named, aside)]:
                by_hand.cut(file, about)
            if not unread:
                set_aside.write(connection, path)
            connection.execute("CHECKPOINT")
            # Once the new file stands there, closing the old one must not touch the log beside it.
            connection.execute("PRAGMA disable_checkpoint_on_shutdown")
            draft.replace(path)
            return left
        finally:
            connection.close()
            draft.unlink(missing_ok=True)
            draft.with_name(draft.name + ".wal").unlink(missing_ok=True)
