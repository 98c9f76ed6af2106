"""Parts of the variance of need from dive to dive: what the ledger foresees, and where doubt is left."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.findings import Part
from leadline.evidence.gather import Evidence
from leadline.model.observations import Observations
from leadline.model.population import Fit, prior_fit

__all__ = ["parts"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

AT_ONCE: Final = 50_000
"""Rows of the exposures that are squared at once, so that a large book does not fill the memory."""

_LABELS: Final = {
    "foreseen": "body, kit and water as reckoned",
    "shared": "doubts shared by many dives",
    "diver": "divers",
    "suit": "one diver in one suit",
    "scatter": "dive to dive",
    "drift": "divers changing with time",
}


def _dives(evidence: Evidence, observed: NDArray[np.bool_]) -> IntArray:
    """One observation of each occasion, that of the stop where there is one."""
    rows = np.flatnonzero(observed)
    occasion = evidence.observations.occasion[rows]
    rank = np.lexsort((evidence.statements.kind[rows] != "stop", occasion))
    return np.asarray(rows[rank[np.unique(occasion[rank], return_index=True)[1]]])


def _moments(o: Observations, rows: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means over `rows` of the exposures, of their products, and of exposure times prior about its mean."""
    p, n = o.n_exposures, len(rows)
    mean, square, cross = np.zeros(p), np.zeros((p, p)), np.zeros(p)
    prior = o.prior[rows] - o.prior[rows].mean()
    for first in range(0, n, AT_ONCE):
        z = o.exposure[rows[first : first + AT_ONCE]]
        mean += z.sum(axis=0)
        square += z.T @ z
        cross += prior[first : first + AT_ONCE] @ z
    return mean / n, square / n, cross / n


def _variances(
    o: Observations, rows: IntArray, moments: tuple[FloatArray, FloatArray, FloatArray], fit: Fit
) -> FloatArray:
    """Variance of each part in the order of `_LABELS`, averaged over the dives. [kg²]."""
    mean, square, cross = moments
    beta, covariance = fit.aligned(o.names)
    learned = beta @ (square - np.outer(mean, mean)) @ beta + 2 * cross @ beta

    def usual(name: str) -> float:
        """Mean square of a hyperparameter over those that the fit holds possible."""
        return float(fit.weights @ np.array([getattr(theta, name) ** 2 for theta in fit.thetas]))

    body = float(np.mean(o.body_sd[o.diver[rows]] ** 2))
    found = [
        float(np.var(o.prior[rows])) + float(learned),
        float(np.sum(covariance * square)),
        usual("diver_sd") + usual("body_factor") * body,
        usual("suit_factor") * float(np.mean(o.suit_weight[rows] ** 2)),
        usual("scatter"),
        usual("drift") * float(np.mean(o.elapsed[rows])) + float(np.mean(o.jumped[rows])),
    ]
    return np.maximum(found, 0.0)


def parts(evidence: Evidence, observed: NDArray[np.bool_], fit: Fit) -> tuple[Part, ...]:
    """What makes needs differ from dive to dive, before any log and with what was learned.

    Parameters
    ----------
    evidence : Evidence
        m rows.
    observed : ndarray of bool, shape (m,)
        Rows that were seen, as against leads that were chosen.
    fit : Fit
        What was learned from them.

    Returns
    -------
    tuple of Part
        Of the need of a diver without records on a dive drawn from these; empty without any.

    Notes
    -----
    The whole is the law of total variance: the variance of what is expected (prior and learned corrections,
    which differ with body, kit and water), and the mean of what is left in doubt. Hyperparameters are
    averaged over, not plugged in.
    """
    rows = _dives(evidence, observed)
    if not len(rows):
        return ()
    o = evidence.observations
    moments = _moments(o, rows)
    before, after = (_variances(o, rows, moments, known) for known in (prior_fit(o.names), fit))
    shares = before / before.sum(), after / after.sum()
    return tuple(
        Part(name, label, float(b), float(a), float(bs), float(as_))
        for (name, label), b, a, bs, as_ in zip(
            _LABELS.items(), np.sqrt(before), np.sqrt(after), *shares, strict=True
        )
    )
