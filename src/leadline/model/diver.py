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

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.marginal import Marginal
from leadline.model.observations import Observations
from leadline.model.people import Population, Targets, offset_sd, personal_loadings
from leadline.model.population import Fit
from leadline.model.solo import Gaussian, Rows, Sites, settled

__all__ = ["Population", "Targets", "conditional_marginals", "marginals"]

FloatArray = NDArray[np.float64]

COARSE: Final = 41
FINE: Final = 61
REACH: Final = 7.0
"""Sds of the Gaussian to either side of its mean that are searched. [-]"""

DEPTH: Final = 13.0
"""Log density below the peak at which the grid ends: e^-13 is two parts in a million."""

LOG_SQRT_2PI: Final = 0.9189385332046727


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
    own = personal_loadings(seen, targets, population.thetas, offset_sd(targets.body_sd, population.thetas))
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
