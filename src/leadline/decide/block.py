"""Lead comes in blocks: rounding to what people own."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping
from functools import cached_property
from typing import Final

from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass
from leadline.records import BLOCK_RANGE
from leadline.units import POUND

__all__ = ["GRAM", "Block", "BlockSet", "of_unit"]

SLACK = 1e-9
"""Share of a block by which a lead may miss a multiple and still count as one."""

MOST_LEAD: Final = 60.0
"""Sums of blocks are looked at up to this lead. [kg]"""

GRAM: Final = 1e-3


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
        Whether there are more of the smallest to be had somewhere, as where many divers share what is listed:
        one who needs more than all of it keeps nobody else from an answer.
    """

    stock: tuple[tuple[float, int], ...] = ()
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
        """
        sizes = {size: _mass(size, size) for size in pieces}
        most = {size: math.ceil(MOST_LEAD / mass) for size, (mass, _) in sizes.items()}
        stock = tuple((mass, min(pieces[size], most[size])) for size, (mass, _) in sizes.items())
        pounds = all(imperial for _, imperial in sizes.values())
        return cls(min(mass for mass, _ in stock), pounds, stock, more=True)

    @cached_property
    def sums(self) -> tuple[float, ...]:
        """All leads that can be made of them, ascending from none. [kg]."""
        reached: dict[int, float] = {0: 0.0}
        for mass, number in self.stock:
            for _ in range(number):
                more = {round((s + mass) / GRAM): s + mass for s in reached.values() if s + mass <= MOST_LEAD}
                if more.keys() <= reached.keys():
                    break
                reached = more | reached
        return tuple(reached[key] for key in sorted(reached))

    def at_least(self, lead: float) -> float:
        """As for one size.

        Raises
        ------
        OutOfRangeError
            If all blocks together are lighter, and there are no more to be had.
        """
        place = bisect_left(self.sums, lead - SLACK)
        if place == len(self.sums):
            if self.more:
                return self.sums[-1] + Block(self.mass).at_least(lead - self.sums[-1])
            unit, name = (POUND, "lb") if self.imperial else (1.0, "kg")
            raise OutOfRangeError(
                f"these blocks make up to {self.sums[-1] / unit:.1f} {name} and {lead / unit:.1f} {name} are "
                "called for; name "
                "more of them, or their size alone with --block"
            )
        return self.sums[place]

    @property
    def all_there_is(self) -> float:
        """All of them together. [kg]."""
        return self.sums[-1]

    def _missing(self, lead: float) -> float:
        """What of a lead is more than all of them, where there are more to be had; else none. [kg]."""
        return max(lead - self.all_there_is, 0.0) if self.more else 0.0

    def makes(self, mass: float) -> bool:
        """As for one size."""
        return abs(self.nearest(mass) - mass) < GRAM

    def nearest(self, lead: float) -> float:
        """As for one size; of two as near, the heavier."""
        if missing := self._missing(lead):
            return self.all_there_is + Block(self.mass).nearest(missing)
        return min(self.sums, key=lambda s: (abs(s - lead), -s))

    def below(self, lead: float) -> float:
        """As for one size."""
        if (missing := self._missing(lead)) > SLACK:
            return self.all_there_is + Block(self.mass).below(missing)
        return self.sums[max(bisect_left(self.sums, lead - SLACK) - 1, 0)]


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
