"""The hyperparameters' posterior around its mode: a few points to average over, and what shape it has.

At each point the exact marginal posterior gives a height and a slope. The normal distribution that a mode and
a curvature suggest is corrected by a smooth surface through them; means, sds and quantiles are those of
draws weighted by it. So they are skewed where the posterior is, at no more work than the points themselves.

References
----------
H. Rue, S. Martino and N. Chopin, "Approximate Bayesian inference for latent Gaussian models by using
integrated nested Laplace approximations", J. R. Statist. Soc. B 71 (2009) 319-392, section 6.5 (skewed
marginals of hyperparameters), doi:10.1111/j.1467-9868.2008.00700.x;
E. Solak, R. Murray-Smith, W. E. Leithead, D. J. Leith and C. E. Rasmussen, "Derivative observations in
Gaussian process models of dynamic systems", NIPS 15 (2003) 1033-1040 (a surface from heights and slopes).
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model.turn import DRAWN

__all__ = ["SCORES", "Shape", "Surface", "interpolated", "lower_ends", "shape", "simplex"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SCORES: Final = np.linspace(-2.5, 2.5, 21)
"""Standard normal scores of the quantiles that are kept: from 0.6 % to 99.4 %."""

ORDERS: Final = (0.3**2, 0.1**2, 0.03**2)
"""Prior variance of the surface's terms of first to third order, in posterior sds. [nats²]"""

BEND: Final = 0.2
"""Weight of the squares of sds among its coordinates; more runs away where an sd is hardly known. [-]"""

LOW: Final = 2.5
"""How far below the mode an sd is looked at by itself. [posterior sds]"""

NOISE: Final = 0.25
"""Sd of heights and slopes around it: terms beyond, and sites that have not quite settled. [nats]"""

DRAWS: Final = 2048
WIDER: Final = 1.15
"""Pairs of opposite draws, and how much wider than the normal distribution they are drawn. [-, -]"""

MOST: Final = 8.0
HEAVIEST: Final = 30.0
"""Largest correction, and largest weight of a draw over the mean: far out the surface knows nothing.
[nats, -]"""


def simplex(count: int) -> FloatArray:
    """Points in as many directions with mean 0 and covariance 1 exactly, of equal weight; (count + 1, count).

    As many points as it takes, all at the distance at which most of a normal distribution lies; `count` is at
    most 14.
    """
    points, corner = count + 1, np.arange(1.0, count + 1)
    place = np.arange(points)[:, None]
    # Helmert's contrasts: no decomposition, whose axes rounding would choose, another machine's otherwise.
    base = np.where(place < corner, 1.0, np.where(place == corner, -corner, 0.0))
    corners = base * np.sqrt(points / (corner * (corner + 1)))
    # Turned so that no hyperparameter has a point to itself; the same turn always.
    turn, triangle = np.linalg.qr(np.reshape(DRAWN[: count * count], (count, count)))
    return np.asarray(corners @ (turn * np.sign(np.diag(triangle))))


def lower_ends(root: FloatArray, squares: IntArray) -> FloatArray:
    """Points at which each sd by itself is small: the tails that a surface misses most; (s, k).

    Parameters
    ----------
    root : ndarray, shape (k, k)
        As of `Surface`, in whose directions the points are.
    squares : ndarray of int, shape (s,)
        Which of the hyperparameters are logs of sds.
    """
    return np.asarray(-LOW * root[squares] / np.linalg.norm(root[squares], axis=1, keepdims=True))


class _Coordinates:
    """The surface's own coordinates: posterior sds, and for each sd how its square bends away from its log.

    Of an sd the likelihood knows the square. Where it is small its logarithm can fall far at little cost, and
    rise only a little: no polynomial of the logarithm alone has that shape.
    """

    def __init__(self, root: FloatArray, squares: IntArray) -> None:
        self.logs, self.size = root[squares], np.linalg.norm(root[squares], axis=1)

    def at(self, places: FloatArray) -> FloatArray:
        """Coordinates of places in posterior sds, shape (m, k); shape (m, k + sds)."""
        log = places @ self.logs.T
        return np.concatenate([places, BEND * (np.expm1(2 * log) / 2 - log) / self.size], axis=1)

    def slopes(self, places: FloatArray) -> FloatArray:
        """Their derivatives in the places; shape (m, k + sds, k)."""
        count, k = places.shape
        bend = BEND * np.expm1(2 * places @ self.logs.T) / self.size
        plain = np.broadcast_to(np.eye(k), (count, k, k))
        return np.concatenate([plain, bend[:, :, None] * self.logs], axis=1)


class Surface:
    """A cubic polynomial, 0 at the origin, as smooth as heights and slopes allow.

    Parameters
    ----------
    root : ndarray, shape (k, k)
        Hyperparameters away from the mode, for one posterior sd in each of the directions. [-]
    squares : ndarray of int, shape (s,)
        Which of the hyperparameters are logs of sds.
    points : ndarray, shape (n, k)
        Where heights and slopes were taken, in those directions. [-]
    heights, slopes : ndarray, shape (n,), (n, k)
        Of what is wanted.

    Notes
    -----
    A Gaussian process whose covariance is a polynomial of the inner product: the prior says that terms are
    the smaller the higher their order, and is the same in all directions.
    """

    def __init__(
        self, root: FloatArray, squares: IntArray, points: FloatArray, heights: FloatArray, slopes: FloatArray
    ) -> None:
        n, k = points.shape
        self.coordinates = _Coordinates(root, squares)
        self.points, moves = self.coordinates.at(points), self.coordinates.slopes(points)
        value, first, second = _covariance(self.points @ self.points.T)
        # Of point i and a step at point j in direction b.
        step = np.einsum("ia,jab->ijb", self.points, moves)
        whole = np.zeros((n, 1 + k, n, 1 + k))
        whole[:, 0, :, 0] = value
        whole[:, 0, :, 1:] = first[:, :, None] * step
        whole[:, 1:, :, 0] = whole[:, 0, :, 1:].transpose(1, 2, 0)
        whole[:, 1:, :, 1:] = first[:, None, :, None] * np.einsum("iab,jac->ibjc", moves, moves)
        whole[:, 1:, :, 1:] += (
            second[:, None, :, None] * step.transpose(1, 2, 0)[:, :, :, None] * step[:, None]
        )
        matrix = whole.reshape(n * (1 + k), -1) + NOISE**2 * np.eye(n * (1 + k))
        known = np.column_stack([heights, slopes]).ravel()
        weights = np.linalg.solve(matrix, known).reshape(n, 1 + k)
        self.weights, self.pulls = weights[:, 0], np.einsum("jab,jb->ja", moves, weights[:, 1:])

    def __call__(self, places: FloatArray) -> FloatArray:
        """Height at `places`, shape (m, k); shape (m,)."""
        there = self.coordinates.at(places)
        value, first, _ = _covariance(there @ self.points.T)
        return np.asarray(value @ self.weights + np.sum(first * (there @ self.pulls.T), axis=1))


def _covariance(inner: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of heights, as a function of the inner product of coordinates, and its two derivatives."""
    one, two, three = ORDERS
    value = inner * (one + inner * (two + inner * three))
    return value, one + inner * (2 * two + 3 * three * inner), 2 * two + 6 * three * inner


@cache
def _draws(count: int) -> FloatArray:
    """Draws of a normal distribution in as many directions, in opposite pairs, with covariance 1 exactly."""
    drawn = np.random.default_rng(11).normal(size=(DRAWS, count))
    left, _, right = np.linalg.svd(drawn, full_matrices=False)
    white = np.sqrt(DRAWS) * left @ right
    return np.concatenate([white, -white])


@dataclass(frozen=True)
class Shape:
    """Posterior of each of *k* hyperparameters.

    Parameters
    ----------
    mean, sd : ndarray, shape (k,)
        Moments.
    quantiles : ndarray, shape (k, len(SCORES))
        At the normal scores `SCORES`.
    """

    mean: FloatArray
    sd: FloatArray
    quantiles: FloatArray


def shape(mode: FloatArray, root: FloatArray, surface: Surface) -> Shape:
    """Posterior of each hyperparameter.

    Parameters
    ----------
    mode : ndarray, shape (k,)
        Of the posterior.
    root : ndarray, shape (k, k)
        Root of the covariance from its curvature there.
    surface : Surface
        How much higher the log posterior is than this normal distribution.
    """
    from scipy.special import ndtr  # only where a population is fitted

    away = WIDER * _draws(len(mode))
    logs = np.clip(surface(away), -MOST, MOST) - 0.5 * (1 - WIDER**-2) * np.sum(away**2, axis=1)
    weights = np.exp(logs - logs.max())
    weights = np.minimum(weights, HEAVIEST * weights.mean())
    weights /= weights.sum()
    values = mode[:, None] + root @ away.T
    mean = values @ weights
    order, levels = np.argsort(values, axis=1), ndtr(SCORES)
    quantiles = [
        np.interp(levels, np.cumsum(weights[places]) - weights[places] / 2, row[places])
        for row, places in zip(values, order, strict=True)
    ]
    return Shape(mean, np.sqrt((values - mean[:, None]) ** 2 @ weights), np.array(quantiles))


def interpolated(quantiles: FloatArray, scores: FloatArray) -> FloatArray:
    """Quantiles at other normal scores; beyond those that are kept on a straight line.

    Parameters
    ----------
    quantiles : ndarray, shape (k, len(SCORES))
        As of `Shape`.
    scores : ndarray, shape (q,)
        Standard normal. [-]

    Returns
    -------
    ndarray, shape (k, q)
    """
    place = np.clip(np.searchsorted(SCORES, scores) - 1, 0, len(SCORES) - 2)
    part = (scores - SCORES[place]) / (SCORES[place + 1] - SCORES[place])
    return np.asarray(quantiles[:, place] * (1 - part) + quantiles[:, place + 1] * part)
