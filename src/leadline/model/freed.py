"""Shared effects as the records alone leave them: the prior of some of them taken out again."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["freed"]

FloatArray = NDArray[np.float64]

LEAST: Final = 1e-6
"""Prior precision that is left, so that an effect of which no record tells stays proper. [-]"""


def freed(mean: FloatArray, covariance: FloatArray, at: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Posterior of shared effects if nothing had been known of some of them before.

    Parameters
    ----------
    mean : ndarray, shape (..., p)
        Posterior means under priors N(0, 1). [-]
    covariance : ndarray, shape (p, p)
        Their posterior covariance. [-]
    at : ndarray of int, shape (q,)
        Places of those to free.

    Returns
    -------
    mean, covariance : ndarray, shape (..., p), (p, p)
        Under a prior of theirs that is wider by a thousand.

    Notes
    -----
    Exact for normal distributions: the precision loses the prior's ones at these places, the shift stays.
    With a kit's effect free, the others no longer depend on what its entry says.

    Examples
    --------
    One reading of 3 with an error of 1 under a prior N(0, 1) leaves half of it; freed, all of it.

    >>> mean, covariance = freed(np.array([1.5]), np.array([[0.5]]), np.array([0]))
    >>> round(float(mean[0]), 3), round(float(covariance[0, 0]), 3)
    (3.0, 1.0)
    """
    taken = 1 - LEAST
    cross = covariance[:, at]
    inner = np.eye(len(at)) / taken - covariance[np.ix_(at, at)]
    gain = np.linalg.solve(inner, cross.T)
    return mean + mean[..., at] @ gain, covariance + cross @ gain
