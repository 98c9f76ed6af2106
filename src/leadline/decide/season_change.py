"""What has changed since the last season: the dives before the last long break, and those after it."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.label import items
from leadline.decide.roster_scope import looks
from leadline.decide.season_data import LEVELS
from leadline.decide.season_parts import SeasonChange, SeasonPart

__all__ = ["BREAK", "season_change", "season_ends"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BREAK: Final = 60
"""Days without a dive that part two seasons. [d] (judged)"""

_KIT: Final = ("suit", "undersuit", "bc", "cylinder")


def season_change(
    assessment: Assessment, rows: IntArray, margin: FloatArray, *, position: int, place: IntArray
) -> SeasonChange | None:
    """The season before the last long break, and the one after it.

    Parameters
    ----------
    assessment : Assessment
        With the rows.
    rows : ndarray of int, shape (n,)
        Rows of the timeline with this diver's dives, in order of time.
    margin : ndarray, shape (n,)
        Lead over need on each. [kg]
    position : int
        Row of the next dive, for which the need then and now is told.
    place : ndarray of int
        Place in time of every row of the timeline.

    Returns
    -------
    SeasonChange or None
        None where there was no such break, or no day is known.
    """
    day = _days(assessment, rows)
    known = ~np.isnat(day)
    rows, margin, day = rows[known], margin[known], day[known]
    spans = _spans(day)
    if not spans:
        return None
    parts = [
        _part(assessment, rows[span], margin[span], position, int(place[rows[span][-1]])) for span in spans
    ]
    at = spans[1].start
    gap = int((day[at] - day[at - 1]).astype(int))
    return SeasonChange(parts[0], parts[1], gap, _new_kit(assessment, rows[:at], rows[at:]))


def season_ends(assessment: Assessment, rows: IntArray) -> IntArray:
    """Last dives of the two seasons: up to them `season_change` asks for the need of the next dive.

    Parameters
    ----------
    assessment : Assessment
        With the rows.
    rows : ndarray of int, shape (n,)
        Rows of the timeline with one diver's dives, in order of time.

    Returns
    -------
    ndarray of int, shape (2,) or (0,)
        Rows; none where there are no two seasons.
    """
    day = _days(assessment, rows)
    known = ~np.isnat(day)
    return rows[known][[span.stop - 1 for span in _spans(day[known])]]


def _days(assessment: Assessment, rows: IntArray) -> NDArray[np.datetime64]:
    dives = assessment.line.records.dives
    return np.asarray(dives["date"][assessment.line.row[rows]].astype("datetime64[D]"))


def _spans(day: NDArray[np.datetime64]) -> tuple[slice, ...]:
    """The season before the last long break and the one after it; none where there was no such break."""
    long = np.flatnonzero(np.diff(day).astype(int) >= BREAK)
    if not len(long):
        return ()
    at = int(long[-1]) + 1
    earlier = int(long[-2]) + 1 if len(long) > 1 else 0
    return slice(earlier, at), slice(at, len(day))


def _part(
    assessment: Assessment, rows: IntArray, margin: FloatArray, position: int, until: int
) -> SeasonPart:
    line = assessment.line
    records, at = line.records.dives, line.row[rows]
    one = np.array([position])
    need = assessment.marginals(one, assessment.state(one), until=until)[0]
    carried = margin[~np.isnan(margin)]
    result = records["stop_result"][at]
    return SeasonPart(
        first=records["date"][at[0]],
        last=records["date"][at[-1]],
        dives=len(rows),
        looks=int(looks(assessment)[0][rows].sum()),
        rose=int((result == "rose").sum()),
        sank=int((result == "sank").sum()),
        margin_kg=float(np.median(carried)) if len(carried) else np.nan,
        body_mass_kg=float(line.occasions.body_mass[rows[-1]]),
        need=need.quantile(LEVELS),
    )


def _new_kit(assessment: Assessment, before: IntArray, now: IntArray) -> tuple[str, ...]:
    """Kit of the later dives that is on none of the earlier ones, in order of first use."""
    dives, row = assessment.line.records.dives, assessment.line.row

    def worn(rows: IntArray) -> list[str]:
        return [item for r in row[rows] for name in _KIT for item in items(dives[name][r])]

    old = set(worn(before))
    return tuple(item for item in dict.fromkeys(worn(now)) if item not in old and item != "-")
