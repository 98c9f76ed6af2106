"""Fewer hyperparameters to average over: those that an answer does not lean on, or that a large book knows.

An answer is averaged over one point more than there are hyperparameters. It reads each record as its interval
and no chosen lead, so how records are written and how much lead is chosen is nothing to it; and a book of a
hundred thousand dives knows most of the others so well that their doubt moves no answer. Those follow the
rest, and the points are laid around what is still in doubt.

References
----------
H. Rue, S. Martino and N. Chopin, "Approximate Bayesian inference for latent Gaussian models by using
integrated nested Laplace approximations", J. R. Statist. Soc. B 71 (2009) 319-392, section 6.5 (few points
for many hyperparameters), doi:10.1111/j.1467-9868.2008.00700.x.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.around import simplex
from leadline.model.hyperparameters import SPREAD

__all__ = ["Condensed", "condensed"]

FloatArray = NDArray[np.float64]

KNOWN: Final = 0.1
"""Sd up to which a hyperparameter counts as known: a tenth of an sd, of odds, of a breath. [-]"""

LEARNED: Final = 0.25
"""The same as a part of its prior sd: of what answers lean on little the prior is the wider. [-]"""

LEANT_ON: Final = np.array([0, 1, 2, 3, 4, 5, 6, 13])
"""Places of the hyperparameters that answers lean on: spreads, breath range, wrong records and drift."""

MOST: Final = 0.6
"""Largest part of the points that may be left; with more there is little to gain. [-]"""


class Condensed(NamedTuple):
    """Hyperparameters of equal weight, h of them.

    Parameters
    ----------
    vectors : ndarray, shape (h, k)
        In unconstrained coordinates.
    means : ndarray, shape (h, p)
        Of the shared effects.
    rest : ndarray, shape (p, p)
        Covariance of the means that those which follow would have added.
    """

    vectors: FloatArray
    means: FloatArray
    rest: FloatArray


def condensed(vectors: FloatArray, weights: FloatArray, means: FloatArray) -> Condensed | None:
    """The same doubt about the hyperparameters in fewer points.

    Parameters
    ----------
    vectors, weights, means : ndarray, shape (g, k), (g,), (g, p)
        As of `leadline.model.population.Fit`.

    Returns
    -------
    Condensed or None
        With the mean and covariance of those that are in doubt, and of the shared effects, as the weights
        have them. None where it would not be worth while.
    """
    if len(vectors) == 1:
        return None
    middle, mean = weights @ vectors, weights @ means
    away, moved = vectors - middle, means - mean
    covariance = (away.T * weights) @ away
    sd = np.sqrt(np.diag(covariance))
    open_ = LEANT_ON[((sd > KNOWN) & (sd > LEARNED * SPREAD))[LEANT_ON]]
    if not len(open_) or len(open_) + 1 > MOST * len(vectors):
        return None
    own = covariance[np.ix_(open_, open_)]
    steps = simplex(len(open_)) @ np.linalg.cholesky(own).T
    lead = np.linalg.solve(own, covariance[open_])
    follow = np.linalg.solve(own, (away[:, open_].T * weights) @ moved)
    rest = (moved.T * weights) @ moved - follow.T @ own @ follow
    return Condensed(middle + steps @ lead, mean + steps @ follow, rest)
