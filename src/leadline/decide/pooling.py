"""Means of several groups, each drawn towards all of them by as much as its own numbers leave open."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass

__all__ = ["Pooled", "pooled"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SPREAD_WITHIN: Final = 2.0
"""Scale of the half-normal prior of the spread within a group. [kg] (judged)"""

SPREAD_BETWEEN: Final = 1.0
"""Scale of the half-normal prior of the spread between groups. [kg] (judged)"""

MEAN_SD: Final = 10.0
"""Prior sd of the mean of all groups: says next to nothing. [kg]"""

POINTS: Final = 48
"""Values of each spread over which the answer is averaged."""


@dataclass(frozen=True)
class Pooled:
    """Posterior of the means of *g* groups and of all of them.

    Parameters
    ----------
    mean, sd : ndarray, shape (g,)
        Of each group's mean. [kg]
    overall, overall_sd : float
        Of the mean of all groups; NaN without values. [kg]
    between, within : float
        Posterior means of the spreads, sd. [kg]
    """

    mean: FloatArray
    sd: FloatArray
    overall: float
    overall_sd: float
    between: float
    within: float


def pooled(values: FloatArray, variances: FloatArray, labels: IntArray, *, groups: int) -> Pooled:
    """Partially pooled means.

    Parameters
    ----------
    values : ndarray, shape (n,)
        One measured change each. [kg]
    variances : ndarray, shape (n,)
        What is not known of each. [kg²]
    labels : ndarray of int, shape (n,)
        Group of each, 0 to `groups` - 1.
    groups : int
        How many there are. [-]

    Returns
    -------
    Pooled
        A group without values takes the mean of all, with the spread between groups.

    Notes
    -----
    value ~ N(group mean, within² + variance), group mean ~ N(overall, between²), both spreads integrated over
    a grid under half-normal priors instead of being fixed at an estimate: with a handful of groups the
    likeliest spread between them is often zero, which would claim that all are alike.

    References
    ----------
    A. Gelman, "Prior distributions for variance parameters in hierarchical models", Bayesian Analysis 1
    (2006) 515-534, doi:10.1214/06-BA117A, for the kind of prior; D. B. Rubin, "Estimation in parallel
    randomized experiments", Journal of Educational Statistics 6 (1981) 377-401,
    doi:10.3102/10769986006004377, for the averaging. (DOIs from memory.)
    """
    if not len(values):
        nothing = np.full(groups, np.nan)
        return Pooled(nothing, nothing, np.nan, np.nan, np.nan, np.nan)
    within = np.geomspace(0.02, 6.0, POINTS)
    between = np.concatenate([[0.0], np.geomspace(0.02, 4.0, POINTS - 1)])
    precision, centre, logs = _groups(values, variances, labels, groups, within)
    spread = between[:, None, None] ** 2 + np.where(precision > 0, 1 / np.maximum(precision, 1e-12), np.inf)
    weight = 1 / spread  # shape (between, within, group); 0 for a group without values
    total = weight.sum(axis=2) + MEAN_SD**-2
    overall = (weight * centre).sum(axis=2) / total
    with np.errstate(divide="ignore"):
        fit = 0.5 * np.where(weight > 0, np.log(weight), 0.0).sum(axis=2) - 0.5 * np.log(total)
    fit += logs - 0.5 * ((weight * centre**2).sum(axis=2) - overall**2 * total)
    fit -= 0.5 * (between[:, None] / SPREAD_BETWEEN) ** 2 + 0.5 * (within / SPREAD_WITHIN) ** 2
    share = np.exp(fit - fit.max()) * np.gradient(between)[:, None] * np.gradient(within)
    share /= share.sum()
    keep = between[:, None, None] ** 2 * weight  # how far a group stands by itself
    mean = keep * centre + (1 - keep) * overall[..., None]
    variance = between[:, None, None] ** 2 * (1 - keep) + (1 - keep) ** 2 / total[..., None]
    middle = np.einsum("bw,bwg->g", share, mean)
    second = np.einsum("bw,bwg->g", share, variance + (mean - middle) ** 2)
    middle_all = float((share * overall).sum())
    return Pooled(
        middle,
        np.sqrt(second),
        middle_all,
        float(np.sqrt((share * (1 / total + (overall - middle_all) ** 2)).sum())),
        float((share * between[:, None]).sum()),
        float((share * within).sum()),
    )


def _groups(
    values: FloatArray, variances: FloatArray, labels: IntArray, groups: int, within: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """For each spread within: precision and centre of each group, and the log density of what is left."""
    weight = 1 / (within[:, None] ** 2 + variances)
    member = np.eye(groups)[labels]
    precision = weight @ member
    centre = np.divide(
        (weight * values) @ member, precision, out=np.zeros_like(precision), where=precision > 0
    )
    left = 0.5 * np.log(weight).sum(axis=1) - 0.5 * (weight * (values - centre[:, labels]) ** 2).sum(axis=1)
    filled = np.where(precision > 0, precision, 1.0)
    return precision, centre, np.asarray(left - 0.5 * np.log(filled).sum(axis=1))
