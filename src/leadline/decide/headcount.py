"""How many of a group it is true of: the number to expect, and the band around it."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass

__all__ = ["COMMON", "Headcount", "headcount"]

FloatArray = NDArray[np.float64]

COMMON: Final = 0.15
"""Correlation of what is not known of two people of a group. [-] (judged; see the notes of `headcount`)"""

_NODES: Final = 15
_EDGE: Final = 1e-9


@dataclass(frozen=True)
class Headcount:
    """A number of people.

    Parameters
    ----------
    expected : float
        Mean. [-]
    low, high : int
        Ends of the band. [-]
    level : float
        Probability that the number lies in it, at least. [-]
    """

    expected: float
    low: int
    high: int
    level: float


def headcount(probability: ArrayLike, *, level: float = 0.8, common: float = COMMON) -> Headcount:
    """Number of people of whom something is true.

    Parameters
    ----------
    probability : array_like, shape (n,)
        Posterior probability that it is true of each. [-] Valid 0 to 1; NaN counts for nobody.
    level : float
        Of the band. [-] Valid between 0 and 1.
    common : float
        Correlation of what is not known of two of them. [-] Valid 0 to below 1; 0: each by itself.

    Returns
    -------
    Headcount
        With equal tails.

    Raises
    ------
    OutOfRangeError
        If a probability, the level or the correlation is out of range.

    Notes
    -----
    Given one standard normal error that all share, each is decided by itself: the number is then
    Poisson-binomial, and the error is integrated by Gauss-Hermite quadrature. An error of the formulas makes
    all students of a course heavier than thought, or none; without it, in simulated classes of 30 of known
    truth, 68 of 100 bands of 80 % held the true number, with it 86 (`COMMON`).

    Examples
    --------
    >>> found = headcount([0.5] * 4, common=0.0)
    >>> found.expected, found.low, found.high
    (2.0, 1, 3)
    """
    p = np.asarray(probability, float)
    p = p[~np.isnan(p)]
    if ((p < 0) | (p > 1)).any():
        raise OutOfRangeError("probabilities must lie in [0, 1]: give the chance that it is true of each")
    if not 0 < level < 1:
        raise OutOfRangeError(f"level must lie between 0 and 1, got {level}")
    if not 0 <= common < 1:
        raise OutOfRangeError(f"correlation must lie in [0, 1), got {common}")
    risen = np.cumsum(_distribution(p, common))
    low, high = (int(np.searchsorted(risen, q - _EDGE)) for q in ((1 - level) / 2, (1 + level) / 2))
    return Headcount(float(p.sum()), min(low, len(p)), min(high, len(p)), level)


def _distribution(p: FloatArray, common: float) -> FloatArray:
    """Probability of each number from 0 to n."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    point = ndtri(np.clip(p, _EDGE, 1 - _EDGE))
    each = ndtr((point[:, None] + np.sqrt(common) * nodes) / np.sqrt(1 - common))
    return np.asarray(_sums(each) @ (weights / weights.sum()))


def _sums(each: FloatArray) -> FloatArray:
    """Probability of each number of successes, shape (n + 1, k), of n trials under each of k conditions.

    Trials are joined two by two: the product of their generating functions, by Fourier transform.
    """
    count, conditions = each.shape
    if not count:
        return np.ones((1, conditions))
    parts = np.stack([1 - each, each], axis=1)
    while len(parts) > 1:
        if len(parts) % 2:
            nobody = np.zeros((1, *parts.shape[1:]))
            nobody[:, 0] = 1.0
            parts = np.concatenate([parts, nobody])
        size = 2 * parts.shape[1] - 1
        turned = np.fft.rfft(parts, size, axis=1)
        parts = np.fft.irfft(turned[::2] * turned[1::2], size, axis=1)
    return np.asarray(np.clip(parts[0, : count + 1], 0.0, 1.0))
