"""The one place where the reference books, the calibration and the simulated worlds meet the engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.diver import Population, Targets, conditional_marginals, marginals
from leadline.model.marginal import Marginal
from leadline.model.observations import Form, Observations
from leadline.model.population import Fit, fit

__all__ = ["THREE", "engine", "fitted", "needs"]

FloatArray = NDArray[np.float64]

THREE: Final = (0.025, 0.5, 0.975)


def _quantiles(found: Marginal, levels: Sequence[float]) -> FloatArray:
    """Quantiles of what is expected, scatter left out."""
    cumulative = np.cumsum(found.weights) - found.weights / 2
    return np.asarray(np.interp(np.asarray(levels), cumulative, found.points))


def _offset(observations: Observations, diver: int, population: Fit) -> Marginal:
    """A diver's offset at the last time: need of someone of whom all else is known to be nothing."""
    own = observations.take(np.flatnonzero(observations.diver == diver))
    none, p = np.zeros(1), observations.n_exposures
    body_sd = float(own.body_sd[0])
    target = Targets(none, np.zeros((1, p)), none, np.array([-1]), body_sd)
    last = replace(target, elapsed=own.elapsed.max(keepdims=True), jumped=own.jumped.max(keepdims=True))
    return marginals(population, own, last, in_fit=np.ones(len(own), bool))[0]


def engine(
    observations: Observations,
    *,
    levels: Sequence[float] = THREE,
    divers: Sequence[int] | None = None,
    population: Fit | None = None,
) -> dict[str, Any]:
    """Posterior of a whole book by the engine.

    Parameters
    ----------
    observations : Observations
        All rows of the book.
    levels : sequence of float
        Probabilities of the quantiles wanted, ascending.
    divers : sequence of int, optional
        Whose offsets are wanted; default everyone's.
    population : Fit, optional
        Default the one fitted to all rows.

    Returns
    -------
    dict
        `offset`: mean and sd, shape (divers,), and quantiles, shape (divers, levels), of each diver's offset
        at the last time [kg]; `theta` and `beta`: mean and sd of the unconstrained hyperparameters and of the
        shared effects, and `theta` quantiles, shape (k, levels).
    """
    population = population or fit(observations)
    wanted = range(len(observations.body_sd)) if divers is None else divers
    found = [_offset(observations, diver, population) for diver in wanted]
    return {
        "offset": {
            "mean": np.array([each.mean for each in found]),
            "sd": np.array([each.expected_sd for each in found]),
            "quantiles": np.stack([_quantiles(each, levels) for each in found]),
        },
        "theta": {
            "mean": population.theta_mean,
            "sd": population.theta_sd,
            "quantiles": population.theta_quantile(levels),
        },
        "beta": {"mean": population.mean, "sd": np.sqrt(np.diag(population.covariance))},
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
    everything: bool = False,
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
        Years between the diver's first record and these dives.
    levels : sequence of float
        Probabilities.
    everything : bool
        Read the diver's records as the population does: with habits, and with what the form of a record says.

    Returns
    -------
    ndarray, shape (targets, levels)
        Scatter included. [kg]

    Notes
    -----
    Without `everything` as an answer to a diver is reckoned: habits left out, each record no more than its
    interval, breathing high trusted for no more than is usual.
    """
    around = Population.of(population, seen.names)
    if len(seen):
        around = around.without(seen)
    own, wanted = seen, replace(targets, elapsed=elapsed)
    if not everything:
        own, around = seen.take(np.flatnonzero(seen.form != Form.HABIT)).as_intervals(), around.cautious()
    answers = conditional_marginals(around, own, wanted, in_fit=np.ones(len(own), bool))
    return np.stack([each.quantile(np.asarray(levels)) for each in answers])
