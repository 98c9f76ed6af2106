"""Need of one person out of a crowd: several posteriors, each with its weight."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from leadline.frozen import dataclass
from leadline.model.marginal import Marginal

__all__ = ["Crowd"]

FloatArray = NDArray[np.float64]

NEAR_ENOUGH: Final = 1e-4
"""How near a quantile is found. [kg]"""


@dataclass(frozen=True)
class Crowd:
    """Mixture of posteriors of need.

    Parameters
    ----------
    members : sequence of Marginal
        Need of each kind of person.
    weights : ndarray, shape (n,)
        How often each kind comes, summing to 1. [-]
    """

    members: Sequence[Marginal]
    weights: FloatArray

    @classmethod
    def of(cls, members: Sequence[Marginal]) -> Crowd:
        """Mixture in which every member counts the same."""
        return cls(members, np.full(len(members), 1 / len(members)))

    @property
    def mean(self) -> float:
        """Mean of need. [kg]."""
        return float(self.weights @ [m.mean for m in self.members])

    @property
    def sd(self) -> float:
        """Sd of need: within the members and between them. [kg]."""
        means = np.array([m.mean for m in self.members])
        within = np.array([m.sd for m in self.members]) ** 2
        return float(np.sqrt(self.weights @ (within + (means - self.mean) ** 2)))

    @cached_property
    def _spread(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Points of all members, their weights, and the scatter around them."""
        weights = [w * m.weights for w, m in zip(self.weights, self.members, strict=True)]
        scatter = [np.broadcast_to(m.scatter, m.points.shape) for m in self.members]
        return (
            np.concatenate([m.points for m in self.members]),
            np.concatenate(weights),
            np.concatenate(scatter),
        )

    def above(self, threshold: ArrayLike) -> FloatArray:
        """Probability that need exceeds `threshold` [kg]; shape of `threshold`."""
        points, weights, scatter = self._spread
        chance = ndtr((points - np.asarray(threshold, float)[..., None]) / scatter) @ weights
        return np.asarray(np.minimum(chance, 1.0))  # of weights rounded up, as in `Stack`

    def quantile(self, probability: ArrayLike) -> FloatArray:
        """Quantiles of need, to a tenth of a gram; shape of `probability`. [kg]."""
        wanted = np.asarray(probability, float)
        reach = max(abs(m.mean - self.mean) + 10 * m.sd for m in self.members)
        low = np.full(wanted.shape, self.mean - reach)
        high = np.full(wanted.shape, self.mean + reach)
        while np.any(high - low > NEAR_ENOUGH):
            middle = (low + high) / 2
            under = 1 - self.above(middle) < wanted
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray((low + high) / 2)
