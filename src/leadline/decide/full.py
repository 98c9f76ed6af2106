"""Gas at the start of a dive where nobody has said, and gas at the stop at all."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.errors import OutOfRangeError

__all__ = ["FULL", "full", "require_gas"]

FULL: Final = 200.0
"""Start pressure where neither the dive nor the cylinder says. [bar gauge]"""


def full(assessment: Assessment, rows: NDArray[np.int64]) -> NDArray[np.float64]:
    """Pressures at the start of dives.

    Parameters
    ----------
    assessment : Assessment
        With the rows.
    rows : ndarray of int, shape (t,)
        Rows of the timeline.

    Returns
    -------
    ndarray, shape (t, C)
        As noted, else as rated, else the usual; 0 where there is no cylinder. [bar gauge] A gas that is
        taken for less than there is makes a diver too light at the end, and a BC too small at the start.
    """
    occasions = assessment.line.occasions.take(rows)
    # The last place is that of cylinders which are not listed.
    listed = np.append(assessment.line.records.gear["rated_bar"], np.nan)[occasions.cylinder]
    rated = np.where((occasions.cylinder < 0) | np.isnan(listed), FULL, listed)
    started = assessment.started(rows)
    pressure = np.where(np.isnan(started), rated, started)
    return np.where(assessment.rigs.take(rows).present, pressure, 0.0)


def require_gas(assessment: Assessment, rows: NDArray[np.int64]) -> None:
    """Refuse a plan in which somebody has nothing to breathe at the stop.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    rows : ndarray of int, shape (t,)
        Rows of the timeline, of the plan.

    Raises
    ------
    OutOfRangeError
        If every cylinder of one of them is left behind.
    """
    without = rows[~assessment.rigs.carried[rows].any(axis=1)]
    if not len(without):
        return
    plan, row = assessment.line.plan, assessment.line.row[without[0]]
    dive = f"dive {plan['dive'][row]} of " if plan["dive"][row] else ""
    raise OutOfRangeError(
        f"{dive}{plan['diver'][row]}: every cylinder is marked - as not carried at the stop; "
        "give the pressure of the one that is"
    )
