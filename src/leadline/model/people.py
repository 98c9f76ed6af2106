"""Shared effects without one diver's share, what is to be predicted for that diver, and own directions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.distinct import distinct
from leadline.frozen import dataclass
from leadline.model.condensed import condensed
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Observations
from leadline.model.population import Fit
from leadline.model.solo import Gaussian, Rows, share_of

__all__ = ["Population", "Targets", "offset_sd", "personal_loadings"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

OWN_ERROR: Final = 0.2
"""Sd of what a diver's own breath and judgement, gauge and scales put wrong on all dives alike. [kg] (judged:
a fifth of a litre of breath, some bar of a gauge, half a small block)"""

MOST_MOVED: Final = 3.0
"""How far others can have moved a shared effect from its prior, in roots of their precision, the prior's
being 1: as many sds of what their evidence may come to. [-]"""


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
    body_sd : float or ndarray, shape (t,)
        Prior sd of the diver's offset from physics; where nothing was observed it may be another one for each
        target, since none then bears on another. [kg]
    elapsed, jumped : ndarray, shape (t,), optional
        As in `Observations`; default 0.
    """

    prior: FloatArray
    exposure: FloatArray
    suit_weight: FloatArray
    suit: IntArray
    body_sd: float | FloatArray
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
    own_error : float
        Sd of an error that all records of a diver have in common. [kg]
    mode : tuple of Hyperparameters and ndarray, shape (p,), optional
        The hyperparameters whose covariance this is, and the mean there; default: each its own.
    """

    mean: FloatArray
    covariance: FloatArray
    thetas: tuple[Hyperparameters, ...]
    weights: FloatArray
    own_error: float = 0.0
    mode: tuple[Hyperparameters, FloatArray] | None = None

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
            Over the hyperparameters, fewer points of them where a large book knows most; else at their mode.
        """
        mean, covariance = fit.aligned(names)
        if not integrated:
            return cls(mean[None], covariance[None], (fit.theta,), np.ones(1))
        points, thetas, weights = fit.aligned_points(names), fit.thetas, fit.weights
        fewer = condensed(fit.vectors, weights, points)
        if fewer is not None:
            points, covariance = fewer.means, covariance + fewer.rest
            thetas = tuple(Hyperparameters.from_vector(vector) for vector in fewer.vectors)
            weights = np.full(len(points), 1 / len(points))
        wide = np.broadcast_to(covariance, (len(points), *covariance.shape))
        return cls(points, wide, thetas, weights, mode=(fit.theta, mean))

    def cautious(self) -> Population:
        """The same, breathing high trusted for no more than is usual, and records for what they can tell."""
        return replace(self, thetas=tuple(theta.cautious() for theta in self.thetas), own_error=OWN_ERROR)

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
        thetas, where, around = self.thetas, mean, inner
        if self.mode is not None:
            thetas = (*thetas, self.mode[0])
            where, around = np.vstack([mean, self.mode[1][at]]), np.concatenate([inner, inner[:1]])
        loadings = personal_loadings(seen, None, thetas, offset_sd(seen.body_sd[:1], thetas))
        personal = Gaussian(np.broadcast_to(seen.prior, (len(thetas), 1, len(seen))), loadings[:, None])
        own, shift = share_of(Rows(seen, thetas), personal, seen.exposure[:, at], where, around)
        pull = (shift - (own @ where[..., None])[..., 0])[: len(mean)]
        # The covariance holds this diver's share as it is at the mode, whatever it would be elsewhere.
        before = np.linalg.inv(inner) - (own if self.mode is None else own[-1])
        left_mean, left = _left(before, (before @ mean[..., None])[..., 0] - pull)
        reach = self.covariance[:, :, at] @ np.linalg.inv(inner)
        covariance = self.covariance + reach @ (left - inner) @ np.swapaxes(reach, -1, -2)
        return replace(
            self,
            mean=self.mean + (reach @ (left_mean - mean)[..., None])[..., 0],
            covariance=(covariance + np.swapaxes(covariance, -1, -2)) / 2,
        )


def _left(precision: FloatArray, shift: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance that are left of shared effects whose prior is N(0, I); (g, q), (g, q, q).

    A share is never known exactly. Of a direction that hardly anybody else has shown, less than the prior
    could be left, or a mean that nothing supports. The prior stays, whoever is taken out, and others cannot
    have moved the mean farther than their precision allows.
    """
    value, axes = np.linalg.eigh((precision + np.swapaxes(precision, -1, -2)) / 2)
    others = np.maximum(value - 1, 0.0)
    most = MOST_MOVED * np.sqrt(others)
    along = (np.swapaxes(axes, -1, -2) @ shift[..., None])[..., 0]
    mean = np.clip(along / (1 + others), -most, most)
    return (axes @ mean[..., None])[..., 0], (axes / (1 + others)[:, None]) @ np.swapaxes(axes, -1, -2)


def offset_sd(body_sd: FloatArray | float, thetas: Sequence[Hyperparameters]) -> FloatArray:
    """Prior sd of the diver's offset under each of the hyperparameters; shape (g, number of sds). [kg]."""
    own = np.array([theta.diver_sd for theta in thetas])
    factor = np.array([theta.body_factor for theta in thetas])
    return np.asarray(np.hypot(own[:, None], factor[:, None] * np.ravel(body_sd)))


def _walk(elapsed: FloatArray, jumped: FloatArray, drift: FloatArray) -> FloatArray:
    """Loadings on the steps between the distinct times of all rows; shape (g, rows, steps). [kg]."""
    times = distinct(np.column_stack([elapsed, jumped]), axis=0)
    steps = np.diff(times, axis=0)
    place = np.searchsorted(times[:, 0] + times[:, 1], elapsed + jumped)
    size = np.sqrt(np.maximum(drift[:, None] ** 2 * steps[:, 0] + steps[:, 1], 0.0))
    return np.asarray((place[:, None] > np.arange(len(steps))) * size[:, None, :], float)


def personal_loadings(
    seen: Observations,
    targets: Targets | None,
    thetas: Sequence[Hyperparameters],
    spread: FloatArray,
    *,
    error: float = 0.0,
) -> FloatArray:
    """Loadings of rows and targets on the diver's own independent directions; shape (g, n + t, r). [kg].

    The `spread` of the offset is one for all, shape (g, 1), or that of each, shape (g, n + t). [kg]
    The rows, not the targets, share an `error` of that sd. [kg] Last stand the scatters that rows of one dive
    share, a column each.
    """
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
        # The offset is pinned where the records begin: nothing is said of how it got there. Without records
        # that is at each target, or one would depend on what else is asked.
        if n:
            elapsed = np.concatenate([elapsed, np.maximum(targets.elapsed, elapsed.min())])
            jumped = np.concatenate([jumped, np.maximum(targets.jumped, jumped.min())])
        else:
            elapsed = jumped = np.zeros(t)
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
    of_rows = error * (np.arange(n + t) < n)[:, None]
    return np.concatenate(
        [
            np.broadcast_to(spread[:, :, None], (len(thetas), n + t, 1)),
            _walk(elapsed, jumped, drift),
            own * factor[:, None, None],
            np.broadcast_to(of_rows[:, : int(error > 0)], (len(thetas), n + t, int(error > 0))),
            occasion * scatter[:, None, None],
        ],
        axis=2,
    )
