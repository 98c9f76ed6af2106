"""Compiled: one diver of many as a problem of few dimensions, posed and settled under all hyperparameters."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.diver import ALIKE
from leadline.model.jobs import Jobs
from leadline.model.layout import Rows
from leadline.model.prepared import of_one
from leadline.model.row import Levels
from leadline.model.sequel import CLOSELY, Latent, Together, given, latent, settle
from leadline.model.sharing import UNSAID, apart, personal
from leadline.model.small_array import copied
from leadline.model.small_matrix import dot, multiply, root, thin

__all__ = ["Found", "Posed", "posed_of", "settled_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Posed(NamedTuple):
    """Prepared rows and expected needs of n rows and t targets, mean + loadings · x; by hyperparameters.

    Rows of one dive have its scatter besides.
    """

    mean: FloatArray
    loadings: list[FloatArray]
    rows: list[FloatArray]
    together: list[Together]


class Found(NamedTuple):
    """Settled posterior under g hyperparameters; directions are the targets and last the anchor."""

    states: list[Latent]
    mass: FloatArray
    start: FloatArray
    start_sd: FloatArray
    centre: FloatArray
    sd: FloatArray
    cross: FloatArray
    with_anchor: FloatArray
    apart: NDArray[np.bool_]
    anchor: int


@njit(cache=True)
def posed_of(
    rows: Rows,
    levels: list[Levels],
    jobs: Jobs,
    job: int,
    index: IntArray,
    low: int,
    high: int,
    columns: IntArray,
    means: FloatArray,
    covariances: FloatArray,
    error: float,
) -> Posed:
    """Prior of rows and targets; means (g, q) and covariances (g, q, q) of the touched columns.

    One covariance, shape (1, q, q), serves all hyperparameters. The rows share an `error` of that sd. [kg]
    """
    n, t, q, g = len(index), high - low, len(columns), len(levels)
    z = np.empty((n + t, q))
    prior = np.empty(n + t)
    suit = np.empty(n + t, np.int64)
    weight, elapsed, jumped = np.empty(n + t), np.empty(n + t), np.empty(n + t)
    alone, following = apart(rows, index)
    first_time = first_jump = math.inf
    for i in range(n):
        at = index[i]
        prior[i], suit[i], weight[i] = rows.prior[at], rows.suit[at], rows.suit_weight[at]
        elapsed[i], jumped[i] = rows.elapsed[at], rows.jumped[at]
        first_time, first_jump = min(first_time, elapsed[i]), min(first_jump, jumped[i])
        for j in range(q):
            z[i, j] = rows.exposure[at, columns[j]]
    for i in range(t):
        at = low + i
        prior[n + i], suit[n + i], weight[n + i] = jobs.prior[at], jobs.suit[at], jobs.suit_weight[at]
        # The offset is pinned where the records begin: nothing is said of how it got there. Without records
        # that is at each target.
        elapsed[n + i] = max(jobs.elapsed[at], first_time) if n else 0.0
        jumped[n + i] = max(jobs.jumped[at], first_jump) if n else 0.0
        for j in range(q):
            z[n + i, j] = jobs.exposure[at, columns[j]]
    mean, common = np.empty((g, n + t)), np.empty((n + t, q))
    loadings, prepared, together = [], [], []
    for k in range(g):
        spread = math.sqrt(levels[k].diver_variance + levels[k].body_square * jobs.body_variance[job])
        own = personal(levels[k], spread, suit, weight, elapsed, jumped)
        whole = np.empty((n + t, q + own.shape[1] + 1))
        for i in range(n + t):
            for j in range(own.shape[1]):
                whole[i, q + j] = own[i, j]
            whole[i, q + own.shape[1]] = error if i < n else 0.0
        if k < len(covariances):
            half = root(covariances[k])
            for i in range(n + t):
                multiply(half, z[i], common[i])
        for i in range(n + t):
            mean[k, i] = prior[i] + dot(z[i], means[k])
            for j in range(q):
                whole[i, j] = common[i, j]
        loadings.append(thin(whole, UNSAID))
        prepared.append(of_one(rows, levels[k], index, alone))
        together.append(Together(following, levels[k].scatter_variance))
    return Posed(mean, loadings, prepared, together)


@njit(cache=True)
def settled_of(posed: Posed) -> Found:
    """Sites of the rows under all hyperparameters, and what follows for targets and anchor."""
    g, n = len(posed.rows), len(posed.rows[0])
    t = posed.mean.shape[1] - n
    states: list[Latent] = []
    mass = np.empty(g)
    for k in range(g):
        f = posed.loadings[k]
        state = latent(n, f.shape[1])
        if k:
            copied(states[0].precision, state.precision)
            copied(states[0].shift, state.shift)
        mass[k], _, _, _ = settle(posed.rows[k], f[:n], posed.mean[k, :n], posed.together[k], state, CLOSELY)
        states.append(state)
    length = np.empty((g, n + t))
    for k in range(g):
        for i in range(n + t):
            length[k, i] = math.sqrt(max(dot(posed.loadings[k][i], posed.loadings[k][i]), 1e-24))
    told, weight = np.zeros(n), np.zeros(n)
    for j in range(n):
        for k in range(g):
            weight[j] += abs(states[k].precision[j]) * length[k, j] ** 2 / g
    f = posed.loadings[0]
    for i in range(n):
        for j in range(n):
            alike = dot(f[i], f[j]) / (length[0, i] * length[0, j])
            told[i] += alike * alike * weight[j]
    anchor = int(np.argmax(told))
    start, start_sd = np.empty((g, t + 1)), np.empty((g, t + 1))
    centre, sd = np.empty((g, t + 1)), np.empty((g, t + 1))
    cross, with_anchor = np.empty((g, t + 1, n)), np.empty((g, t + 1))
    near = np.full(t + 1, -1.0)
    for d in range(t + 1):
        at = anchor if d == t else n + d
        for i in range(n):
            alike = 0.0
            for k in range(g):
                f = posed.loadings[k]
                alike += dot(f[at], f[i]) / (length[k, at] * length[k, i]) / g
            near[d] = max(near[d], alike)
        for k in range(g):
            f = posed.loadings[k]
            v, row = np.empty(f.shape[1]), np.empty(f.shape[1])
            for j in range(len(v)):
                v[j] = dot(states[k].covariance[j], f[at])
            start[k, d], start_sd[k, d] = posed.mean[k, at], length[k, at]
            centre[k, d] = posed.mean[k, at] + dot(f[at], states[k].mean)
            sd[k, d] = math.sqrt(max(dot(v, f[at]), 1e-12))
            for i in range(n):
                if posed.together[k].following[i] == i:
                    cross[k, d, i] = dot(f[i], v)
                    continue
                s = states[k]
                given(posed.together[k], i, f[:n], posed.mean[k, :n], s.mean, s.precision, s.shift, row)
                cross[k, d, i] = dot(row, v)
            with_anchor[k, d] = dot(f[anchor], v)
    return Found(states, mass, start, start_sd, centre, sd, cross, with_anchor, near < ALIKE, anchor)
