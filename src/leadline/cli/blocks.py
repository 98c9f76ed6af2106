"""The blocks of lead that the book lists, as far as the reader's leads are made of them."""

from __future__ import annotations

from collections.abc import Mapping

from leadline.cli.options import Units
from leadline.cli.output import note

__all__ = ["left_out", "of_reader"]


def left_out(there: Mapping[str, int], units: Units) -> tuple[tuple[str, int], ...]:
    """Blocks of the book that no lead is made of, and how many there are."""
    if not there:
        return ()
    from leadline.decide.block import of_unit

    return tuple(of_unit(there, imperial=units == "imperial")[1].items())


def of_reader(there: Mapping[str, int], units: Units) -> dict[str, int]:
    """Blocks in the reader's unit where the book has some in kg and some in lb, with a note; else all.

    Parameters
    ----------
    there : mapping of str to int
        Blocks that the book lists.
    units : {"metric", "imperial"}
        What is read.

    Returns
    -------
    dict of str to int
        Of one unit.
    """
    if not there:
        return {}
    from leadline.decide.block import of_unit

    used, _ = of_unit(there, imperial=units == "imperial")
    if left := left_out(there, units):
        own, other = ("lb", "kg") if units == "imperial" else ("kg", "lb")
        turn = "metric" if units == "imperial" else "imperial"
        named = ", ".join(f"{number} x {size}" for size, number in left)
        note(
            f"the book's blocks in {other} are left out: {named} (leads are made of those in {own}; "
            f"--units {turn} takes the others)"
        )
    return used
