"""Leads made of pieces of which there are so many: who gets which, and what has to be borrowed."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice, pairwise, permutations
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["deal", "made", "makeable", "wanted"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_NODES: Final = 2000
"""Branches of the exact search after which the best found so far is taken; a number, not a time, so that the
answer is the same on every machine. [-]"""


_TRIED: Final = 24
"""Orders of sizes that are no multiples of each other: all of up to four of them. [-]"""


def makeable(ratios: Sequence[int], most: int) -> NDArray[np.bool_]:
    """Whether pieces of these sizes, as many as it takes, make each weight from none to `most`.

    Examples
    --------
    >>> makeable([3, 2], 5).tolist()
    [True, False, True, True, True, True]
    """
    out = np.zeros(most + 1, bool)
    out[0] = True
    for ratio in ratios:
        rows = np.concatenate([out, np.zeros(-len(out) % ratio, bool)]).reshape(-1, ratio)
        out = np.logical_or.accumulate(rows, axis=0).ravel()[: most + 1]
    return out


def made(leads: IntArray, ratios: Sequence[int]) -> IntArray:
    """Pieces of each size that make up each lead, large ones first as far as others make up the rest.

    Parameters
    ----------
    leads : ndarray of int
        As for `wanted`; each can be made.
    ratios : sequence of int
        As for `wanted`.

    Returns
    -------
    ndarray of int, shape of `leads` and (sizes,)

    Examples
    --------
    >>> made(np.array([7, 8]), [3, 2]).tolist()
    [[1, 2], [2, 1]]
    """
    left = np.array(leads)
    out = np.zeros((*left.shape, len(ratios)), np.int64)
    for j, ratio in enumerate(ratios):
        later = makeable(ratios[j + 1 :], int(left.max(initial=0)))
        out[..., j] = _most(left, left // ratio, ratio, later)
        left -= out[..., j] * ratio
    return out


def _most(left: IntArray, cap: IntArray, ratio: int, later: NDArray[np.bool_]) -> IntArray:
    """Most pieces of one size, up to `cap`, that leave what later sizes make; none where no number does."""
    number = np.minimum(left // ratio, cap)
    while (less := (number > 0) & ~later[left - number * ratio]).any():
        number -= less
    return number


def _chain(ratios: Sequence[int]) -> bool:
    """Whether each size is a multiple of the next: then the largest first wastes nothing."""
    return all(large % small == 0 for large, small in pairwise(ratios))


def _orders(ratios: Sequence[int]) -> list[list[int]]:
    """Orders to give sizes out in: the largest first, or one of them after all but the smallest.

    Where the smallest does not make up any rest, any order.
    """
    every = list(range(len(ratios)))
    if _chain(ratios):
        return [every]
    if ratios[-1] > 1:
        return [list(order) for order in islice(permutations(every), _TRIED)]
    later = [[j for j in every[:-1] if j != k] + [k, every[-1]] for k in every[:-2]]
    return [every, *later]


def _given(left: IntArray, ratios: Sequence[int], counts: IntArray, order: Sequence[int]) -> IntArray:
    """Pieces of each person, shape (days, people, sizes), size by size, as far as they reach."""
    if ratios[-1] > 1:
        return _given_in_turn(left, ratios, counts, order)
    rest = left.copy()
    out = np.zeros((*left.shape, len(ratios)), np.int64)
    for j in order:
        most = rest // ratios[j]
        before = np.cumsum(most, axis=1) - most
        out[..., j] = np.clip(counts[:, [j]] - before, 0, most)
        rest -= out[..., j] * ratios[j]
    return out


def _given_in_turn(left: IntArray, ratios: Sequence[int], counts: IntArray, order: Sequence[int]) -> IntArray:
    """The same where no piece makes up any rest: everybody is left with a rest that pieces make."""
    rest, have = left.copy(), counts.copy()
    out = np.zeros((*left.shape, len(ratios)), np.int64)
    highest = int(left.max(initial=0))
    every = makeable(ratios, highest)
    later = [makeable([ratios[k] for k in order[place + 1 :]], highest) for place in range(len(order))]
    for person in range(left.shape[1]):
        for j, rests in zip(order, later, strict=True):
            own, there = rest[:, person], have[:, j]
            number = _most(own, there, ratios[j], rests)
            # Where the later sizes cannot make up the rest, something is borrowed: then as little as may be.
            borrowed = ~rests[own - number * ratios[j]]
            number = np.where(borrowed, _most(own, there, ratios[j], every), number)
            out[:, person, j] = number
            rest[:, person] -= number * ratios[j]
            have[:, j] -= number
    return out


def _whole(left: IntArray, ratios: Sequence[int], counts: IntArray) -> IntArray:
    """Pieces used on each day, what is missing made up for everybody alone; fewest borrowed, then fewest."""
    used = np.zeros((len(left), len(ratios)), np.int64)
    worth = np.full(len(left), np.inf)
    left = np.sort(left, axis=1)  # light leads can be made in the fewest ways
    days = np.arange(len(left))
    for order in _orders(ratios):
        given = _given(left[days], ratios, counts[days], order)
        pieces = (given + made(left[days] - given @ np.array(ratios), ratios)).sum(axis=1)
        borrowed = np.maximum(pieces - counts[days], 0).sum(axis=1)
        # One borrowed piece is worse than any number of pieces.
        now = borrowed * (left[days].sum(axis=1) + 1.0) + pieces.sum(axis=1)
        better = now < worth[days]
        used[days[better]], worth[days[better]] = pieces[better], now[better]
        days = days[(used[days] > counts[days]).any(axis=1)]
        if not len(days):
            break
    return used


def _used(left: IntArray, ratios: Sequence[int], counts: IntArray) -> tuple[IntArray, IntArray]:
    """Pieces used on each day, and what is missing then."""
    weight = np.array(ratios)
    used = np.zeros((len(left), len(ratios)), np.int64)
    short = left.sum(axis=1) + 1
    for order in _orders(ratios):
        days = np.flatnonzero(short > 0)
        if not len(days):
            break
        given = _given(left[days], ratios, counts[days], order).sum(axis=1)
        missing = left[days].sum(axis=1) - given @ weight
        better = missing < short[days]
        used[days[better]], short[days[better]] = given[better], missing[better]
    return used, short


def wanted(leads: IntArray, ratios: Sequence[int], counts: Sequence[int]) -> IntArray:
    """Pieces of each size that the leads of many days take, few of them borrowed.

    Parameters
    ----------
    leads : ndarray of int, shape (days, people)
        In a weight that all sizes are multiples of; each such that pieces make it.
    ratios : sequence of int
        Weight of one piece of each size in the same, the largest first; the last is 1 where all are multiples
        of the smallest.
    counts : sequence of int
        How many there are of each.

    Returns
    -------
    ndarray of int, shape (days, sizes)
        What is there is used first; what is missing then is made up of the largest pieces that serve. Where
        each size is a multiple of the next nothing is borrowed that need not be; else hardly ever, and where
        the smallest does not make up any rest now and then.
    """
    own = np.broadcast_to(np.array(counts, np.int64), (len(leads), len(ratios)))
    if ratios[-1] > 1:
        return _whole(leads, ratios, own)
    have = own.copy()
    used, short = _used(leads, ratios, have)
    for j, ratio in enumerate(ratios):
        days = np.flatnonzero(short > 0)
        while len(days):
            have[days, j] += np.maximum(short[days] // ratio, 1)
            made, missing = _used(leads[days], ratios, have[days])
            better = missing < short[days]
            used[days[better]], short[days[better]] = made[better], missing[better]
            have[days] = np.maximum(used[days], own[days])  # what is of no use is given back
            days = days[better & (missing > 0)]
    return used


def deal(leads: IntArray, ratios: Sequence[int], counts: Sequence[int]) -> IntArray:
    """Pieces of each person on one dive: fewest borrowed, and then fewest of all.

    Parameters
    ----------
    leads : ndarray of int, shape (people,)
        As for `wanted`.
    ratios : sequence of int
        As for `wanted`.
    counts : sequence of int
        How many there are of each.

    Returns
    -------
    ndarray of int, shape (people, sizes)
        Whole: where there are too few, more than `counts` are used.

    Examples
    --------
    Two divers with 4, and no single kilogram for the 3:

    >>> deal(np.array([4, 4]), [3, 2, 1], [2, 4, 0]).tolist()
    [[0, 2, 0], [0, 2, 0]]
    """
    have = np.array(counts, np.int64)
    first = _given(leads[None], ratios, have[None], range(len(ratios)))[0]
    if _chain(ratios) and (first @ np.array(ratios) == leads).all():
        dealt: IntArray = first
        return dealt
    found = _searched(leads, ratios, have)
    return first + made(leads - first @ np.array(ratios), ratios) if found is None else found


def _searched(leads: IntArray, ratios: Sequence[int], have: IntArray) -> IntArray | None:
    """The best there is, by branch and bound; None where the search found none in time."""
    # scipy.optimize takes a while to load, and most boats do without it.
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import block_array, eye_array, kron

    people, sizes = len(leads), len(ratios)
    weight = np.array(ratios, float)[None]
    each = kron(eye_array(people), weight)  # one row a person: pieces make up the lead
    every = kron(
        np.ones((1, people)), eye_array(sizes)
    )  # one row a size: no more than lie there, or borrowed
    rows = block_array([[each, None], [every, -eye_array(sizes)]], format="csr")
    low = np.concatenate([leads, np.full(sizes, -np.inf)])
    high = np.concatenate([leads, have])
    dear = float(leads.sum()) + 1.0  # one borrowed piece is worse than any number of pieces
    most = np.concatenate([(leads[:, None] // weight.astype(np.int64)).ravel(), np.full(sizes, np.inf)])
    done = milp(
        np.concatenate([np.ones(people * sizes), np.full(sizes, dear)]),
        constraints=LinearConstraint(rows, low, high),
        integrality=np.ones(people * sizes + sizes),
        bounds=Bounds(0, most),
        options={"mip_rel_gap": 0.0, "node_limit": _NODES},
    )
    if done.x is None:
        return None
    found: IntArray = np.rint(done.x[: people * sizes]).astype(np.int64)
    return found.reshape(people, sizes)
