"""Fit of the population: hyperparameters by their marginal likelihood, shared effects by their posterior."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Collection, Sequence
from dataclasses import asdict, field, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.errors import FitError
from leadline.frozen import dataclass
from leadline.model.around import SCORES, Shape, Surface, interpolated, lower_ends, shape, simplex
from leadline.model.freed import freed
from leadline.model.hyperparameters import CENTRE, SDS, SPREAD, Hyperparameters
from leadline.model.observations import Observations

if TYPE_CHECKING:
    from leadline.model.mode import Mode

__all__ = ["Fit", "fit", "likeliest", "prior_fit", "unsettled"]

FloatArray = NDArray[np.float64]

MOST_SKEW: Final = 2.0
"""Largest log weight of a point of the hyperparameters, against the middle one. [-]"""

VAGUE: Final = 0.2
"""Posterior sd of the log of an sd from which its lower end is looked at by itself. [-]"""

LONE: Final = (
    "no diver has two records, and only such divers tell what differs from dive to dive from what differs "
    "from diver to diver"
)

FORMAT: Final = 3
"""Of a stored fit."""

# Whoever only reads a fit should not wait for what makes one: that is loaded where it is used.


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
    theta_quantiles : ndarray, shape (k, q)
        Their posterior quantiles at the normal scores `around.SCORES`; default those of a normal
        distribution.
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
    theta_quantiles: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))

    def __post_init__(self) -> None:
        if not len(self.vectors):
            object.__setattr__(self, "vectors", self.theta.to_vector()[None])
            object.__setattr__(self, "means", self.mean[None])
        if not len(self.theta_mean):
            object.__setattr__(self, "theta_mean", self.weights @ self.vectors)
        if not len(self.theta_quantiles):
            usual = self.theta_mean[:, None] + self.theta_sd[:, None] * SCORES
            object.__setattr__(self, "theta_quantiles", usual)

    def theta_quantile(self, levels: ArrayLike) -> FloatArray:
        """Posterior quantiles of the hyperparameters, in unconstrained coordinates.

        Parameters
        ----------
        levels : array_like, shape (q,)
            Probabilities, between 0 and 1.

        Returns
        -------
        ndarray, shape (k, q)
        """
        from scipy.special import ndtri  # an answer for one dive has no use for it and need not wait

        return interpolated(self.theta_quantiles, ndtri(np.asarray(levels, float)))

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

    def forgetting(self, names: Collection[str]) -> Fit:
        """What is left where some shared effects are no longer those that were fitted.

        Parameters
        ----------
        names : collection of str
            Shared uncertainties to take out; those that the fit does not have are passed over.

        Returns
        -------
        Fit
            Of the others, as they are if nothing was known of these beforehand, so that a wrong entry has no
            part in them; in `aligned` these have their prior again. The fit itself where none is known.
        """
        gone = np.array([name in names for name in self.names], bool)
        if not gone.any():
            return self
        at, kept = np.flatnonzero(gone), np.flatnonzero(~gone)
        means, covariance = freed(np.vstack([self.mean, self.means]), self.covariance, at)
        return replace(
            self,
            names=tuple(self.names[i] for i in kept),
            mean=means[0, kept],
            precision=np.asarray(np.linalg.inv(covariance[np.ix_(kept, kept)])),
            means=means[1:, kept],
        )

    def to_bytes(self) -> bytes:
        """Everything as one byte string, free of pickles."""
        meta = {
            "names": list(self.names),
            "theta": asdict(self.theta),
            "diagnostics": self.diagnostics,
            "format": FORMAT,
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
            theta_quantiles=self.theta_quantiles,
            meta=np.frombuffer(json.dumps(meta).encode(), np.uint8),
        )
        return buffer.getvalue()

    @classmethod
    def from_bytes(cls, payload: bytes) -> Fit:
        """Inverse of `to_bytes`; also of what format 2 wrote, which kept no quantiles of the hyperparameters.

        Raises
        ------
        FitError
            If a later version wrote it.
        """
        with np.load(io.BytesIO(payload), allow_pickle=False) as arrays:
            meta = json.loads(arrays["meta"].tobytes())
            if meta["format"] > FORMAT:
                raise FitError(
                    f"the stored fit is of format {meta['format']}, and this version reads formats up to "
                    f"{FORMAT}: run `leadline learn` again, or use the version that stored it"
                )
            kept = ("theta_quantiles",) if "theta_quantiles" in arrays else ()
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
                *(arrays[name] for name in kept),
            )


def unsettled(moves: FloatArray, calls: int, *, several: bool) -> FitError:
    """The refusal of hyperparameters that one step more would move so far.

    Parameters
    ----------
    moves : ndarray, shape (k,)
        In posterior sds.
    calls : int
        Fits of all divers so far.
    several : bool
        Whether some diver has two records.
    """
    from leadline.model.mode import MOST_LEFT

    name, left = fields(Hyperparameters)[int(np.argmax(moves))].name.replace("_", " "), float(moves.max())
    reason = "look for records that contradict each other" if several else LONE
    return FitError(
        f"the hyperparameters did not converge (one step more would move '{name}' by {left:.1f} of its sd; "
        f"{MOST_LEFT:.0f} is let pass): nothing was stored; {reason}",
        {"calls": float(calls), "left": left},
    )


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
    from leadline.model.mode import climbed
    from leadline.model.search import Height, sought

    if not len(observations):
        return Hyperparameters()
    begun = climbed(observations)
    point = sought(Height(observations, None)).x if begun is None else begun[0].point
    return Hyperparameters.from_vector(CENTRE + SPREAD * point)


def _integrated(found: Mode) -> tuple[FloatArray, FloatArray, FloatArray, Shape]:
    """Hyperparameters to average over, their weights, the shared effects there, and the posterior of each.

    Each point is weighted by how much higher the marginal posterior is there than the normal distribution
    that placed it: the skew that a mode and a curvature do not show. What the curvature was found by tells
    that too.
    """
    root = np.asarray(np.linalg.cholesky(found.covariance), float)
    unconstrained = SPREAD[:, None] * root
    vague = SDS[np.linalg.norm(unconstrained[SDS], axis=1) > VAGUE]
    ends = lower_ends(unconstrained, vague) @ root.T
    looks = found.looks
    if len(ends):
        looks = looks.and_also(found.posterior.around(found.point + ends, found.settled))
    surface = Surface(unconstrained, SDS, *looks.over(found.point, found.height, root))
    design = simplex(len(root))
    heights = surface(design)
    weights = np.exp(np.clip(heights - np.median(heights), -MOST_SKEW, MOST_SKEW))
    points = found.point + design @ root.T
    return (
        CENTRE + SPREAD * points,
        weights / weights.sum(),
        found.looks.shared_at(points),
        shape(CENTRE + SPREAD * found.point, unconstrained, surface),
    )


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
    The hyperparameters are found in prior-sd coordinates, where the prior makes the surface proper and well
    scaled, with the gradient of the evidence: see `leadline.model.mode`.
    """
    from leadline.model.climb import has_several
    from leadline.model.mode import mode

    if not len(observations):
        return prior_fit(observations.names)
    found = mode(observations, notify=notify)
    posterior, point, settled = found.posterior, found.point, found.settled
    if not found.converged:
        raise unsettled(found.left, posterior.calls, several=has_several(observations))
    vectors, weights, means, around = _integrated(found)
    return Fit(
        observations.names,
        settled.mean,
        settled.precision,
        Hyperparameters.from_vector(CENTRE + SPREAD * point),
        around.sd,
        found.diagnostics(observations),
        vectors,
        weights,
        means,
        around.mean,
        around.quantiles,
    )
