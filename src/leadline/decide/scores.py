"""Scores of predictions, and how often they held, with intervals that allow for divers being alike."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, stdtrit

from leadline.decide.forecast import library
from leadline.frozen import dataclass

__all__ = [
    "BINS",
    "Bin",
    "Link",
    "Parts",
    "Share",
    "brier",
    "brier_parts",
    "clustered_correlation",
    "clustered_share",
    "log_score",
    "reliability",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BINS: Final = (0.0, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0)
"""Limits between which predicted chances are put together for the reliability plot. [-] (judged)"""


def log_score(probability: FloatArray) -> FloatArray:
    """Minus the log of the chance that was given to what happened; shape of `probability`. [nat]."""
    held = np.maximum(probability, 1e-12)  # no answer is that sure: a zero is rounding
    return np.asarray(library("scoringrules").log_score(np.ones(held.shape), held, backend="numpy"))


def brier(probabilities: FloatArray, happened: FloatArray) -> FloatArray:
    """Brier score of each prediction, summed over its words: 0 best, 2 worst.

    Parameters
    ----------
    probabilities, happened : ndarray, shape (n, k)
        Chances of k words, and 1 for the one that came. [-]

    Returns
    -------
    ndarray, shape (n,)
        The original form, with all words.

    References
    ----------
    G. W. Brier, "Verification of forecasts expressed in terms of probability", Monthly Weather Review 78
    (1950) 1-3.
    """
    chance = np.clip(probabilities, 0.0, 1.0)
    return np.asarray(library("scoringrules").brier_score(happened, chance, backend="numpy").sum(axis=1))


@dataclass(frozen=True)
class Share:
    """How often something held, with its interval.

    Parameters
    ----------
    share : float
        NaN where nothing was seen. [-]
    low, high : float
        95 % interval. [-]
    count, clusters : int
        Cases, and divers they are of.
    most : int
        Cases of the diver who has most.
    """

    share: float
    low: float
    high: float
    count: int
    clusters: int
    most: int = 0


def clustered_share(hit: NDArray[Any], cluster: IntArray, *, level: float = 0.95) -> Share:
    """Share of hits with an interval that allows for cases of one diver being alike.

    Parameters
    ----------
    hit : ndarray of bool, shape (n,)
        Whether it held.
    cluster : ndarray of int, shape (n,)
        Whose case it is.
    level : float
        Of the interval. [-] Valid 0 to 1.

    Returns
    -------
    Share
        The exact binomial interval at the effective number of cases; never narrower than for independent
        cases. Where all or none held, that number is the number of divers; with one diver nothing is known.

    References
    ----------
    E. L. Korn and B. I. Graubard, "Confidence intervals for proportions with small expected number of
    positive counts estimated from survey data", Survey Methodology 24 (1998) 193-201.

    Examples
    --------
    >>> found = clustered_share(np.array([True, False] * 50), np.arange(100))
    >>> round(found.share, 2), round(found.low, 2), round(found.high, 2)
    (0.5, 0.4, 0.6)
    """
    n = len(hit)
    groups = np.unique(cluster, return_inverse=True)[1]
    count = int(groups.max()) + 1 if n else 0
    most = int(np.bincount(groups).max()) if n else 0
    if count < 2:
        return Share(float(np.mean(hit)) if n else np.nan, 0.0, 1.0, n, count, most)
    share = float(np.mean(hit))
    sums = np.bincount(groups, np.asarray(hit, float) - share)
    variance = count / (count - 1) * float(sums @ sums) / n**2
    tail = (1 - level) / 2
    effective = float(count)
    if 0 < share < 1:
        wider = float(stdtrit(n - 1, 1 - tail) / stdtrit(count - 1, 1 - tail)) ** 2
        effective = min(share * (1 - share) / max(variance, 1e-300) * wider, float(n))
    hits = share * effective
    low = float(betaincinv(hits, effective - hits + 1, tail)) if hits > 0 else 0.0
    high = float(betaincinv(hits + 1, effective - hits, 1 - tail)) if hits < effective else 1.0
    return Share(share, low, high, n, count, most)


@dataclass(frozen=True)
class Bin:
    """Predictions of about the same chance, and how often it came so.

    Parameters
    ----------
    predicted : float
        Mean chance predicted. [-]
    seen : Share
        What happened.
    """

    predicted: float
    seen: Share


def _binned(probability: FloatArray) -> IntArray:
    return np.clip(np.searchsorted(np.array(BINS), probability, side="right") - 1, 0, len(BINS) - 2)


def reliability(probability: FloatArray, happened: NDArray[Any], cluster: IntArray) -> tuple[Bin, ...]:
    """Predicted chances against what happened, between the limits of `BINS`.

    Parameters
    ----------
    probability : ndarray, shape (n,)
        Predicted. [-]
    happened : ndarray of bool, shape (n,)
        Whether it came.
    cluster : ndarray of int, shape (n,)
        Whose case it is.

    Returns
    -------
    tuple of Bin
        Those that hold any prediction, from low to high.
    """
    at = _binned(probability)
    return tuple(
        Bin(float(probability[at == b].mean()), clustered_share(happened[at == b], cluster[at == b]))
        for b in np.unique(at)
    )


@dataclass(frozen=True)
class Parts:
    """Murphy's parts of a Brier score: score = reliability - resolution + uncertainty.

    Parameters
    ----------
    reliability : float
        How far chances and frequencies lie apart; 0 best. [-]
    resolution : float
        How far the frequencies differ from case to case; more is better. [-]
    uncertainty : float
        Score of who always says the overall frequency. [-]
    """

    reliability: float
    resolution: float
    uncertainty: float


def brier_parts(probabilities: FloatArray, happened: FloatArray) -> Parts:
    """Parts of the Brier score, each word by itself and then summed.

    Parameters
    ----------
    probabilities, happened : ndarray, shape (n, k)
        As for `brier`.

    Returns
    -------
    Parts
        Exact where all predictions between two limits of `BINS` are equal; else the score also has a small
        part from how they differ there.

    References
    ----------
    A. H. Murphy, "A new vector partition of the probability score", J. Appl. Meteorol. 12 (1973) 595-600,
    doi:10.1175/1520-0450(1973)012<0595:ANVPOT>2.0.CO;2.
    """
    total = np.zeros(3)
    for chance, came in zip(probabilities.T, happened.T, strict=True):
        at = _binned(chance)
        count = np.maximum(np.bincount(at, minlength=len(BINS)), 1)
        share = np.bincount(at, minlength=len(BINS)) / len(at)
        mean = np.bincount(at, chance, minlength=len(BINS)) / count
        seen = np.bincount(at, came, minlength=len(BINS)) / count
        overall = came.mean()
        total += share @ (mean - seen) ** 2, share @ (seen - overall) ** 2, overall * (1 - overall)
    return Parts(*(float(part) for part in total))


@dataclass(frozen=True)
class Link:
    """Correlation of two quantities, with its interval.

    Parameters
    ----------
    correlation : float
        Pearson's; NaN where it cannot be told. [-]
    low, high : float
        95 % interval. [-]
    count, clusters : int
        Pairs, and divers they are of.
    """

    correlation: float
    low: float
    high: float
    count: int
    clusters: int


def clustered_correlation(first: FloatArray, second: FloatArray, cluster: IntArray) -> Link:
    """Pearson's correlation with an interval from leaving out one diver at a time.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        The pairs.
    cluster : ndarray of int, shape (n,)
        Whose pair it is.

    Returns
    -------
    Link
        The jackknife works on Fisher's z, so the interval stays within -1 and 1. Fewer than three divers, or
        a quantity that does not vary: NaN, from -1 to 1.

    References
    ----------
    B. Efron and C. Stein, "The jackknife estimate of variance", Annals of Statistics 9 (1981) 586-596,
    doi:10.1214/aos/1176345462.
    """
    groups = np.unique(cluster, return_inverse=True)[1]
    count = int(groups.max()) + 1 if len(groups) else 0
    unknown = Link(np.nan, -1.0, 1.0, len(first), count)
    if count < 3:
        return unknown
    values = np.stack([np.ones(len(first)), first, second, first**2, second**2, first * second])
    by_diver = np.stack([np.bincount(groups, row) for row in values])
    whole = by_diver.sum(axis=1, keepdims=True)
    n, x, y, xx, yy, xy = np.hstack([whole, whole - by_diver])
    spread = (n * xx - x**2) * (n * yy - y**2)
    if np.any(spread <= 0):
        return unknown
    found = np.clip((n * xy - x * y) / np.sqrt(spread), -1 + 1e-9, 1 - 1e-9)
    z = np.arctanh(found)
    sd = np.sqrt((count - 1) / count * np.sum((z[1:] - z[1:].mean()) ** 2))
    reach = float(stdtrit(count - 1, 0.975)) * sd
    low, high = np.tanh([z[0] - reach, z[0] + reach])
    return Link(float(found[0]), float(low), float(high), len(first), count)
