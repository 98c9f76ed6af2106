"""Compiled: what one diver's rows contribute to the shared effects that they were fitted with."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from leadline.model.layout import Rows
from leadline.model.people import MOST_SHARE
from leadline.model.row import Levels, refined, tilted
from leadline.model.small_matrix import cholesky, dot, form
from leadline.model.solo import LOOSEST, MOST_KNOWN, NEAR, TOLERANCE

__all__ = ["columns_of", "personal", "removed"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SWEEPS: Final = 60
"""At most: sites that are taken in turn settle in fewer than those taken all at once. [-]"""


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
def personal(
    level: Levels,
    spread: float,
    suit: IntArray,
    weight: FloatArray,
    occasion: IntArray,
    elapsed: FloatArray,
    jumped: FloatArray,
    first: int,
) -> FloatArray:
    """Loadings on one diver's own independent directions, after `first` columns that are left at 0.

    Parameters
    ----------
    level : Levels
        One of the hyperparameters.
    spread : float
        Prior sd of the diver's offset. [kg]
    suit, weight : ndarray, shape (n,)
        Key of the suit, and its weight. [-, kg]
    occasion : ndarray of int, shape (n,)
        Key of an occasion that rows share; negative for those that are alone.
    elapsed, jumped : ndarray, shape (n,)
        As in `leadline.model.observations.Observations`.
    first : int
        Columns for what is shared.

    Returns
    -------
    ndarray, shape (n, first + r)
        As `leadline.model.people.personal_loadings`. [kg]
    """
    count = len(suit)
    worn, suits = _places(suit)
    when = elapsed + jumped
    order = np.argsort(when)
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
    together, occasions = _places(occasion)
    alone = -1
    for n in range(count):
        if occasion[n] < 0:
            alone = together[n]
            break
    found = np.zeros((count, first + 1 + steps + suits + occasions))
    factor, scatter = math.sqrt(level.suit_variance), math.sqrt(level.scatter_variance)
    for n in range(count):
        found[n, first] = spread
        for k in range(step[n]):
            found[n, first + 1 + k] = size[k]
        found[n, first + 1 + steps + worn[n]] = weight[n] * factor
        if together[n] != alone:
            found[n, first + 1 + steps + suits + together[n]] = scatter
    # Columns that are nowhere used: the suit that does not weigh, the mark of those that are alone.
    kept = np.empty(found.shape[1], np.int64)
    used = 0
    for j in range(found.shape[1]):
        if j < first:
            kept[used] = j
            used += 1
            continue
        for n in range(count):
            if found[n, j] != 0.0:
                kept[used] = j
                used += 1
                break
    return np.ascontiguousarray(found[:, kept[:used]])


@njit(cache=True)
def _own(
    rows: Rows,
    level: Levels,
    index: IntArray,
    alone: NDArray[np.bool_],
    loadings: FloatArray,
    z: FloatArray,
    mean: FloatArray,
    covariance: FloatArray,
    precision: FloatArray,
    shift: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Natural parameters of beta that the rows contribute, the posterior of beta held.

    As `leadline.model.solo.share_of`, the sites taken in turn.
    """
    count, size = loadings.shape
    q = z.shape[1]
    c = np.eye(size)
    a = np.zeros(size)  # with beta at its mean
    g = np.zeros((size, q))  # how far the directions take a unit of beta upon themselves
    v = np.empty(size)
    left_z = np.empty(q)
    base = np.empty(count)
    seen = np.full(count, math.inf)
    for n in range(count):
        base[n] = rows.prior[index[n]] + dot(z[n], mean)
        precision[n] = shift[n] = 0.0
    loosest, part, last = 0.0, 1.0, math.inf
    may = True
    for _ in range(SWEEPS):
        left = 0.0
        improper = False
        for n in range(count):
            f = loadings[n]
            for j in range(size):
                v[j] = dot(c[j], f)
            for j in range(q):
                pulled = z[n, j]
                for i in range(size):
                    pulled -= f[i] * g[i, j]
                left_z[j] = pulled
            own = dot(v, f)
            k = max(own + form(covariance, left_z), 1e-12)
            need = base[n] + dot(f, a)
            left = max(left, abs(need - seen[n]) / math.sqrt(k))
            seen[n] = need
            if precision[n] * k > MOST_KNOWN:
                improper = True
                break
            held = 1 / k - precision[n]
            centre = (need / k - shift[n]) / held
            _, slope, curvature = tilted(rows, level, index[n], alone[n], centre, 1 / held)
            wanted, aim = refined(centre, 1 / held, slope, curvature, loosest)
            more = part * (wanted - precision[n])
            grown = 1 + more * own
            if not grown > 1e-9:
                improper = True
                break
            moved = part * (aim - shift[n])
            pulled = (moved - more * need) / grown
            scaled = more / grown
            for i in range(size):
                a[i] += v[i] * pulled
                by = scaled * v[i]
                for j in range(size):
                    c[i, j] -= by * v[j]
                for j in range(q):
                    g[i, j] += by * left_z[j]
            precision[n] += more
            shift[n] += moved
        if improper:
            may, loosest, last = False, 0.0, math.inf
            c[:] = 0.0
            a[:] = 0.0
            g[:] = 0.0
            for i in range(size):
                c[i, i] = 1.0
            for n in range(count):
                precision[n] = shift[n] = 0.0
            continue
        if may and loosest == 0.0 and left < NEAR:
            loosest = LOOSEST
        elif left < TOLERANCE:
            break
        part = max(0.6 * part, 0.1) if left > 0.9 * last else min(1.0, 1.15 * part)
        last = left
    information = np.zeros((q, q))
    pull = np.zeros(q)
    for n in range(count):
        for j in range(q):
            pulled = z[n, j]
            for i in range(size):
                pulled -= loadings[n, i] * g[i, j]
            left_z[j] = pulled
        unseen = shift[n] - precision[n] * rows.prior[index[n]]
        for i in range(q):
            pull[i] += left_z[i] * unseen
            for j in range(q):
                information[i, j] += z[n, i] * precision[n] * left_z[j]
    return (information + information.T) / 2, pull


@njit(cache=True)
def _part(inner: FloatArray, own: FloatArray) -> float:
    """Largest part of a share that leaves a sound precision."""
    root = np.linalg.cholesky(inner)
    share = root.T @ own @ root
    trial = np.eye(len(own)) * MOST_SHARE - share
    if not math.isnan(cholesky(trial)):
        return 1.0
    largest: float = np.linalg.eigvalsh(share)[-1]
    return min(1.0, MOST_SHARE / max(largest, 1e-12))


@njit(cache=True)
def removed(
    rows: Rows,
    level: Levels,
    index: IntArray,
    body_variance: float,
    columns: IntArray,
    mean: FloatArray,
    covariance: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """How the posterior of beta changes when one diver's rows are taken out.

    Parameters
    ----------
    rows, level : Rows, Levels
        Of the book; one of the hyperparameters.
    index : ndarray of int, shape (n,)
        The diver's rows that the population was fitted to; n >= 1.
    body_variance : float
        Of the diver's offset from physics. [kg²]
    columns : ndarray of int, shape (q,)
        Shared effects that they touch.
    mean, covariance : ndarray, shape (p,), (p, p)
        Posterior of beta.

    Returns
    -------
    grown, moved : ndarray, shape (q, q), (q,)
        The covariance grows by C grown C' and the mean by C moved, C the covariance with `columns`.
    """
    count, q = len(index), len(columns)
    z = np.empty((count, q))
    own_mean, inner = np.empty(q), np.empty((q, q))
    for i in range(q):
        own_mean[i] = mean[columns[i]]
        for j in range(q):
            inner[i, j] = covariance[columns[i], columns[j]]
        for n in range(count):
            z[n, i] = rows.exposure[index[n], columns[i]]
    alone, shared = apart(rows, index)
    spread = math.sqrt(level.diver_variance + level.body_square * body_variance)
    loadings = personal(
        level,
        spread,
        rows.suit[index],
        rows.suit_weight[index],
        shared,
        rows.elapsed[index],
        rows.jumped[index],
        0,
    )
    precision, shift = np.empty(count), np.empty(count)
    own, pull = _own(rows, level, index, alone, loadings, z, own_mean, inner, precision, shift)
    part = _part(inner, own)
    own *= part
    pull *= part
    inverse = np.linalg.inv(np.eye(q) - own @ inner)
    return inverse @ own, inverse @ (own @ own_mean - pull)


@njit(cache=True)
def apart(rows: Rows, index: IntArray) -> tuple[NDArray[np.bool_], IntArray]:
    """Whether each row is alone in its occasion, and the occasion's key where it is not, else -1."""
    count = len(index)
    alone = np.ones(count, np.bool_)
    for n in range(count):
        for k in range(n):
            if rows.occasion[index[k]] == rows.occasion[index[n]]:
                alone[n] = alone[k] = False
    shared = np.empty(count, np.int64)
    for n in range(count):
        shared[n] = -1 if alone[n] else rows.occasion[index[n]]
    return alone, shared
