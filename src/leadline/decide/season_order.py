"""What was known after each dive and check of a season: the order in which its page reads the records."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.evidence.gather import in_time
from leadline.timeline import CHECK, DIVE

__all__ = ["in_order"]

IntArray = NDArray[np.int64]


def in_order(assessment: Assessment) -> tuple[Assessment, IntArray]:
    """The records in the order of a season page: a dive of which only the day is noted is after its checks.

    Who looks before a dive notes the time, and of the dive the day alone. Read as at midnight the dive would
    not know of the look, and its stop be disbelieved by a need that nobody had in mind any more. What else is
    said goes by the order of the evidence itself: there it tells which of two that contradict came later.

    Parameters
    ----------
    assessment : Assessment
        n rows; its evidence as `leadline.evidence.gather.gather` has it.

    Returns
    -------
    assessment : Assessment
        To be asked for what was known up to a place; the given one where its evidence is in this order.
    place : ndarray of int, shape (n,)
        In time, of every row of the timeline: each number from 0 to n - 1 once. Ties stay in file order, so
        do the dives of one day of which only that is noted.
    """
    line, evidence = assessment.line, assessment.evidence
    time = in_time(line)
    n = len(time)
    by_time = np.argsort(time, kind="stable")
    occasion = np.arange(n)
    occasion[evidence.statements.row] = by_time[evidence.order]
    date = line.occasions.date
    day = date.astype("datetime64[D]")
    vague = (line.table == DIVE) & (date == day)  # NaT compares false
    # A look on a dive is known with that dive; all others of a day at the time of their occasion.
    looks = np.flatnonzero((line.table == CHECK) & ~np.isnat(date[occasion]) & ~vague[occasion])
    last: dict[tuple[int, object], np.datetime64] = {}
    for row in occasion[looks].tolist():
        key = int(line.occasions.diver[row]), day[row]
        last[key] = max(last.get(key, time[row]), time[row])
    after = np.zeros(n, bool)
    for row in np.flatnonzero(vague).tolist() if last else ():
        known = last.get((int(line.occasions.diver[row]), day[row]))
        if known is not None:
            time[row], after[row] = max(time[row], known), True
    made = after[occasion] & ~after
    time[made], after[made] = np.maximum(time[made], time[occasion[made]]), True
    place = np.empty(n, np.int64)
    place[np.lexsort((np.arange(n), after, time))] = np.arange(n)
    order = place[by_time[evidence.order]]
    if np.array_equal(order, evidence.order):
        return assessment, place
    return replace(assessment, evidence=replace(evidence, order=order)), place
