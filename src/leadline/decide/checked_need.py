"""Needs of planned dives, with the surface checks of their days."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leadline.decide.ahead import foresee
from leadline.decide.assessment import Assessment
from leadline.decide.checked_dive import CheckedDive
from leadline.model.marginal import Marginal
from leadline.physics.ledger import Exposures, State
from leadline.timeline import CHECK

__all__ = ["checked_dives", "look_ahead", "needs"]

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]


def checked_dives(assessment: Assessment, rows: IntArray) -> list[CheckedDive | None]:
    """Each planned dive with the checks of its day; None where nobody looked at that diver in that suit.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    rows : ndarray of int, shape (t,)
        Rows of the timeline.
    """
    if isinstance(assessment, CheckedDive):
        return [assessment] * len(rows)
    line = assessment.line
    o, checks = line.occasions, line.at(CHECK)
    day = o.date.astype("datetime64[D]")
    checked = set(zip(o.diver[checks].tolist(), day[checks].tolist(), strict=True))
    found: list[CheckedDive | None] = []
    for row in rows.tolist():
        near = (int(o.diver[row]), day[row].item()) in checked
        about = CheckedDive.around(assessment, row) if near else None
        found.append(about if about is not None and about.looks.any() else None)
    return found


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
        Of `checked_dives`, if at hand.

    Returns
    -------
    list of Marginal
        One a row.
    """
    checked = checked_dives(assessment, rows) if checked is None else checked
    look_ahead(assessment, rows, state, checked)
    known = assessment.recalled(rows, state)

    def asked(i: int, about: Assessment) -> Marginal:
        at = np.array([i])
        return about.marginals(rows[at], state.take(at))[0]

    return [
        asked(i, about or assessment) if about is not None or before is None else before
        for i, (about, before) in enumerate(zip(checked, known, strict=True))
    ]
