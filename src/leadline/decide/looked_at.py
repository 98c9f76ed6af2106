"""What of a planned dive surface checks have looked at, though no dive on record has it: that is not new."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.checked_dive import CheckedDive
from leadline.decide.history_data import LikeKit
from leadline.decide.past import Past, alike_water
from leadline.distinct import distinct
from leadline.frozen import dataclass
from leadline.timeline import CHECK

__all__ = ["BODY_CHANGE", "LookedAt", "looked_at"]

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

BODY_CHANGE: Final = 3.0
"""Change of body mass since the last record that asks for a check. [kg] (common practice, no source)"""


@dataclass(frozen=True)
class LookedAt:
    """What surface checks of one diver have looked at of one planned dive.

    Parameters
    ----------
    of : dict
        By what may be new on that dive: all checks that have seen it, rows of the timeline.
    gone_by : ndarray of int
        Rows of the timeline of the looks that the dive goes by; none where it goes by none.
    own_day : bool
        Whether these are of the day of the dive.
    body_row : int
        Row of the timeline whose body mass is the last on record: of the latest dive, or of a look that the
        dive goes by and that was made since, on an earlier day. Where there is no dive that of the latest
        check, -1 where there is none either.
    """

    of: dict[str, IntArray]
    gone_by: IntArray
    own_day: bool
    body_row: int

    @classmethod
    def nothing(cls, last_row: int) -> LookedAt:
        """Of a dive that no check tells anything of; `last_row` is that of the diver's latest one."""
        return cls({}, np.zeros(0, np.int64), True, last_row)

    def seen(self, name: str) -> bool:
        """Whether a look that the dive goes by has seen that."""
        return bool(np.isin(self.gone_by, self.of.get(name, ())).any())

    @property
    def settled(self) -> frozenset[str]:
        """What is not new any more: seen by looks of an earlier day that stand."""
        return frozenset() if self.own_day else frozenset(filter(self.seen, self.of))


def looked_at(
    past: Past, rows: IntArray, histories: Sequence[LikeKit], checked: Sequence[CheckedDive | None]
) -> list[LookedAt]:
    """What surface checks have looked at, for rows of a plan.

    Parameters
    ----------
    past : Past
        Of the assessment with the plan.
    rows : ndarray of int, shape (n,)
        Rows of the timeline.
    histories : sequence of LikeKit
        One a row.
    checked : sequence of CheckedDive or None
        The looks that each goes by.

    Returns
    -------
    list of LookedAt
        One a row.
    """
    line = past.assessment.line
    told = np.zeros(len(line.table), bool)
    told[past.assessment.evidence.statements.row] = True
    checks = np.flatnonzero(told & (line.table == CHECK))
    checks = checks[np.argsort(line.occasions.diver[checks], kind="stable")]
    of = line.occasions.diver[checks]
    found = []
    for row, history, about in zip(rows.tolist(), histories, checked, strict=True):
        diver = line.occasions.diver[row]
        own = checks[np.searchsorted(of, diver) : np.searchsorted(of, diver, "right")]
        found.append(_of_one(past, row, history, about, own))
    return found


def _of_one(
    past: Past, row: int, history: LikeKit, about: CheckedDive | None, checks: IntArray
) -> LookedAt:  # fmt: skip
    """Of one row; `checks` are all of its diver that say anything."""
    assessment, o = past.assessment, past.assessment.line.occasions
    last = history.last_row
    if not len(checks):
        return LookedAt.nothing(last)
    gone_by = checks[:0] if about is None else distinct(about.evidence.statements.row[about.looks])
    own_day = about is None or about.own_day
    checks = checks[~(o.date[checks].astype("datetime64[D]") > o.date[row].astype("datetime64[D]"))]
    since = checks if last < 0 else checks[~(o.date[checks] < o.date[last])]
    body_row = last
    if last < 0 and len(checks):
        body_row = int(checks[np.argsort(o.date[checks], kind="stable")[-1]])
    elif len(gone_by) and not own_day:
        newest = int(gone_by[np.argmax(o.date[gone_by])])
        body_row = newest if newest in since else last
    mass = assessment.rigs.body.mass
    here = np.full(len(checks), row)
    of = {
        "suit": checks[assessment.suit[checks] == assessment.suit[row]],
        "cylinder": checks[past.cylinder[checks] == past.cylinder[row]],
        "bc": checks[past.bc[checks] == past.bc[row]],
        "water": checks[alike_water(past, checks, here)],
        "other": checks[[_wears(past, check, history) for check in checks.tolist()]],
        "body": since[np.abs(mass[since] - mass[row]) < BODY_CHANGE],
        "break": since,
    }
    return LookedAt(of, gone_by, own_day, body_row)


def _wears(past: Past, check: int, history: LikeKit) -> bool:
    """Whether a check was made with the other items that are new and without those that are missing."""
    worn = past.pieces(check).keys()
    gained, missing = ({past.piece(item) for item in items} for items in (history.gained, history.missing))
    return bool(gained or missing) and gained <= worn and not missing & worn
