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

__all__ = ["BREAK", "season_change"]

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
    dives = assessment.line.records.dives
    day = dives["date"][assessment.line.row[rows]].astype("datetime64[D]")
    known = ~np.isnat(day)
    rows, margin, day = rows[known], margin[known], day[known]
    gap = np.diff(day).astype(int)
    long = np.flatnonzero(gap >= BREAK)
    if not len(long):
        return None
    at = int(long[-1]) + 1
    earlier = int(long[-2]) + 1 if len(long) > 1 else 0
    before, now = slice(earlier, at), slice(at, len(rows))
    parts = [
        _part(assessment, rows[span], margin[span], position, int(place[rows[span][-1]]))
        for span in (before, now)
    ]
    return SeasonChange(parts[0], parts[1], int(gap[at - 1]), _new_kit(assessment, rows[:at], rows[at:]))


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
