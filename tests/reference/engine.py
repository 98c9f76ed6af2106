"""The one place where the reference books, the calibration and the simulated worlds meet the engine."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from leadline.model.diver import Targets, conditional_marginals, without_diver
from leadline.model.observations import Form, Observations
from leadline.model.population import Fit, fit
from leadline.model.propagation import propagate

__all__ = ["THREE", "engine", "fitted", "needs"]

FloatArray = NDArray[np.float64]

THREE: Final = (0.025, 0.5, 0.975)


def engine(observations: Observations, *, levels: Sequence[float] = THREE) -> dict[str, Any]:
    """Posterior of a whole book by the engine.

    Parameters
    ----------
    observations : Observations
        All rows of the book.
    levels : sequence of float
        Probabilities of the quantiles wanted, ascending.

    Returns
    -------
    dict
        `offset`: mean and sd, shape (divers,), and quantiles, shape (divers, levels), of each diver's offset
        at the last time [kg]; `theta` and `beta`: mean and sd of the unconstrained hyperparameters and of the
        shared effects, and `theta` quantiles, shape (k, levels).
    """
    found = fit(observations)
    moments = propagate(observations, found.theta, sketch=True).moments
    sd = np.sqrt(moments.diver_square - moments.diver**2)
    theta, score = found.theta.to_vector(), ndtri(np.asarray(levels))
    return {
        "offset": {
            "mean": moments.diver,
            "sd": sd,
            "quantiles": moments.diver[:, None] + sd[:, None] * score,
        },
        "theta": {
            "mean": theta,
            "sd": found.theta_sd,
            "quantiles": theta[:, None] + found.theta_sd[:, None] * score,
        },
        "beta": {"mean": found.mean, "sd": np.sqrt(np.diag(np.linalg.inv(found.precision)))},
    }


def fitted(observations: Observations) -> Fit:
    """The population, as `learn` finds it."""
    return fit(observations)


def needs(
    population: Fit,
    seen: Observations,
    targets: Targets,
    *,
    elapsed: FloatArray,
    levels: Sequence[float],
) -> FloatArray:
    """Quantiles of need on the next dives of one diver, all of whose rows the population has seen.

    Parameters
    ----------
    population : Fit
        From `fitted`.
    seen : Observations
        That diver's rows; none for a stranger.
    targets : Targets
        The next dives.
    elapsed : ndarray, shape (targets,)
        Years between the diver's first record and these dives; not used while the offset does not walk.
    levels : sequence of float
        Probabilities.

    Returns
    -------
    ndarray, shape (targets, levels)
        Scatter included. [kg]
    """
    mean, precision = without_diver(population.mean, population.precision, seen, population.theta)
    own = seen.take(np.flatnonzero(seen.form != Form.HABIT)).as_intervals() if len(seen) else seen
    answers = conditional_marginals(mean, precision, population.theta.cautious(), own, targets)
    return np.stack([each.quantile(np.asarray(levels)) for each in answers])
