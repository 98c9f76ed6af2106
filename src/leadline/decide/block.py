"""Lead comes in blocks: rounding to what people own."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Final

import numpy as np

from leadline.errors import OutOfRangeError, TooFewBlocksError
from leadline.frozen import dataclass
from leadline.records import BLOCK_RANGE
from leadline.units import POUND

__all__ = ["GRAM", "Block", "BlockSet", "as_cast", "multiples", "of_unit", "plenty"]

SLACK = 1e-9
"""Share of a block by which a lead may miss a multiple and still count as one."""

MOST_LEAD: Final = 60.0
"""Sums of blocks are looked at up to this lead. [kg]"""

GRAM: Final = 1e-3

Sizes = tuple[tuple[float, int], ...]
"""Mass [kg] and number of pieces of each size."""


def _mass(text: str, whole: str) -> tuple[float, bool]:
    """Mass [kg] and whether it was given in pounds."""
    plain = text.strip().lower().replace(" ", "")
    imperial = plain.endswith(("lb", "lbs"))
    number = plain.removesuffix("s").removesuffix("lb").removesuffix("kg")
    try:
        mass = float(number) * (POUND if imperial else 1.0)
    except ValueError:
        mass = math.nan
    least, most = BLOCK_RANGE
    if not least <= mass <= most:
        raise OutOfRangeError(
            f"block {whole!r}: give a mass from {least:g} to {most:g} kg, such as 0.5 or 1lb"
        )
    return mass, imperial


def _require_mass(mass: float) -> None:
    least, most = BLOCK_RANGE
    if not least <= mass <= most:
        raise OutOfRangeError(f"mass of a block must lie in [{least:g}, {most:g}] kg, got {mass:g}")


def multiples(sizes: Sequence[float]) -> bool:
    """Whether all are multiples of the smallest."""
    ratios = [size / min(sizes) for size in sizes]
    return all(abs(ratio - round(ratio)) <= 1e-6 for ratio in ratios)


def as_cast(sizes: Sequence[float], *, imperial: bool) -> list[float]:
    """Sizes whose sums can be counted: in thousandths of the unit, and nobody casts finer. [kg].

    Multiples of the smallest stay as they are.
    """
    if multiples(sizes):
        return list(sizes)
    unit = _thousandth(imperial=imperial)
    return [round(size / unit) * unit for size in sizes]


def _thousandth(*, imperial: bool) -> float:
    return GRAM * (POUND if imperial else 1.0)


def plenty(sizes: Sequence[float]) -> Sizes:
    """As many pieces of each size [kg] as any lead takes."""
    return tuple((size, math.ceil(MOST_LEAD / size)) for size in sizes)


def _sums(stock: Sizes, *, imperial: bool) -> tuple[float, ...]:
    """All leads that pieces make, ascending from none; two within a thousandth of the unit are one. [kg]."""
    unit = _thousandth(imperial=imperial)
    total = sum(mass * number for mass, number in stock)
    sums = np.full(round(min(total, MOST_LEAD) / unit) + 2, np.nan)
    sums[0] = 0.0
    for mass, number in stock:
        at_once = 1
        while number > 0:
            # 1, 2, 4 and so on, each taken or not, make every number of pieces there is.
            taken = min(at_once, number)
            more = sums[~np.isnan(sums)] + taken * mass
            more = more[more <= MOST_LEAD + SLACK]
            place = np.rint(more / unit).astype(np.int64)
            new = np.isnan(sums[place])
            sums[place[new]] = more[new]
            number -= taken
            at_once *= 2
    return tuple(sums[~np.isnan(sums)].tolist())


@dataclass(frozen=True)
class Block:
    """The smallest step in which lead can be put on.

    Parameters
    ----------
    mass : float
        Its mass. [kg] Valid 0.1 to 5.
    imperial : bool
        Whether it is sold in pounds.

    Raises
    ------
    OutOfRangeError
        If it is no mass from 0.1 to 5 kg: of blocks of nothing no lead can be made.
    """

    mass: float = 0.5
    imperial: bool = False

    def __post_init__(self) -> None:
        _require_mass(self.mass)

    @classmethod
    def parse(cls, text: str) -> Block:
        """Block from text such as `0.5`, `0.5kg` or `1lb`.

        Raises
        ------
        OutOfRangeError
            If the text is no mass, or the mass is not between 0.1 and 5 kg.

        Examples
        --------
        >>> round(Block.parse("1lb").mass, 4)
        0.4536
        """
        return cls(*_mass(text, text))

    def at_least(self, lead: float) -> float:
        """Lightest lead on these blocks that is at least `lead`, and at least none. [kg]."""
        return max(math.ceil(lead / self.mass - SLACK), 0) * self.mass

    def nearest(self, lead: float) -> float:
        """Lead on these blocks nearest to `lead`, and at least none. [kg]."""
        return max(round(lead / self.mass), 0) * self.mass

    def makes(self, mass: float) -> bool:
        """Whether a mass [kg] can be made of these blocks."""
        return abs(self.at_least(mass) - mass) < GRAM

    def below(self, lead: float) -> float:
        """Heaviest lead on these blocks that is lighter than `lead`, and at least none. [kg]."""
        return max(math.ceil(lead / self.mass - SLACK) - 1, 0) * self.mass

    @property
    def endless(self) -> Block:
        """The same blocks, as if there were more of the smallest to be had."""
        return self

    def require(self, lead: float) -> None:
        """Refuse a lead that is more than all of them together.

        Parameters
        ----------
        lead : float
            As made of `endless` ones. [kg]

        Raises
        ------
        TooFewBlocksError
            If it is.
        """


@dataclass(frozen=True)
class BlockSet(Block):
    """Blocks of several sizes, so many of each, for one diver to choose from.

    Parameters
    ----------
    mass : float
        Of the smallest. [kg] Valid, as each size, 0.1 to 5.
    imperial : bool
        Whether all are sold in pounds.
    stock : tuple of (float, int)
        Mass [kg] and number of each size.
    more : bool
        Whether more of each size can be borrowed, as where many divers share what is listed: one who needs
        more than all of it keeps nobody else from an answer. Beyond all of them together leads are what any
        number of pieces make, as on the boat sheet; up to there they are made of the pieces there are.
    """

    stock: Sizes = ()
    more: bool = False

    def __post_init__(self) -> None:
        for mass in (self.mass, *(size for size, _ in self.stock)):
            _require_mass(mass)

    @classmethod
    def parse(cls, text: str) -> BlockSet:
        """Blocks from text such as `1kg:4,2kg:6`.

        Raises
        ------
        OutOfRangeError
            If a part is not a mass and a number.

        Examples
        --------
        >>> owned = BlockSet.parse("2kg:3,0.5kg:1")
        >>> owned.at_least(2.6), owned.nearest(3.4), owned.below(2.5)
        (4.0, 4.0, 2.0)
        """
        stock, pounds = [], []
        for part in filter(None, (piece.strip() for piece in text.split(","))):
            size, _, number = part.partition(":")
            mass, imperial = _mass(size, part)
            if not number.strip().isdigit() or not 1 <= int(number) <= 500:
                raise OutOfRangeError(
                    f"blocks {part!r}: give a mass and how many there are, such as 1kg:4,2kg:6"
                )
            stock.append((mass, int(number)))
            pounds.append(imperial)
        if not stock:
            raise OutOfRangeError(f"blocks {text!r}: give masses and numbers, such as 1kg:4,2kg:6")
        return cls(min(mass for mass, _ in stock), all(pounds), tuple(stock))

    @classmethod
    def of(cls, pieces: Mapping[str, int]) -> BlockSet:
        """Blocks that lie ready for many divers, as the book lists them.

        Parameters
        ----------
        pieces : mapping of str to int
            Size, such as `1 kg`, to how many there are; at least one size.

        Examples
        --------
        >>> BlockSet.of({"2 kg": 40, "0.5 kg": 1}).at_least(2.6)
        4.0
        >>> BlockSet.of({"2 kg": 2, "0.5 kg": 1}).at_least(5.2)
        5.5

        Of 2 and 1.5 kg four pieces make 6.5 kg, and no fewer are needed:

        >>> BlockSet.of({"2 kg": 1, "1.5 kg": 1}).at_least(6.1)
        6.5
        """
        given = [_mass(size, size) for size in pieces]
        units = {imperial for _, imperial in given}
        sizes = [mass for mass, _ in given]
        if len(units) == 1:
            sizes = as_cast(sizes, imperial=units == {True})
        there = zip(plenty(sizes), pieces.values(), strict=True)
        stock = tuple((mass, min(number, most)) for (mass, most), number in there)
        return cls(min(sizes), units == {True}, stock, more=True)

    @cached_property
    def sums(self) -> tuple[float, ...]:
        """All leads that can be made of them, ascending from none. [kg]."""
        return _sums(self.stock, imperial=self.imperial)

    @cached_property
    def any_number(self) -> BlockSet:
        """The same sizes, as many of each as it takes."""
        return BlockSet(self.mass, self.imperial, plenty([mass for mass, _ in self.stock]), more=True)

    @cached_property
    def _with_borrowed(self) -> tuple[float, ...]:
        """All of them together, and above it what any number of pieces make. [kg]."""
        every = self.any_number.sums
        return (self.all_there_is, *every[bisect_left(every, self.all_there_is + SLACK) :])

    def _leads(self, lead: float) -> tuple[float, ...]:
        """Leads to look for one among, ascending. [kg]."""
        return self._with_borrowed if self.more and lead > self.all_there_is + SLACK else self.sums

    def at_least(self, lead: float) -> float:
        """As for one size.

        Raises
        ------
        TooFewBlocksError
            If all blocks together are lighter, and there are no more to be had.
        """
        leads = self._leads(lead)
        place = bisect_left(leads, lead - SLACK)
        if place < len(leads):
            return leads[place]
        made = leads[-1] + Block(self.mass).at_least(lead - leads[-1])
        self.require(made)
        return made

    @cached_property
    def endless(self) -> BlockSet:
        """As for one size."""
        return self if self.more else replace(self, more=True)

    def require(self, lead: float) -> None:
        """As for one size."""
        if self.more or lead <= self.all_there_is + SLACK:
            return
        unit, name = (POUND, "lb") if self.imperial else (1.0, "kg")
        raise TooFewBlocksError(
            f"these blocks make up to {self.all_there_is / unit:.1f} {name} and {lead / unit:.1f} {name} are "
            "called for; name more of them, or their size alone with --block",
            lead=lead,
            most=self.all_there_is,
        )

    @property
    def all_there_is(self) -> float:
        """All of them together. [kg]."""
        return self.sums[-1]

    def makes(self, mass: float) -> bool:
        """As for one size."""
        return abs(self.nearest(mass) - mass) < GRAM

    def nearest(self, lead: float) -> float:
        """As for one size; of two as near, the heavier."""
        if not self.more and lead >= self.all_there_is:
            return self.all_there_is
        heavier, lighter = self.at_least(lead), self.below(lead)
        return heavier if heavier - lead <= lead - lighter + SLACK else lighter

    def below(self, lead: float) -> float:
        """As for one size."""
        leads = self._leads(lead)
        if self.more and lead > leads[-1] + SLACK:
            return leads[-1] + Block(self.mass).below(lead - leads[-1])
        return leads[max(bisect_left(leads, lead - SLACK) - 1, 0)]


def of_unit(blocks: Mapping[str, int], *, imperial: bool) -> tuple[dict[str, int], dict[str, int]]:
    """Blocks that a reader's leads are made of, and those that are left out.

    Parameters
    ----------
    blocks : mapping of str to int
        Size, such as `1 kg`, to how many there are.
    imperial : bool
        Whether the reader thinks in pounds.

    Returns
    -------
    used, left : dict of str to int
        Where there are some in kg and some in lb, those of the reader's unit are used: a lead of both is on
        no scale that anybody reads. Else all are.

    Examples
    --------
    >>> of_unit({"1 kg": 30, "2 lb": 40}, imperial=False)
    ({'1 kg': 30}, {'2 lb': 40})
    >>> of_unit({"2 lb": 40}, imperial=False)
    ({'2 lb': 40}, {})
    """
    used = {size: n for size, n in blocks.items() if _mass(size, size)[1] == imperial}
    if not used:
        return dict(blocks), {}
    return used, {size: n for size, n in blocks.items() if size not in used}
