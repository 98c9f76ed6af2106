"""Fit of the population: hyperparameters by the Laplace marginal likelihood, shared effects at their mode."""

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
from leadline.model.laplace import Effects, Mode, solve
from leadline.model.observations import Observations

__all__ = ["Fit", "fit", "prior_fit"]

FloatArray = NDArray[np.float64]

DIFFERENCE: Final = 0.02
"""Step of the central differences over hyperparameters, in prior sds: large against the tolerance of
the inner mode, small against the curvature of the marginal likelihood."""

ROUNDS: Final = 40


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
    theta_sd : ndarray, shape (7,)
        Posterior sds in unconstrained coordinates. [-]
    diagnostics : dict
        Rows, divers, log marginal likelihood, steps, whether it converged.
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


class _Marginal:
    """Log posterior of the hyperparameters, in prior sds around the prior median; warm-started."""

    def __init__(self, observations: Observations, notify: Callable[[str], None] | None) -> None:
        self.observations = observations
        self.notify = notify
        self.start: Effects | None = None
        self.best: tuple[float, FloatArray, Mode] | None = None
        self.calls = 0

    def __call__(self, point: FloatArray) -> float:
        vector = CENTRE + SPREAD * point
        mode = solve(self.observations, Hyperparameters.from_vector(vector), start=self.start)
        self.calls += 1
        value = mode.log_marginal + log_prior(vector)
        if self.best is None or value > self.best[0]:
            self.best, self.start = (value, point.copy(), mode), mode.effects
        return value

    def gradient(self, point: FloatArray) -> FloatArray:
        steps = DIFFERENCE * np.eye(len(point))
        return np.array([(self(point + s) - self(point - s)) / (2 * DIFFERENCE) for s in steps])


def _posterior_sd(marginal: _Marginal, point: FloatArray) -> FloatArray:
    """Sds from the curvature of each hyperparameter by itself; at most the prior's."""
    width = 0.25
    centre = marginal(point)
    steps = width * np.eye(len(point))
    curvature = np.array([(2 * centre - marginal(point + s) - marginal(point - s)) / width**2 for s in steps])
    return np.asarray(SPREAD / np.sqrt(np.maximum(curvature, 1.0)))


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
        Hyperparameters at the mode of their Laplace marginal posterior.

    Raises
    ------
    FitError
        If the hyperparameters do not converge; such a fit must not be stored.

    Notes
    -----
    The hyperparameters are found by BFGS in prior-sd coordinates, where the prior makes the surface
    proper and well scaled, with central differences of the Laplace marginal likelihood.
    """
    if not len(observations):
        return prior_fit(observations.names)
    from scipy.optimize import minimize

    marginal = _Marginal(observations, notify)

    def objective(point: FloatArray) -> tuple[float, FloatArray]:
        value = marginal(point)
        if notify:
            notify(f"log marginal likelihood {value:.2f} after {marginal.calls} fits")
        return -value, -marginal.gradient(point)

    found = minimize(
        objective,
        np.zeros(len(CENTRE)),
        jac=True,
        method="L-BFGS-B",
        bounds=[(-3.0, 3.0)] * len(CENTRE),
        options={"maxiter": ROUNDS, "ftol": 1e-7, "gtol": 0.03},
    )
    if not found.success or marginal.best is None:
        raise FitError(
            f"the hyperparameters did not converge ({found.message}): nothing was stored; "
            "look at the newest records first",
            {"calls": float(marginal.calls)},
        )
    point = np.asarray(found.x)
    theta = Hyperparameters.from_vector(CENTRE + SPREAD * point)
    mode = solve(observations, theta, start=marginal.start)
    theta_sd = _posterior_sd(marginal, point)
    return Fit(
        observations.names,
        mode.effects.beta,
        mode.remainder.precision,
        theta,
        theta_sd,
        {
            "observations": float(len(observations)),
            "divers": float(len(observations.body_sd)),
            "log_marginal": mode.log_marginal,
            "rounds": float(found.nit),
            "calls": float(marginal.calls),
            "concave": float(mode.concave),
        },
    )
