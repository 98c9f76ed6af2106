"""Who is flagged, and how many of the flags are expected to be false."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass

__all__ = ["MOST_FALSE", "Flags", "flags", "majority"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MOST_FALSE: Final = 0.10
"""Largest expected share of false flags among those flagged. [-]"""

EVEN: Final = 0.5
"""Nobody is flagged of whom it is less likely than not, however sure the others are. [-]"""


@dataclass(frozen=True)
class Flags:
    """Who is flagged, with the rates that go with it.

    Parameters
    ----------
    flagged : ndarray of bool, shape (n,)
        Who is.
    limit : float
        Largest expected share of false flags that was allowed. [-]
    threshold : float
        Least probability among those flagged; NaN where nobody is. [-]
    false_share : float
        Expected share of false flags among those flagged; NaN where nobody is. [-]
    expected_false : float
        The same as a number of people.
    expected_all : float
        Expected number of people of whom it is true, flagged or not.
    recall : float
        Expected share of those that are flagged; NaN where none is expected. [-]
    """

    flagged: BoolArray
    limit: float
    threshold: float
    false_share: float
    expected_false: float
    expected_all: float
    recall: float


def flags(probability: ArrayLike, *, limit: float = MOST_FALSE, eligible: ArrayLike | None = None) -> Flags:
    """Flag as many as the expected share of false flags allows.

    Parameters
    ----------
    probability : array_like, shape (n,)
        Posterior probability that it is true of each. [-] Valid 0 to 1; NaN is never flagged.
    limit : float
        Largest expected share of false flags. [-] Valid 0 to 1.
    eligible : array_like of bool, shape (n,), optional
        Who may be flagged at all; the others count among those of whom it may be true. Default: everybody.

    Returns
    -------
    Flags
        The likeliest ones, down to a common threshold; those who are as likely as each other share their lot.

    Raises
    ------
    OutOfRangeError
        If the limit or a probability is not between 0 and 1.

    Notes
    -----
    Given the records a flag on somebody of probability p is false with probability 1 - p, so the expected
    share of false flags is the mean of 1 - p over those flagged: the Bayesian false discovery rate. It is as
    honest as the probabilities are.

    References
    ----------
    M. A. Newton, A. Noueiry, D. Sarkar, P. Ahlquist, "Detecting differential gene expression with a
    semiparametric hierarchical mixture method", Biostatistics 5 (2004) 155-176,
    doi:10.1093/biostatistics/5.2.155.

    Examples
    --------
    >>> found = flags([0.99, 0.9, 0.3, 0.8])
    >>> found.flagged.tolist(), round(found.false_share, 3)
    ([True, True, False, False], 0.055)
    """
    chance = np.asarray(probability, float)
    if not 0 <= limit <= 1:
        raise OutOfRangeError(f"share of false flags must lie in [0, 1], got {limit}")
    if ((chance < 0) | (chance > 1)).any():
        raise OutOfRangeError("probabilities must lie in [0, 1]: give the chance that it is true of each")
    known = np.nan_to_num(chance, nan=0.0)
    may = np.ones(len(known), bool) if eligible is None else np.asarray(eligible, bool)
    ranked = np.sort(known[may])[::-1]
    share = np.cumsum(1 - ranked) / np.arange(1, len(ranked) + 1)
    last = np.append(ranked[:-1] != ranked[1:], True)[: len(ranked)]
    good = np.flatnonzero((share <= limit) & last & (ranked >= EVEN))
    threshold = float(ranked[good[-1]]) if len(good) else np.nan
    flagged = may & (known >= threshold) if len(good) else np.zeros(len(known), bool)
    false, total = float((1 - known)[flagged].sum()), float(known.sum())
    return Flags(
        flagged=np.asarray(flagged, bool),
        limit=limit,
        threshold=threshold,
        false_share=false / int(flagged.sum()) if flagged.any() else np.nan,
        expected_false=false,
        expected_all=total,
        recall=float(known[flagged].sum()) / total if total > 0 else np.nan,
    )


def majority(chance: FloatArray) -> FloatArray:
    """Probability that more than half of several independent things happen.

    Parameters
    ----------
    chance : ndarray, shape (k, ...)
        Probability of each. [-]

    Returns
    -------
    ndarray, shape (...)
        NaN out of none. [-]

    Examples
    --------
    >>> round(float(majority(np.array([0.5, 0.5, 0.5]))), 12)
    0.5
    """
    k = len(chance)
    if not k:
        return np.full(np.shape(chance)[1:], np.nan)
    number = np.zeros((k + 1, *np.shape(chance)[1:]))
    number[0] = 1.0
    for one in chance:
        number[1:] = number[1:] * (1 - one) + number[:-1] * one
        number[0] *= 1 - one
    return np.asarray(number[k // 2 + 1 :].sum(axis=0))
