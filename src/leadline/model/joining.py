"""Observations of several parts, whose divers are not the same, as those of one book."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.model.observations import Observations

__all__ = ["joined", "relabelled"]

IntArray = NDArray[np.int64]


def relabelled(parts: Sequence[IntArray]) -> IntArray:
    """Numbers of several parts, each raised above those before it."""
    counts = [int(part.max(initial=-1)) + 1 for part in parts]
    begins = np.concatenate([[0], np.cumsum(counts)])[:-1]
    return np.concatenate([part + begin for part, begin in zip(parts, begins, strict=True)])


def _runs(columns: Sequence[int]) -> list[tuple[int, int, int]]:
    """Neighbours that stay neighbours: where they begin, where they go, and how many.

    A few such blocks are copied in half the time that column by column takes.
    """
    at = np.asarray(columns, np.int64)
    begins = np.flatnonzero(np.diff(at, prepend=-2) != 1)
    widths = np.diff(begins, append=len(at))
    return list(zip(begins.tolist(), at[begins].tolist(), widths.tolist(), strict=True))


def joined(parts: Sequence[Observations], names: tuple[str, ...]) -> Observations:
    """All rows of several parts, one part after the other.

    Parameters
    ----------
    parts : sequence of Observations
        At least one; no diver in two of them.
    names : tuple of str
        Names of the exposures wanted, all of theirs among them; what a part does not know is 0 there.

    Returns
    -------
    Observations
        Labels count on from one part to the next.
    """
    if len(parts) == 1 and parts[0].names == names:
        return parts[0]
    column = {name: i for i, name in enumerate(names)}
    sizes = [len(part) for part in parts]
    exposure = np.zeros((sum(sizes), len(names)))
    begin = 0
    for part, size in zip(parts, sizes, strict=True):
        own = exposure[begin : begin + size]
        for here, there, width in _runs([column[name] for name in part.names]):
            own[:, there : there + width] = part.exposure[:, here : here + width]
        begin += size
    whole: dict[str, Any] = {"exposure": exposure, "names": names}
    for field in fields(Observations):
        values = [getattr(part, field.name) for part in parts]
        if field.name in ("occasion", "suit", "diver"):
            whole[field.name] = relabelled(values)
        elif field.name not in whole:
            whole[field.name] = np.concatenate(values)
    return Observations(**whole)
