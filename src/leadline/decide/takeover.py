"""The kit that nobody named, taken over from the diver's latest dive or a later surface check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records
from leadline.errors import RecordError
from leadline.frozen import dataclass
from leadline.records import DIVES, RESERVE_PRESSURE, STOP_DEPTH, Column
from leadline.units import FOOT

__all__ = ["NOTHING", "Taken", "taken_over"]

_OF_WATER: Final = ("altitude_m", "salinity_gkg")
_KIT: Final = ("suit", "undersuit", "bc", "cylinder", "gas", "other", "water", *_OF_WATER)
_DRY: Final = ("dry_membrane", "dry_foam")
NOTHING: Final = "-"
"""A cell that says: none of it, and do not take it over either."""


@dataclass(frozen=True)
class Taken:
    """A plan row with the kit that nobody named taken over from an earlier dive or surface check.

    Parameters
    ----------
    cells : dict of str to str
        Column to cell of a plan file.
    source : str
        Key of the dive or check it was taken from; empty where there is none.
    date : str
        Its day, ISO 8601; empty where unknown.
    taken : dict of str to str
        What was taken over, column to cell.
    suit : str
        Its suit, as the records have it; empty where there is none.
    word : str
        dive or check; empty where there is none.
    """

    cells: dict[str, str]
    source: str
    date: str
    taken: dict[str, str]
    suit: str
    word: str


def _names(cell: str) -> set[str]:
    return {part.strip().casefold() for part in cell.split(";") if part.strip()}


@dataclass(frozen=True)
class _Source:
    """A dive or a surface check that kit may be taken from."""

    table: Columns
    row: int
    word: str
    like: bool
    date: np.datetime64

    @property
    def key(self) -> str:
        return str(self.table[self.word][self.row])


def _latest(table: Columns, word: str, rows: NDArray[np.int64], suit: str | None) -> _Source | None:
    """The latest of some rows, of those in that suit if there are any."""
    if suit is not None:
        like = [row for row in rows if _names(table["suit"][row]) == _names(suit)]
        rows = np.array(like, int) if like else rows
    if not len(rows):
        return None
    date = table["date"][rows]
    early = np.where(np.isnat(date), np.datetime64("0001-01-01", "s"), date)
    last = np.lexsort((np.arange(len(rows)), early))[-1]
    row = int(rows[last])
    alike = suit is None or _names(table["suit"][row]) == _names(suit)
    return _Source(table, row, word, alike, early[last])


def _source(records: Records, diver: str, suit: str | None) -> _Source | None:
    """The diver's latest dive, or a later surface check whose kit was noted; in that suit if there is one."""
    dives, checks = records.dives, records.checks
    noted = (checks["diver"] == diver) & (checks["suit"] != "") & (checks["cylinder"] != "")
    mine = np.flatnonzero(dives["diver"] == diver)
    # A dive of which no suit was noted says nothing of the next one's, so long as another one does.
    suited = mine[dives["suit"][mine] != ""]
    dived = _latest(dives, "dive", suited if len(suited) else mine, suit)
    checked = _latest(checks, "check", np.flatnonzero(noted), suit)
    found = [source for source in (dived, checked) if source is not None]
    return max(found, key=lambda source: (source.like, source.date), default=None)


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value
    return "" if np.isnan(value) else f"{float(value):g}"


def _given(column: Column, given: Mapping[str, str]) -> bool:
    """Whether a column is named, in either unit."""
    return column.name in given or (column.twin is not None and column.twin.name in given)


def _left_behind(source: _Source) -> str:
    """Planned pressures where a cylinder of that dive was not carried at the stop; empty if all were."""
    for name in ("stop_bar", "end_bar"):
        marks = (
            [part.strip() for part in source.table[name][source.row].split(";")]
            if name in source.table
            else []
        )
        if NOTHING in marks:
            return ";".join(NOTHING if mark == NOTHING else f"{RESERVE_PRESSURE:g}" for mark in marks)
    return ""


def _shallow(records: Records, source: _Source, diver: str, suit: str | None) -> str:
    """Depth of that stop where it lay above the usual one, of a check that of the latest dive; empty else.

    Foam is wider there, so that more lead is needed. A deeper one needs less, and may have been that dive's.
    """
    dive: _Source | None = source
    if source.word == "check":
        dive = _latest(records.dives, "dive", np.flatnonzero(records.dives["diver"] == diver), suit)
    depth = float(dive.table["stop_depth_m"][dive.row]) if dive is not None else np.nan
    return f"{depth:g}" if depth < STOP_DEPTH else ""


def _deepest(given: Mapping[str, str]) -> float:
    """The greatest depth that was named; infinite where none was, or what it says is no number. [m]."""
    for name, metres in (("max_depth_m", 1.0), ("max_depth_ft", FOOT)):
        try:
            return float(given[name]) * metres
        except (KeyError, ValueError):
            continue
    return float("inf")


def taken_over(records: Records, given: Mapping[str, str]) -> Taken:
    """Cells of one planned dive, completed from the diver's latest dive in that suit, else the latest.

    A surface check after it does as well, if its suit and cylinder were noted.

    Parameters
    ----------
    records : Records
        Of the diver, with all gear.
    given : mapping of str to str
        What was named, column to cell; `-` says none.

    Returns
    -------
    Taken
        Altitude and salinity go with the water, salinity not to another site; gas and pressures with
        the cylinders, an undersuit with the suit. A stop above the usual depth is taken over too.

    Raises
    ------
    RecordError
        If no suit is named and there is no dive to take one from.
    """
    suit = given.get("suit")
    source = _source(records, given["diver"], suit)
    if source is None and suit is None:
        raise RecordError(
            f"no dive of {given['diver']} in the book to take a suit from; give --suit (or --suit - for none)"
        )
    taken = {} if source is None else _kit(records, source, given)
    cells = {
        name: "" if name in _KIT and cell.strip() == NOTHING else cell.strip() for name, cell in given.items()
    }
    if source is None:
        return Taken({**taken, **cells}, "", "", taken, "", "")
    day = source.table["date"][source.row]
    return Taken(
        {**taken, **cells},
        source.key,
        "" if np.isnat(day) else str(day.astype("datetime64[D]")),
        taken,
        str(source.table["suit"][source.row]),
        source.word,
    )


def _kit(records: Records, source: _Source, given: Mapping[str, str]) -> dict[str, str]:
    """What of that dive or check nobody named otherwise."""
    suit = given.get("suit")
    previous = {name: _text(source.table[name][source.row]) for name in _KIT}
    previous["stop_bar"] = _left_behind(source)
    previous["stop_depth_m"] = _shallow(records, source, given["diver"], suit)
    skip = {column.name for column in DIVES.columns if _given(column, given)}
    if "water" in skip:
        skip |= set(_OF_WATER)
    if given.get("site", "") not in ("", source.table["site"][source.row] if "site" in source.table else ""):
        skip.add("salinity_gkg")
    if "cylinder" in skip:
        skip |= {"gas", "stop_bar"}
    if "end_bar" in skip:
        skip.add("stop_bar")
    if previous["stop_depth_m"] and float(previous["stop_depth_m"]) > _deepest(given):
        skip.add("stop_depth_m")
    if suit is not None and _names(suit) != _names(previous["suit"]) and not _dry(records, suit):
        skip.add("undersuit")
    return {name: cell for name, cell in previous.items() if cell and name not in skip}


def _dry(records: Records, suit: str) -> bool:
    gear, worn = records.gear, _names(suit)
    return any(
        style in _DRY and item.casefold() in worn
        for item, style in zip(gear["item"].tolist(), gear["style"].tolist(), strict=True)
    )
