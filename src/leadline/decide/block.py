"""Lead comes in blocks: rounding to what people own."""

from __future__ import annotations

import math
from dataclasses import dataclass

from leadline.errors import OutOfRangeError
from leadline.units import POUND

__all__ = ["Block"]

SLACK = 1e-9
"""Share of a block by which a lead may miss a multiple and still count as one."""


@dataclass(frozen=True)
class Block:
    """The smallest step in which lead can be put on.

    Parameters
    ----------
    mass : float
        Its mass. [kg]
    imperial : bool
        Whether it is sold in pounds.
    """

    mass: float = 0.5
    imperial: bool = False

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
        plain = text.strip().lower().replace(" ", "")
        imperial = plain.endswith(("lb", "lbs"))
        number = plain.removesuffix("s").removesuffix("lb").removesuffix("kg")
        try:
            mass = float(number) * (POUND if imperial else 1.0)
        except ValueError:
            mass = math.nan
        if not 0.1 <= mass <= 5:
            raise OutOfRangeError(f"block {text!r}: give a mass from 0.1 to 5 kg, such as 0.5 or 1lb")
        return cls(mass, imperial)

    def at_least(self, lead: float) -> float:
        """Lightest lead on these blocks that is at least `lead`, and at least none. [kg]."""
        return max(math.ceil(lead / self.mass - SLACK), 0) * self.mass

    def nearest(self, lead: float) -> float:
        """Lead on these blocks nearest to `lead`, and at least none. [kg]."""
        return max(round(lead / self.mass), 0) * self.mass
