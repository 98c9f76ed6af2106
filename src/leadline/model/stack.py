"""Needs stacked into arrays, so that what is asked of a thousand dives is asked once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.distinct import distinct
from leadline.frozen import dataclass
from leadline.normal import distribution

__all__ = ["Mixture", "Stack", "chances_above", "stacks"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BATCH: Final = 200_000  # numbers in a block of work, so that it stays in the processor's cache


class Mixture(Protocol):
    """Points with weights and Gaussian scatter around each, such as a `Marginal`."""

    @property
    def points(self) -> FloatArray:
        """Ascending. [kg]."""

    @property
    def weights(self) -> FloatArray:
        """Summing to 1. [-]."""

    @property
    def scatter(self) -> float:
        """Sd. [kg]."""

    def expected_quantile(self, probability: ArrayLike) -> FloatArray:
        """Quantiles of the points alone. [kg]."""


@dataclass(frozen=True)
class Stack:
    """Needs on *n* dives, each on a grid of its own with *g* points.

    Parameters
    ----------
    points, weights : ndarray, shape (n, g)
        As of a `Marginal`. [kg, -]
    scatter : ndarray, shape (n,)
        Sd of need around what is expected. [kg]
    """

    points: FloatArray
    weights: FloatArray
    scatter: FloatArray

    @classmethod
    def of(cls, needs: Sequence[Mixture]) -> Stack:
        """Needs with equally many points."""
        return cls(
            np.array([need.points for need in needs]),
            np.array([need.weights for need in needs]),
            np.array([need.scatter for need in needs]),
        )

    @property
    def sd(self) -> FloatArray:
        """Sd of need on each dive, scatter included; shape (n,). [kg]."""
        mean = np.einsum("ng,ng->n", self.weights, self.points)
        apart = self.points - mean[:, None]
        return np.asarray(np.sqrt(np.einsum("ng,ng->n", self.weights, apart * apart) + self.scatter**2))

    def expected_quantile(self, probability: FloatArray) -> FloatArray:
        """Quantiles of each expected need, scatter left out, as of a `Marginal`; shape (n, k). [kg]."""
        points = self.points
        edges = np.concatenate([np.zeros((len(points), 1)), np.cumsum(self.weights, axis=1)], axis=1)
        middle = (points[:, 1:] + points[:, :-1]) / 2
        ends = np.concatenate([points[:, :1], middle, points[:, -1:]], axis=1)
        after = np.clip((edges[:, None] <= probability[:, None]).sum(axis=2), 1, edges.shape[1] - 1)
        low, high = (np.take_along_axis(edges, at, axis=1) for at in (after - 1, after))
        first, last = (np.take_along_axis(ends, at, axis=1) for at in (after - 1, after))
        share = np.clip((probability - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
        return np.asarray(first + share * (last - first))

    def above(self, threshold: FloatArray) -> FloatArray:
        """Probability that need on each dive exceeds k thresholds [kg]; both shape (n, k)."""
        distance = (threshold[..., None] - self.points[:, None]) / self.scatter[:, None, None]
        # Weights that sum to 1 but for rounding would make a sure thing a little more than sure.
        chance = np.einsum("nkg,ng->nk", distribution(-distance), self.weights)
        return np.asarray(np.minimum(chance, 1.0))


def stacks(needs: Sequence[Mixture], *, numbers: int = 1) -> Iterator[tuple[IntArray, Stack]]:
    """Needs in blocks of work, those with equally many points together.

    Parameters
    ----------
    needs : sequence of Mixture
        Any.
    numbers : int
        Numbers that are reckoned for each point of each need.

    Yields
    ------
    places : ndarray of int, shape (n,)
        Where in `needs` those of the block stand.
    stack : Stack
        The same needs. That others stand beside it changes nothing for any of them.
    """
    width = np.array([len(need.points) for need in needs], np.int64)
    for size in distinct(width).tolist():
        there = np.flatnonzero(width == size)
        step = max(BATCH // (size * numbers), 1)
        for start in range(0, len(there), step):
            places = there[start : start + step]
            yield places, Stack.of([needs[place] for place in places])


def chances_above(needs: Sequence[Mixture], threshold: FloatArray) -> FloatArray:
    """Probability that need on each of n dives exceeds k thresholds.

    Parameters
    ----------
    needs : sequence of Mixture
        Length n.
    threshold : ndarray, shape (n, k)
        [kg]

    Returns
    -------
    ndarray, shape (n, k)
        NaN where the threshold is NaN. [-]
    """
    found = np.zeros(threshold.shape)
    for places, stack in stacks(needs, numbers=threshold.shape[1]):
        found[places] = stack.above(threshold[places])
    return found
