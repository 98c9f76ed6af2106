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

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.density import ROUGHLY, SettledDiver, knots_of, turned
from leadline.model.grid import FINE, grid
from leadline.model.marginal import Marginal
from leadline.model.observations import Observations
from leadline.model.people import Population, Targets, offset_sd, personal_loadings
from leadline.model.population import Fit
from leadline.model.solo import Gaussian, Rows, Sites, settled

__all__ = ["Population", "Targets", "conditional_marginals", "marginals"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ALIKE: Final = 0.95
"""Correlation before anything was seen from which a row speaks of the target itself. [-]"""

BARELY: Final = math.exp(-4.5)
"""Density of the anchor, its highest 1, from which it matters what the target is there. [-]"""

ALIKE_GIVEN: Final = 0.1
"""How far a target may be put wrong given the anchor, in its sd there. [-]"""


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
    spread = offset_sd(targets.body_sd, population.thetas)
    own = personal_loadings(seen, targets, population.thetas, spread, error=population.own_error)
    whole = np.concatenate([exposure @ root, own], axis=2)
    return mean, whole[:, :n], whole[:, n:]


def _settle(population: Population, seen: Observations, targets: Targets) -> SettledDiver:
    mean, of_rows, of_targets = _loadings(population, seen, targets)
    n, t = len(seen), len(targets)
    # Of rows that share the scatter of a dive, what they are about but for it.
    shared = seen.is_shared[seen.occasion]
    without = of_rows[:, shared]
    without[..., without.shape[-1] - int(seen.is_shared.sum()) :] = 0.0
    every = turned(np.concatenate([of_rows, of_targets, without], axis=1))
    of_rows, of_targets = every[:, :n], every[:, n : n + t]
    about = of_rows.copy()
    about[:, shared] = every[:, n + t :]
    rows = Rows(seen, population.thetas)
    before = Gaussian(mean[:, None, :n], of_rows[:, None])
    # One of the hyperparameters first: the others begin where it ends.
    first = settled(
        rows.under(np.zeros(1, int)), Gaussian(before.mean[:1], before.loadings[:1]), tolerance=ROUGHLY
    ).sites
    flat = Sites(*(np.broadcast_to(v, before.mean.shape) for v in (first.precision, first.shift)))
    found = settled(rows, before, start=flat)
    latent, covariance = found.mean[:, 0], found.covariance[:, 0]
    length = np.linalg.norm(about, axis=-1)
    unit = np.swapaxes(about / length[..., None], -1, -2)
    alike = (about[0] / length[0, :, None]) @ unit[0]
    told = alike**2 @ np.mean(np.abs(found.sites.precision[:, 0]) * length**2, axis=0)
    anchor = int(np.argmax(told))
    directions = np.concatenate([of_targets, about[:, anchor : anchor + 1]], axis=1)
    start = np.concatenate([mean[:, n:], mean[:, anchor : anchor + 1]], axis=1)
    start_sd = np.linalg.norm(directions, axis=-1)
    through = directions @ covariance
    near = np.max(np.mean((directions / start_sd[..., None]) @ unit, axis=0), axis=1)
    return SettledDiver(
        rows,
        mean[:, :n],
        of_rows,
        directions,
        found.sites,
        found.log_mass[:, 0],
        mean[:, :n] + (of_rows @ latent[..., None])[..., 0],
        np.maximum(np.sum((of_rows @ covariance) * of_rows, axis=-1), 1e-12),
        start,
        start_sd,
        start + (directions @ latent[..., None])[..., 0],
        np.sqrt(np.maximum(np.sum(through * directions, axis=-1), 1e-12)),
        through @ np.swapaxes(of_rows, -1, -2),
        (through @ about[:, anchor, :, None])[..., 0],
        near < ALIKE,
    )


def _weights(points: FloatArray, logs: FloatArray) -> FloatArray:
    """Probabilities of the points, each hyperparameter's summing to 1."""
    density = np.exp(logs - logs.max(axis=1, keepdims=True)) * np.gradient(points)
    return np.asarray(density / density.sum(axis=1, keepdims=True))


def _through_anchor(
    found: SettledDiver, target: int, points: FloatArray, weights: FloatArray, likeliest: int
) -> tuple[FloatArray, FloatArray]:
    """A target that no row is near to: by way of the anchor, which the rows do speak of.

    The rows of other suits hang together through what they share, so they cannot be taken one by one given
    the target; given the anchor they say little more.
    """
    centre, left = _given_anchor(found, target, points, weights, likeliest)
    low, high = float(np.min(centre - 4.5 * left)), float(np.max(centre + 4.5 * left))
    own = np.linspace(low, high, 2 * FINE)
    apart = (own[:, None] - centre[:, None]) / left[:, None]
    density = np.einsum("gus,gs->gu", np.exp(-0.5 * apart**2), weights / left)
    return own, np.log(np.maximum(density, 1e-300))


def _given_anchor(
    found: SettledDiver, target: int, points: FloatArray, weights: FloatArray, likeliest: int
) -> tuple[FloatArray, FloatArray]:
    """Mean and sd of a target given each value of the anchor; shape (g, u) each."""
    sd = found.sd[:, -1, None]
    pull = found.with_anchor[:, target, None] / sd**2
    centre = found.centre[:, target, None] + pull * (points - found.centre[:, -1, None])
    left = np.sqrt(np.maximum(found.sd[:, target, None] ** 2 - pull**2 * sd**2, 1e-12))
    left = np.repeat(left, len(points), axis=1)
    # The rows were settled for all values of the anchor together. What they say of the target under one value
    # is mostly the same; where it is not, under the likeliest hyperparameters, all are settled anew.
    at, one = knots_of(points), np.array([likeliest])
    mean, spread = found.given(points[at], -1, target, one)
    matters = weights[one][:, at] > BARELY * weights[one].max()
    moved, grown = (mean - centre[one][:, at]) / left[one][:, at], spread / left[one][:, at]
    wrong = np.where(np.isnan(moved), np.inf, np.maximum(np.abs(moved), np.abs(grown - 1)))
    if np.max(wrong[matters], initial=0.0) < ALIKE_GIVEN:
        return centre, left
    mean, spread = found.given(points[at], -1, target, np.arange(len(weights)))
    for k in range(len(weights)):
        good = ~np.isnan(mean[k])
        if good.any():
            few, old = points[at[good]], left[k, at[good]]
            centre[k] += np.interp(points, few, mean[k, good] - centre[k, at[good]])
            left[k] *= np.interp(points, few, spread[k, good] / old)
    return centre, left


def _shares(population: Population, news: FloatArray) -> FloatArray:
    """Weights of the hyperparameters, which the diver's news make more or less likely."""
    shares = population.weights * np.exp(news - np.max(news))
    return np.asarray(shares / shares.sum())


def _mixed(population: Population, points: FloatArray, weights: FloatArray, shares: FloatArray) -> Marginal:
    """Marginal over the hyperparameters."""
    scatter = np.array([theta.scatter_ahead for theta in population.thetas])
    return Marginal(points, shares @ weights, float(np.sqrt(shares @ scatter**2)))


def _news(points: FloatArray, logs: FloatArray) -> FloatArray:
    """Log probability of all rows under each of the hyperparameters, by way of the anchor."""
    top = logs.max(axis=1)
    area = np.exp(logs - top[:, None]) @ np.gradient(points)
    return np.asarray(top + np.log(area))


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
    found = _settle(population, observations, targets)
    all_known = in_fit is not None and bool(in_fit.all())
    news = np.zeros(len(population.weights))
    if found.apart[:-1].any() or not all_known:
        anchor, logs = grid(found, -1)
        if not all_known:
            news = _news(anchor, logs) - _known(population, observations, targets, in_fit)
    answers, shares = [], _shares(population, news)
    likeliest = int(np.argmax(shares))
    for target in range(len(targets)):
        if found.apart[target]:
            points, own = _through_anchor(found, target, anchor, _weights(anchor, logs), likeliest)
        else:
            points, own = grid(found, target)
        answers.append(_mixed(population, points, _weights(points, own), shares))
    return answers


def _known(
    population: Population,
    observations: Observations,
    targets: Targets,
    in_fit: NDArray[np.bool_] | None,
) -> FloatArray | float:
    """Log probability of the rows that the hyperparameters have seen already."""
    if in_fit is None or not in_fit.any():
        return 0.0
    one = replace(
        targets,
        **{name: getattr(targets, name)[:1] for name in ("prior", "exposure", "suit_weight")},
        elapsed=targets.elapsed[:1],
        jumped=targets.jumped[:1],
        suit=np.array([-1]),
    )
    found = _settle(population, observations.take(in_fit), one)
    return _news(*grid(found, -1))


def _unseen(population: Population, observations: Observations, targets: Targets) -> list[Marginal]:
    """Posterior of need where nothing was seen: the prior."""
    mean, _, loadings = _loadings(population, observations, targets)
    sd = np.sqrt(np.sum(loadings**2, axis=-1))
    found = []
    for centre, width in zip(mean.T, sd.T, strict=True):
        points = np.linspace(float(np.min(centre - 5 * width)), float(np.max(centre + 5 * width)), 121)
        logs = -0.5 * ((points - centre[:, None]) / width[:, None]) ** 2
        found.append(_mixed(population, points, _weights(points, logs), population.weights))
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
