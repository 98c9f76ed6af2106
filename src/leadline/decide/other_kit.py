"""Other items that a plan has gained or misses against a diver's dives, and how far they move need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Occasions
from leadline.decide.assessment import Assessment
from leadline.decide.history import LikeKit
from leadline.physics.ledger import State, assemble, evaluate
from leadline.physics.rig import Rigs
from leadline.records import RESERVE_PRESSURE

__all__ = ["at_reserve", "joined", "other_kit", "widened", "worn_before"]

IntArray = NDArray[np.int64]

OTHER_KIT: Final = 0.5
"""How far other items have to move the need, kind by kind, to ask for a check. [kg] (judged)"""

_Swap = tuple[tuple[int, ...], tuple[int, ...]]
"""Rows of the gear table that a row has gained, and that it misses."""


def worn_before(o: Occasions, swaps: Sequence[_Swap]) -> Occasions:
    """The occasions without the other items gained, and with those that are missing.

    Parameters
    ----------
    o : Occasions
        n rows.
    swaps : sequence of tuple
        One a row: rows of the gear table that it has gained, and that it misses.

    Returns
    -------
    Occasions
        n rows; `other` is as wide as it has to be.
    """
    worn = [
        [item for item in row if item >= 0 and item not in gained] + list(missing)
        for row, (gained, missing) in zip(o.other.tolist(), swaps, strict=True)
    ]
    other = np.full((len(o), max(map(len, worn), default=0)), -1, np.int64)
    for i, items in enumerate(worn):
        other[i, : len(items)] = items
    return replace(o, other=other)


def at_reserve(rigs: Rigs) -> State:
    """The state in which changes are compared: at 5 m, all cylinders at the reserve."""
    return State(5.0, np.where(rigs.present, RESERVE_PRESSURE, 0.0), rigs.present)


def other_kit(assessment: Assessment, rows: IntArray, histories: Sequence[LikeKit]) -> list[bool]:
    """Whether other items that are new or missing move need by more than `OTHER_KIT`.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    rows : ndarray of int, shape (n,)
        Rows of the timeline.
    histories : sequence of LikeKit
        One a row.

    Returns
    -------
    list of bool
        One a row.

    Notes
    -----
    A hood in place of another one moves it by the difference; a hood and a plate do not make up for each
    other, since neither is known.
    """
    kinds = assessment.line.records.gear["kind"].tolist()
    cases: list[tuple[int, _Swap]] = []
    for i, history in enumerate(histories):
        for kind in sorted({kinds[item] for item in (*history.gained, *history.missing)}):
            gained, missing = (
                tuple(item for item in items if kinds[item] == kind)
                for items in (history.gained, history.missing)
            )
            cases.append((i, (gained, missing)))
    if not cases:
        return [False] * len(histories)
    place = np.array([i for i, _ in cases])
    now = assessment.line.occasions.take(rows[place])
    before = worn_before(now, [swap for _, swap in cases])
    rigs = assemble(assessment.line.records, joined(before, now))
    need, n = evaluate(rigs, at_reserve(rigs)).need, len(cases)
    moved = np.bincount(place, np.abs(need[n:] - need[:n]), len(histories))
    return [bool(far) for far in moved > OTHER_KIT]


def joined(first: Occasions, second: Occasions) -> Occasions:
    """One after the other; all columns but `other` are as wide in both."""
    width = max(first.other.shape[1], second.other.shape[1])
    first, second = (replace(o, other=widened(o.other, width)) for o in (first, second))
    return Occasions(
        **{
            f.name: np.concatenate([getattr(first, f.name), getattr(second, f.name)])
            for f in fields(Occasions)
        }
    )


def widened(items: IntArray, width: int) -> IntArray:
    """The same items in so many columns."""
    return np.pad(items, ((0, 0), (0, width - items.shape[1])), constant_values=-1)
