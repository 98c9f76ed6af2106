"""Fit of the population: hyperparameters by their marginal likelihood, shared effects by their posterior."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters, log_prior
from leadline.model.observations import Observations
from leadline.model.propagation import TOLERANCE, Propagation, Start, Sweeper

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

__all__ = ["Fit", "fit", "likeliest", "prior_fit", "simplex"]

FloatArray = NDArray[np.float64]

DIFFERENCE: Final = 0.1
"""Step of the differences of the gradient that give the hyperparameters' sds, in prior sds. [-]"""

ROUNDS: Final = 100
COARSE: Final = 2e-6
FINE: Final = 0.004
"""Gain of one round of the search at which it ends: as a share of the evidence, and then in nats. [-]"""

MOST_LEFT: Final = 2.0
"""Posterior sds by which one round more may move a hyperparameter of a fit that has converged: no further
than its own 95 % interval. (judged: books that the model describes stay below 0.6)"""

SEARCH: Final = 1e-3
"""Tolerance of the sites while the hyperparameters are sought: the evidence is flat in the sites. [-]"""

MOST_SKEW: Final = 2.0
"""Largest log weight of a point of the hyperparameters, against the middle one. [-]"""

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
    vectors, weights : ndarray, shape (g, k), (g,)
        Hyperparameters over which answers are averaged, in unconstrained coordinates, and their weights;
        default the mode alone.
    means : ndarray, shape (g, p)
        Posterior mean of the shared effects under each of them. [-]
    theta_mean : ndarray, shape (k,)
        Posterior means of the hyperparameters, in unconstrained coordinates. [-]
    diagnostics : dict
        Rows, divers, log evidence, rounds of the search and fits it took; `settled_sweeps`, of the last fit
        of all divers; `left`, by how much one further step of the search would move a hyperparameter at
        most, in its posterior sd.
    """

    names: tuple[str, ...]
    mean: FloatArray
    precision: FloatArray
    theta: Hyperparameters
    theta_sd: FloatArray
    diagnostics: dict[str, float] = field(default_factory=dict)
    vectors: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    weights: FloatArray = field(default_factory=lambda: np.ones(1))
    means: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    theta_mean: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        if not len(self.vectors):
            object.__setattr__(self, "vectors", self.theta.to_vector()[None])
            object.__setattr__(self, "means", self.mean[None])
        if not len(self.theta_mean):
            object.__setattr__(self, "theta_mean", self.weights @ self.vectors)

    @cached_property
    def thetas(self) -> tuple[Hyperparameters, ...]:
        """Hyperparameters over which an answer is averaged."""
        return tuple(Hyperparameters.from_vector(vector) for vector in self.vectors)

    def aligned_points(self, names: Sequence[str]) -> FloatArray:
        """Means for `names` under each of the hyperparameters, shape (g, q); 0 for what is new."""
        here, known = self._places(names)
        means = np.zeros((len(self.vectors), len(names)))
        means[:, known] = self.means[:, here[known]]
        return means

    def _places(self, names: Sequence[str]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        at = {name: i for i, name in enumerate(self.names)}
        here = np.array([at.get(name, -1) for name in names], np.int64)
        return here, np.flatnonzero(here >= 0)

    def aligned(self, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
        """Mean and covariance for `names`; what this fit has not seen keeps its prior N(0, 1).

        Parameters
        ----------
        names : sequence of str
            Shared uncertainties wanted, length q.

        Returns
        -------
        mean, covariance : ndarray, shape (q,), (q, q)
            Marginal over what is not wanted.
        """
        here, known = self._places(names)
        mean, covariance = np.zeros(len(names)), np.eye(len(names))
        if len(known):
            source = here[known]
            mean[known] = self.mean[source]
            covariance[np.ix_(known, known)] = self.covariance[np.ix_(source, source)]
        return mean, covariance

    @cached_property
    def covariance(self) -> FloatArray:
        """Posterior covariance of the shared effects. [-]."""
        whole = np.linalg.inv(self.precision)
        return np.asarray((whole + whole.T) / 2)

    def to_bytes(self) -> bytes:
        """Everything as one byte string, free of pickles."""
        meta = {
            "names": list(self.names),
            "theta": asdict(self.theta),
            "diagnostics": self.diagnostics,
            "format": 2,
        }
        buffer = io.BytesIO()
        np.savez_compressed(
            buffer,
            mean=self.mean,
            precision=self.precision,
            theta_sd=self.theta_sd,
            vectors=self.vectors,
            weights=self.weights,
            means=self.means,
            theta_mean=self.theta_mean,
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
                arrays["vectors"],
                arrays["weights"],
                arrays["means"],
                arrays["theta_mean"],
            )


def simplex(count: int) -> FloatArray:
    """Points in as many directions with mean 0 and covariance 1 exactly, of equal weight; (g, k).

    A simplex: as many points as it takes, all at the distance at which most of a normal distribution lies.
    """
    points = count + 1
    base = np.eye(points) - 1 / points
    u, s, _ = np.linalg.svd(base)
    simplex = u[:, :count] * s[:count] * np.sqrt(points)
    # Turned so that no hyperparameter has a point to itself; the same turn always.
    turn, _ = np.linalg.qr(np.random.default_rng(7).normal(size=(count, count)))
    return np.asarray(simplex @ turn)


def prior_fit(names: Sequence[str] = ()) -> Fit:
    """Before any log: every shared effect and all hyperparameters at their priors."""
    p, k = len(names), len(CENTRE)
    vectors = CENTRE + SPREAD * simplex(k)
    return Fit(
        tuple(names),
        np.zeros(p),
        np.eye(p),
        Hyperparameters(),
        SPREAD.copy(),
        {"observations": 0.0},
        vectors,
        np.full(k + 1, 1 / (k + 1)),
        np.zeros((k + 1, p)),
    )


class _Posterior:
    """Log posterior of the hyperparameters and its gradient, in prior sds around the prior median."""

    def __init__(self, observations: Observations, notify: Callable[[str], None] | None) -> None:
        self.sweeper = Sweeper(observations)
        self.notify = notify
        self.start: Start | None = None
        self.calls = 0
        self.sweeps = 0

    def at(
        self, point: FloatArray, *, start: Start | None = None, sketch: bool = True, tolerance: float = SEARCH
    ) -> Propagation:
        """Sites at `point`, started from `start` or from the last ones."""
        theta = Hyperparameters.from_vector(CENTRE + SPREAD * point)
        found = self.sweeper.propagate(theta, start=start or self.start, sketch=sketch, tolerance=tolerance)
        if start is None:
            self.start = found.start
        self.calls += 1
        self.sweeps += found.sweeps
        return found

    def loss(self, point: FloatArray, start: Start | None = None) -> tuple[float, FloatArray]:
        """What is to be minimised, and its gradient."""
        found = self.at(point, start=start)
        value = found.log_evidence + log_prior(CENTRE + SPREAD * point)
        if self.notify:
            self.notify(f"log evidence {value:.2f}, {self.calls} fits of all divers")
        return -value, -(found.gradient * SPREAD - point)


def _covariance(posterior: _Posterior, point: FloatArray, settled: Propagation) -> FloatArray:
    """Covariance from the curvature at the mode, in prior sds; nowhere wider than the prior."""
    rows = np.array(
        [
            posterior.loss(point + step, settled.start)[1] - posterior.loss(point - step, settled.start)[1]
            for step in DIFFERENCE * np.eye(len(point))
        ]
    ) / (2 * DIFFERENCE)
    values, vectors = np.linalg.eigh((rows + rows.T) / 2)
    return np.asarray((vectors / np.maximum(values, 1.0)) @ vectors.T)


@dataclass(frozen=True)
class _Around:
    """Hyperparameters around their mode, g of them: weights, and the shared effects' means there."""

    vectors: FloatArray
    weights: FloatArray
    means: FloatArray


def _around(
    posterior: _Posterior, point: FloatArray, settled: Propagation, covariance: FloatArray, design: FloatArray
) -> _Around:
    """Points around the mode.

    Each point is weighted by how much higher the exact marginal posterior is there than the normal
    distribution it was placed by: the skew that a mode and a curvature do not show.
    """
    points = point + design @ np.linalg.cholesky(covariance).T
    found = [posterior.at(p, start=settled.start) for p in points]
    heights = [f.log_evidence + log_prior(CENTRE + SPREAD * p) for f, p in zip(found, points, strict=True)]
    logs = np.array(heights) + 0.5 * np.sum(design**2, axis=1)
    weights = np.exp(np.clip(logs - np.median(logs), -MOST_SKEW, MOST_SKEW))
    return _Around(CENTRE + SPREAD * points, weights / weights.sum(), np.array([f.mean for f in found]))


def _sought(posterior: _Posterior) -> OptimizeResult:
    """The hyperparameters of the highest posterior, in prior sds around their median."""
    from scipy.optimize import minimize

    def found(start: FloatArray, enough: float) -> OptimizeResult:
        return minimize(
            posterior.loss,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=[(-REACH, REACH)] * len(CENTRE),
            options={"maxiter": ROUNDS, "ftol": enough, "gtol": 0.05},
        )

    first = found(np.zeros(len(CENTRE)), COARSE)
    if not first.success:
        raise FitError(
            f"the hyperparameters did not converge ({first.message}): nothing was stored; "
            "look at the newest records first",
            {"calls": float(posterior.calls)},
        )
    size = max(abs(first.fun), 1.0)
    if COARSE * size <= FINE:
        return first
    # A share of a large evidence is many nats: go on from there until a round gains next to none.
    again = found(first.x, FINE / size)
    again.nit += first.nit
    return again if again.fun <= first.fun else first


def likeliest(observations: Observations) -> Hyperparameters:
    """Hyperparameters at their mode, without what is around it: a third of the work of `fit`.

    Parameters
    ----------
    observations : Observations
        Any number of rows; none gives the prior medians.

    Returns
    -------
    Hyperparameters
        As `Fit.theta`.

    Raises
    ------
    FitError
        If it does not converge.
    """
    if not len(observations):
        return Hyperparameters()
    return Hyperparameters.from_vector(CENTRE + SPREAD * _sought(_Posterior(observations, None)).x)


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
        Hyperparameters at the mode of their marginal posterior and at points around it, shared effects as
        Gaussian.

    Raises
    ------
    FitError
        If it does not converge; such a fit must not be stored.

    Notes
    -----
    The hyperparameters are found by L-BFGS in prior-sd coordinates, where the prior makes the surface
    proper and well scaled, with the gradient of the evidence.
    """
    if not len(observations):
        return prior_fit(observations.names)
    posterior = _Posterior(observations, notify)
    found = _sought(posterior)
    point = np.asarray(found.x)
    settled = posterior.at(point, sketch=False, tolerance=TOLERANCE)
    covariance = _covariance(posterior, point, settled)
    sd = np.sqrt(np.diag(covariance))
    left = float(np.max(np.where(np.abs(point) < REACH, np.abs(covariance @ found.jac) / sd, 0.0)))
    if left > MOST_LEFT:
        raise FitError(
            f"the hyperparameters did not converge (one round more would move one by {left:.1f} of its sd): "
            "nothing was stored; look for records that contradict each other",
            {"calls": float(posterior.calls), "left": left},
        )
    design = simplex(len(point))
    near, far = (_around(posterior, point, settled, covariance, side * design) for side in (1, -1))
    return Fit(
        observations.names,
        settled.mean,
        settled.precision,
        Hyperparameters.from_vector(CENTRE + SPREAD * point),
        np.asarray(SPREAD * sd),
        {
            "observations": float(len(observations)),
            "divers": float(len(observations.body_sd)),
            "log_evidence": settled.log_evidence,
            "rounds": float(found.nit),
            "calls": float(posterior.calls),
            "sweeps": float(posterior.sweeps),
            "settled_sweeps": float(settled.sweeps),
            "left": left,
        },
        near.vectors,
        near.weights,
        near.means,
        # Opposite points together: what one side alone gets wrong about the middle the other undoes.
        (near.weights @ near.vectors + far.weights @ far.vectors) / 2,
    )
