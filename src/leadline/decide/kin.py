"""One diver's records in the same suit with another cylinder or undersuit: how well each tells of the other.

Who rises with the one cylinder has changed, or the water has, and with another one nothing of that is undone.
The ledger carries what was seen from kit to kit, and what is in doubt about the way is reckoned here.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.physics.ledger import Exposures

__all__ = ["CLOSE", "apart", "apart_rows", "walked"]

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


def walked(assessment: Assessment, rows: IntArray, to: IntArray | int) -> FloatArray:
    """Variance by which need may have walked from rows of the timeline to others. [kg²]."""
    passage, drift = assessment.passage, assessment.fit.theta.drift
    years = np.abs(passage.elapsed[to] - passage.elapsed[rows])
    return np.asarray(drift**2 * years + np.abs(passage.jumped[to] - passage.jumped[rows]))
