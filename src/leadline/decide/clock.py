"""The clock of a replay: when each record is asked about, and from when on it is known."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records
from leadline.frozen import dataclass
from leadline.timeline import resolve_checks

__all__ = ["NEVER", "Clock", "clock", "cut_moments", "date_of", "moment_of"]

IntArray = NDArray[np.int64]

NEVER: Final = np.iinfo(np.int64).max
"""Moment of a record without a date."""

_TICKS: Final = 1000
"""Moments in a second: dives of one diver at one time follow each other."""

_DAY: Final = 86400


def moment_of(day: np.datetime64) -> int:
    """Moment at which a day begins."""
    return int(day.astype("datetime64[D]").astype(int)) * _DAY * _TICKS + 1


def date_of(moment: int) -> str:
    """Day of a moment, ISO 8601."""
    return str(np.datetime64(moment // _TICKS, "s").astype("datetime64[D]"))


@dataclass(frozen=True)
class Clock:
    """Moments of all records, as ascending numbers; a record is known at moments after its own.

    Parameters
    ----------
    dive : ndarray of int, shape (number of dives,)
        When each dive is asked about, and after which it is known.
    check_asked, check_known : ndarray of int, shape (number of checks,)
        The same for the checks. One that names a dive goes with it: nothing of a dive is known before it.
        Others are asked about at the beginning of their day, and known after their time, or after their
        day where no time is noted.

    Notes
    -----
    Dives of one diver at one time follow each other in file order. A record without a date has no moment:
    it is neither asked about nor ever known.
    """

    dive: IntArray
    check_asked: IntArray
    check_known: IntArray


def clock(records: Records) -> Clock:
    """Moments of all records of a book.

    Parameters
    ----------
    records : Records
        Of the book.

    Returns
    -------
    Clock
        See there.
    """
    dive = _dive_moments(records.dives)
    checks = resolve_checks(records)
    keys = zip(records.dives["dive"].tolist(), records.dives["diver"].tolist(), strict=True)
    at = {key: i for i, key in enumerate(keys)}
    named = zip(checks["dive"].tolist(), checks["diver"].tolist(), strict=True)
    linked = np.array([at.get(key, -1) for key in named], np.int64)
    undated = np.isnat(checks["date"])
    second = np.where(undated, 0, checks["date"].astype("datetime64[s]").astype(np.int64))
    midnight = second - second % _DAY
    timeless = second == midnight
    known = np.where(timeless, (midnight + _DAY) * _TICKS, second * _TICKS + _TICKS - 1)
    asked = midnight * _TICKS + 1
    if len(dive):
        known, asked = (np.where(linked >= 0, dive[linked], own) for own in (known, asked))
    lost = (linked < 0) & undated
    return Clock(dive, np.where(lost, NEVER, asked), np.where(lost, NEVER, known))


def _dive_moments(dives: Columns) -> IntArray:
    """Time and, within one time, the number of that diver's dive; never for one without a date."""
    date = dives["date"]
    undated = np.isnat(date)
    second = np.where(undated, 0, date.astype("datetime64[s]").astype(np.int64))
    diver = np.unique(dives["diver"].astype(str), return_inverse=True)[1]
    order = np.lexsort((np.arange(len(date)), second, diver))
    new = np.ones(len(date), bool)
    new[1:] = (np.diff(second[order]) != 0) | (np.diff(diver[order]) != 0)
    start = np.maximum.accumulate(np.where(new, np.arange(len(date)), 0))
    rank = np.empty(len(date), np.int64)
    rank[order] = np.arange(len(date)) - start
    return np.where(undated, NEVER, second * _TICKS + 2 + np.minimum(rank, _TICKS - 10))


def cut_moments(dive: IntArray, first: int, cuts: int) -> IntArray:
    """Days on which the population is fitted anew.

    Parameters
    ----------
    dive : ndarray of int
        Moments of all dives.
    first : int
        Moment from which on dives are asked about.
    cuts : int
        How many.

    Returns
    -------
    ndarray of int
        Beginnings of days that part the dives asked about evenly; the first at `first` where dives before it
        are known. Fewer than `cuts` where there are fewer days.
    """
    known = dive[dive < NEVER]
    asked = np.sort(known[known >= first])
    before = bool((known < first).any())
    place = np.arange(cuts) / cuts if before else np.arange(1, cuts + 1) / (cuts + 1)
    chosen = asked[np.minimum((place * len(asked)).astype(int), len(asked) - 1)]
    days = chosen // (_DAY * _TICKS) * (_DAY * _TICKS) + 1
    if before:
        days[0] = first
    # A cut before which nothing is known would be the prior once more.
    return np.unique(days[days > known.min()])
