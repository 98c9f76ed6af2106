"""Log likelihood of one observation and its two derivatives, stable far into both tails."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.normal import distribution, log_distribution

__all__ = ["POINT_RANGE", "point_terms", "within", "zone_terms", "zone_value"]

FloatArray = NDArray[np.float64]

SAFE_LEVEL: Final = 1e-7
"""Least chance of a record in any zone from which probabilities may be summed as they are. [-]"""

LEAST_RIGHT: Final = 1e-12
"""Floor of the responsibility of a right record. [-]"""

LOG_SQRT_2PI: Final = 0.9189385332046727
POINT_RANGE: Final = 15.0
"""Range over which a wrong reading of need is taken as uniform. [kg]"""

DEEP: Final = 40.0
"""Logarithms below its highest at which a density ends. [-]"""

TAIL: Final = 5.0
NARROW: Final = 1.0
"""Sds from which on an interval lies in the tail, and up to which it is narrow. [-, -]"""

_legendre = np.polynomial.legendre.leggauss(32)
NODES: Final[FloatArray] = (_legendre[0] + 1) / 2
WEIGHTS: Final[FloatArray] = _legendre[1] / 2
"""Gauss-Legendre on [0, 1]: a density of up to `DEEP` to the last digits. [-, -]"""


def _log_between(lower: FloatArray, upper: FloatArray) -> FloatArray:
    """log(Phi(upper) - Phi(lower)), from whichever tail keeps the digits; -inf where nothing is between."""
    flip = lower > 0
    near = log_distribution(np.where(flip, -lower, upper))
    far = log_distribution(np.where(flip, -upper, lower))
    with np.errstate(divide="ignore", invalid="ignore"):
        # Both logs are -inf only where the zone is empty: then so is the difference.
        ratio = np.where(np.isneginf(near), 0.0, far - near)
        return np.asarray(near + np.log1p(-np.exp(np.minimum(ratio, 0.0))))


def _log_sum(scores: FloatArray, levels: FloatArray) -> FloatArray:
    """Log of the weighted sum of all zones, each zone by its own tail."""
    with np.errstate(divide="ignore"):
        logs = np.log(levels)
    last = levels.shape[-1] - 1
    value = np.logaddexp(
        logs[..., 0] + log_distribution(-scores[..., 0]), logs[..., last] + log_distribution(scores[..., -1])
    )
    for zone in range(1, last):
        between = _log_between(scores[..., zone], scores[..., zone - 1])
        value = np.logaddexp(value, logs[..., zone] + between)
    return np.asarray(value)


def zone_value(scores: FloatArray, levels: FloatArray) -> FloatArray:
    """Log probability alone, given each edge's distance from the need in sds, shape (..., m, k)."""
    if levels.size and levels.min() > SAFE_LEVEL:
        # No zone is impossible, so the sum cannot cancel and logs of tails are not needed.
        found = np.sum(np.diff(levels, axis=-1) * distribution(scores), axis=-1)
        found += levels[..., 0]
        return np.asarray(np.log(found, out=found))
    return _log_sum(scores, levels)


def zone_terms(
    need: FloatArray, edges: FloatArray, levels: FloatArray, *, sd: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Log probability of a record that has its own chance in each of several zones of need.

    Parameters
    ----------
    need : ndarray, shape (..., m)
        Expected need in the state of the observation. [kg]
    edges : ndarray, shape (..., m, k)
        Ends of the zones from light to heavy, descending; may be infinite or equal. [kg]
    levels : ndarray, shape (..., m, k + 1)
        Chance of the record given need in each zone, from light to heavy. [-]
    sd : ndarray, shape (..., m)
        Scatter of need around its expectation, reading noise included. [kg]

    Returns
    -------
    value, slope, curvature, right : ndarray, shape (..., m)
        Log probability, its first and second derivative with respect to `need`, and the responsibility of
        a right record (see Notes). [-, 1/kg, 1/kg², -]

    Notes
    -----
    With F_j the normal distribution function of (edge_j - need)/sd, the probability is
    level_0 + sum (level_j+1 - level_j) F_j. With levels (0, 1, 0) it is the usual interval-censored
    likelihood, whose logarithm is concave.

    The smallest level is the chance of a record that says nothing; the rest is a record that means what it
    says, with responsibility r. That part alone has slope/r as its slope and (curvature - slope² (1/r - 1))/r
    as its curvature, which is never positive where the zones that fit are neighbours.
    """
    scores = (edges - need[..., None]) / sd[..., None]
    steps = np.diff(levels, axis=-1)
    least = levels.min(axis=-1)
    value = zone_value(scores, levels)
    finite = np.isfinite(scores)
    scores = np.where(finite, scores, 0.0)
    weighted = steps * np.exp(np.where(finite, -0.5 * scores**2 - LOG_SQRT_2PI - value[..., None], -np.inf))
    slope = -weighted.sum(axis=-1) / sd
    curvature = -np.sum(weighted * scores, axis=-1) / sd**2 - slope**2
    with np.errstate(divide="ignore"):
        worthless = np.exp(np.minimum(np.log(least) - value, 0.0))
    if (levels[..., 1] == 1.0).any():
        ends = (edges[..., [0, -1]] - need[..., None]) / sd[..., None]
        upper, lower = ends[..., 0], ends[..., 1]
        sure = np.all(levels[..., 1:-1] == 1.0, axis=-1) & (levels[..., 0] == 0) & (levels[..., -1] == 0)
        sure = sure & (upper > lower)
        at = np.nonzero(sure & ((upper < -TAIL) | (lower > TAIL) | (upper - lower < NARROW)))
        value[at], mean, variance = within(upper[at], lower[at])
        slope[at], curvature[at] = mean / sd[at], (variance - 1) / sd[at] ** 2
    return value, slope, curvature, np.maximum(1 - worthless, LEAST_RIGHT)


def within(upper: FloatArray, lower: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What a standard normal is in narrow intervals, or in such as lie in its tail.

    Parameters
    ----------
    upper, lower : ndarray, shape (n,)
        Scores; either may be infinite. [-]

    Returns
    -------
    value, mean, variance : ndarray, shape (n,)
        Log probability of the interval; mean and variance in it. [-]

    Notes
    -----
    By quadrature from the end that is nearer to the middle: as differences of tails the variance would lose
    all digits some thousand sds out, and in an interval of a thousandth of an sd.
    """
    sign = np.where(upper + lower > 0, -1.0, 1.0)
    upper, lower = np.where(sign < 0, -lower, upper), np.where(sign < 0, -upper, lower)
    length = np.minimum(upper - lower, 2 * DEEP / (np.sqrt(upper**2 + 2 * DEEP) - upper))
    u = length[:, None] * NODES
    weight = WEIGHTS * np.exp(u * (upper[:, None] - 0.5 * u))
    mass = weight.sum(axis=1)
    first = np.sum(weight * u, axis=1) / mass
    second = np.sum(weight * (u - first[:, None]) ** 2, axis=1) / mass
    value = np.log(mass * length) - 0.5 * upper**2 - LOG_SQRT_2PI
    return value, sign * (upper - first), second


def point_terms(
    need: FloatArray, reading: FloatArray, *, wrong: FloatArray | float, sd: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Log density of a reading of need itself, with a chance that the reading is worthless.

    Parameters
    ----------
    need : ndarray, shape (..., m)
        Expected need in the state of the observation. [kg]
    reading : ndarray, shape (m,)
        What was read. [kg]
    wrong : float or ndarray, shape (m,)
        Chance that the reading is uniform over `POINT_RANGE` instead. [-]
    sd : ndarray, shape (m,)
        Scatter and reading noise together. [kg]

    Returns
    -------
    value, slope, curvature, right : ndarray, shape (..., m)
        As for `zone_terms`, with the log density.
    """
    share_wrong = np.asarray(wrong, float)
    pull = (reading - need) / sd**2
    with np.errstate(divide="ignore"):
        flat = np.log(share_wrong / POINT_RANGE)
    good = np.log1p(-share_wrong) - 0.5 * ((reading - need) / sd) ** 2 - np.log(sd) - LOG_SQRT_2PI
    value = np.logaddexp(good, flat)
    share = np.exp(good - value)
    doubt = share * (1 - share) * pull**2
    return value, share * pull, -share / sd**2 + doubt, np.maximum(share, LEAST_RIGHT)
