"""Which surface checks a planned dive goes by: those of its day, else the latest that no stop was held after.

Whoever leaves the water after a check of the lead dives with what it showed, the next morning too. As one
record among others it would be met half way by those before it, and the answer would fall back overnight.
A stop that is held then says more. A rise, or sinking, ends nothing: it must not undo looks that said the
same.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.past import NEAR_RESERVE, highest_read
from leadline.timeline import CHECK, DIVE, Timeline

__all__ = ["STANDS", "held_stops", "standing_looks"]

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

STANDS: Final = 30
"""Days for which looks stand where no stop was held after them; later they are like others. (judged)"""


def held_stops(line: Timeline) -> IntArray:
    """Rows of the timeline of dives whose stop was held, before or after a hand-off; shape (n,)."""
    said, rows = line.records.dives, line.at(DIVE)
    held = (said["stop_result"] == "hovered") | (said["handed_off_result"] == "hovered")
    return np.asarray(rows[held[line.row[rows]]])


def standing_looks(assessment: Assessment, position: int, telling: BoolArray) -> tuple[BoolArray, bool]:
    """Checks of a planned dive's diver, in its suit, that it goes by.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    position : int
        Row of the dive in the timeline.
    telling : ndarray of bool, shape (m,)
        Which statements of the evidence are of surface checks.

    Returns
    -------
    ndarray of bool, shape (rows,)
        Rows of the timeline. Where nobody looked on that day, those of the latest day in the last `STANDS` on
        which somebody did, if no stop was held in that suit after them.
    bool
        Whether they are of that day.
    """
    line = assessment.line
    o, told = line.occasions, np.zeros(len(line.table), bool)
    told[assessment.evidence.statements.row[telling]] = True
    alike = (o.diver == o.diver[position]) & (assessment.suit == assessment.suit[position])
    of = o.date.astype("datetime64[D]")
    checks, day = told & alike & (line.table == CHECK), of[position]
    today = checks & (of == day)
    if today.any():
        return today, True
    past = checks & (of < day) & (of >= day - np.timedelta64(STANDS, "D"))
    if past.any():
        last = of[past].max()
        past &= of == last
        dives = np.zeros_like(past)
        dives[held_stops(line)] = True
        dives &= alike & (of < day)
        on_the_day = dives & (of == last)
        later = (dives & (of > last)).any() or _after(assessment, past, on_the_day)
        if later or _of_a_dive(assessment, past, on_the_day):
            past = np.zeros_like(past)
    return past, not past.any()


def _after(assessment: Assessment, looks: BoolArray, dives: BoolArray) -> bool:
    """Whether some dive of the day of looks came after them.

    Where one of the two has no time of day, the gas tells: who is near the reserve has dived.
    """
    o = assessment.line.occasions
    rows = np.flatnonzero(looks)
    last = o.date[rows].max()
    at = rows[o.date[rows] == last]
    times = o.date[dives]
    timed = (times != times.astype("datetime64[D]")) & (last != last.astype("datetime64[D]"))
    if (timed & (times >= last)).any():
        return True
    return bool((~timed).any() and not (highest_read(o, at) <= NEAR_RESERVE).all())


def _of_a_dive(assessment: Assessment, looks: BoolArray, dives: BoolArray) -> bool:
    """Whether looks were made on one of these dives: of that the stop is known, and both are one occasion."""
    evidence = assessment.evidence
    occasion, row = evidence.observations.occasion, evidence.statements.row
    return bool(np.isin(occasion[looks[row]], occasion[dives[row]]).any())
