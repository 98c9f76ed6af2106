"""The dive or surface check that says what nobody named of the next one: the diver's latest in that suit."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records
from leadline.frozen import dataclass
from leadline.records import RESERVE_PRESSURE, STOP_DEPTH

__all__ = ["NOTHING", "Source", "gas_in", "names", "of_cylinders", "shallow_stop", "source_of"]

NOTHING: Final = "-"
"""A cell that says: none of it, and do not take it over either."""


@dataclass(frozen=True)
class Source:
    """A dive or a surface check that something may be taken from.

    Parameters
    ----------
    table : Columns
        Dives or checks.
    row : int
        Which of them.
    word : {"dive", "check"}
        What it is, and the name of its key.
    like : bool
        Whether the suit is the one asked for.
    date : datetime64
        Its time; the year 1 where none was noted. The end of the day of a dive of which only that is noted:
        it comes after what has a time on that day, as a rise does (`evidence.gather.in_time`).
    """

    table: Columns
    row: int
    word: str
    like: bool
    date: np.datetime64

    @property
    def key(self) -> str:
        """Its name in the records."""
        return str(self.table[self.word][self.row])

    @property
    def day(self) -> str:
        """Its day, ISO 8601; empty where none was noted."""
        day = self.table["date"][self.row]
        return "" if np.isnat(day) else str(day.astype("datetime64[D]"))


def names(cell: str) -> set[str]:
    """Single items of a cell, as they are compared."""
    return {*_parts(cell)}


def _latest(table: Columns, word: str, rows: NDArray[np.int64], suit: str | None) -> Source | None:
    """The latest of some rows, of those in that suit if there are any."""
    if suit is not None:
        like = [row for row in rows if names(table["suit"][row]) == names(suit)]
        rows = np.array(like, int) if like else rows
    if not len(rows):
        return None
    date = table["date"][rows]
    early = np.where(np.isnat(date), np.datetime64("0001-01-01", "s"), date)
    if word == "dive":
        day = early.astype("datetime64[D]")
        early = np.where(early == day, day + np.timedelta64(1, "D"), early)
    last = np.lexsort((np.arange(len(rows)), early))[-1]
    row = int(rows[last])
    alike = suit is None or names(table["suit"][row]) == names(suit)
    return Source(table, row, word, alike, early[last])


def source_of(records: Records, diver: str, suit: str | None) -> Source | None:
    """The diver's latest dive, or a later surface check whose kit was noted; in that suit if there is one.

    Parameters
    ----------
    records : Records
        Of the diver.
    diver : str
        Name.
    suit : str or None
        A cell of suits; None for any.

    Returns
    -------
    Source or None
        None where there is neither.
    """
    dives, checks = records.dives, records.checks
    noted = (checks["diver"] == diver) & (checks["suit"] != "") & (checks["cylinder"] != "")
    mine = np.flatnonzero(dives["diver"] == diver)
    # A dive of which no suit was noted says nothing of the next one's, so long as another one does.
    suited = mine[dives["suit"][mine] != ""]
    dived = _latest(dives, "dive", suited if len(suited) else mine, suit)
    checked = _latest(checks, "check", np.flatnonzero(noted), suit)
    found = [source for source in (dived, checked) if source is not None]
    return max(found, key=lambda source: (source.like, source.date), default=None)


def of_cylinders(
    records: Records, source: Source, diver: str, suit: str | None, cylinders: str
) -> dict[str, str]:
    """What that dive says of these cylinders: the gas in each, and which were not carried at the stop.

    Parameters
    ----------
    records : Records
        Of the diver.
    source : Source
        As `source_of` found it.
    diver : str
        Name.
    suit : str or None
        As asked for.
    cylinders : str
        A cell of cylinders.

    Returns
    -------
    dict of str to str
        Cells of `gas` and `stop_bar`. Gas is empty unless all of them were on that dive, those of one name
        with one gas; pressures are empty unless they are the same in the same order and one was left behind,
        for a check on the latest dive with them: at the surface all hang there.
    """
    then = str(source.table["cylinder"][source.row])
    gas = gas_in(cylinders, then, str(source.table["gas"][source.row]))
    if _parts(then) != _parts(cylinders):
        return {"gas": gas, "stop_bar": ""}
    dive: Source | None = source
    if source.word == "check":
        dives = records.dives
        mine = [
            n for n in np.flatnonzero(dives["diver"] == diver) if _parts(dives["cylinder"][n]) == _parts(then)
        ]
        dive = _latest(dives, "dive", np.array(mine, int), suit)
    return {"gas": gas, "stop_bar": _left_behind(dive) if dive is not None else ""}


def gas_in(cylinders: str, then: str, gas: str) -> str:
    """The gas of some cylinders, from a dive with others among them.

    Parameters
    ----------
    cylinders : str
        A cell of cylinders.
    then, gas : str
        Cylinders and gases of that dive.

    Returns
    -------
    str
        A cell of gases; empty unless all of them were on that dive, those of one name with one gas.

    Examples
    --------
    >>> gas_in("twin 12", "twin 12;stage 7", "18/45;50")
    '18/45'
    >>> gas_in("steel 15", "twin 12;stage 7", "18/45;50")
    ''
    """
    before, now, gases = _parts(then), _parts(cylinders), _parts(gas)
    if before == now:
        return gas
    filled: dict[str, str] = {}
    if len(gases) == 1:
        filled = dict.fromkeys(before, gases[0])
    elif len(gases) == len(before) and len({*zip(before, gases, strict=True)}) == len({*before}):
        filled = dict(zip(before, gases, strict=True))
    return ";".join(filled[name] for name in now) if {*now} <= {*filled} else ""


def _parts(cell: str) -> list[str]:
    """What a cell names, in its order."""
    return [part.strip().casefold() for part in cell.split(";") if part.strip()]


def _left_behind(source: Source) -> str:
    """Planned pressures where a cylinder of that dive was not carried at the stop; empty if all were."""
    for name in ("stop_bar", "end_bar"):
        marks = _parts(source.table[name][source.row]) if name in source.table else []
        if NOTHING in marks and set(marks) != {NOTHING}:  # one of them was breathed from, whatever was noted
            return ";".join(NOTHING if mark == NOTHING else f"{RESERVE_PRESSURE:g}" for mark in marks)
    return ""


def shallow_stop(records: Records, source: Source, diver: str, suit: str | None) -> str:
    """Depth of that stop where it lay above the usual one, of a check that of the latest dive; empty else.

    Foam is wider there, so that more lead is needed. A deeper one needs less, and may have been that dive's.

    Parameters
    ----------
    records : Records
        Of the diver.
    source : Source
        As `source_of` found it.
    diver : str
        Name.
    suit : str or None
        As asked for.

    Returns
    -------
    str
        Metres.
    """
    dive: Source | None = source
    if source.word == "check":
        dive = _latest(records.dives, "dive", np.flatnonzero(records.dives["diver"] == diver), suit)
    depth = float(dive.table["stop_depth_m"][dive.row]) if dive is not None else np.nan
    return f"{depth:g}" if depth < STOP_DEPTH else ""
