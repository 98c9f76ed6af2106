"""Which dives of a roster are not believed: all else that is known makes what was noted of them unlikely."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.disbelief import wrong_sights
from leadline.decide.sight import sights, taught, telling
from leadline.model.marginal import Marginal
from leadline.records import RESERVE_PRESSURE

__all__ = ["doubted_rows"]

IntArray = NDArray[np.int64]


def doubted_rows(assessment: Assessment, known: Mapping[int, Marginal]) -> IntArray:
    """Dives and checks whose record is more likely wrong than right.

    Parameters
    ----------
    assessment : Assessment
        With the records.
    known : mapping of int to Marginal
        Need at the reserve on one row of the timeline for each diver and suit, on all the evidence.

    Returns
    -------
    ndarray of int
        Rows of the timeline, in that suit with whatever cylinder, in ascending order.
    """
    rows = np.array(list(known), np.int64)
    seen = np.flatnonzero(assessment.observed)
    shown = sights(assessment, seen[telling(assessment.evidence, seen)])
    if not len(rows) or not len(shown):
        return np.zeros(0, np.int64)
    shown = shown.take(np.argsort(assessment.suit[shown.row], kind="stable"))
    key, wanted = assessment.suit[shown.row], assessment.suit[rows]
    ends = zip(
        np.searchsorted(key, wanted).tolist(), np.searchsorted(key, wanted, "right").tolist(), strict=True
    )
    ledger, shared = assessment.prior(rows, assessment.state(rows, pressure=RESERVE_PRESSURE))
    expected = zip(rows.tolist(), ledger.need, taught(assessment, shared), ends, strict=True)
    passage, drift = assessment.passage, assessment.fit.theta.drift
    found = []
    for row, need, learned, (first, end) in expected:
        own = shown.take(slice(first, end)).carried(need, learned)
        # Need may have walked since.
        walked = drift**2 * np.abs(passage.elapsed[row] - passage.elapsed[own.row])
        walked = walked + np.abs(passage.jumped[row] - passage.jumped[own.row])
        found.append(replace(own, doubt=own.doubt + walked))
    wrong = wrong_sights(list(known.values()), found, assessment.fit.theta)
    return np.unique(np.concatenate([own.row[which] for own, which in zip(found, wrong, strict=True)]))
