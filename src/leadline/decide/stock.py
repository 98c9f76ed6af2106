"""Lead to have ready: how many pieces of each size serve a day of divers, with so much certainty."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.block import GRAM, Block, BlockSet, as_cast, multiples, plenty
from leadline.decide.dealing import deal, made, makeable, wanted
from leadline.decide.share import Share, jeffreys
from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass
from leadline.units import POUND

__all__ = ["Lacking", "Pieces", "Stock", "There", "joint_counts", "lacking", "stock", "worn"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

There = tuple[tuple[float, int], ...]
"""Sizes [kg] of the pieces that a book lists, and how many there are; empty: it lists none."""

Lacking = tuple[tuple[float, int, int], ...]
"""Sizes [kg] of which more are wanted than there are; how many are wanted, and how many there are."""

LEVEL: Final = 0.95
"""Share of days that the stock is to serve. [-]"""

_SLACK: Final = 1e-6


@dataclass(frozen=True)
class Pieces:
    """Sizes in which lead lies ready, the largest first.

    Parameters
    ----------
    sizes : tuple of float
        Mass of one piece of each; leads are what whole pieces make. [kg]
    imperial : bool
        Whether they are sold in pounds.
    counts : tuple of int
        How many there are of each; empty: as many as it takes. [-]
    """

    sizes: tuple[float, ...]
    imperial: bool = False
    counts: tuple[int, ...] = ()

    @classmethod
    def parse(cls, texts: Sequence[str]) -> Pieces:
        """Sizes from texts such as `0.5`, `2kg` or `1lb`.

        Raises
        ------
        OutOfRangeError
            If one is no mass from 0.1 to 5 kg, or kg and lb are mixed.

        Examples
        --------
        >>> Pieces.parse(["0.5", "1", "2"]).sizes
        (2.0, 1.0, 0.5)
        >>> Pieces.parse(["2", "3"]).step.at_least(3.5)
        4.0
        """
        blocks = sorted({Block.parse(text) for text in texts}, key=lambda block: -block.mass)
        if len({block.imperial for block in blocks}) != 1:
            raise OutOfRangeError("blocks: give all sizes in kg or all in lb, such as 0.5, 1 and 2")
        sizes, imperial = [block.mass for block in blocks], blocks[0].imperial
        return cls(tuple(sorted(set(as_cast(sizes, imperial=imperial)), reverse=True)), imperial)

    @classmethod
    def usual(cls, *, imperial: bool) -> Pieces:
        """2, 1 and 0.5 kg, or 4, 2 and 1 lb."""
        return cls.parse(["1lb", "2lb", "4lb"] if imperial else ["0.5", "1", "2"])

    @classmethod
    def listed(cls, blocks: Mapping[str, int]) -> Pieces:
        """Sizes that there are so many of, as the book lists them; equal ones add up.

        Raises
        ------
        OutOfRangeError
            As for `parse`.

        Examples
        --------
        >>> Pieces.listed({"2 kg": 40, "0.5 kg": 8, "2.0 kg": 5}).there
        ((2.0, 45), (0.5, 8))
        """
        sizes = cls.parse(list(blocks))
        count = dict.fromkeys(sizes.sizes, 0)
        for text, number in blocks.items():
            mass = Block.parse(text).mass
            count[min(count, key=lambda size: abs(size - mass))] += number
        return replace(sizes, counts=tuple(count.values()))

    @property
    def there(self) -> There:
        """Each size and how many there are of it; empty where that is not known."""
        return tuple(zip(self.sizes, self.counts, strict=True)) if self.counts else ()

    @cached_property
    def step(self) -> Block:
        """The smallest, in which lead is put on; where others are no multiples of it, all that they make."""
        if self._grain == self.sizes[-1]:
            return Block(self.sizes[-1], self.imperial)
        return BlockSet(self.sizes[-1], self.imperial, plenty(self.sizes), more=True)

    @cached_property
    def _grain(self) -> float:
        """What all sizes are multiples of. [kg]."""
        if multiples(self.sizes):
            return self.sizes[-1]
        unit = GRAM * (POUND if self.imperial else 1.0)
        return math.gcd(*(round(size / unit) for size in self.sizes)) * unit

    @cached_property
    def _ratios(self) -> list[int]:
        return [round(size / self._grain) for size in self.sizes]

    def _steps(self, lead: FloatArray) -> IntArray:
        """Leads in grains; where no pieces make one, the next that they make."""
        steps = np.rint(np.asarray(lead, float) / self._grain).astype(np.int64)
        if self._ratios[-1] == 1:
            return steps
        # Above any weight there is one that the smallest alone make.
        made_of = np.flatnonzero(makeable(self._ratios, int(steps.max(initial=0)) + self._ratios[-1]))
        return np.asarray(made_of[np.searchsorted(made_of, steps)])

    def of(self, lead: FloatArray) -> IntArray:
        """Pieces of each size that make up each lead, large ones first; shape of `lead` and (sizes,)."""
        return made(self._steps(lead), self._ratios)

    def dealt(self, leads: FloatArray) -> IntArray:
        """Pieces of each person on one dive, of those that there are; shape (people, sizes).

        Where there are too few, as few as possible are borrowed; then as few pieces as possible are used.
        """
        return deal(self._steps(leads), self._ratios, self.counts) if self.counts else self.of(leads)

    def wanted(self, leads: FloatArray) -> IntArray:
        """Pieces of each size that all leads of a day take; leads (days, people), found (days, sizes)."""
        if not self.counts:
            return np.asarray(self.of(leads).sum(axis=1))
        return wanted(self._steps(leads), self._ratios, self.counts)

    def less(self, pieces: IntArray) -> Pieces:
        """What is left when pieces of each size are taken away."""
        left = [max(n - int(used), 0) for n, used in zip(self.counts, pieces, strict=False)]
        return replace(self, counts=tuple(left))

    def suffice(self, pieces: IntArray) -> bool:
        """Whether there are so many pieces of each size."""
        return not self.counts or bool((np.asarray(pieces) <= self.counts).all())


@dataclass(frozen=True)
class Stock:
    """Lead to have ready.

    Parameters
    ----------
    sizes : tuple of float
        Mass of one piece. [kg]
    counts : tuple of int
        Pieces of each. [-]
    total_kg : float
        All together. [kg]
    usual_kg : float
        Lead worn on the day in the middle of all simulated ones. [kg]
    served : Share
        Simulated days on which these pieces were enough.
    level : float
        Share of days aimed at. [-]
    seed : int
        Of the simulation.
    """

    sizes: tuple[float, ...]
    counts: tuple[int, ...]
    total_kg: float
    usual_kg: float
    served: Share
    level: float
    seed: int


def worn(
    need: FloatArray, lead: FloatArray, check: NDArray[np.bool_], *, out: float, step: Block
) -> FloatArray:
    """Lead that each ends up with on the day. [kg].

    Parameters
    ----------
    need : ndarray
        What each turns out to need. [kg]
    lead : ndarray, broadcastable
        Lead handed out, or to begin a check with. [kg]
    check : ndarray of bool, broadcastable
        Whether a surface check comes first.
    out : float
        Lightness that breathing out covers. [kg]
    step : Block
        The smallest block, or all that leads are made of.

    Returns
    -------
    ndarray
        After a check, the need rounded up; without one the lead handed out, unless that proves too light.
    """
    fitted = _fitted(need, step)
    return np.where(check | (need > lead + out), fitted, lead)


def _fitted(need: FloatArray, step: Block) -> FloatArray:
    """Lightest leads of these blocks that are enough. [kg]."""
    most = step.sums[-1] if isinstance(step, BlockSet) else 0.0
    beyond = np.maximum(np.ceil((need - most) / step.mass - _SLACK), 0) * step.mass
    if not isinstance(step, BlockSet):
        return np.asarray(beyond)
    sums = np.array(step.sums)
    return np.asarray(sums[np.minimum(np.searchsorted(sums, need - _SLACK), len(sums) - 1)] + beyond)


def joint_counts(counts: IntArray, *, level: float = LEVEL) -> IntArray:
    """Pieces of each size that are enough in a share `level` of all draws, every size at once.

    Parameters
    ----------
    counts : ndarray of int, shape (draws, sizes)
        Pieces wanted.
    level : float
        Share. [-]

    Returns
    -------
    ndarray of int, shape (sizes,)
        No size can give up one piece without falling below `level`. A draw counts as served only with the
        sizes it asks for: two small pieces for a large one are a reserve that is not counted on.
    """
    order = np.sort(counts, axis=0)
    draws = len(order)
    enough = order[-1]
    for place in range(int(np.ceil(level * draws)) - 1, draws):
        if np.mean((counts <= order[place]).all(axis=1)) >= level:
            enough = order[place]
            break
    found: IntArray = enough.copy()
    shrinking = True
    while shrinking:
        shrinking = False
        for j in range(len(found)):
            less = found.copy()
            less[j] -= 1
            if less[j] >= 0 and np.mean((counts <= less).all(axis=1)) >= level:
                found, shrinking = less, True
    return found


def stock(counts: IntArray, worn_kg: FloatArray, pieces: Pieces, *, seed: int) -> Stock:
    """Stock from simulated days.

    Parameters
    ----------
    counts : ndarray of int, shape (draws, sizes)
        Pieces wanted on each day.
    worn_kg : ndarray, shape (draws,)
        Lead worn on it. [kg]
    pieces : Pieces
        The sizes.
    seed : int
        Of the simulation.

    Returns
    -------
    Stock
        Enough on 95 % of the days.
    """
    found = joint_counts(counts)
    served = int((counts <= found).all(axis=1).sum())
    return Stock(
        pieces.sizes,
        tuple(int(n) for n in found),
        float(found @ np.array(pieces.sizes)),
        float(np.median(worn_kg)),
        jeffreys(served, len(counts)),
        LEVEL,
        seed,
    )


def lacking(wanted: Stock, there: There) -> Lacking:
    """Sizes of which a stock asks for more than there are.

    Parameters
    ----------
    wanted : Stock
        What to have.
    there : There
        What the book lists; a size that it does not list is not judged.

    Returns
    -------
    Lacking
        In the order of the stock.
    """
    have: dict[float, int] = {}
    for size, number in there:
        have[round(size, 4)] = have.get(round(size, 4), 0) + number
    every = [
        (size, number, have.get(round(size, 4), number))
        for size, number in zip(wanted.sizes, wanted.counts, strict=True)
    ]
    return tuple((size, number, known) for size, number, known in every if number > known)
