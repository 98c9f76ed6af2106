"""Compiled: what one diver's rows touch, and the directions that are the diver's own."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.layout import Rows
from leadline.model.row import Levels

__all__ = ["apart", "columns_of", "personal"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

UNSAID: Final = 1e-4
"""Variance of a need that may be left to no direction. [kg²] (10 g, where bands are half a kilogram)"""


@njit(cache=True)
def columns_of(rows: Rows, index: IntArray, more: FloatArray) -> IntArray:
    """Columns of the exposures that some rows, or `more` exposures, touch."""
    count = rows.exposure.shape[1]
    found = np.empty(count, np.int64)
    size = 0
    for j in range(count):
        touched = False
        for n in index:
            if rows.exposure[n, j] != 0.0:
                touched = True
                break
        if not touched:
            for t in range(len(more)):
                if more[t, j] != 0.0:
                    touched = True
                    break
        if touched:
            found[size] = j
            size += 1
    return found[:size]


@njit(cache=True)
def _places(keys: IntArray) -> tuple[IntArray, int]:
    """Number of each key in order of appearance, and how many there are."""
    found = np.empty(len(keys), np.int64)
    count = 0
    for n in range(len(keys)):
        found[n] = -1
        for k in range(n):
            if keys[k] == keys[n]:
                found[n] = found[k]
                break
        if found[n] < 0:
            found[n] = count
            count += 1
    return found, count


@njit(cache=True)
def _in_time(elapsed: FloatArray, jumped: FloatArray) -> IntArray:
    """Rows in the order of time; nearly sorted, most of the time."""
    order = np.arange(len(elapsed))
    for k in range(1, len(order)):
        own = order[k]
        when = elapsed[own] + jumped[own]
        i = k
        while i > 0 and elapsed[order[i - 1]] + jumped[order[i - 1]] > when:
            order[i] = order[i - 1]
            i -= 1
        order[i] = own
    return order


@njit(cache=True)
def personal(
    level: Levels,
    spread: float,
    suit: IntArray,
    weight: FloatArray,
    elapsed: FloatArray,
    jumped: FloatArray,
) -> FloatArray:
    """Loadings on one diver's own independent directions; the scatter that rows of one dive share is none.

    Parameters
    ----------
    level : Levels
        One of the hyperparameters.
    spread : float
        Prior sd of the diver's offset. [kg]
    suit, weight : ndarray, shape (n,)
        Key of the suit, and its weight. [-, kg]
    elapsed, jumped : ndarray, shape (n,)
        As in `leadline.model.observations.Observations`.

    Returns
    -------
    ndarray, shape (n, r)
        As `leadline.model.people.personal_loadings`, but for the scatter. [kg]
    """
    count = len(suit)
    worn, suits = _places(suit)
    order = _in_time(elapsed, jumped)
    step = np.zeros(count, np.int64)
    size = np.zeros(count)
    steps = 0
    for k in range(1, count):
        here, before = order[k], order[k - 1]
        time, jump = elapsed[here] - elapsed[before], jumped[here] - jumped[before]
        if time != 0.0 or jump != 0.0:
            size[steps] = math.sqrt(max(level.drift_variance * time + jump, 0.0))
            steps += 1
        step[here] = steps
    found = np.zeros((count, 1 + steps + suits))
    factor = math.sqrt(level.suit_variance)
    for n in range(count):
        found[n, 0] = spread
        for k in range(step[n]):
            found[n, 1 + k] = size[k]
        found[n, 1 + steps + worn[n]] = weight[n] * factor
    # Columns that are nowhere used: the suit that does not weigh.
    kept = np.empty(found.shape[1], np.int64)
    used = 0
    for j in range(found.shape[1]):
        for n in range(count):
            if found[n, j] != 0.0:
                kept[used] = j
                used += 1
                break
    return np.ascontiguousarray(found[:, kept[:used]])


@njit(cache=True)
def apart(rows: Rows, index: IntArray) -> tuple[NDArray[np.bool_], IntArray]:
    """Whether each row is alone in its occasion, and the next of the same, after the last the first."""
    following = np.arange(len(index))
    for n in range(len(index)):
        for k in range(n - 1, -1, -1):
            if rows.occasion[index[k]] == rows.occasion[index[n]]:
                following[n], following[k] = following[k], n
                break
    return following == np.arange(len(index)), following
