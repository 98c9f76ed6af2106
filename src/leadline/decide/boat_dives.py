"""Which rows of a plan are in the water together, and which follow each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.frozen import dataclass

__all__ = ["Together", "at_once", "dives"]

IntArray = NDArray[np.int64]

BACK: Final = np.timedelta64(90, "m")
"""From the begin of one dive to when its lead can be put on for the next. (judged)"""


@dataclass(frozen=True)
class Together:
    """Rows of a plan that are one dive.

    Parameters
    ----------
    rows : ndarray, shape (n,)
        Rows, in the order of the plan.
    key : str
        Key of the dive; of rows with keys of their own the first and the last. May be empty.
    own_keys : bool
        Whether each row has a key of its own, so that it was taken for granted that they are one dive.
    """

    rows: IntArray
    key: str
    own_keys: bool = False


def dives(plan: Columns) -> list[Together]:
    """Dives of a plan, in order of first mention.

    Rows of the same key, group and day are one dive. Where every key of one group, place and moment names
    one row only, the keys number rows and not dives: the first rows of all its divers are one dive then,
    their second ones the next. Taken for dives that follow each other, each would be handed the lead of the
    one before, and the boat would leave with the lead of one diver.

    Parameters
    ----------
    plan : Columns
        A dives table without results.

    Returns
    -------
    list of Together
        Each row in one of them.
    """
    day = plan["date"].astype("datetime64[D]").astype(str)
    keys = list(zip(plan["dive"].tolist(), plan["group"].tolist(), day.tolist(), strict=True))
    often = Counter(keys)
    places = list(
        zip(plan["group"].tolist(), plan["site"].tolist(), plan["date"].astype(str).tolist(), strict=True)
    )
    named = {place for key, place in zip(keys, places, strict=True) if often[key] > 1}
    found: dict[tuple[object, ...], list[int]] = {}
    turns: Counter[tuple[object, ...]] = Counter()
    for row, (key, place) in enumerate(zip(keys, places, strict=True)):
        if place in named:
            found.setdefault(key, []).append(row)
            continue
        turn = (place, plan["diver"][row])
        found.setdefault((place, turns[turn]), []).append(row)
        turns[turn] += 1
    return [_together(plan, rows, own=len({keys[row] for row in rows}) > 1) for rows in found.values()]


def _together(plan: Columns, rows: list[int], *, own: bool) -> Together:
    first, last = (str(plan["dive"][row]) for row in (rows[0], rows[-1]))
    return Together(np.array(rows, np.int64), f"{first} to {last}" if own else first, own)


def at_once(plan: Columns, groups: Sequence[IntArray]) -> list[IntArray]:
    """Rows that are in the water at one time.

    Parameters
    ----------
    plan : Columns
        A dives table without results.
    groups : sequence of ndarray
        Rows of each dive.

    Returns
    -------
    list of ndarray
        Rows; each row at least once, and no moment is part of another. With a time of day, dives that begin
        within `BACK` of each other: nobody is back with lead before. A date without a time says nothing of it
        (midnight stands for that): then dives of one key and day, and of the others the first of each group
        on that day, their second ones and so on; and each of them with whatever begins at any time of that
        day, but for dives of its own divers. Without a date it may be any day. Lead that is taken for handed
        on while it is under water would be missing on the boat.
    """
    begin = np.array([plan["date"][rows[0]] for rows in groups], "datetime64[s]")
    day = begin.astype("datetime64[D]")
    noted = ~np.isnat(begin) & (begin != day)
    who = [frozenset(plan["diver"][rows].tolist()) for rows in groups]
    turns = _of_one_turn(plan, groups, np.flatnonzero(~noted).tolist())
    found = _overlapping(begin, np.flatnonzero(noted).tolist())
    for dated in (True, False):
        later = [turn for turn in turns if np.isnat(day[turn[0]]) != dated]
        found += [
            moment | {i for i in turn if not any(who[i] & who[j] for j in moment)}
            for turn in later
            for moment in [set[int](), *found]
            if not (dated and moment) or any(day[j] == day[turn[0]] for j in moment)
        ]
    return [np.concatenate([groups[i] for i in sorted(moment)]) for moment in _whole(found)]


def _overlapping(begin: NDArray[np.datetime64], dives: Sequence[int]) -> list[set[int]]:
    """Dives that are under way whenever one begins, and whenever one is back."""
    own = begin[list(dives)]
    times = np.unique(np.concatenate([own, own + BACK]))
    near = [np.flatnonzero((own <= time) & (own > time - BACK)).tolist() for time in times]
    return [{dives[i] for i in under_way} for under_way in near if under_way]


def _of_one_turn(plan: Columns, groups: Sequence[IntArray], dives: Sequence[int]) -> list[list[int]]:
    """Those of dives of which only the day is known, or not even that."""
    day = plan["date"].astype("datetime64[D]").astype(str)
    keys = {i: (day[groups[i][0]], plan["dive"][groups[i][0]]) for i in dives}
    often = Counter(keys.values())
    turns: Counter[tuple[object, ...]] = Counter()
    found: dict[object, list[int]] = {}
    for i, key in keys.items():
        if often[key] > 1 and key[1]:
            found.setdefault(key, []).append(i)
            continue
        turn = (key[0], plan["group"][groups[i][0]])
        found.setdefault((key[0], turns[turn]), []).append(i)
        turns[turn] += 1
    return list(found.values())


def _whole(moments: Sequence[set[int]]) -> list[set[int]]:
    """Those that are part of no other, each once, the largest first."""
    kept: list[set[int]] = []
    having: dict[int, list[set[int]]] = {}
    for moment in sorted(moments, key=len, reverse=True):
        if not any(moment <= larger for larger in having.get(min(moment), ())):
            kept.append(moment)
            for i in moment:
                having.setdefault(i, []).append(moment)
    return kept
