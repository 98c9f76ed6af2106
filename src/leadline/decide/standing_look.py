"""Which surface checks a planned dive goes by: those of its day, else the latest that no stop was held after.

Whoever leaves the water after a check of the lead dives with what it showed, the next morning too. As one
record among others it would be met half way by those before it, and the answer would fall back overnight.
A stop that is held then says more. A rise must not undo looks that said the same, nor must sinking: after one
looks are gone by where they ask for more than the records do, after the other where they ask for less.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.past import NEAR_RESERVE, highest_read
from leadline.frozen import dataclass
from leadline.timeline import CHECK, DIVE, Timeline

__all__ = ["STANDS", "Standing", "held_stops", "standing_looks", "stops_since"]

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

STANDS: Final = 30
"""Days for which looks stand where no stop was held after them; later they are like others. (judged)"""


@dataclass(frozen=True)
class Standing:
    """Looks that a planned dive goes by.

    Parameters
    ----------
    looks : ndarray of bool, shape (rows,)
        Rows of the timeline; none where there are none.
    own_day : bool
        Whether they are of the day of the dive, or there are none.
    since : int
        What stops have shown after looks of an earlier day: 1 too light, -1 too heavy, 0 neither.
    """

    looks: BoolArray
    own_day: bool
    since: int = 0


def held_stops(line: Timeline) -> IntArray:
    """Rows of the timeline of dives whose stop was held, before or after a hand-off; shape (n,)."""
    said, rows = line.records.dives, line.at(DIVE)
    held = (said["stop_result"] == "hovered") | (said["handed_off_result"] == "hovered")
    return np.asarray(rows[held[line.row[rows]]])


def standing_looks(assessment: Assessment, position: int, telling: BoolArray) -> Standing:
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
    Standing
        Where nobody looked on that day, those of the latest day in the last `STANDS` on which somebody did,
        if no stop was held in that suit after them, nor did one show too light and another one too heavy.
    """
    line = assessment.line
    o, told = line.occasions, np.zeros(len(line.table), bool)
    told[assessment.evidence.statements.row[telling]] = True
    alike = (o.diver == o.diver[position]) & (assessment.suit == assessment.suit[position])
    of = o.date.astype("datetime64[D]")
    checks, day = told & alike & (line.table == CHECK), of[position]
    today = checks & (of == day)
    if today.any():
        return Standing(today, True)
    past = checks & (of < day) & (of >= day - np.timedelta64(STANDS, "D"))
    if not past.any():
        return Standing(past, True)
    past &= of == of[past].max()
    dives = np.flatnonzero(alike & (line.table == DIVE) & (of < day))
    held = np.isin(dives, held_stops(line))
    after = _after(assessment, past, dives)
    said = line.records.dives["stop_result"][line.row[dives[after]]]
    rose, sank = bool((said == "rose").any()), bool((said == "sank").any())
    if (held & after).any() or _of_a_dive(assessment, past, dives[held]) or (rose and sank):
        return Standing(np.zeros_like(past), True)
    return Standing(past, False, int(rose) - int(sank))


def stops_since(assessment: Assessment, position: int, looks: BoolArray) -> IntArray:
    """Rows of the timeline of dives in that suit that came after looks of an earlier day; shape (n,).

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    position : int
        Row of the planned dive.
    looks : ndarray of bool, shape (rows,)
        Rows of the timeline; some.
    """
    o, suit = assessment.line.occasions, assessment.suit
    alike = (o.diver == o.diver[position]) & (suit == suit[position]) & (assessment.line.table == DIVE)
    day = o.date[position].astype("datetime64[D]")
    dives = np.flatnonzero(alike & (o.date.astype("datetime64[D]") < day))
    return np.asarray(dives[_after(assessment, looks, dives)])


def _after(assessment: Assessment, looks: BoolArray, dives: IntArray) -> BoolArray:
    """Which dives came after looks of one day.

    Where one of the two has no time of day, the gas tells: who is near the reserve has dived.
    """
    o = assessment.line.occasions
    rows = np.flatnonzero(looks)
    last = o.date[rows].max()
    times, day = o.date[dives], last.astype("datetime64[D]")
    of = times.astype("datetime64[D]")
    near = bool((highest_read(o, rows[o.date[rows] == last]) <= NEAR_RESERVE).all())
    timed = (times != of) & (last != day)
    return np.asarray((of > day) | ((of == day) & np.where(timed, times >= last, not near)))


def _of_a_dive(assessment: Assessment, looks: BoolArray, dives: IntArray) -> bool:
    """Whether looks were made on one of these dives: of that the stop is known, and both are one occasion."""
    evidence = assessment.evidence
    occasion, row = evidence.observations.occasion, evidence.statements.row
    return bool(np.isin(occasion[looks[row]], occasion[np.isin(row, dives)]).any())
