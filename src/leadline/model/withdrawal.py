"""Compiled: one diver's share taken out of the shared effects that it helped to find."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.layout import Rows
from leadline.model.people import MOST_MOVED
from leadline.model.prepared import bent, of_one
from leadline.model.row import Levels, refined
from leadline.model.sequel import CLOSELY, Together, given
from leadline.model.sharing import UNSAID, apart, personal
from leadline.model.small_array import copied
from leadline.model.small_matrix import cholesky, dot, inverse, multiply, thin
from leadline.model.solo import LOOSEST, MOST_KNOWN, NEAR
from leadline.model.whole import Whole

__all__ = ["faint", "moved_by", "removed", "seen_from", "share_of", "taken_out"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FAINT: Final = 0.02
"""A share that holds no more than this of the precision, over all directions, is reckoned under one of the
hyperparameters only: it moves the shared effects by a seventh of their sd at most, whichever they are. [-]"""


class _Own(NamedTuple):
    """Posterior of one diver's directions, the shared effects held: changed in place.

    Parameters
    ----------
    mean, covariance : ndarray, shape (r,), (r, r)
        With the shared effects at their mean. [-]
    pulled : ndarray, shape (r, q)
        How far the directions take a unit of the shared effects upon themselves. [-]
    """

    mean: FloatArray
    covariance: FloatArray
    pulled: FloatArray


@njit(cache=True)
def _forgotten(at: _Own) -> None:
    at.mean[:] = 0.0
    at.covariance[:] = 0.0
    at.pulled[:] = 0.0
    for i in range(len(at.mean)):
        at.covariance[i, i] = 1.0


@njit(cache=True)
def _left(at: _Own, loading: FloatArray, z: FloatArray, found: FloatArray) -> None:
    """What the directions leave of a row's exposures to the shared effects."""
    copied(z, found)
    for i in range(len(loading)):
        own = loading[i]
        if own != 0.0:
            for j in range(len(found)):
                found[j] -= own * at.pulled[i, j]


@njit(cache=True)
def _moved(at: _Own, v: FloatArray, left: FloatArray, pulled: float, scaled: float) -> None:
    for i in range(len(v)):
        at.mean[i] += v[i] * pulled
        by = scaled * v[i]
        for j in range(len(v)):
            at.covariance[i, j] -= by * v[j]
        for j in range(len(left)):
            at.pulled[i, j] += by * left[j]


class _Room(NamedTuple):
    """Where `_seen` puts what it finds, and what it needs for that.

    Parameters
    ----------
    covariance, row : ndarray, shape (r,)
        Of the directions with a row's need; the row's loadings, once its dive's scatter is told. [kg]
    left, other : ndarray, shape (q,)
        Exposures that the directions leave to the shared effects.
    """

    covariance: FloatArray
    row: FloatArray
    left: FloatArray
    other: FloatArray


@njit(cache=True)
def _seen(
    at: _Own,
    n: int,
    loadings: FloatArray,
    z: FloatArray,
    base: FloatArray,
    together: Together,
    precision: FloatArray,
    shift: FloatArray,
    room: _Room,
) -> tuple[float, float]:
    """Mean and variance of a row's need, the shared effects held."""
    _left(at, loadings[n], z[n], room.left)
    if together.following[n] == n:
        own = loadings[n]
        multiply(at.covariance, own, room.covariance)
        return base[n] + dot(own, at.mean), dot(room.covariance, own)
    need, variance = given(together, n, loadings, base, at.mean, precision, shift, room.row)
    multiply(at.covariance, room.row, room.covariance)
    copied(room.left, room.other)
    other = n
    left = np.empty(len(room.left))
    while True:
        if other != n:
            _left(at, loadings[other], z[other], room.other)
        for j in range(len(left)):
            left[j] = (room.left[j] if other == n else left[j]) - variance * precision[other] * room.other[j]
        other = together.following[other]
        if other == n:
            break
    copied(left, room.left)
    return need, dot(room.covariance, room.row) + variance


@njit(cache=True)
def _begun(
    at: _Own,
    loadings: FloatArray,
    z: FloatArray,
    base: FloatArray,
    together: Together,
    precision: FloatArray,
    shift: FloatArray,
    room: _Room,
) -> bool:
    """Take in the sites as they are; whether something proper is left."""
    # What others of the same dive tell of its scatter counts once they are in.
    so_far, shifted = np.zeros(len(base)), np.zeros(len(base))
    for n in range(len(base)):
        need, k = _seen(at, n, loadings, z, base, together, so_far, shifted, room)
        grown = 1 + precision[n] * k
        if not grown > 1e-9:
            return False
        _moved(at, room.covariance, room.left, (shift[n] - precision[n] * need) / grown, precision[n] / grown)
        so_far[n], shifted[n] = precision[n], shift[n]
    return True


@njit(cache=True)
def _own(
    rows: FloatArray,
    base: FloatArray,
    loadings: FloatArray,
    z: FloatArray,
    together: Together,
    precision: FloatArray,
    shift: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Precision and shift of the shared directions that the rows contribute, their posterior held at N(0, I).

    As `leadline.model.solo.share_of`, the sites taken in turn, beginning with those given.
    """
    count, size = loadings.shape
    q = z.shape[1]
    at = _Own(np.empty(size), np.empty((size, size)), np.empty((size, q)))
    room = _Room(np.empty(size), np.empty(size), np.empty(q), np.empty(q))
    left_z = room.left
    seen = np.full(count, math.inf)
    _forgotten(at)
    loosest, part, last = 0.0, 1.0, math.inf
    may = True
    for n in range(count):
        if precision[n] != 0.0:
            # Sites that were settled before, under other hyperparameters, have been as wide as they may be.
            loosest = LOOSEST
    if not _begun(at, loadings, z, base, together, precision, shift, room):
        precision[:] = 0.0
        shift[:] = 0.0
        loosest = 0.0
        _forgotten(at)
    for _ in range(CLOSELY.sweeps):
        left = 0.0
        improper = False
        for n in range(count):
            need, own = _seen(at, n, loadings, z, base, together, precision, shift, room)
            k = max(own + dot(left_z, left_z), 1e-12)
            left = max(left, abs(need - seen[n]) / math.sqrt(k))
            seen[n] = need
            if precision[n] * k > MOST_KNOWN:
                improper = True
                break
            held = 1 / k - precision[n]
            centre = (need / k - shift[n]) / held
            slope, curvature = bent(rows[n], centre, 1 / held)
            wanted, aim = refined(centre, 1 / held, slope, curvature, loosest)
            more = part * (wanted - precision[n])
            grown = 1 + more * own
            if not grown > 1e-9:
                improper = True
                break
            moved = part * (aim - shift[n])
            _moved(at, room.covariance, left_z, (moved - more * need) / grown, more / grown)
            precision[n] += more
            shift[n] += moved
        if improper:
            may, loosest, last = False, 0.0, math.inf
            precision[:] = 0.0
            shift[:] = 0.0
            _forgotten(at)
            continue
        if may and loosest == 0.0 and left < NEAR:
            loosest = LOOSEST
        elif left < CLOSELY.tolerance:
            break
        part = max(0.6 * part, 0.1) if left > 0.9 * last else min(1.0, 1.15 * part)
        last = left
    information = np.zeros((q, q))
    pull = np.zeros(q)
    for n in range(count):
        _seen(at, n, loadings, z, base, together, precision, shift, room)
        unseen = shift[n] - precision[n] * base[n]
        for i in range(q):
            pull[i] += left_z[i] * unseen
            for j in range(q):
                information[i, j] += z[n, i] * precision[n] * left_z[j]
    for i in range(q):
        for j in range(i):
            information[i, j] = information[j, i] = (information[i, j] + information[j, i]) / 2
    return information, pull


@njit(cache=True)
def share_of(
    rows: Rows,
    level: Levels,
    index: IntArray,
    body_variance: float,
    whole: Whole,
    mean: FloatArray,
    precision: FloatArray,
    shift: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """What one diver's rows say about the directions of the shared effects, all others' posterior held.

    Parameters
    ----------
    rows, level : Rows, Levels
        Of the book; one of the hyperparameters.
    index : ndarray of int, shape (n,)
        The diver's rows that the population was fitted to; n >= 1.
    body_variance : float
        Of the diver's offset from physics. [kg²]
    whole : Whole
        Their directions.
    mean : ndarray, shape (q,)
        Posterior of the shared effects that they touch.
    precision, shift : ndarray, shape (n,)
        Sites to begin with, in need; changed to those that were found. [1/kg², 1/kg]

    Returns
    -------
    own, pull : ndarray, shape (q, q), (q,)
        Precision and shift that the rows contribute, at the mean. [-]
    """
    count = len(index)
    alone, following = apart(rows, index)
    spread = math.sqrt(level.diver_variance + level.body_square * body_variance)
    own_loadings = personal(
        level,
        spread,
        rows.suit[index],
        rows.suit_weight[index],
        rows.elapsed[index],
        rows.jumped[index],
    )
    loadings = thin(own_loadings, UNSAID)
    base = np.empty(count)
    for n in range(count):
        base[n] = rows.prior[index[n]] + dot(whole.z[n], mean)
    together = Together(following, level.scatter_variance)
    return _own(of_one(rows, level, index, alone), base, loadings, whole.white, together, precision, shift)


@njit(cache=True)
def faint(own: FloatArray) -> bool:
    """Whether a share is so small that it may stand for the share under any of the hyperparameters."""
    total = 0.0
    for i in range(len(own)):
        total += own[i, i]
    return total < FAINT


@njit(cache=True)
def seen_from(
    whole: Whole, own: FloatArray, pull: FloatArray, mean: FloatArray, at: FloatArray
) -> FloatArray:
    """Shift of the same share where the mean of the shared effects is not `mean` but `at`; shape (q,)."""
    q = len(pull)
    apart, found = np.empty(q), np.empty(q)
    for i in range(q):
        value = at[i] - mean[i]
        for j in range(i):
            value -= whole.factor[i, j] * apart[j]
        apart[i] = value / whole.factor[i, i] if whole.factor[i, i] > 0.0 else 0.0
    multiply(own, apart, found)
    for i in range(q):
        found[i] = pull[i] - found[i]
    return found


@njit(cache=True)
def removed(own: FloatArray) -> FloatArray:
    """How the covariance of the shared effects changes without a faint share: by R grown R', R the reach.

    Parameters
    ----------
    own : ndarray, shape (q, q)
        As from `share_of`.
    """
    left, grown = -own, np.empty(own.shape)
    for i in range(len(own)):
        left[i, i] += 1.0
    cholesky(left)
    inverse(left, grown)
    for i in range(len(own)):
        grown[i, i] -= 1.0
    return grown


@njit(cache=True)
def moved_by(grown: FloatArray, pull: FloatArray, moved: FloatArray) -> None:
    """How the mean changes with it: by R moved; shapes (q, q), (q,), (q,)."""
    multiply(grown, pull, moved)
    for i in range(len(pull)):
        moved[i] = -(moved[i] + pull[i])


@njit(cache=True)
def taken_out(
    whole: Whole, own: FloatArray, pulls: FloatArray, mean: FloatArray, grown: FloatArray, moved: FloatArray
) -> None:
    """The same for a share of any size, of which no more is taken out than others leave of the prior.

    Parameters
    ----------
    whole : Whole
        Directions of the shared effects.
    own : ndarray, shape (q, q)
        As from `share_of`, at the mode.
    pulls, mean : ndarray, shape (g, q), (g or more, q)
        As from `share_of`, and of the shared effects with the share, under each hyperparameter.
    grown, moved : ndarray, shape (q, q), (g, q)
        Filled.

    Notes
    -----
    As `leadline.model.people.Population.without`: in the shared effects themselves, whose prior is N(0, I).
    """
    q = len(own)
    back = np.zeros((q, q))  # of the lower factor
    for column in range(q):
        for i in range(column, q):
            entry = 1.0 if i == column else 0.0
            for k in range(column, i):
                entry -= whole.factor[i, k] * back[k, column]
            back[i, column] = entry / whole.factor[i, i] if whole.factor[i, i] > 0.0 else 0.0
    left = -own
    for i in range(q):
        left[i, i] += 1.0
    value, axes = np.linalg.eigh(back.T @ (left @ back))
    inside = back @ axes
    others = np.maximum(value - 1.0, 0.0)
    shift = np.empty(q)
    for n in range(len(pulls)):
        for i in range(q):
            along = against = 0.0
            for j in range(q):
                along += axes[j, i] * mean[n, j]
                against += inside[j, i] * pulls[n, j]
            most = MOST_MOVED * math.sqrt(others[i])
            there = (value[i] * along - against) / (1.0 + others[i])
            shift[i] = min(max(there, -most), most) - along
        for i in range(q):
            moved[n, i] = dot(inside[i], shift)
    for i in range(q):
        for j in range(i + 1):
            total = -1.0 if i == j else 0.0
            for k in range(q):
                total += inside[i, k] * inside[j, k] / (1.0 + others[k])
            grown[i, j] = grown[j, i] = total
