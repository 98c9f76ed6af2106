"""A fit of any size: the search on a sample of divers where there are many, the last step on all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters
from leadline.model.observations import Observations
from leadline.model.population import Fit, fit
from leadline.model.propagation import Propagation, Sweeper
from leadline.model.search import REACH

__all__ = ["fit_any_size", "sampled"]

ENOUGH: Final = 12_000
"""Rows that tell the hyperparameters well enough: their posterior sds are a few hundredths then. [-]"""

SEED: Final = 20_260_401

ROUGHLY: Final = 1e-3
"""Tolerance of the sites of all divers, in the sd of a row. [-]"""


def sampled(observations: Observations, rows: int) -> NDArray[np.bool_]:
    """Rows of as many divers, drawn by lot, as it takes to have so many rows; shape (m,).

    The lot depends on the number of divers alone, so the same book gives the same sample.
    """
    o = observations
    counts = np.bincount(o.diver)
    lot = np.random.default_rng(SEED).permutation(len(counts))
    taken = lot[: int(np.searchsorted(np.cumsum(counts[lot]), rows)) + 1]
    return np.asarray(np.isin(o.diver, taken))


def fit_any_size(
    observations: Observations,
    *,
    enough: int = ENOUGH,
    notify: Callable[[str], None] | None = None,
) -> Fit:
    """Fit the population to all observations, however many.

    Parameters
    ----------
    observations : Observations
        Any number of rows.
    enough : int
        Rows from which the hyperparameters are learned, where there are more than twice as many.
    notify : callable, optional
        Called with a short text as the work goes on.

    Returns
    -------
    Fit
        Hyperparameters as the sample has them, and their uncertainty; shared effects from all rows.

    Raises
    ------
    FitError
        If it does not converge; such a fit must not be stored.

    Notes
    -----
    The search for the hyperparameters goes over its rows hundreds of times. It is done on the sample; one
    step with the gradient of all rows then takes it to where all rows have their mode.
    """
    o = observations
    if len(o) <= 2 * enough:
        return fit(o, notify=notify)
    part = fit(o.take(sampled(o, enough)), notify=notify)
    if notify:
        notify(f"shared effects of {len(o.body_sd)} divers")
    sweeper = Sweeper(o)
    first = sweeper.propagate(part.theta, tolerance=ROUGHLY)
    return _refined(part, sweeper, first, len(o) / part.diagnostics["observations"])


def _refined(part: Fit, sweeper: Sweeper, first: Propagation, times: float) -> Fit:
    """The fit of a sample moved to all rows, of which there are so many `times` as many.

    Notes
    -----
    All in prior sds. The sample's curvature, times as much, is that of all rows; their gradient at the
    sample's mode then says where their own mode is. How the shared effects move with the hyperparameters is
    taken from the sample's points.
    """
    point = (part.theta.to_vector() - CENTRE) / SPREAD
    apart = (part.vectors - CENTRE) / SPREAD - point
    own = np.linalg.inv(apart.T @ apart / len(apart))
    whole = np.linalg.inv(np.eye(len(point)) + (own - np.eye(len(point))) * times)
    step = whole @ (first.gradient * SPREAD - point)
    mode = np.clip(point + step, -REACH, REACH)
    theta = Hyperparameters.from_vector(CENTRE + SPREAD * mode)
    settled = sweeper.propagate(theta, start=first.start, tolerance=ROUGHLY)
    slope = np.linalg.lstsq(apart, part.means - part.mean, rcond=None)[0]
    before, after = np.linalg.cholesky(np.linalg.inv(own)), np.linalg.cholesky(whole)
    narrow = apart @ np.linalg.solve(before.T, after.T)
    count = len(apart)
    o = sweeper.observations
    known = {
        "observations": float(len(o)),
        "divers": float(len(o.body_sd)),
        "log_evidence": settled.log_evidence,
        "sampled_divers": part.diagnostics["divers"],
        "sampled_observations": part.diagnostics["observations"],
        "settled_sweeps": float(settled.sweeps),
    }
    vector = CENTRE + SPREAD * mode
    return Fit(
        part.names,
        settled.mean,
        settled.precision,
        theta,
        SPREAD * np.sqrt(np.diag(whole)),
        part.diagnostics | known,
        vector + SPREAD * narrow,
        np.full(count, 1 / count),
        settled.mean + narrow @ slope,
        vector + (part.theta_mean - part.theta.to_vector()) / times,
    )
