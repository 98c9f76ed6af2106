"""Search of the hyperparameters: height of their marginal posterior, its mode, and what lies around it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from queue import SimpleQueue
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.frozen import dataclass
from leadline.model.around import simplex
from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters, log_prior
from leadline.model.observations import Observations
from leadline.model.partition import Partition
from leadline.model.propagation import Propagation, Start, Sweeper

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

__all__ = ["REACH", "Height", "Looks", "covariance_around", "sought"]

FloatArray = NDArray[np.float64]

BESIDE: Final = 0.65
"""How far from the mode slopes are compared for the curvature: root mean square in a direction. Near enough
for a curvature, far enough to show the skew. (measured on ten books beside 3,000 weighted draws each: from
0.4 means are off by 0.12 posterior sds, from 0.65 by 0.08; from 1 sds by 8 %, from 0.65 by 6 %)
[posterior sds]"""

ROUNDS: Final = 100
COARSE: Final = 2e-6
FINE: Final = 0.004
"""Gain of one round of the search at which it ends: as a share of the evidence, and then in nats. [-]"""

SEARCH: Final = 5e-3
AROUND: Final = 0.1
"""Tolerance of the sites while the hyperparameters are sought, and around their mode: the evidence is flat in
the sites. (measured on ten books: with a fifth of the latter means are off by 0.083 posterior sds as well)
[-]"""

REACH: Final = 4.5
"""How far from their prior median the hyperparameters are sought, in prior sds. [-]"""


class Height:
    """Log posterior of the hyperparameters and its gradient, in prior sds around the prior median."""

    def __init__(self, observations: Observations, notify: Callable[[str], None] | None) -> None:
        self.rows = Partition(observations)
        self.sweeper = Sweeper(self.rows)
        self.notify = notify
        self.start: Start | None = None
        self.calls = 0
        self.sweeps = 0

    def at(
        self,
        point: FloatArray,
        *,
        start: Start | None = None,
        sketch: bool = True,
        tolerance: float = SEARCH,
        inform: bool = False,
    ) -> Propagation:
        """Sites at `point`, started from `start` or from the last ones."""
        theta = Hyperparameters.from_vector(CENTRE + SPREAD * point)
        found = self.sweeper.propagate(
            theta, start=start or self.start, sketch=sketch, tolerance=tolerance, inform=inform, hasty=sketch
        )
        if start is None:
            self.start = found.start
        self.calls += 1
        self.sweeps += found.sweeps
        return found

    def loss(self, point: FloatArray) -> tuple[float, FloatArray]:
        """What is to be minimised, and its gradient."""
        found = self.at(point)
        value = found.log_evidence + log_prior(CENTRE + SPREAD * point)
        if self.notify:
            self.notify(f"log evidence {value:.2f}, {self.calls} fits of all divers")
        return -value, -(found.gradient * SPREAD - point)

    def around(self, points: FloatArray, settled: Propagation) -> Looks:
        """Look at points around one where sites have settled; side by side, each by a thread of its own.

        Each begins from the same, so that it does not matter who looks at which, nor in what order.
        """
        rows, free = self.rows, SimpleQueue[Partition]()
        for _ in rows.parts:
            free.put(rows.twin())

        def settle(point: FloatArray) -> Propagation:
            twin = free.get()
            twin.loosest = rows.loosest
            theta = Hyperparameters.from_vector(CENTRE + SPREAD * point)
            try:
                return Sweeper(twin).propagate(
                    theta, start=settled.start, sketch=True, tolerance=AROUND, hasty=True
                )
            finally:
                free.put(twin)  # or whoever looks next would wait for ever

        found = list((rows.pool.map if len(rows.parts) > 1 else map)(settle, points))
        self.calls += len(found)
        self.sweeps += sum(each.sweeps for each in found)
        return Looks.of(found, points)


@dataclass(frozen=True)
class Looks:
    """The hyperparameters' log posterior at n points, in prior sds around the prior median.

    Parameters
    ----------
    points : ndarray, shape (n, k)
    heights, slopes : ndarray, shape (n,), (n, k)
        Of the log posterior.
    means : ndarray, shape (n, p)
        Of the shared effects there.
    """

    points: FloatArray
    heights: FloatArray
    slopes: FloatArray
    means: FloatArray

    @classmethod
    def of(cls, found: Sequence[Propagation], points: FloatArray) -> Looks:
        """From what has settled at some points."""
        prior = np.array([log_prior(CENTRE + SPREAD * point) for point in points])
        return cls(
            points,
            np.array([each.log_evidence for each in found]) + prior,
            np.array([each.gradient * SPREAD for each in found]) - points,
            np.array([each.mean for each in found]),
        )

    def and_also(self, others: Looks) -> Looks:
        """These, then the others."""
        return Looks(*(np.concatenate(pair) for pair in zip(self._arrays, others._arrays, strict=True)))

    @property
    def _arrays(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        return self.points, self.heights, self.slopes, self.means

    def shared_at(self, points: FloatArray) -> FloatArray:
        """Means of the shared effects at other points, shape (m, p): those of the plane through these.

        Parameters
        ----------
        points : ndarray, shape (m, k)
            As `points`, of which these must be k + 1 or more in all directions.
        """
        middle = self.points.mean(axis=0)
        known = np.column_stack([np.ones(len(self.points)), self.points - middle])
        plane = np.linalg.lstsq(known, self.means, rcond=None)[0]
        return np.asarray(np.column_stack([np.ones(len(points)), points - middle]) @ plane)

    def over(
        self, point: FloatArray, top: float, root: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Places, heights and slopes over a normal distribution around `point`, in its own directions."""
        places = np.asarray(np.linalg.solve(root, (self.points - point).T).T, float)
        heights = self.heights - top + 0.5 * np.sum(places**2, axis=1)
        return places, heights, self.slopes @ root + places


def covariance_around(
    posterior: Height, point: FloatArray, settled: Propagation, root: FloatArray
) -> tuple[FloatArray, Looks]:
    """Covariance from the curvature around a point, in prior sds, and what was looked at for it.

    Parameters
    ----------
    point, settled : ndarray, Propagation
        Where, and the sites there.
    root : ndarray, shape (k, k)
        Root of a covariance that is about right: it says how far away to look.

    Returns
    -------
    covariance : ndarray, shape (k, k)
        Nowhere wider than the prior.
    looks : Looks

    Notes
    -----
    Slopes at a simplex: one point more than there are directions, and none of them is compared with the
    middle, whose sites may have settled elsewhere.
    """
    design = -BESIDE * simplex(len(point))
    looks = posterior.around(point + design @ root.T, settled)
    fallen = -(design.T @ looks.slopes @ root) / (len(design) * BESIDE**2)
    back = np.linalg.inv(root)
    values, vectors = np.linalg.eigh(back.T @ ((fallen + fallen.T) / 2) @ back)
    return np.asarray((vectors / np.maximum(values, 1.0)) @ vectors.T), looks


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
