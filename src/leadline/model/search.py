"""Search of the hyperparameters: height of their marginal posterior, its mode, and what lies around it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.frozen import dataclass
from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters, log_prior
from leadline.model.observations import Observations
from leadline.model.propagation import Propagation, Start, Sweeper

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

__all__ = ["REACH", "Around", "Height", "around_mode", "covariance_at", "sought"]

FloatArray = NDArray[np.float64]

DIFFERENCE: Final = 0.1
"""Step of the differences of the gradient that give the hyperparameters' sds, in prior sds. [-]"""

ROUNDS: Final = 100
COARSE: Final = 2e-6
FINE: Final = 0.004
"""Gain of one round of the search at which it ends: as a share of the evidence, and then in nats. [-]"""

SEARCH: Final = 5e-3
AROUND: Final = 0.02
"""Tolerance of the sites while the hyperparameters are sought, and around their mode: the evidence is flat in
the sites. (measured on 32 books: a quarter of the latter moves means of hyperparameters by 0.001 sd in the
median) [-]"""

MOST_SKEW: Final = 2.0
"""Largest log weight of a point of the hyperparameters, against the middle one. [-]"""

REACH: Final = 4.5
"""How far from their prior median the hyperparameters are sought, in prior sds. [-]"""


class Height:
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


def covariance_at(posterior: Height, point: FloatArray, settled: Propagation) -> FloatArray:
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
class Around:
    """Hyperparameters around their mode, g of them.

    Parameters
    ----------
    vectors, weights, means : ndarray
        As of `Fit`.
    heights, slopes : ndarray, shape (g,), (g, k)
        Log of the exact marginal posterior over the normal distribution they were placed by, which is 0 at
        the mode, and its derivatives in that distribution's sds.
    """

    vectors: FloatArray
    weights: FloatArray
    means: FloatArray
    heights: FloatArray
    slopes: FloatArray


def around_mode(
    posterior: Height, point: FloatArray, settled: Propagation, root: FloatArray, design: FloatArray
) -> Around:
    """Points around the mode, with the root of the unconstrained covariance that places them.

    Each point is weighted by how much higher the exact marginal posterior is there than the normal
    distribution: the skew that a mode and a curvature do not show.
    """
    points = point + design @ root.T / SPREAD
    found = [posterior.at(p, start=settled.start, tolerance=AROUND) for p in points]
    top = settled.log_evidence + log_prior(CENTRE + SPREAD * point)
    logs = np.array(
        [f.log_evidence + log_prior(CENTRE + SPREAD * p) - top for f, p in zip(found, points, strict=True)]
    ) + 0.5 * np.sum(design**2, axis=1)
    slopes = (np.array([f.gradient for f in found]) - points / SPREAD) @ root + design
    weights = np.exp(np.clip(logs - np.median(logs), -MOST_SKEW, MOST_SKEW))
    return Around(
        CENTRE + SPREAD * points, weights / weights.sum(), np.array([f.mean for f in found]), logs, slopes
    )


def sought(posterior: Height) -> OptimizeResult:
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
