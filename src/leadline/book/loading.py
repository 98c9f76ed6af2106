"""Bringing records in: sound rows once, the rest set aside with reasons, all files in one transaction.

Of several rows with one key in a file the first sound one goes in; a copy of it is counted as unchanged;
one that differs is set aside, since which of the two is right only the user can tell. It would be sound when
it is loaded again, and so stays set aside until the user has told.
"""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from leadline.book import (
    by_hand,
    doubt,
    half_pounds,
    lead_sum,
    logged,
    overfull,
    same_size,
    set_aside,
    stage,
    too_empty,
)
from leadline.book.changed_kit import UNREAD, kit_notes
from leadline.book.connection import RESTORE, unreadable
from leadline.book.crossed import crossed_notes
from leadline.book.engine import duckdb
from leadline.book.report import Fault, LoadReport, TableReport
from leadline.book.same_row import same_row
from leadline.book.source import ORIGIN, Source, from_file, from_rows
from leadline.book.sql import identifier, literal, one, rows
from leadline.book.twins import check_twin_notes, twin_notes
from leadline.errors import BookError, CellError, RecordError
from leadline.records import DIVES, FILES, TABLES, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["SHOWN", "judge", "load", "transaction", "upsert"]

SHOWN: Final = 100
"""Faults that a report carries for each table; all of them are in the book."""


REPEATED: Final = "already, with other values; keep one of them"
"""In the reason of a row whose key another row had first; it is known by that when it is loaded again."""

_UNOPENED: Final = re.compile(r'Cannot open file "(?P<log>[^"\n]*)": (?P<why>[^\n]*)')


@contextmanager
def transaction(connection: DuckDBPyConnection) -> Iterator[None]:
    """All or nothing: committed at the end, rolled back on any exception.

    Raises
    ------
    BookError
        If the disk or the memory does not suffice, or the book's folder takes no new file.
    """
    try:
        connection.begin()
        yield
        connection.commit()
    except BaseException as error:
        with suppress(duckdb.Error):  # where the commit itself failed there is nothing left to roll back
            connection.rollback()
        if isinstance(error, (duckdb.IOException, duckdb.OutOfMemoryException)):
            first = str(error).splitlines()[0]
            # What cannot be read is not mended by more room.
            then = RESTORE if unreadable(error) else "make room and try again"
            raise BookError(f"nothing was changed ({first}); {then}") from None
        if isinstance(error, duckdb.TransactionException) and (file := _UNOPENED.search(str(error))):
            # A change goes to a log beside the book first: to write in the book alone is not enough.
            raise BookError(
                f"nothing was changed: {file['log']} cannot be written ({file['why']}); check who owns the "
                "book and its folder, or copy the book to a folder of yours"
            ) from None
        raise


def _columns(table: Table) -> list[str]:
    return [identifier(column.name) for column in table.columns]


def _label(table: Table, row: str) -> str:
    """SQL that names a row by its key, such as `dive 3 of Ines`."""
    key = " || ' of ' || ".join(f"shown({row}.{identifier(name)})" for name in table.key)
    return f"{literal(table.key[0])} || ' ' || {key}"


def _hold_repeats(connection: DuckDBPyConnection, source: Source) -> None:
    """Set aside again what was so as a repeat, unless it agrees with the book or its why is emptied."""
    why = source.cell(ORIGIN[2])
    if why is None:
        return
    table = source.table
    on = " AND ".join(f"b.{identifier(key)} = s.{identifier(key)}" for key in table.key)
    connection.execute(
        f"""
        INSERT INTO faults
        SELECT s."row", {literal(table.key[0])}, s.{identifier(table.key[0])},
            {_label(table, "s")} || {literal(f": stands in the book {REPEATED}")}
                || {literal(f" (to take this row instead, empty its {ORIGIN[2]})")}, '', ''
        FROM stage s JOIN {identifier(table.name)} b ON {on}
        WHERE contains(s.{why}, {literal(REPEATED)}) AND NOT ({same_row(table, "s", "b")})
            AND s."row" NOT IN (SELECT "row" FROM faults)
        """
    )


def _settle_repeats(connection: DuckDBPyConnection, table: Table) -> int:
    """Leave one sound row for each key in `stage`; the number of mere copies dropped."""
    key = ", ".join(identifier(name) for name in table.key)
    connection.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE repeats AS
        WITH doubles AS (SELECT {key} FROM stage GROUP BY ALL HAVING count(*) > 1),
        sound AS (
            SELECT *, min("row") OVER (PARTITION BY {key}) AS first
            FROM stage JOIN doubles USING ({key}) WHERE "row" NOT IN (SELECT "row" FROM faults))
        SELECT s."row", s.first, {same_row(table, "s", "f")} AS copy
        FROM sound s JOIN stage f ON f."row" = s.first WHERE s."row" <> s.first
        """
    )
    connection.execute(
        f"""
        INSERT INTO faults
        SELECT r."row", {literal(table.key[0])}, s.{identifier(table.key[0])},
            {_label(table, "s")} || ': stands in row ' || r.first || {literal(f" {REPEATED}")}, '', ''
        FROM repeats r JOIN stage s ON s."row" = r."row" WHERE NOT r.copy
        """
    )
    return int(one(connection, "SELECT count(*) FROM repeats WHERE copy"))


def _write(connection: DuckDBPyConnection, table: Table, version: int) -> tuple[int, int, int]:
    """Write the sound rows of `stage`; counts of new, changed and unchanged rows."""
    name = identifier(table.name)
    on = " AND ".join(f"b.{identifier(key)} = s.{identifier(key)}" for key in table.key)
    taken = ", ".join(f"s.{column}" for column in [*_columns(table), "extra"])
    # A new version tells that need reads the row anew; what no need hangs on leaves the old one standing.
    unread = UNREAD if table.name == "gear" else ()
    if table.name == "divers":
        taken += ", b.mass_kg AS mass_before"
    connection.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE sound AS
        SELECT s."row", {taken}, s.known,
            s.known AND NOT coalesce({same_row(table, "s", "b")}, false) AS changed,
            s.known AND NOT coalesce({same_row(table, "s", "b", but=unread)}, false) AS anew
        FROM stage s LEFT JOIN {name} b ON {on}
        WHERE s."row" NOT IN (SELECT "row" FROM faults) AND s."row" NOT IN (SELECT "row" FROM repeats)
        """
    )
    found = rows(
        connection,
        "SELECT count(*) FILTER (NOT known), count(*) FILTER (changed),"
        " count(*) FILTER (known AND NOT changed) FROM sound",
    )
    loaded, updated, unchanged = (int(count) for count in found[0])
    if updated:
        others = [c for c in _columns(table) if c not in {identifier(k) for k in table.key}]
        values = ", ".join(f"{c} = s.{c}" for c in [*others, "extra"])
        connection.execute(
            f"UPDATE {name} b SET {values}, version = CASE WHEN s.anew THEN {version} ELSE b.version END"
            f" FROM sound s WHERE {on} AND s.changed"
        )
    if loaded:
        columns = ", ".join(_columns(table))
        connection.execute(
            f"INSERT INTO {name} ({columns}, seq, version, extra)"
            f' SELECT {columns}, row_number() OVER (ORDER BY "row")'
            f" + (SELECT coalesce(max(seq), 0) FROM {name}), {version}, extra FROM sound WHERE NOT known"
            f' ORDER BY "row"'
        )
    return loaded, updated, unchanged


def _faults(connection: DuckDBPyConnection, source: Source) -> tuple[Fault, ...]:
    found = rows(
        connection,
        """SELECT "row", "column", coalesce(value, ''), reason FROM faults ORDER BY "row", rowid LIMIT ?""",
        [SHOWN],
    )
    return tuple(Fault(source.name, source.table.name, *cells) for cells in found)


def _take(
    connection: DuckDBPyConnection, source: Source, version: int
) -> tuple[TableReport, tuple[Fault, ...], list[str]]:
    """Judge and write what stands in `incoming`; what there is to say of it."""
    table = source.table
    same_size.fold(connection, source)
    same_size.respell(connection, source)
    stage.build(connection, source)
    stage.find_faults(connection, source)
    _hold_repeats(connection, source)
    merged, notes = same_size.add_up(connection, source)
    copies = merged + _settle_repeats(connection, table)
    loaded, updated, unchanged = _write(connection, table, version)
    read = merged + int(one(connection, "SELECT count(*) FROM stage"))
    rejected = int(one(connection, 'SELECT count(DISTINCT "row") FROM faults'))
    report = TableReport(read, loaded, updated, unchanged + copies, rejected)
    return report, _faults(connection, source), notes


def _record(connection: DuckDBPyConnection, what: str, report: LoadReport, before: int) -> LoadReport:
    """Count the data version up where rows changed, and note what was done."""
    changed = any(t.loaded or t.updated for t in report.tables.values())
    after = before + 1 if changed else before
    if changed:
        connection.execute("UPDATE meta SET value = ? WHERE name = 'data_version'", [after])
    counts = {name: table.as_dict() for name, table in report.tables.items() if table.read}
    connection.execute(
        "INSERT INTO history VALUES (CAST(now() AS TIMESTAMP), ?, ?)", [what, json.dumps(counts)]
    )
    return replace(report, data_version=after)


def _version(connection: DuckDBPyConnection) -> int:
    return int(one(connection, "SELECT value FROM meta WHERE name = 'data_version'"))


def _doubts(connection: DuckDBPyConnection, source: Source, *, typed: bool = False) -> list[str]:
    """Cells of the rows that came in which are allowed and hardly true; of a typed dive more is asked."""
    name = source.table.name
    found: list[str] = []
    if name == "gear":
        found = [*doubt.cylinder_notes(connection, source), *doubt.piece_notes(connection, source)]
    if name in ("divers", "dives", "checks"):
        found = doubt.body_notes(connection, source)
    if name in ("dives", "checks"):
        found += half_pounds.lead_notes(connection, source)
    if name == "checks":
        found += crossed_notes(connection, source)
        found += too_empty.check_notes(connection, source)
    if name == "dives":
        found += lead_sum.sum_notes(connection, source, typed=typed)
        found += _of_dives(connection, source, "sound", typed=typed)
    return found


def _of_dives(
    connection: DuckDBPyConnection, source: Source, found_in: Literal["sound", "stage"], *, typed: bool
) -> list[str]:
    """What is hardly true of dives, but for body masses."""
    return [
        *doubt.depth_notes(connection, source, found_in),
        *overfull.fill_notes(connection, source, found_in),
        *too_empty.start_notes(connection, source, found_in),
        *(logged.logged_notes(connection, source, found_in) if typed else []),
    ]


def load(connection: DuckDBPyConnection, book: Path, files: Mapping[str, Path]) -> LoadReport:
    """Load files into the book in one transaction; see `leadline.book.Book.load`.

    Parameters
    ----------
    connection : duckdb connection
        The book, open for writing.
    book : Path
        Its file; rows set aside are written beside it.
    files : mapping of str to Path
        Table name to file.

    Returns
    -------
    LoadReport
        Counts, faults and notes.
    """
    reports = {name: TableReport() for name in TABLES}
    faults: list[Fault] = []
    notes: list[str] = []
    aside = set_aside.beside(book)
    set_aside.must_have_place(book)
    with transaction(connection):
        version, before = _version(connection), set_aside.table(connection)
        unread = by_hand.unread(aside, before, files)
        for name, table in FILES.items():
            if name not in files:
                continue
            source = from_file(connection, table, files[name])
            reports[name], found, said = _take(connection, source, version + 1)
            set_aside.keep(connection, source, book)
            faults += found
            notes += [*source.notes, *said]
            if source.merged and not reports[name].read:
                notes.append(f"{source.name}: no rows of {name} in it")
            notes += stage.unknown_note(connection, source, "kept as they are")
            notes += _doubts(connection, source)
            if name == "gear":
                notes += kit_notes(connection, source)
            if name == "divers":
                notes += doubt.mass_notes(connection, source)
            if name == "dives":
                notes += twin_notes(connection, source)
                notes += doubt.suit_notes(connection, source)
            if name == "checks":
                notes += check_twin_notes(connection, source)
        anew = not unread or set_aside.table(connection) != before
        if unread and anew:
            set_aside.give_away(connection, unread)
        what = "load " + ", ".join(f"{name} {path.name}" for name, path in files.items())
        report = _record(connection, what, LoadReport(reports, tuple(faults), None, tuple(notes)), version)
    if unread and anew:
        report = replace(report, notes=(*report.notes, by_hand.moved_away(aside, unread)))
    # What was changed by hand stays where it is as long as there is nothing new to write.
    written = set_aside.write(connection, book) if anew else aside
    return replace(report, rejects=written if report.rejected else None)


def judge(
    connection: DuckDBPyConnection, table: Table, given: Sequence[Mapping[str, Any]]
) -> tuple[Fault, ...]:
    """Faults of typed rows, nothing written; see `leadline.book.Book.judge`."""
    source = from_rows(connection, table, given)
    same_size.respell(connection, source)
    stage.build(connection, source)
    stage.find_faults(connection, source)
    same_size.add_up(connection, source)
    _settle_repeats(connection, table)
    return _faults(connection, source)


def doubts(connection: DuckDBPyConnection, given: Mapping[str, Any]) -> tuple[str, ...]:
    """What is hardly true of a typed dive, nothing written; see `leadline.book.Book.doubts`."""
    source = from_rows(connection, DIVES, [given])
    stage.build(connection, source)
    found = [
        *doubt.body_notes(connection, source, "stage"),
        *_of_dives(connection, source, "stage", typed=True),
    ]
    return tuple(text.removeprefix(source.at(1)) for text in found)


def upsert(connection: DuckDBPyConnection, table: Table, given: Sequence[Mapping[str, Any]]) -> LoadReport:
    """Add or change typed rows, all of them or none; see `leadline.book.Book.upsert`.

    Parameters
    ----------
    connection : duckdb connection
        The book, open for writing.
    table : Table
        What the rows are.
    given : sequence of mapping
        Column name to value.

    Returns
    -------
    LoadReport
        Counts, and notes of what is hardly true; of a single row they do not say which.

    Raises
    ------
    RecordError
        If a row is unsound, CellError where a cell is no value of its column; nothing is written then.
    """
    with transaction(connection):
        version = _version(connection)
        source = from_rows(connection, table, given)
        counts, faults, _ = _take(connection, source, version + 1)
        if faults:
            where = f"row {faults[0].row}: " if len(given) > 1 else ""
            more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
            kind = CellError if stage.bad_cells(connection, source) else RecordError
            raise kind(f"{where}{faults[0].reason}{more}")
        notes = _doubts(connection, source, typed=len(given) == 1)
        if len(given) == 1:
            notes = [text.removeprefix(source.at(1)) for text in notes]
        reports = {name: TableReport() for name in TABLES} | {table.name: counts}
        made = LoadReport(reports, notes=tuple(notes))
        return _record(connection, f"upsert {table.name}", made, version)
