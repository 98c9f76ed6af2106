"""Which dives of a roster are not believed: all else that is known makes what was noted of them unlikely."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.disbelief import wrong_sights
from leadline.decide.sight import sights, taught, telling
from leadline.model.marginal import Marginal
from leadline.records import RESERVE_PRESSURE

__all__ = ["doubted_rows", "judged_dives"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

ALIKE: Final = 0.25
"""Needs that differ by less by kit and water are one and the same for a lead. [kg]"""


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


def judged_dives(
    latest: IntArray,
    student: IntArray,
    *,
    lead: FloatArray,
    suit: IntArray,
    expected: FloatArray,
    believed: BoolArray,
) -> IntArray:
    """Dives by whose lead students are judged: the latest ones, but for a record that is not believed.

    Parameters
    ----------
    latest : ndarray of int, shape (d,)
        Place of each student's latest dive among the *n*.
    student : ndarray of int, shape (n,)
        Whose dive; those of one student in order of time.
    lead, expected : ndarray, shape (n,)
        Lead carried, and need by kit and population. [kg]
    suit : ndarray of int, shape (n,)
        Key of diver and suit.
    believed : ndarray of bool, shape (n,)
        Whether the record is.

    Returns
    -------
    ndarray of int, shape (d,)
        Among the *n*. Where the latest record is not believed, the latest one in like kit and water that is,
        unless its lead is no less: what may be a slip must not hide that a student is too light.
    """
    apart = np.abs(expected - expected[latest][student])
    like = believed & (suit == suit[latest][student]) & (apart < ALIKE) & ~np.isnan(lead)
    before = latest.copy()
    before[student[like]] = np.flatnonzero(like)  # in order of time: the latest stays
    return np.where(~believed[latest] & (lead[before] < lead[latest]), before, latest)
