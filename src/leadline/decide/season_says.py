"""What each dive of a season says by itself, and which of them are not believed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.disbelief import wrong_sights
from leadline.decide.sight import sights, taught, telling
from leadline.model.marginal import Marginal
from leadline.records import RESERVE_PRESSURE

__all__ = ["says"]

IntArray = NDArray[np.int64]
TextArray = NDArray[np.object_]


def says(assessment: Assessment, rows: IntArray, needs: Sequence[Marginal]) -> TextArray:
    """What each dive says by itself about need and the lead that was on at the start of the stop.

    Parameters
    ----------
    assessment : Assessment
        With the records.
    rows : ndarray of int, shape (n,)
        Rows of the timeline, dives of one diver.
    needs : sequence of Marginal
        Need on each at the planned reserve, as known after it.

    Returns
    -------
    ndarray of str, shape (n,)
        Words of `DIVE_EVIDENCE`; 'doubted' where what is known after the dive makes its stop unlikely.
    """
    doubted = _doubted(assessment, rows, needs)
    found = assessment.evidence.statements
    words = []
    for row in rows.tolist():
        if row in doubted:
            words.append("doubted")
            continue
        here = (found.row == row) & assessment.observed
        fit, measured = found.fit[here], bool((found.litres[here] > 0).any())
        firm = ~((fit > 0) & (fit < 1)).any(axis=1)
        at_stop = fit[firm & (found.kind[here] == "stop")] > 0
        # What went wrong with this lead is not made right by the lead that was on after it.
        if (at_stop == (True, False, False)).all(axis=1).any():
            words.append("lower_only")
            continue
        if (at_stop == (False, False, True)).all(axis=1).any():
            words.append("too_much")
            continue
        above, below = bool((firm & (fit[:, 0] == 0)).any()), bool((firm & (fit[:, 2] == 0)).any())
        if above and below:
            words.append("measured" if measured else "two_sided")
        else:
            hint = bool((~firm & (fit[:, 0] > fit[:, 2])).any())
            words.append("upper_only" if above else "lower_only" if below else "hint" if hint else "none")
    return np.array(words, object)


def _doubted(assessment: Assessment, rows: IntArray, needs: Sequence[Marginal]) -> set[int]:
    """Rows of the dives whose stops are not believed after them."""
    ledger, shared = assessment.prior(rows, assessment.state(rows, pressure=RESERVE_PRESSURE))
    expected = zip(rows, ledger.need, taught(assessment, shared), strict=True)
    seen = np.flatnonzero(assessment.observed)
    stops = sights(assessment, seen[telling(assessment.evidence, seen)])
    found = [stops.take(stops.row == row).carried(need, learned) for row, need, learned in expected]
    wrong = wrong_sights(needs, found, assessment.fit.theta)
    return {int(row) for row, which in zip(rows, wrong, strict=True) if which.any()}
