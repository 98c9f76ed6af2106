"""Fits kept in the book, each with the data it saw."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from leadline.book import migration
from leadline.book.sql import one, rows
from leadline.errors import BookError

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["latest", "save"]


def save(connection: DuckDBPyConnection, payload: bytes, data_version: int, info: dict[str, Any]) -> int:
    """Store a fit, unless the data have changed since it was begun; see `leadline.book.Book.save_fit`."""
    from leadline.book.loading import transaction

    with transaction(connection):
        now = int(one(connection, "SELECT value FROM meta WHERE name = 'data_version'"))
        if now != data_version:
            raise BookError(
                f"the book changed while the fit was made (data version {data_version}, now {now}); "
                "run `leadline learn` again"
            )
        counts = {
            name: int(one(connection, f"SELECT count(*) FROM {name}"))
            for name in ("divers", "gear", "dives", "checks")
        }
        found = rows(
            connection,
            'INSERT INTO fits (created, "schema", data_version, counts, evidence_hash, info, payload)'
            " VALUES (CAST(now() AS TIMESTAMP), ?, ?, ?, ?, ?, ?) RETURNING id",
            [
                migration.schema_version(connection),
                data_version,
                json.dumps(counts),
                str(info.get("evidence_hash", "")),
                json.dumps(info),
                payload,
            ],
        )
        return int(found[0][0])


def latest(connection: DuckDBPyConnection) -> tuple[bytes, dict[str, Any]] | None:
    """The newest fit and what is known of it; see `leadline.book.Book.latest_fit`."""
    found = rows(
        connection,
        'SELECT payload, info, id, created, "schema", data_version, counts FROM fits'
        " ORDER BY id DESC LIMIT 1",
    )
    if not found:
        return None
    payload, info, number, created, schema, data_version, counts = found[0]
    kept = {
        "id": number,
        "created": created.isoformat(sep=" ", timespec="seconds"),
        "schema": schema,
        "data_version": data_version,
        "counts": json.loads(counts),
    }
    return bytes(payload), json.loads(info) | kept
