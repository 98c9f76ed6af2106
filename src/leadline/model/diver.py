"""One diver's posterior of need: several hyperparameters, one-sided evidence, contradictory records.

With the population held as a Gaussian, one diver is a small problem. Expectation propagation finds the
Gaussian that agrees best with all records; the marginal of the need asked for is then corrected by what
the exact likelihoods say beyond it, value by value. Where the evidence is one-sided the result is skewed,
as it should be.

References
----------
B. Cseke and T. Heskes, "Approximate marginals in latent Gaussian models", Journal of Machine Learning
Research 12 (2011) 417-454: the factorised correction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.model.observations import Observations
from leadline.model.population import Fit
from leadline.model.solo import Gaussian, Rows, Sites, settled, share_of

__all__ = ["Population", "Targets", "conditional_marginals", "marginals"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

COARSE: Final = 41
FINE: Final = 61
REACH: Final = 7.0
"""Sds of the Gaussian to either side of its mean that are searched. [-]"""

DEPTH: Final = 13.0
"""Log density below the peak at which the grid ends: e^-13 is two parts in a million."""

LOG_SQRT_2PI: Final = 0.9189385332046727

MOST_SHARE: Final = 0.95
"""Largest part of the population's knowledge in any direction that may be one diver's. [-]"""


@dataclass(frozen=True)
class Targets:
    """Needs to predict for one diver; *t* of them.

    Parameters
    ----------
    prior : ndarray, shape (t,)
        Prior mean of need. [kg]
    exposure : ndarray, shape (t, p)
        In the columns of the observations. [kg]
    suit_weight : ndarray, shape (t,)
        Change of need for one prior sd of this diver in this suit. [kg]
    suit : ndarray of int, shape (t,)
        Suit label in the diver's observations; a label that is not there, such as -1, is a suit without
        evidence, and equal ones from their number on are the same suit.
    body_sd : float
        Prior sd of the diver's offset from physics. [kg]
    elapsed, jumped : ndarray, shape (t,), optional
        As in `Observations`; default 0.
    """

    prior: FloatArray
    exposure: FloatArray
    suit_weight: FloatArray
    suit: IntArray
    body_sd: float
    elapsed: FloatArray = field(default_factory=lambda: np.zeros(0))
    jumped: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        for name in ("elapsed", "jumped"):
            if not len(getattr(self, name)):
                object.__setattr__(self, name, np.zeros(len(self.prior)))

    def __len__(self) -> int:
        return int(self.prior.shape[0])


@dataclass(frozen=True)
class Population:
    """Shared effects and hyperparameters: a Gaussian under each of *g* weighted hyperparameters.

    Parameters
    ----------
    mean, covariance : ndarray, shape (g, p), (g, p, p)
        Of the shared effects. [-]
    thetas : tuple of Hyperparameters
        Length g.
    weights : ndarray, shape (g,)
        Summing to 1.
    """

    mean: FloatArray
    covariance: FloatArray
    thetas: tuple[Hyperparameters, ...]
    weights: FloatArray

    @classmethod
    def of(cls, fit: Fit, names: Sequence[str], *, integrated: bool = True) -> Population:
        """What a fit says of the shared effects `names`.

        Parameters
        ----------
        fit : Fit
            The population.
        names : sequence of str
            Shared effects wanted, length p; what the fit has not seen keeps its prior N(0, 1).
        integrated : bool
            Over the hyperparameters; else at their mode.
        """
        mean, covariance = fit.aligned(names)
        if not integrated:
            return cls(mean[None], covariance[None], (fit.theta,), np.ones(1))
        points = fit.aligned_points(names)
        wide = np.broadcast_to(covariance, (len(points), *covariance.shape))
        return cls(points, wide, fit.thetas, fit.weights)

    def cautious(self) -> Population:
        """The same, with breathing high trusted for no more than is usual."""
        return replace(self, thetas=tuple(theta.cautious() for theta in self.thetas))

    def without(self, seen: Observations) -> Population:
        """The population as it would be without one diver's share of the evidence.

        Parameters
        ----------
        seen : Observations
            That diver's rows that the population was fitted to.

        Returns
        -------
        Population
            Without this the diver's own records would count twice.
        """
        at = np.flatnonzero(np.any(seen.exposure != 0, axis=0)) if len(seen) else np.zeros(0, int)
        if not len(at):
            return self
        mean, inner = self.mean[:, at], self.covariance[:, at[:, None], at]
        spread = _spread(seen.body_sd[:1], self.thetas)
        loadings = _personal(seen, None, self.thetas, spread)
        personal = Gaussian(np.broadcast_to(seen.prior, (len(mean), len(seen))), loadings)
        rows = Rows(seen, self.thetas)
        own, shift = share_of(rows, personal, seen.exposure[:, at], mean, inner)
        # One diver's share can exceed the whole only by rounding, or where the records changed since the
        # fit; take the largest part of it that leaves a sound precision.
        root = np.linalg.cholesky(inner)
        largest = np.linalg.eigvalsh(np.swapaxes(root, -1, -2) @ own @ root)[:, -1]
        part = np.minimum(1.0, MOST_SHARE / np.maximum(largest, 1e-12))
        own, shift = own * part[:, None, None], shift * part[:, None]
        cross = self.covariance[:, :, at]
        grown = cross @ np.linalg.inv(np.eye(len(at)) - own @ inner)
        pulled = (own @ mean[..., None])[..., 0] - shift
        covariance = self.covariance + grown @ own @ np.swapaxes(cross, -1, -2)
        return replace(
            self,
            mean=self.mean + (grown @ pulled[..., None])[..., 0],
            covariance=(covariance + np.swapaxes(covariance, -1, -2)) / 2,
        )


def _spread(body_sd: FloatArray | float, thetas: Sequence[Hyperparameters]) -> FloatArray:
    """Prior sd of the diver's offset under each of the hyperparameters; shape (g,). [kg]."""
    own = np.array([theta.diver_sd for theta in thetas])
    factor = np.array([theta.body_factor for theta in thetas])
    return np.asarray(np.hypot(own, factor * np.ravel(body_sd)[0]))


def _walk(elapsed: FloatArray, jumped: FloatArray, drift: FloatArray) -> FloatArray:
    """Loadings on the steps between the distinct times of all rows; shape (g, rows, steps). [kg]."""
    times = np.unique(np.column_stack([elapsed, jumped]), axis=0)
    steps = np.diff(times, axis=0)
    place = np.searchsorted(times[:, 0] + times[:, 1], elapsed + jumped)
    size = np.sqrt(np.maximum(drift[:, None] ** 2 * steps[:, 0] + steps[:, 1], 0.0))
    return np.asarray((place[:, None] > np.arange(len(steps))) * size[:, None, :], float)


def _personal(
    seen: Observations, targets: Targets | None, thetas: Sequence[Hyperparameters], spread: FloatArray
) -> FloatArray:
    """Loadings of rows and targets on the diver's own independent directions; shape (g, n + t, r). [kg]."""
    n, t = len(seen), len(targets) if targets else 0
    suits = len(seen.suit_starts) if n else 0
    label, weight = (seen.suit, seen.suit_weight) if n else (np.zeros(0, int), np.zeros(0))
    elapsed, jumped = seen.elapsed, seen.jumped
    if targets:
        # A suit without evidence gets a direction of its own for each label.
        known = (targets.suit >= 0) & (targets.suit < suits)
        fresh = suits + np.unique(np.where(known, -2, targets.suit), return_inverse=True)[1]
        label = np.concatenate([label, np.where(known, targets.suit, fresh)])
        weight = np.concatenate([weight, targets.suit_weight])
        # The offset is pinned where the records begin: nothing is said of how it got there.
        first = (elapsed.min(), jumped.min()) if n else (targets.elapsed.min(), targets.jumped.min())
        elapsed = np.concatenate([elapsed, np.maximum(targets.elapsed, first[0])])
        jumped = np.concatenate([jumped, np.maximum(targets.jumped, first[1])])
    own = np.zeros((n + t, int(label.max(initial=-1)) + 1))
    own[np.arange(n + t), label] = weight
    own = own[:, np.any(own != 0, axis=0)]
    shared = np.flatnonzero(seen.is_shared) if n else np.zeros(0, int)
    occasion = np.zeros((n + t, len(shared)))
    if n:
        occasion[:n] = seen.occasion[:, None] == shared
    factor, scatter, drift = (
        np.array([getattr(theta, name) for theta in thetas]) for name in ("suit_factor", "scatter", "drift")
    )
    return np.concatenate(
        [
            np.broadcast_to(spread[:, None, None], (len(thetas), n + t, 1)),
            _walk(elapsed, jumped, drift),
            own * factor[:, None, None],
            occasion * scatter[:, None, None],
        ],
        axis=2,
    )


def _loadings(
    population: Population, seen: Observations, targets: Targets
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means (g, n + t) of rows and targets, and their loadings (g, n, r), (g, t, r)."""
    n = len(seen)
    exposure = np.vstack([seen.exposure, targets.exposure])
    at = np.flatnonzero(np.any(exposure != 0, axis=0))
    exposure = exposure[:, at]
    mean = np.concatenate([seen.prior, targets.prior]) + population.mean[:, at] @ exposure.T
    root = np.linalg.cholesky(population.covariance[:, at[:, None], at])
    own = _personal(seen, targets, population.thetas, _spread(targets.body_sd, population.thetas))
    whole = np.concatenate([exposure @ root, own], axis=2)
    if whole.shape[2] > whole.shape[1]:
        # Fewer rows than directions: turn them so that only as many are left.
        whole = np.swapaxes(np.linalg.qr(np.swapaxes(whole, -1, -2), mode="r"), -1, -2)
    return mean, whole[:, :n], whole[:, n:]


@dataclass(frozen=True)
class _Settled:
    """Gaussian posterior of rows and targets under g hyperparameters, and what it was made of."""

    rows: Rows
    sites: Sites
    log_mass: FloatArray
    need: FloatArray
    variance: FloatArray
    centre: FloatArray
    sd: FloatArray
    cross: FloatArray

    def log_density(self, points: FloatArray, target: int) -> FloatArray:
        """Log density of one target at `points`, shape (u,), each hyperparameter's summing as it may.

        Notes
        -----
        Given the target, each row is a Gaussian; what its exact likelihood says beyond its site is one
        integral in closed form.
        """
        sd = self.sd[:, target]
        pull = self.cross[:, target] / sd[:, None] ** 2
        away = points - self.centre[:, target, None]
        mean = self.need[:, None] + away[..., None] * pull[:, None]
        variance = np.maximum(self.variance - pull * self.cross[:, target], 1e-12)[:, None]
        t, shift = self.sites.precision[:, None], self.sites.shift[:, None]
        left = np.maximum(1 - t * variance, 1e-9)
        constant = 0.5 * (t * mean**2 - 2 * shift * mean + variance * shift**2) / left - 0.5 * np.log(left)
        beyond = constant + self.rows.value((mean - variance * shift) / left, variance / left)
        return np.asarray(beyond.sum(axis=-1) - 0.5 * (away / sd[:, None]) ** 2)


def _settle(population: Population, seen: Observations, targets: Targets) -> _Settled:
    mean, of_rows, of_targets = _loadings(population, seen, targets)
    n = len(seen)
    rows = Rows(seen, population.thetas)
    found = settled(rows, Gaussian(mean[:, :n], of_rows))
    through = of_targets @ found.covariance
    return _Settled(
        rows,
        found.sites,
        found.log_mass,
        mean[:, :n] + (of_rows @ found.mean[..., None])[..., 0],
        np.maximum(np.sum((of_rows @ found.covariance) * of_rows, axis=-1), 1e-12),
        mean[:, n:] + (of_targets @ found.mean[..., None])[..., 0],
        np.sqrt(np.maximum(np.sum(through * of_targets, axis=-1), 1e-12)),
        through @ np.swapaxes(of_rows, -1, -2),
    )


def _grid(found: _Settled, target: int) -> tuple[FloatArray, FloatArray]:
    """Points that hold all of one target's posterior, and the log densities there; shapes (u,), (g, u)."""
    centre, sd = found.centre[:, target], found.sd[:, target]
    low, high = float(np.min(centre - REACH * sd)), float(np.max(centre + REACH * sd))
    for count in (COARSE, FINE):
        points = np.linspace(low, high, count)
        logs = found.log_density(points, target)
        inside = np.flatnonzero(np.any(logs > logs.max(axis=1, keepdims=True) - DEPTH, axis=0))
        if len(inside) >= FINE // 2:
            break
        low, high = points[max(inside[0] - 1, 0)], points[min(inside[-1] + 1, count - 1)]
    return points, logs


def _mixed(
    population: Population, points: FloatArray, logs: FloatArray, *, news: FloatArray | float = 0.0
) -> Marginal:
    """Marginal over the hyperparameters, which the diver's news make more or less likely."""
    density = np.exp(logs - logs.max(axis=1, keepdims=True)) * np.gradient(points)
    density /= density.sum(axis=1, keepdims=True)
    weights = population.weights * np.exp(news - np.max(news))
    weights /= weights.sum()
    scatter = np.array([theta.scatter for theta in population.thetas])
    return Marginal(points, weights @ density, float(np.sqrt(weights @ scatter**2)))


def _news(found: _Settled, points: FloatArray, logs: FloatArray, target: int) -> FloatArray:
    """Log probability of all rows under each of the hyperparameters, the Gaussian's error corrected."""
    top = logs.max(axis=1)
    area = np.exp(logs - top[:, None]) @ np.gradient(points)
    return np.asarray(found.log_mass + top + np.log(area / found.sd[:, target]) - LOG_SQRT_2PI)


def conditional_marginals(
    population: Population,
    observations: Observations,
    targets: Targets,
    *,
    in_fit: NDArray[np.bool_] | None = None,
) -> list[Marginal]:
    """Posterior of need for one diver, one target at a time.

    Parameters
    ----------
    population : Population
        This diver's share removed.
    observations : Observations
        All rows of that one diver; may be none.
    targets : Targets
        Needs wanted.
    in_fit : ndarray of bool, shape (m,), optional
        Rows that the hyperparameters have seen; the others make them more or less likely. Default none.

    Returns
    -------
    list of Marginal
        One for each target, dive-to-dive scatter kept apart.
    """
    if not len(observations):
        return _unseen(population, observations, targets)
    settled_rows = _settle(population, observations, targets)
    old = (
        np.zeros(len(population.weights))
        if in_fit is None
        else _known(population, observations, targets, in_fit)
    )
    found = []
    for target in range(len(targets)):
        points, logs = _grid(settled_rows, target)
        news = _news(settled_rows, points, logs, target) - old if old is not None else 0.0
        found.append(_mixed(population, points, logs, news=news))
    return found


def _known(
    population: Population, observations: Observations, targets: Targets, in_fit: NDArray[np.bool_]
) -> FloatArray | None:
    """Log probability of the rows that the hyperparameters have seen already; None if that is all of them."""
    if in_fit.all():
        return None
    if not in_fit.any():
        return np.zeros(len(population.weights))
    seen = observations.take(in_fit)
    one = replace(
        targets,
        **{
            name: getattr(targets, name)[:1]
            for name in ("prior", "exposure", "suit_weight", "elapsed", "jumped")
        },
        suit=np.array([-1]),
    )
    found = _settle(population, seen, one)
    points, logs = _grid(found, 0)
    return _news(found, points, logs, 0)


def _unseen(population: Population, observations: Observations, targets: Targets) -> list[Marginal]:
    """Posterior of need where nothing was seen: the prior."""
    mean, _, loadings = _loadings(population, observations, targets)
    sd = np.sqrt(np.sum(loadings**2, axis=-1))
    found = []
    for centre, width in zip(mean.T, sd.T, strict=True):
        points = np.linspace(float(np.min(centre - 5 * width)), float(np.max(centre + 5 * width)), 121)
        found.append(_mixed(population, points, -0.5 * ((points - centre[:, None]) / width[:, None]) ** 2))
    return found


def marginals(
    fit: Fit, observations: Observations, targets: Targets, *, in_fit: NDArray[np.bool_] | None = None
) -> list[Marginal]:
    """As `conditional_marginals`, from a fit that has seen some of the rows.

    Parameters
    ----------
    fit : Fit
        Population and hyperparameters.
    observations : Observations
        All rows of that one diver; may be none.
    targets : Targets
        Needs wanted.
    in_fit : ndarray of bool, shape (m,), optional
        Which rows the population was fitted to; default none.

    Returns
    -------
    list of Marginal
        One for each target.
    """
    population = Population.of(fit, observations.names)
    if in_fit is not None and in_fit.any():
        population = population.without(observations.take(in_fit))
    return conditional_marginals(population, observations, targets, in_fit=in_fit)
