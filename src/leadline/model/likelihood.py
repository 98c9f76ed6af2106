"""Log likelihood of one observation and its two derivatives, stable far into both tails."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

__all__ = ["POINT_RANGE", "point_terms", "zone_terms"]

FloatArray = NDArray[np.float64]

SAFE_LEVEL: Final = 1e-7
"""Least chance of a record in any zone from which probabilities may be summed as they are. [-]"""

LOG_SQRT_2PI: Final = 0.9189385332046727
POINT_RANGE: Final = 15.0
"""Range over which a wrong reading of need is taken as uniform. [kg]"""


def _log_middle(lower: FloatArray, upper: FloatArray) -> FloatArray:
    """log(Phi(upper) - Phi(lower)), from whichever tail keeps the digits."""
    flip = lower > 0
    near = log_ndtr(np.where(flip, -lower, upper))
    far = log_ndtr(np.where(flip, -upper, lower))
    with np.errstate(divide="ignore", invalid="ignore"):
        # Both logs are -inf only where the zone is empty: then so is the difference.
        ratio = np.where(np.isneginf(near), 0.0, far - near)
        return np.asarray(near + np.log1p(-np.exp(np.minimum(ratio, 0.0))))


def _log_sum(low: FloatArray, high: FloatArray, levels: FloatArray) -> FloatArray:
    """Log of the weighted sum of the three zones, each zone by its own tail."""
    with np.errstate(divide="ignore"):
        logs = np.log(levels)
    outer = np.logaddexp(logs[:, 0] + log_ndtr(-high), logs[:, 2] + log_ndtr(low))
    return np.asarray(np.logaddexp(outer, logs[:, 1] + _log_middle(low, high)))


def zone_terms(
    need: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
    *,
    levels: FloatArray,
    sd: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Log probability of a record that has its own chance in each of three zones.

    Parameters
    ----------
    need : ndarray, shape (..., m)
        Expected need in the state of the observation. [kg]
    lower, upper : ndarray, shape (m,)
        Ends of the neutral zone; infinite where there is none. [kg]
    levels : ndarray, shape (m, 3)
        Chance of the record given need in the light, neutral and heavy zone. [-]
    sd : ndarray, shape (m,)
        Scatter of need around its expectation, reading noise included. [kg]

    Returns
    -------
    value, slope, curvature, damping : ndarray, shape (..., m)
        Log probability, its first and second derivative with respect to `need`, and what to add to the
        negative second derivative so that a Newton step cannot overshoot (see Notes). [-, 1/kg, 1/kg²]

    Notes
    -----
    The smallest of the three levels is the chance of a record that says nothing; the rest is a record
    that means what it says, with responsibility r. The curvature of the second part weighted by r is that
    of an expectation-maximisation bound: `damping` = slope² (1/r - 1) turns one into the other.

    With F the normal distribution function of (end - need)/sd, the probability is
    light (1 - F_u) + neutral (F_u - F_l) + heavy F_l. With levels (0, 1, 0) it is the usual
    interval-censored likelihood, whose logarithm is concave.
    """
    high = (upper - need) / sd
    low = (lower - need) / sd
    least = levels.min(axis=1)
    if levels.size and least.min() > SAFE_LEVEL:
        # No zone is impossible, so the sum cannot cancel and logs of tails are not needed.
        value = np.log(
            levels[:, 0]
            + (levels[:, 1] - levels[:, 0]) * ndtr(high)
            + (levels[:, 2] - levels[:, 1]) * ndtr(low)
        )
    else:
        value = _log_sum(low, high, levels)
    finite_high, finite_low = np.isfinite(high), np.isfinite(low)
    high, low = np.where(finite_high, high, 0.0), np.where(finite_low, low, 0.0)
    density_high = np.exp(np.where(finite_high, -0.5 * high**2 - LOG_SQRT_2PI - value, -np.inf))
    density_low = np.exp(np.where(finite_low, -0.5 * low**2 - LOG_SQRT_2PI - value, -np.inf))
    step_high = (levels[:, 1] - levels[:, 0]) * density_high
    step_low = (levels[:, 2] - levels[:, 1]) * density_low
    slope = -(step_high + step_low) / sd
    curvature = -(step_high * high + step_low * low) / sd**2 - slope**2
    worthless = np.exp(
        np.minimum(np.where(least > 0, np.log(np.maximum(least, 1e-300)), -np.inf) - value, 0.0)
    )
    return value, slope, curvature, slope**2 * worthless / np.maximum(1 - worthless, 1e-12)


def point_terms(
    need: FloatArray, reading: FloatArray, *, wrong: float, sd: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Log density of a reading of need itself, with a chance that the reading is worthless.

    Parameters
    ----------
    need : ndarray, shape (..., m)
        Expected need in the state of the observation. [kg]
    reading : ndarray, shape (m,)
        What was read. [kg]
    wrong : float
        Chance that the reading is uniform over `POINT_RANGE` instead. [-]
    sd : ndarray, shape (m,)
        Scatter and reading noise together. [kg]

    Returns
    -------
    value, slope, curvature, damping : ndarray, shape (..., m)
        As for `zone_terms`, with the log density.
    """
    pull = (reading - need) / sd**2
    good = np.log1p(-wrong) - 0.5 * ((reading - need) / sd) ** 2 - np.log(sd) - LOG_SQRT_2PI
    if wrong <= 0:
        return good, pull, np.broadcast_to(-1.0 / sd**2, need.shape).copy(), np.zeros(need.shape)
    value = np.logaddexp(good, np.log(wrong / POINT_RANGE))
    share = np.exp(good - value)
    doubt = share * (1 - share) * pull**2
    return value, share * pull, -share / sd**2 + doubt, doubt
