"""How full cylinders are at the start of a dive, where nobody has said."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment

__all__ = ["FULL", "full"]

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
    pressure = np.where(np.isnan(occasions.start), rated, occasions.start)
    return np.where(assessment.rigs.take(rows).present, pressure, 0.0)
