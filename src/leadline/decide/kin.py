"""One diver's records in the same suit with another cylinder or undersuit: how well each tells of the other.

Who rises with the one cylinder has changed, or the water has, and with another one nothing of that is undone.
The ledger carries what was seen from kit to kit, and what is in doubt about the way is reckoned here.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.history_data import LikeKit, restless
from leadline.decide.sight import taught
from leadline.model.marginal import Marginal
from leadline.physics.ledger import Exposures, State

__all__ = ["CLOSE", "apart", "apart_rows", "other_kits", "prior_need", "recarried", "walked"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

CLOSE: Final = 0.3
"""Kit whose needs lie apart by what is known so well [sd, kg] is as good as the same.

Judged: less than half of the usual scatter in variance. A stage that is not carried at the stop is so, and
cylinders of which many dives have taught.
"""


def apart(
    assessment: Assessment, one: Exposures, other: FloatArray, other_suit: FloatArray, same_suit: BoolArray
) -> FloatArray:
    """Variance of the difference between needs of one diver in different kit.

    Parameters
    ----------
    assessment : Assessment
        With the fit.
    one : Exposures
        Of *n* needs.
    other : ndarray, shape (n, p)
        Exposures of those that they are held against, of the same names. [kg]
    other_suit : ndarray, shape (n,)
        Theirs by how the suit fits. [kg]
    same_suit : ndarray of bool, shape (n,)
        Whether both are of one suit and undersuit, which fit alike.

    Returns
    -------
    ndarray, shape (n,)
        By what the population has taught; what this diver's own records tell of it is left out, the careful
        side for whoever would be sure of the difference. [kg²]
    """
    differ = one.values - other
    covariance = assessment.fit.aligned(one.names)[1]
    shared = np.einsum("np,pq,nq->n", differ, covariance, differ)
    alone = np.where(same_suit, (one.suit_sd - other_suit) ** 2, one.suit_sd**2 + other_suit**2)
    return np.asarray(shared + assessment.fit.theta.suit_factor**2 * alone)


def apart_rows(assessment: Assessment, rows: IntArray, row: int) -> FloatArray:
    """The same between rows of the timeline and another one at their stops; 0 for rows in its kit. [kg²]."""
    suit, cylinder = assessment.suit, assessment.cylinder_types
    found = np.zeros(len(rows))
    in_suit = suit[rows] == suit[row]
    new = np.flatnonzero(~(in_suit & (cylinder[rows] == cylinder[row])))
    if len(new):
        both = np.append(rows[new], row)
        shared = assessment.prior(both, assessment.state(both))[1]
        last = shared.take(np.full(len(new), len(new)))
        found[new] = apart(assessment, shared.take(slice(-1)), last.values, last.suit_sd, in_suit[new])
    return found


def prior_need(assessment: Assessment, rows: IntArray, state: State) -> tuple[FloatArray, FloatArray]:
    """Needs by the ledger, and with what was learned of them. [kg]."""
    ledger, shared = assessment.prior(rows, state)
    need = np.asarray(ledger.need, float)
    return need, need + taught(assessment, shared)


def other_kits(history: LikeKit) -> IntArray:
    """Rows of the timeline in each other kit, the latest of it, where some stop in the suit rose or sank."""
    near = history.near
    if near is history.sights or not restless(near):
        return np.zeros(0, np.int64)
    latest: dict[int, tuple[int, int]] = {}
    for kit, place, row in zip(near.kit.tolist(), near.time.tolist(), near.row.tolist(), strict=True):
        if kit:
            latest[kit] = max(latest.get(kit, (-1, -1)), (place, row))
    return np.array([row for _, row in latest.values()], np.int64)


def recarried(
    assessment: Assessment, row: IntArray, state: State, need: Marginal, history: LikeKit
) -> LikeKit:
    """A history whose sights in other kit are carried by what this diver's own records tell of it.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    row, state : ndarray of int, State
        One row of the timeline, and its stop.
    need : Marginal
        Need there, on all records.
    history : LikeKit
        As recorded.

    Notes
    -----
    An undersuit may be three kilograms from what physics has for it. Who has dived in both knows that.
    """
    rows = other_kits(history)
    if not len(rows):
        return history
    near, stop = history.near, assessment.state(rows)
    found = assessment.marginals(rows, stop)
    (ledger, known), (ledger_here, known_here) = (
        prior_need(assessment, *one) for one in ((rows, stop), (row, state))
    )
    moved, learned = np.zeros(len(near)), np.zeros(len(near))
    known_by = np.where(near.kit == 0, need.expected_sd**2, near.known)
    for i, own in enumerate(found):
        of = near.kit == near.kit[np.argmax(near.row == rows[i])]
        moved[of] = (need.mean - known_here[0]) - (own.mean - known[i])
        learned[of] = (known_here[0] - ledger_here[0]) - (known[i] - ledger[i])
        known_by[of] = own.expected_sd**2
    between = np.minimum(near.apart, need.expected_sd**2 + known_by)
    carried = replace(
        near,
        lead=near.lead + moved + learned,
        above=near.above + moved,
        below=near.below + moved,
        doubt=near.doubt - near.apart + between,
        known=known_by,
        moved=moved,
    )
    return replace(history, near=carried.judged())


def walked(assessment: Assessment, rows: IntArray, to: IntArray | int) -> FloatArray:
    """Variance by which need may have walked from rows of the timeline to others. [kg²]."""
    passage, drift = assessment.passage, assessment.fit.theta.drift
    years = np.abs(passage.elapsed[to] - passage.elapsed[rows])
    return np.asarray(drift**2 * years + np.abs(passage.jumped[to] - passage.jumped[rows]))
