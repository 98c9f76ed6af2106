"""Posterior of one quantity on a grid, with Gaussian scatter on top: mean, sd, quantiles, probabilities."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.frozen import dataclass
from leadline.model.quantile import quantiles
from leadline.normal import distribution

__all__ = ["Marginal"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Marginal:
    """Need on one dive: what is expected of it, and the scatter from dive to dive.

    Parameters
    ----------
    points : ndarray, shape (g,)
        Values of the expected need, ascending. [kg]
    weights : ndarray, shape (g,)
        Their probabilities, summing to 1. [-]
    scatter : float
        Sd of need around what is expected. [kg]
    """

    points: FloatArray
    weights: FloatArray
    scatter: float

    @classmethod
    def from_log_density(cls, points: FloatArray, logs: FloatArray, *, scatter: float) -> Marginal:
        """Marginal from an unnormalised log density on ascending points (trapezoid weights)."""
        width = np.gradient(points)
        weights = np.exp(logs - logs.max()) * width
        return cls(points, weights / weights.sum(), scatter)

    def shifted(self, amount: float) -> Marginal:
        """The same, moved by a known amount [kg]."""
        return Marginal(self.points + amount, self.weights, self.scatter)

    def wider(self, sd: float) -> Marginal:
        """The same with a doubt [kg] of its own on top of the scatter."""
        return Marginal(self.points, self.weights, float(np.hypot(self.scatter, sd))) if sd > 0 else self

    @property
    def mean(self) -> float:
        """Mean of need. [kg]."""
        return float(self.weights @ self.points)

    @property
    def expected_sd(self) -> float:
        """Sd of the expected need, scatter left out. [kg]."""
        return float(np.sqrt(self.weights @ (self.points - self.mean) ** 2))

    @property
    def sd(self) -> float:
        """Sd of need on that dive, scatter included. [kg]."""
        return float(np.hypot(self.expected_sd, self.scatter))

    def expected_quantile(self, probability: ArrayLike) -> FloatArray:
        """Quantiles of the expected need, scatter left out; shape of `probability`. [kg]."""
        edges = np.concatenate([[0.0], np.cumsum(self.weights)])
        middle = (self.points[1:] + self.points[:-1]) / 2
        ends = np.concatenate([self.points[:1], middle, self.points[-1:]])
        return np.asarray(np.interp(np.asarray(probability, float), edges, ends))

    def above(self, threshold: ArrayLike) -> FloatArray:
        """Probability that need on that dive exceeds `threshold` [kg]; shape of `threshold`."""
        distance = (np.asarray(threshold, float)[..., None] - self.points) / self.scatter
        chance = distribution(-distance) @ self.weights
        return np.asarray(np.minimum(chance, 1.0))  # of weights rounded up, as in `Stack`

    def quantile(self, probability: ArrayLike) -> FloatArray:
        """Quantiles of need on that dive, scatter included; shape of `probability`. [kg]."""
        wanted = np.asarray(probability, float)
        return quantiles([self], wanted.ravel()).reshape(wanted.shape)
