"""Likelihood of all observations of an occasion, which share that occasion's scatter."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.likelihood import point_terms, zone_terms
from leadline.model.observations import Observations

__all__ = ["OccasionTerms", "levels", "occasion_terms"]

FloatArray = NDArray[np.float64]

NODES: Final = 31
"""Gauss-Hermite nodes over the shared scatter; with reading sds from 0.15 kg up and a scatter near
0.5 kg the error of a log likelihood stays below 1e-3 (checked against an adaptive integral)."""

LEAST_READING_SD: Final = 0.15
"""Floor [kg] of the reading noise where several readings share one scatter: keeps every factor smooth."""


@dataclass(frozen=True)
class OccasionTerms:
    """Log likelihood and derivatives with respect to the expected need of each row.

    Parameters
    ----------
    value : ndarray, shape (...)
        Sum of the log likelihoods. [-]
    slope : ndarray, shape (..., m)
        First derivatives. [1/kg]
    curvature : ndarray, shape (..., singles)
        Second derivatives of rows that are alone in their occasion. [1/kg²]
    blocks : ndarray, shape (..., occasions, k, k)
        Second derivatives of the rows that share an occasion; zero where padded. [1/kg²]
    damping : ndarray, shape (..., m)
        To be added to the negative second derivatives of a cautious step. [1/kg²]
    row_value : ndarray, shape (..., m)
        Log likelihood of each row by itself, its occasion's scatter integrated out. [-]
    """

    value: FloatArray
    slope: FloatArray
    curvature: FloatArray
    blocks: FloatArray
    damping: FloatArray
    row_value: FloatArray


@lru_cache(maxsize=4)
def _nodes(count: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, np.log(weights / weights.sum())


def levels(fit: FloatArray, wrong: float) -> FloatArray:
    """Chance of a record in each zone: right with 1 - wrong, else one of the two other results.

    Parameters
    ----------
    fit : ndarray, shape (m, 3)
        How well the record fits each zone, 0 to 1. [-]
    wrong : float
        Share of wrong records. [-]

    Returns
    -------
    ndarray, shape (m, 3)
        Chance of the record given the zone. [-]
    """
    return fit * (1 - wrong) + (1 - fit) * wrong / 2


def _row_terms(
    observations: Observations,
    theta: Hyperparameters,
    need: FloatArray,
    *,
    rows: NDArray[np.int64],
    sd: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    o = observations
    lower = o.lower[rows] - theta.breath_in * o.lower_breath[rows]
    upper = o.upper[rows] + theta.breath_out * o.upper_breath[rows]
    found = zone_terms(need, lower, upper, levels=levels(o.fit[rows], theta.wrong), sd=sd)
    point = np.flatnonzero(o.point[rows])
    if len(point):
        terms = point_terms(need[..., point], o.lower[rows][point], wrong=theta.wrong, sd=sd[point])
        for whole, part in zip(found, terms, strict=True):
            whole[..., point] = part
    return found


def occasion_terms(observations: Observations, theta: Hyperparameters, need: FloatArray) -> OccasionTerms:
    """Log likelihood of all occasions at the expected needs `need`.

    Parameters
    ----------
    observations : Observations
        m rows.
    theta : Hyperparameters
        Scatter, breath range and share of wrong records.
    need : ndarray, shape (..., m)
        Expected need in the state of each row. [kg]

    Returns
    -------
    OccasionTerms
        Rows alone in their occasion in closed form; the others by Gauss-Hermite quadrature over the
        scatter they share.
    """
    o = observations
    slope, damping, row_value = (np.zeros(need.shape) for _ in range(3))
    sd = np.sqrt(theta.scatter**2 + o.reading_sd**2)
    value, slope[..., o.single], curvature, damping[..., o.single] = _row_terms(
        o, theta, need[..., o.single], rows=o.single, sd=sd[o.single]
    )
    row_value[..., o.single] = value
    total = value.sum(axis=-1)
    count, width = o.shared.shape
    if not count:
        nothing = np.zeros((*need.shape[:-1], 0, 0, 0))
        return OccasionTerms(total, slope, curvature, nothing, damping, row_value)

    rows = o.shared[o.shared >= 0]
    real = o.shared >= 0
    nodes, log_weights = _nodes(NODES)
    shifted = need[..., None, rows] + theta.scatter * nodes[:, None]
    noise = np.maximum(o.reading_sd[rows], LEAST_READING_SD)
    parts = _row_terms(o, theta, shifted, rows=rows, sd=noise)
    # (..., node, occasion, row in occasion), zero where padded
    v, g, h, d = (np.zeros((*shifted.shape[:-1], count, width)) for _ in range(4))
    for whole, part in zip((v, g, h, d), parts, strict=True):
        whole[..., real] = part
    joint = v.sum(axis=-1) + log_weights[:, None]
    top = joint.max(axis=-2, keepdims=True)
    share = np.exp(joint - top)
    mass = share.sum(axis=-2, keepdims=True)
    share = (share / mass)[..., None]
    total = total + (np.log(mass) + top).sum(axis=(-1, -2))
    mean_slope = (share * g).sum(axis=-3)
    spread = g - mean_slope[..., None, :, :]
    blocks = np.einsum("...qoi,...qoj->...oij", share * spread, spread)
    index = np.arange(width)
    blocks[..., index, index] += (share * h).sum(axis=-3)
    slope[..., rows] = mean_slope[..., real]
    damping[..., rows] = (share * d).sum(axis=-3)[..., real]
    alone = np.log(np.sum(np.exp(log_weights[:, None] + parts[0]), axis=-2))
    row_value[..., rows] = alone
    return OccasionTerms(total, slope, curvature, blocks, damping, row_value)
