"""One diver's posterior of need: exact in the direction asked for, Laplace in all others.

With the population held as a Gaussian, one diver is a small problem. The target (need on one dive) is
put on a grid; for every grid value the remaining directions are solved for their mode and integrated by
Laplace. Where the evidence is one-sided the result is skewed, as it should be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.model.observations import Observations
from leadline.model.occasion import OccasionTerms, occasion_terms
from leadline.model.population import Fit
from leadline.model.propagation import share_of

__all__ = ["Targets", "marginals", "without_diver"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

COARSE: Final = 25
FINE: Final = 61
MOST_STEPS: Final = 40
MOST_HALVINGS: Final = 25
TOLERANCE: Final = 1e-8
"""Expected rise of the log density at which a grid value has arrived. [-]"""

DEPTH: Final = 12.5
"""Log density below the peak at which the grid ends: e^-12.5 is four parts in a million."""


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
        Suit label in the diver's observations; -1 for a suit this diver has no observation in.
    body_sd : float
        Prior sd of the diver's offset from physics. [kg]
    """

    prior: FloatArray
    exposure: FloatArray
    suit_weight: FloatArray
    suit: IntArray
    body_sd: float

    def __len__(self) -> int:
        return int(self.prior.shape[0])


def without_diver(
    mean: FloatArray, precision: FloatArray, seen: Observations, theta: Hyperparameters
) -> tuple[FloatArray, FloatArray]:
    """Population as it would be without one diver's share of the evidence.

    Parameters
    ----------
    mean, precision : ndarray, shape (p,), (p, p)
        Of the shared effects, that diver included. [-]
    seen : Observations
        That diver's rows that the population was fitted to.
    theta : Hyperparameters
        Of the fit.

    Returns
    -------
    mean, precision : ndarray
        Same shapes. Without this the diver's own records would count twice.
    """
    if not len(seen):
        return mean, precision
    own, shift = share_of(seen, theta, mean, precision)
    # One diver's share can exceed the whole only by rounding, or where the records changed since the fit;
    # take the largest part of it that leaves a sound precision.
    values, vectors = np.linalg.eigh(precision)
    root = vectors / np.sqrt(values)
    largest = float(np.linalg.eigvalsh(root.T @ own @ root)[-1])
    part = min(1.0, 0.95 / largest) if largest > 0 else 1.0
    left = precision - part * own
    return np.asarray(np.linalg.solve(left, precision @ mean - part * shift), float), left


def _directions(
    seen: Observations, targets: Targets, theta: Hyperparameters, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rows and targets in independent standard normal directions: shapes (m, r), (t, r)."""
    m, t = len(seen), len(targets)
    suits = len(seen.suit_starts) if m else 0
    labels = np.concatenate([seen.suit if m else np.zeros(0, int), targets.suit])
    fresh = (labels < 0) | (labels >= suits)
    # A suit without evidence gets a direction of its own for each target that wears it.
    labels = np.where(fresh, suits + np.cumsum(fresh) - 1, labels)
    own = np.zeros((m + t, suits + int(fresh.sum())))
    own[np.arange(m + t), labels] = (
        np.concatenate([seen.suit_weight, targets.suit_weight]) * theta.suit_factor
    )
    spread = np.hypot(theta.diver_sd, theta.body_factor * targets.body_sd)
    root = np.linalg.cholesky(covariance)
    loadings = np.hstack(
        [np.vstack([seen.exposure, targets.exposure]) @ root, np.full((m + t, 1), spread), own]
    )
    u, s, _ = np.linalg.svd(loadings, full_matrices=False)
    kept = s > 1e-7 * s[0]
    whole = u[:, kept] * s[kept]
    return whole[:m], whole[m:]


class _Conditional:
    """Log density of the target direction, the other directions integrated by Laplace."""

    def __init__(
        self,
        seen: Observations,
        theta: Hyperparameters,
        base: FloatArray,
        first: FloatArray,
        others: FloatArray,
    ) -> None:
        self.seen, self.theta, self.base = seen, theta, base
        self.first, self.others = first, others
        shared = seen.shared
        self.gathered = np.where((shared >= 0)[..., None], others[np.where(shared >= 0, shared, 0)], 0.0)

    def hessian(self, terms: OccasionTerms, *, damped: bool = False) -> FloatArray:
        """Negative Hessian over the other directions, shape (grid, r, r)."""
        f = self.others[self.seen.single]
        weight = -terms.curvature
        if damped:
            weight = np.maximum(weight + terms.damping[:, self.seen.single], 0.0)
        own = np.einsum("gm,mi,mj->gij", weight, f, f, optimize=True)
        if terms.blocks.size:
            own -= np.einsum("gokl,oki,olj->gij", terms.blocks, self.gathered, self.gathered, optimize=True)
            if damped:
                shared = self.seen.shared[self.seen.shared >= 0]
                f = self.others[shared]
                own += np.einsum("gm,mi,mj->gij", terms.damping[:, shared], f, f, optimize=True)
        return np.asarray(own + np.eye(f.shape[1]))

    def joint(self, along: FloatArray, other: FloatArray) -> FloatArray:
        """Expected needs of the rows, shape (grid, m)."""
        return np.asarray(self.base + along[:, None] * self.first + other @ self.others.T)

    def at(self, along: FloatArray, other: FloatArray) -> tuple[OccasionTerms, FloatArray]:
        """Terms of the rows, and the log density before the other directions are integrated."""
        terms = occasion_terms(self.seen, self.theta, self.joint(along, other))
        return terms, terms.value - 0.5 * np.sum(other**2, axis=1)

    def climbed(
        self, along: FloatArray, other: FloatArray, move: FloatArray, value: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """The others after a step that is halved, for each grid value by itself, until it climbs."""
        reached, value = other.copy(), value.copy()
        size, todo = 1.0, np.arange(len(along))
        for _ in range(MOST_HALVINGS):
            candidate = other[todo] + size * move[todo]
            found = self.at(along[todo], candidate)[1]
            good = found >= value[todo] - 1e-9
            reached[todo[good]], value[todo[good]] = candidate[good], found[good]
            todo, size = todo[~good], size / 2
            if not len(todo):
                break
        return reached, value

    def log_density(self, along: FloatArray, start: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log density at `along` (grid,), and the modes of the others (grid, r).

        Grid values that have arrived are left alone, so that the slowest one does not cost all of them.
        """
        other, active = start.copy(), np.arange(len(along))
        terms, value = self.at(along, other)
        for _ in range(MOST_STEPS):
            slope = terms.slope @ self.others - other[active]
            matrix = _definite(self.hessian(terms, damped=True))
            move = np.linalg.solve(matrix, slope[..., None])[..., 0]
            going = np.sum(slope * move, axis=1) >= TOLERANCE
            if not going.any():
                break
            active, move = active[going], move[going]
            other[active], value[active] = self.climbed(along[active], other[active], move, value[active])
            terms = self.at(along[active], other[active])[0]
        terms, value = self.at(along, other)
        matrix = _definite(self.hessian(terms))
        return value - 0.5 * np.linalg.slogdet(matrix)[1] - 0.5 * along**2, other


def _definite(matrices: FloatArray) -> FloatArray:
    """The matrices, with eigenvalues below 0.1 lifted to it: the prior alone contributes 1."""
    if not matrices.shape[-1]:
        return matrices
    try:
        np.linalg.cholesky(matrices)
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(matrices)
        return np.asarray((vectors * np.maximum(values, 0.1)[:, None, :]) @ np.swapaxes(vectors, -1, -2))
    return matrices


def _one(
    seen: Observations, theta: Hyperparameters, base: FloatArray, rows: FloatArray, target: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Grid along the target direction, in prior sds, and the log density on it."""
    turned, _ = np.linalg.qr(np.column_stack([target, np.eye(len(target))]))
    turned[:, 0] *= np.sign(turned[:, 0] @ target)
    loadings = rows @ turned
    density = _Conditional(seen, theta, base, loadings[:, 0], loadings[:, 1:])
    grid = np.sinh(np.linspace(-1, 1, COARSE) * 2.5) / np.sinh(2.5) * 6.0
    start = np.zeros((COARSE, loadings.shape[1] - 1))
    logs, other = density.log_density(grid, start)
    for _ in range(6):
        best = int(np.argmax(logs))
        inside = np.flatnonzero(logs > logs[best] - DEPTH)
        low, high = max(inside[0] - 1, 0), min(inside[-1] + 1, len(grid) - 1)
        reaches = (inside[0] > 0, inside[-1] < len(grid) - 1)
        enough = len(inside) >= FINE // 2
        if enough and all(reaches):
            break
        left = grid[low] if reaches[0] else grid[0] - 3.0
        right = grid[high] if reaches[1] else grid[-1] + 3.0
        finer = np.linspace(left, right, FINE)
        nearest = np.abs(finer[:, None] - grid).argmin(axis=1)
        grid = finer
        logs, other = density.log_density(grid, other[nearest])
    return grid, logs


def marginals(
    fit: Fit, observations: Observations, targets: Targets, *, in_fit: NDArray[np.bool_] | None = None
) -> list[Marginal]:
    """Posterior of need for one diver, one target at a time.

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
        One for each target, dive-to-dive scatter kept apart.
    """
    theta = fit.theta
    mean, precision = fit.aligned(observations.names)
    if in_fit is not None and in_fit.any():
        mean, precision = without_diver(mean, precision, observations.take(in_fit), theta)
    return conditional_marginals(mean, precision, theta, observations, targets)


def conditional_marginals(
    mean: FloatArray,
    precision: FloatArray,
    theta: Hyperparameters,
    observations: Observations,
    targets: Targets,
) -> list[Marginal]:
    """As `marginals`, with the population's mean and precision given, this diver's share removed."""
    covariance = np.linalg.inv(precision)
    rows, wanted = _directions(observations, targets, theta, (covariance + covariance.T) / 2)
    base = observations.prior + observations.exposure @ mean
    centres = targets.prior + targets.exposure @ mean
    found = []
    for centre, direction in zip(centres, wanted, strict=True):
        length = float(np.linalg.norm(direction))
        if len(observations):
            grid, logs = _one(observations, theta, base, rows, direction)
        else:
            grid = np.linspace(-5, 5, FINE)
            logs = -0.5 * grid**2
        found.append(Marginal.from_log_density(centre + length * grid, logs, scatter=theta.scatter))
    return found
