"""Likelihood of all observations of an occasion, which share that occasion's scatter."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.likelihood import point_terms, zone_terms
from leadline.model.observations import SLIPS, Form, Observations

__all__ = ["OccasionTerms", "chances", "levels", "occasion_terms", "row_terms"]

FloatArray = NDArray[np.float64]

NODES: Final = 31
"""Gauss-Hermite nodes over the shared scatter; with reading sds from 0.15 kg up and a scatter near
0.5 kg the error of a log likelihood stays below 1e-3 (checked against an adaptive integral)."""

LIGHT_PART: Final = 0.4
"""Where the neutral zone is parted: lead this much over need still feels level. [kg] (judged)"""

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
        To be added to the negative second derivatives, so that a Newton step cannot overshoot. [1/kg²]
    """

    value: FloatArray
    slope: FloatArray
    curvature: FloatArray
    blocks: FloatArray
    damping: FloatArray


def _damping(slope: FloatArray, right: FloatArray) -> FloatArray:
    """Turns the curvature of a mixture into that of its expectation-maximisation bound."""
    return np.asarray(slope**2 * (1 / right - 1))


@lru_cache(maxsize=4)
def _nodes(count: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, np.log(weights / weights.sum())


def chances(theta: Hyperparameters) -> FloatArray:
    """Chance of each `Form` in the light zone, both parts of the neutral zone and the heavy zone; (8, 4)."""
    low, high = theta.closed_low, theta.closed_high
    closed_heavy = (1 - theta.sank_open) * theta.closed_heavy
    opened_heavy = (1 - theta.sank_open) * (1 - theta.closed_heavy)
    chance = np.ones((len(Form), 4))
    chance[Form.HOVERED_CLOSED] = low, low, high, low
    chance[Form.HOVERED_OPEN] = 1 - low, 1 - low, 1 - high, opened_heavy
    chance[Form.SANK_CLOSED] = closed_heavy
    chance[Form.SANK_OPEN] = theta.sank_open
    return chance


def levels(fit: FloatArray, form: NDArray[np.int64], theta: Hyperparameters) -> FloatArray:
    """Chance of each record in each zone.

    Parameters
    ----------
    fit : ndarray, shape (m, 3)
        How well the record fits each zone, 0 to 1. [-]
    form : ndarray of int, shape (m,)
        How completely it was written down: a value of `Form`.
    theta : Hyperparameters
        Share of wrong records, and of records that leave nothing open.

    Returns
    -------
    ndarray, shape (m, 4)
        Chance of the record given need in the light zone, the lighter and heavier part of the neutral zone,
        and the heavy zone. [-]

    Notes
    -----
    A record is right with 1 - wrong, else one of the other results, each as likely: of two at a stop. What
    gets written depends on how the dive went: the heavier the diver, the more seldom the BC is empty at the
    stop and noted so. If a record were read as its interval alone, the scarce 'sank, BC empty' would be
    explained by a breath range that is too wide, and need would come out too low. So a record of known form
    also carries the chance of that form in each zone. Whoever is wrong took the diver for light, neutral or
    heavy and notes it as one would then: a wrong record has the form of the zone that it names, for the
    neutral one that of its light part.

    Whoever is heavy may hover with gas in the BC. Such a record can also be a wrong one, of a heavy diver
    who was taken for neutral or of any other who was taken for heavy, and looks no different. Without those
    chances wrong records that cannot be seen would count as right ones: in books with many one-sided records
    half of the wrong ones were then taken for scatter.
    """
    zones, chance = fit[:, [0, 1, 1, 2]], chances(theta)[form]
    wrong = theta.wrong * np.array(SLIPS)[form]
    found = chance * (zones * (1 - theta.wrong) + (1 - zones) * wrong[:, None])
    both = (fit[:, 1] == 1) & (fit[:, 2] == 1) & (form < Form.OF_FOUR)
    mistaken = np.stack([chance[:, 3], chance[:, 3], chance[:, 3], chance[:, 1]], axis=1)
    found += both[:, None] * mistaken * wrong[:, None]
    return np.asarray(found)


def row_terms(
    observations: Observations,
    theta: Hyperparameters,
    need: FloatArray,
    *,
    rows: NDArray[np.int64],
    sd: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Log likelihood of some rows, each by itself.

    Parameters
    ----------
    observations : Observations
        m rows.
    theta : Hyperparameters
        Breath range and the chances of records.
    need : ndarray, shape (..., r)
        Expected need in the state of each of the rows. [kg]
    rows : ndarray of int, shape (r,)
        Which rows.
    sd : ndarray, shape (r,)
        Scatter around it, all noise included. [kg]

    Returns
    -------
    value, slope, curvature, right : ndarray, shape (..., r)
        As `leadline.model.likelihood.zone_terms` gives them.
    """
    o = observations
    upper = o.upper[rows] + theta.breath_out * o.upper_breath[rows]
    lower = o.lower[rows] - theta.breath_in * o.lower_breath[rows]
    # Only the breath range has a light and a heavy part; elsewhere the heavy part is empty.
    middle = (
        o.lower[rows]
        - (LIGHT_PART if theta.breath_in > LIGHT_PART else theta.breath_in) * o.lower_breath[rows]
    )
    edges = np.stack([upper, middle, lower], axis=-1)
    found = zone_terms(need, edges, levels(o.fit[rows], o.form[rows], theta), sd=sd)
    point = np.flatnonzero(o.point[rows])
    if len(point):
        habit = o.form[rows][point] == Form.HABIT
        reading = o.lower[rows][point] - habit * theta.habit
        noise = np.hypot(sd[point], habit * theta.habit_sd)
        # A chosen lead cannot be a wrong record.
        wrong = np.where(habit, 0.0, theta.wrong)
        terms = point_terms(need[..., point], reading, wrong=wrong, sd=noise)
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
    slope, damping = np.zeros(need.shape), np.zeros(need.shape)
    sd = np.sqrt(theta.scatter**2 + o.reading_sd**2)
    value, alone_slope, curvature, right = row_terms(
        o, theta, need[..., o.single], rows=o.single, sd=sd[o.single]
    )
    slope[..., o.single] = alone_slope
    damping[..., o.single] = _damping(alone_slope, right)
    total = value.sum(axis=-1)
    count, width = o.shared.shape
    if not count:
        nothing = np.zeros((*need.shape[:-1], 0, 0, 0))
        return OccasionTerms(total, slope, curvature, nothing, damping)

    rows = o.shared[o.shared >= 0]
    real = o.shared >= 0
    nodes, log_weights = _nodes(NODES)
    shifted = need[..., None, rows] + theta.scatter * nodes[:, None]
    noise = np.maximum(o.reading_sd[rows], LEAST_READING_SD)
    part_value, part_slope, part_curvature, right = row_terms(o, theta, shifted, rows=rows, sd=noise)
    parts = part_value, part_slope, part_curvature, _damping(part_slope, right)
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
    return OccasionTerms(total, slope, curvature, blocks, damping)
