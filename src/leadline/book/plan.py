"""Planned dives: a `dives` file read and judged like records, but kept out of the book."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from leadline.arrays import Columns
from leadline.book import doubt, fetch, overfull, place, stage, twins
from leadline.book.rule import WARMING, rounded
from leadline.book.source import Source, from_file
from leadline.book.sql import literal, rows
from leadline.book.written import Written
from leadline.errors import CellError, RecordError
from leadline.records import DIVES, RESERVE_PRESSURE
from leadline.units import PSI

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

# Statements are made from constants.
# ruff: noqa: S608

__all__ = ["read"]

_NAMED: Final = 3

_OF_ANSWERS: Final = frozenset({"bring_kg", "p_too_light", "p_too_heavy", "need_at_bar", "need_q50_kg"})
"""Columns that a file of answers has. Read as a plan, its rows would be dives without a suit."""


def read(
    connection: DuckDBPyConnection,
    path: Path,
    *,
    notify: Callable[[str], None] | None = None,
    underway: bool = False,
    as_named: bool = False,
) -> Columns:
    """Planned dives in the order of the file; see `leadline.book.Book.read_plan`."""
    source = from_file(connection, DIVES, path, required=("diver",))
    if answers := [name for name in source.unknown if name.casefold() in _OF_ANSWERS]:
        raise RecordError(
            f"{path}: this holds the answers to a plan (column {answers[0]}); give the plan itself: who "
            "dives, with what kit, one dive a row, as in a dives file"
        )
    stage.build(connection, source, plan=True)
    if notify:
        for text in (*source.notes, *stage.unknown_note(connection, source, "not used")):
            notify(text)
    if stage.find_faults(connection, source, plan=True):
        found = rows(connection, 'SELECT "row", reason FROM faults ORDER BY "row", rowid')
    else:
        found = [] if underway else _below_reserve(connection, source)
    if found:
        named = "; ".join(f"row {number}: {reason}" for number, reason in found[:_NAMED])
        more = f" (and {len(found) - _NAMED} more)" if len(found) > _NAMED else ""
        fault = CellError if stage.bad_cells(connection, source, plan=True) else RecordError
        raise fault(f"{path}: {named}{more}")
    if notify:
        for text in (
            *doubt.body_notes(connection, source, "stage"),
            *doubt.depth_notes(connection, source, "stage"),
            *overfull.fill_notes(connection, source, "stage"),
            *twins.twice_planned(connection, source),
        ):
            notify(text)
    plan = fetch.columns(connection, DIVES, source="stage", order='"row"')
    if as_named:
        return plan
    plan, taken = place.completed(connection, plan, path)
    plan, dated = _dated(plan, path)
    if notify:
        for text in (*taken, *dated):
            notify(text)
    return plan


def _dated(plan: Columns, path: Path) -> tuple[Columns, list[str]]:
    """The plan with today where a row has no date, as for one dive: a long break is none without a day."""
    bare = np.isnat(plan["date"])
    if not bare.any():
        return plan, []
    today = date.today()
    day = np.where(bare, np.datetime64(today, "s"), plan["date"])
    rest = "" if bare.all() else f" in {np.count_nonzero(bare)} of {len(bare)} rows"
    return {**plan, "date": day}, [f"{path}: no date{rest}, so reckoned for today, {today}"]


def _below_reserve(connection: DuckDBPyConnection, source: Source) -> list[tuple[int, str]]:
    """Rows that begin with less than the reserve, with which a dive ends that names no other pressure."""
    least, written = RESERVE_PRESSURE - WARMING, Written(source)
    start = written.text("start_bar", rounded("start_bar"))
    reserve = written.either(
        "start_bar",
        literal(f"{RESERVE_PRESSURE:g} bar"),
        literal(f"{RESERVE_PRESSURE:g} bar ({RESERVE_PRESSURE / PSI:.0f} psi)"),
    )
    low = rows(
        connection,
        f'SELECT "row", {written.name("start_bar")}, {start}, {reserve} FROM stage'
        " WHERE end_bar IS NULL AND stop_bar IS NULL"
        " AND len(list_filter(string_split(start_bar, ';'), lambda p: number(p) < ?)) > 0"
        ' ORDER BY "row"',
        [least],
    )
    reason = "is less than the reserve of {}, with which a dive ends that names no other"
    return [(row, f"{name} {given}: {reason.format(reserve)}") for row, name, given, reserve in low]
