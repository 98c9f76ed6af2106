"""What is to be said of the blocks that a lead is made of."""

from __future__ import annotations

from typing import Final

import numpy as np

from leadline.decide.block import GRAM, Block, BlockSet
from leadline.units import about_text, mass_text

__all__ = ["block_cautions", "coarse", "late_short", "scarce", "short"]

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
    every, wanted = mass_text(there, imperial=imperial), mass_text(lead, imperial=imperial)
    return (
        f"All blocks that are listed make {every}: to have {wanted} at hand borrow more of these sizes, and "
        "do not make do with less",
    )


def short(bring: float, free: float, *, imperial: bool = False) -> tuple[str, ...]:
    """A caution where more pieces of the same sizes would make a lighter lead; none where they would not.

    The boat sheet, which says what to borrow, then has that lighter lead.

    Parameters
    ----------
    bring, free : float
        Lightest lead within the accepted risk of the pieces there are, and of any number of them. [kg]
    imperial : bool
        Whether to speak in pounds.
    """
    if bring <= free + GRAM:
        return ()
    own, lighter = mass_text(bring, imperial=imperial), mass_text(free, imperial=imperial)
    return (
        f"The pieces that are listed make no less than {own} of it: with more of these sizes {lighter} would "
        "be enough, which the boat sheet goes by",
    )


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


def late_short(block: Block, called: float, own: float, *, imperial: bool = False) -> tuple[str, ...]:
    """A caution where all blocks are too few if the dive ends late; none where they are too few anyway.

    Parameters
    ----------
    block : Block
        Blocks in use.
    called : float
        Lead called for then, where the blocks do not make it; else NaN. [kg]
    own : float
        What the answer has to have at hand. [kg]
    imperial : bool
        Whether to speak in pounds.
    """
    if np.isnan(called) or not isinstance(block, BlockSet) or own > block.all_there_is + GRAM:
        return ()
    every, wanted = (mass_text(mass, imperial=imperial) for mass in (block.all_there_is, called))
    return (
        f"Should it end late, {wanted} is called for, and all blocks that are listed make {every}: have more "
        "of them, or be at the stop with the gas planned",
    )


def block_cautions(
    block: Block, *, bring: float, lead: float, enough: float, failed: bool, imperial: bool = False
) -> tuple[str, ...]:
    """What is to be said of the blocks of an answer.

    Parameters
    ----------
    block : Block
        Blocks in use.
    bring, lead : float
        Of the answer. [kg]
    enough : float
        Lightest lead of all within the accepted risk. [kg]
    failed : bool
        Whether `bring` was raised above what failed at the stop: then the blocks are not to blame.
    imperial : bool
        Whether to speak in pounds.
    """
    found: tuple[str, ...] = ()
    free = bring
    if isinstance(block, BlockSet):
        found += scarce(max(bring, lead), block.all_there_is, imperial=imperial)
        if block.more and not failed:
            free = block.any_number.at_least(enough)
            found += short(bring, free, imperial=imperial)
    if not failed and free - max(enough, 0.0) >= COARSE:
        found += coarse(bring, enough, imperial=imperial)
    return found
