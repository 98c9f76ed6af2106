"""What is to be said of the blocks that a lead is made of."""

from __future__ import annotations

from typing import Final

from leadline.decide.block import GRAM
from leadline.units import about_text, mass_text

__all__ = ["coarse", "scarce"]

COARSE: Final = 1.0
"""Lead that comes on top for want of smaller blocks, from which that is said. [kg]"""


def scarce(lead: float, there: float, *, imperial: bool = False) -> tuple[str, ...]:
    """A caution where a lead takes more than all blocks that there are; none where it does not.

    Parameters
    ----------
    lead, there : float
        What is to be at hand, and all blocks together. [kg]
    imperial : bool
        Whether to speak in pounds.
    """
    if lead <= there + GRAM:
        return ()
    every = mass_text(there, imperial=imperial)
    return (f"All blocks that are listed make {every}: the rest has to be borrowed, and no less will do",)


def coarse(bring: float, enough: float, *, imperial: bool = False) -> tuple[str, ...]:
    """A caution where the blocks make much more of the lead than it has to be; none where they do not.

    Parameters
    ----------
    bring, enough : float
        Lightest lead on the blocks within the accepted risk, and lightest of all. [kg]
    imperial : bool
        Whether to speak in pounds.
    """
    least = max(enough, 0.0)
    if bring - least < COARSE:
        return ()
    return (
        f"These blocks are coarse: about {about_text(least, imperial)} would be enough, and with them it is "
        f"{mass_text(bring, imperial=imperial)}, so bring smaller ones",
    )
