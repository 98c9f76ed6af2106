"""Which dives a roster is about, the next dive of each of its students, and which dives were looked at."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records, empty
from leadline.decide.assessment import Assessment
from leadline.errors import UnknownNameError
from leadline.records import RESERVE_PRESSURE, STOP_DEPTH
from leadline.timeline import CHECK, DIVE

__all__ = ["latest", "looked_dives", "looks", "roster_plan", "scope", "time_order", "unvented"]

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

_WATER: Final = ("water", "altitude_m", "salinity_gkg")
_KIT: Final = ("diver", "suit", "undersuit", "bc", "cylinder", "gas", "other", *_WATER)
_AWAY: Final = "-"  # a cylinder that was not carried at the stop
_MOST_NAMED: Final = 8


def scope(
    records: Records, groups: Sequence[str] = (), since: np.datetime64 | None = None
) -> tuple[BoolArray, int]:
    """Dives of students.

    Parameters
    ----------
    records : Records
        All records.
    groups : sequence of str
        Groups wanted; none: all, and dives without one too.
    since : datetime64, optional
        First day wanted; dives without a date are then left out.

    Returns
    -------
    wanted : ndarray of bool, shape (n,)
        Of the dives table.
    leaders : int
        Dives left out because that diver led somebody on them.

    Raises
    ------
    UnknownNameError
        If no dive is in one of the groups.
    """
    dives = records.dives
    known = set(dives["group"].tolist())
    for name in groups:
        if name not in known or not name:
            named = ", ".join(sorted(known - {""})[:_MOST_NAMED]) or "none"
            raise UnknownNameError(f"no dive is in group {name!r}; name one of the book's: {named}")
    wanted = np.isin(dives["group"], list(groups)) if groups else np.ones(len(dives["dive"]), bool)
    if since is not None and not np.isnat(since):
        wanted = wanted & (dives["date"] >= since)  # NaT compares false
    leading = _leading(dives)
    return np.asarray(wanted & ~leading, bool), int((wanted & leading).sum())


def _leading(dives: Columns) -> BoolArray:
    """Dives on which that diver led somebody: another's of the same key and day names them.

    The key alone says nothing, since everybody's dives may be numbered from 1. Where a day is not known, it
    has to do.
    """
    day = dives["date"].astype("datetime64[D]").astype(str).tolist()
    undated = [date == "NaT" for date in day]
    key, diver, leader = (dives[name].tolist() for name in ("dive", "diver", "leader"))
    led = set(zip(key, leader, day, strict=True))
    on_any_day = {(k, who) for k, who, none in zip(key, leader, undated, strict=True) if none}
    ever = {(k, who) for k, who in zip(key, leader, strict=True)}
    return np.fromiter(
        (
            (k, who, date) in led or (k, who) in on_any_day or (none and (k, who) in ever)
            for k, who, date, none in zip(key, diver, day, undated, strict=True)
        ),
        bool,
        len(key),
    )


def time_order(date: NDArray[np.datetime64]) -> IntArray:
    """Row numbers in order of date; what has none comes first, ties stay in file order."""
    early = np.where(np.isnat(date), np.datetime64("0001-01-01", "s"), date)
    return np.lexsort((np.arange(len(date)), early))


def latest(records: Records, wanted: BoolArray) -> IntArray:
    """Latest of the wanted dives of each diver, of those with a lead and a suit where there is one.

    Parameters
    ----------
    records : Records
        All records.
    wanted : ndarray of bool, shape (n,)
        Of the dives table.

    Returns
    -------
    ndarray of int, shape (d,)
        Rows of the dives table, one for each diver with such a dive, in order of name.
    """
    dives = records.dives
    order = time_order(dives["date"])
    order = order[wanted[order]]
    # A dive of which no suit was noted says nothing of the next one's, so long as another one does. Those
    # with a lead and a suit come last, and so win.
    told = 2 * ~np.isnan(dives["lead_kg"][order]) + (dives["suit"][order] != "")
    order = order[np.argsort(told, kind="stable")]
    last = dict(zip(dives["diver"][order].tolist(), order.tolist(), strict=True))
    return np.array([last[name] for name in sorted(last)], int)


def roster_plan(
    records: Records, *, date: str, groups: Sequence[str] = (), since: np.datetime64 | None = None
) -> Columns:
    """The next dive of each student, in kit and water of the latest one.

    Parameters
    ----------
    records : Records
        All records.
    date : str
        Day of the plan, ISO 8601.
    groups, since
        As of `scope`.

    Returns
    -------
    Columns
        One row a student, in order of name; for `Assessment.of`.

    Raises
    ------
    UnknownNameError
        If no dive is in one of the groups, or no student has dived in them, or since then.
    """
    rows = latest(records, scope(records, groups, since)[0])
    if not len(rows):
        _require_asked_nothing(groups, since)
    plan: dict[str, NDArray[Any]] = {}
    for name, missing in empty("dives").items():
        if name in _KIT:
            plan[name] = records.dives[name][rows]
        elif missing.dtype == object:
            plan[name] = np.full(len(rows), "", object)
        else:
            nothing = np.datetime64("NaT") if missing.dtype.kind == "M" else np.nan
            plan[name] = np.full(len(rows), nothing, missing.dtype)
    plan["date"] = np.full(len(rows), np.datetime64(date, "s"))
    # A stop above the usual depth asks for more lead; a deeper one may have been that dive's alone.
    depth = records.dives["stop_depth_m"][rows]
    plan["stop_depth_m"] = np.where(depth < STOP_DEPTH, depth, np.nan)
    plan["stop_bar"] = np.array([_left(records.dives, row) for row in rows], object)
    return plan


def _require_asked_nothing(groups: Sequence[str], since: np.datetime64 | None) -> None:
    """Refuse groups or a first day without a dive; that the book has none at all is no fault of who asks."""
    where = f" in group {' or '.join(repr(name) for name in groups)}" if groups else ""
    if since is not None and not np.isnat(since):
        where += f" since {since.astype('datetime64[D]')}"
    if where:
        raise UnknownNameError(f"no dive of a student{where} in the book")


def _left(dives: Columns, row: int) -> str:
    """Planned pressures where a cylinder of that dive was not carried at the stop; empty if all were."""
    for name in ("stop_bar", "end_bar"):
        marks = [part.strip() for part in dives[name][row].split(";")]
        if _AWAY in marks and set(marks) != {_AWAY}:
            return ";".join(mark if mark == _AWAY else f"{RESERVE_PRESSURE:g}" for mark in marks)
    return ""


def looks(assessment: Assessment) -> tuple[BoolArray, BoolArray]:
    """Which dives and checks looked at the diver, and at which stops the diver sank.

    Parameters
    ----------
    assessment : Assessment
        n rows.

    Returns
    -------
    looked, sank : ndarray of bool, shape (n,)
        A look sees all three zones: BC empty and a dry suit vented, or the litres estimated, or a hand-off
        with an empty BC, or a surface check. Whoever sank was heavy whatever was in the BC.
    """
    line = assessment.line
    looked, sank = np.zeros(len(line.table), bool), np.zeros(len(line.table), bool)
    dives, at = line.records.dives, line.at(DIVE)
    weighed = ~np.isnan(dives["lead_kg"])
    vented = ~assessment.rigs.dry[at] | (dives["suit_gas"] == "least")
    stop = (dives["stop_result"] != "") & ((dives["bc_state"] == "empty") | (dives["bc_gas_l"] >= 0))
    after_bc = (dives["handed_off_bc"] == "") | (dives["handed_off_bc"] == "empty")
    after = (dives["handed_off_result"] != "") & after_bc & ~np.isnan(dives["handed_off_kg"])
    looked[at] = weighed & vented & (stop | after)
    sank[at] = weighed & ((dives["stop_result"] == "sank") | (dives["handed_off_result"] == "sank"))
    checks = line.records.checks
    seen = (checks["waterline"] != "") | (checks["exhale_sinks"] != "")
    looked[line.at(CHECK)] = seen & ~np.isnan(checks["lead_kg"])
    return looked, sank


def looked_dives(assessment: Assessment) -> BoolArray:
    """Which dives were looked at, at their stop or at the surface.

    Parameters
    ----------
    assessment : Assessment
        n rows.

    Returns
    -------
    ndarray of bool, shape (n,)
        Dives that are looks; and of each surface check that is one the dive it names, or else the dives of
        that diver in that suit on that day. Rows that are no dives are not marked.
    """
    line, suit, found = assessment.line, assessment.suit.tolist(), looks(assessment)[0]
    at, rows = line.at(DIVE), line.at(CHECK)
    rows = rows[found[rows]]
    found = found & (line.table == DIVE)
    if not len(rows):
        return np.asarray(found, bool)
    day = line.occasions.date.astype("datetime64[D]").astype(str).tolist()
    dives, checks = line.records.dives, line.records.checks
    names = zip(dives["dive"].tolist(), dives["diver"].tolist(), strict=True)
    named = dict(zip(names, at.tolist(), strict=True))
    on_day: dict[tuple[int, str], list[int]] = {}
    for row in at.tolist():
        on_day.setdefault((suit[row], day[row]), []).append(row)
    for row in rows.tolist():
        dive, diver = (checks[name][line.row[row]] for name in ("dive", "diver"))
        if dive and (dive, diver) in named:
            found[named[dive, diver]] = True
        elif day[row] != "NaT":
            found[on_day.get((suit[row], day[row]), [])] = True
    return np.asarray(found, bool)


def unvented(assessment: Assessment) -> BoolArray:
    """Which stops would be looks, had somebody noted that the dry suit was vented.

    Parameters
    ----------
    assessment : Assessment
        n rows.

    Returns
    -------
    ndarray of bool, shape (n,)
        Lead, result and an empty BC are noted; of the gas in the suit nothing, or more than the least.
    """
    line = assessment.line
    found = np.zeros(len(line.table), bool)
    dives, at = line.records.dives, line.at(DIVE)
    stop = (dives["stop_result"] != "") & (dives["bc_state"] == "empty") & ~np.isnan(dives["lead_kg"])
    found[at] = stop & assessment.rigs.dry[at] & (dives["suit_gas"] != "least")
    return found & ~looks(assessment)[0]
