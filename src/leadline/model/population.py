"""Fit of the population: hyperparameters by their marginal likelihood, shared effects by their posterior."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters, log_prior
from leadline.model.observations import Observations
from leadline.model.propagation import Propagation, Sites, propagate

__all__ = ["Fit", "fit", "prior_fit"]

FloatArray = NDArray[np.float64]

DIFFERENCE: Final = 0.1
"""Step of the differences of the gradient that give the hyperparameters' sds, in prior sds. [-]"""

ROUNDS: Final = 100
REACH: Final = 3.0
"""How far from their prior median the hyperparameters are sought, in prior sds. [-]"""


@dataclass(frozen=True)
class Fit:
    """What the logs say about the population.

    Parameters
    ----------
    names : tuple of str
        Shared uncertainties.
    mean : ndarray, shape (p,)
        Posterior mean of each, in prior sds. [-]
    precision : ndarray, shape (p, p)
        Posterior precision. [-]
    theta : Hyperparameters
        Marginal posterior mode.
    theta_sd : ndarray, shape (k,)
        Posterior sds in unconstrained coordinates. [-]
    diagnostics : dict
        Rows, divers, log evidence, rounds of the search and fits it took.
    """

    names: tuple[str, ...]
    mean: FloatArray
    precision: FloatArray
    theta: Hyperparameters
    theta_sd: FloatArray
    diagnostics: dict[str, float] = field(default_factory=dict)

    def aligned(self, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
        """Mean and precision for `names`; what this fit has not seen keeps its prior N(0, 1).

        Parameters
        ----------
        names : sequence of str
            Shared uncertainties wanted, length q.

        Returns
        -------
        mean, precision : ndarray, shape (q,), (q, q)
            Marginal over what is not wanted.
        """
        at = {name: i for i, name in enumerate(self.names)}
        here = np.array([at.get(name, -1) for name in names], int)
        known = np.flatnonzero(here >= 0)
        mean, covariance = np.zeros(len(names)), np.eye(len(names))
        if len(known):
            source = here[known]
            whole = np.linalg.inv(self.precision)
            mean[known] = self.mean[source]
            covariance[np.ix_(known, known)] = whole[np.ix_(source, source)]
        return mean, np.asarray(np.linalg.inv(covariance), float)

    def to_bytes(self) -> bytes:
        """Everything as one byte string, free of pickles."""
        meta = {
            "names": list(self.names),
            "theta": asdict(self.theta),
            "diagnostics": self.diagnostics,
            "format": 1,
        }
        buffer = io.BytesIO()
        np.savez_compressed(
            buffer,
            mean=self.mean,
            precision=self.precision,
            theta_sd=self.theta_sd,
            meta=np.frombuffer(json.dumps(meta).encode(), np.uint8),
        )
        return buffer.getvalue()

    @classmethod
    def from_bytes(cls, payload: bytes) -> Fit:
        """Inverse of `to_bytes`."""
        with np.load(io.BytesIO(payload), allow_pickle=False) as arrays:
            meta = json.loads(arrays["meta"].tobytes())
            return cls(
                tuple(meta["names"]),
                arrays["mean"],
                arrays["precision"],
                Hyperparameters(**meta["theta"]),
                arrays["theta_sd"],
                meta["diagnostics"],
            )


def prior_fit(names: Sequence[str] = ()) -> Fit:
    """Before any log: every shared effect at its prior, hyperparameters at their prior medians."""
    p = len(names)
    return Fit(tuple(names), np.zeros(p), np.eye(p), Hyperparameters(), SPREAD.copy(), {"observations": 0.0})


class _Posterior:
    """Log posterior of the hyperparameters and its gradient, in prior sds around the prior median."""

    def __init__(self, observations: Observations, notify: Callable[[str], None] | None) -> None:
        self.observations = observations
        self.notify = notify
        self.start: Sites | None = None
        self.calls = 0

    def at(self, point: FloatArray, *, sketch: bool = True) -> Propagation:
        """Sites at `point`, started from the last ones."""
        theta = Hyperparameters.from_vector(CENTRE + SPREAD * point)
        found = propagate(self.observations, theta, start=self.start, sketch=sketch)
        self.start = found.sites
        self.calls += 1
        return found

    def loss(self, point: FloatArray) -> tuple[float, FloatArray]:
        """What is to be minimised, and its gradient."""
        found = self.at(point)
        value = found.log_evidence + log_prior(CENTRE + SPREAD * point)
        if self.notify:
            self.notify(f"log evidence {value:.2f}, {self.calls} fits of all divers")
        return -value, -(found.gradient * SPREAD - point)


def _posterior_sd(posterior: _Posterior, point: FloatArray) -> FloatArray:
    """Sds from the curvature at the mode; at most the prior's."""
    rows = [
        (posterior.loss(point + step)[1] - posterior.loss(point - step)[1]) / (2 * DIFFERENCE)
        for step in DIFFERENCE * np.eye(len(point))
    ]
    values, vectors = np.linalg.eigh((np.array(rows) + np.array(rows).T) / 2)
    covariance = (vectors / np.maximum(values, 1.0)) @ vectors.T
    return np.asarray(SPREAD * np.sqrt(np.diag(covariance)))


def fit(observations: Observations, *, notify: Callable[[str], None] | None = None) -> Fit:
    """Fit the population to all observations.

    Parameters
    ----------
    observations : Observations
        Any number of rows; none gives the prior.
    notify : callable, optional
        Called with a short text as the work goes on.

    Returns
    -------
    Fit
        Hyperparameters at the mode of their marginal posterior, shared effects as Gaussian.

    Raises
    ------
    FitError
        If it does not converge; such a fit must not be stored.

    Notes
    -----
    The hyperparameters are found by L-BFGS in prior-sd coordinates, where the prior makes the surface
    proper and well scaled, with the exact gradient of the evidence.
    """
    if not len(observations):
        return prior_fit(observations.names)
    from scipy.optimize import minimize

    posterior = _Posterior(observations, notify)
    found = minimize(
        posterior.loss,
        np.zeros(len(CENTRE)),
        jac=True,
        method="L-BFGS-B",
        bounds=[(-REACH, REACH)] * len(CENTRE),
        options={"maxiter": ROUNDS, "ftol": 2e-6, "gtol": 0.05},
    )
    if not found.success:
        raise FitError(
            f"the hyperparameters did not converge ({found.message}): nothing was stored; "
            "look at the newest records first",
            {"calls": float(posterior.calls)},
        )
    point = np.asarray(found.x)
    settled = posterior.at(point, sketch=False)
    return Fit(
        observations.names,
        settled.moments.beta,
        settled.precision,
        Hyperparameters.from_vector(CENTRE + SPREAD * point),
        _posterior_sd(posterior, point),
        {
            "observations": float(len(observations)),
            "divers": float(len(observations.body_sd)),
            "log_evidence": settled.log_evidence,
            "rounds": float(found.nit),
            "calls": float(posterior.calls),
        },
    )
