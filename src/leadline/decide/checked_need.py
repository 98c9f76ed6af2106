"""Needs of planned dives, with the surface checks that they go by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.ahead import foresee
from leadline.decide.assessment import Assessment
from leadline.decide.check_reading import agreed, doubtful
from leadline.decide.checked_dive import CheckedDive
from leadline.decide.standing_look import STANDS, held_stops, stops_since
from leadline.frozen import dataclass
from leadline.model.marginal import Marginal
from leadline.physics.ledger import Exposures, State
from leadline.timeline import CHECK

__all__ = ["Looked", "checked_dives", "look_ahead", "needs"]

_DAY: Final = "datetime64[D]"

FAR_END: Final = 0.9
"""Share of need by which it is told whether a stop since puts lead on or takes it off. [-]"""

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Looked:
    """What looks mean for some planned dives; t rows.

    Parameters
    ----------
    gone_by : list of CheckedDive or None
        Each dive with the checks it goes by; None where nobody looked at that diver in that suit of late, or
        what was seen is not gone by.
    unanswered : list of bool
        Whether looks of an earlier day asked for another one that was never made, and are not gone by.
    """

    gone_by: list[CheckedDive | None]
    unanswered: list[bool]

    def part(self, rows: slice) -> Looked:
        """The same of some of the rows."""
        return Looked(self.gone_by[rows], self.unanswered[rows])


def checked_dives(assessment: Assessment, rows: IntArray) -> Looked:
    """What looks mean for planned dives.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    rows : ndarray of int, shape (t,)
        Rows of the timeline.
    """
    if isinstance(assessment, CheckedDive):
        return Looked([assessment] * len(rows), [False] * len(rows))
    o, suit, day = assessment.line.occasions, assessment.suit, assessment.line.occasions.date
    line = assessment.line
    last_check, last_held = (_latest(assessment, each) for each in (line.at(CHECK), held_stops(line)))
    found, unanswered = list[CheckedDive | None](), []
    for row in rows.tolist():
        key, today = (int(o.diver[row]), int(suit[row])), day[row].astype(_DAY)
        looked, held = last_check.get(key), last_held.get(key)
        # What most divers have: no look of late, or a stop held since. Looks that are later still are rare.
        gone = looked is None or today > looked + STANDS or (held is not None and looked < held < today)
        about = None if gone else CheckedDive.around(assessment, row)
        stands = about is not None and _gone_by(assessment, about)
        found.append(_not_undone(about) if about is not None and stands else None)
        unanswered.append(about is not None and not stands and _asks(about))
    return Looked(found, unanswered)


def _asks(about: CheckedDive) -> bool:
    """Whether looks of an earlier day asked for another one, and no stop has told of it since.

    A night answers nothing, and by itself such a look must not make a diver known.
    """
    return bool(about.looks.any() and not about.since and doubtful(about) and not agreed(about))


def _gone_by(assessment: Assessment, about: CheckedDive) -> bool:
    """Whether the looks are gone by: on a later day no single one that nothing bears out, such as a slip.

    Nor those that a stop since speaks against: a rise where they ask for less than the records, or sinking
    where they ask for more.
    """
    if not about.looks.any():
        return False
    if about.own_day:
        return True
    if doubtful(about) and not agreed(about):
        return False
    if not about.since:
        return True
    row = np.array([about.position])
    with_looks, alike = (one.marginals(row, about.state(row))[0].mean for one in (about, assessment))
    return bool(about.since * (with_looks - alike) >= 0)


def _not_undone(about: CheckedDive) -> CheckedDive:
    """The same as if there had been no stop since, where a rise would take lead off, or sinking put it on.

    A rise draws what was known nearer to what the looks showed, and lets the two be met half way.
    """
    if not about.since:
        return about
    of = about.evidence.statements.row
    looked = np.zeros(len(about.line.table), bool)
    looked[of[about.looks]] = True
    rest = ~np.isin(of, stops_since(about, about.position, looked))
    left_out = None if about.left_out is None else about.left_out[rest]
    alike = replace(about, evidence=about.evidence.take(rest), looks=about.looks[rest], left_out=left_out)
    row = np.array([about.position])
    now, then = (one.marginals(row, about.state(row))[0].quantile([FAR_END])[0] for one in (about, alike))
    return about if about.since * (now - then) >= 0 else alike


def _latest(assessment: Assessment, rows: IntArray) -> dict[tuple[int, int], np.datetime64]:
    """Day of the latest of some rows, of each diver in each suit; what has no date is left out."""
    o = assessment.line.occasions
    rows = rows[~np.isnat(o.date[rows])]
    rows = rows[np.argsort(o.date[rows], kind="stable")]
    keys = zip(o.diver[rows].tolist(), assessment.suit[rows].tolist(), strict=True)
    return dict(zip(keys, o.date[rows].astype(_DAY), strict=True))


def look_ahead(
    assessment: Assessment, rows: IntArray, state: State, checked: Sequence[CheckedDive | None],
    prior: tuple[FloatArray, Exposures] | None = None,
) -> None:  # fmt: skip
    """Have the needs found that no check of the day changes, if there are many; parameters as of `needs`.

    The prior of all rows, if at hand, is as of `foresee`.
    """
    plain = np.flatnonzero([about is None for about in checked])
    own = None if prior is None else (prior[0][plain], prior[1].take(plain))
    foresee(assessment, rows[plain], state.take(plain), prior=own)


def needs(
    assessment: Assessment, rows: IntArray, state: State, checked: Sequence[CheckedDive | None] | None = None
) -> list[Marginal]:
    """Posterior of need of planned dives, a check on the day of the dive taken in as `check` takes it in.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    rows : ndarray of int, shape (t,)
        Rows of the timeline.
    state : State
        t rows.
    checked : sequence of CheckedDive or None, optional
        Those that each goes by, of `checked_dives`, if at hand.

    Returns
    -------
    list of Marginal
        One a row.
    """
    checked = checked_dives(assessment, rows).gone_by if checked is None else checked
    look_ahead(assessment, rows, state, checked)
    known = assessment.recalled(rows, state)

    def asked(i: int, about: Assessment) -> Marginal:
        at = np.array([i])
        return about.marginals(rows[at], state.take(at))[0]

    return [
        asked(i, about or assessment) if about is not None or before is None else before
        for i, (about, before) in enumerate(zip(checked, known, strict=True))
    ]
