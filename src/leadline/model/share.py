"""What one worker of a fleet has of the rows, and what it answers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leadline.model.joining import joined
from leadline.model.observations import Observations
from leadline.model.pairwise import Branches, branches
from leadline.model.partition import Beta, Partition, left_over
from leadline.model.sites import Sites
from leadline.model.workers import LOST

if TYPE_CHECKING:
    from leadline.model.row import Levels

__all__ = ["Share", "Told", "counts", "cut", "sample"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

Told = tuple[FloatArray, FloatArray, FloatArray]
"""What each chunk says of beta, and the change still to come of those who have furthest to go."""


class Share:
    """What one worker has of the rows: some whole chunks; an actor of Dask.

    Parameters
    ----------
    rows : sequence of Observations
        Its divers, in order.
    names : tuple of str
        Exposures of the whole.
    first : int
        Its first diver among all.
    divers : int
        How many there are in all.
    chunks : ndarray of int
        Its part of `layout.chunk_first`.
    threads : int
        Threads at work.
    """

    def __init__(
        self,
        rows: Sequence[Observations],
        *,
        names: tuple[str, ...],
        first: int,
        divers: int,
        chunks: IntArray,
        threads: int,
    ) -> None:
        whole = joined(rows, names)
        self.partition = Partition(whole, threads=threads, chunk_first=chunks - first)
        self.first, self.divers, self.asked = first, divers, 0
        self.gradient: FloatArray = np.zeros((0, 0))

    def ask(self, number: int, act: str, arguments: tuple[Any, ...]) -> Any:
        """Do the next thing; one that was made anew on another worker has forgotten its sites and says so."""
        if number != self.asked + 1:
            raise RuntimeError(LOST)
        self.asked = number
        return getattr(self, act)(*arguments)

    def begin(self, level: Levels) -> None:
        """As `Holder.begin`, from flat sites."""
        self.partition.begin(level, Sites.flat(0))

    def sweep(self, beta: Beta, damping: float, rounds: int, enough: float) -> Told:
        """As `Holder.sweep`, and how far those have to go who have furthest."""
        return self._told(self.partition.sweep(beta, damping=damping, rounds=rounds, enough=enough))

    def tighten(self, beta: Beta, damping: float, enough: float) -> Told:
        """As `Holder.tighten`, likewise."""
        return self._told(self.partition.tighten(beta, damping=damping, enough=enough))

    def _told(self, said: Beta) -> Told:
        return *said, self.partition.latest(1 + left_over(self.divers))

    def settle(self, beta: Beta, late: float) -> Branches:
        """As `Holder.settle`; branches of the sum of the evidence."""
        found = self.partition.settled(beta, late=late, inform=False)
        self.gradient = found.gradient
        return branches(found.evidence, self.first, self.divers)

    def slope(self, before: FloatArray | None) -> FloatArray:
        """The evidence's derivatives, added diver by diver to those of the shares before."""
        own = self.gradient if before is None else np.vstack([before, self.gradient])
        return np.asarray(np.add.reduce(own, axis=0))


def counts(part: Observations) -> IntArray:
    """How many rows each diver has."""
    return np.bincount(part.diver)


def cut(part: Observations, first: int, last: int) -> Observations:
    """Some divers of a part."""
    if first <= 0 and last >= len(part.body_sd):
        return part
    return part.take((part.diver >= first) & (part.diver < last))


def sample(part: Observations, divers: NDArray[np.bool_]) -> Observations:
    """The divers of a part that were drawn."""
    return part.take(divers[part.diver])
