"""Compiled answers for one diver of many: the same steps as `leadline.model.diver`, number by number."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.crowd_density import evidence_of, grid, weights_of
from leadline.model.crowd_given import through_anchor
from leadline.model.crowd_problem import Posed, posed_of, settled_of
from leadline.model.grid import FINE
from leadline.model.jobs import Jobs
from leadline.model.layout import Rows
from leadline.model.row import Levels, ahead, unpacked
from leadline.model.sharing import columns_of
from leadline.model.small_array import evenly, probabilities
from leadline.model.small_matrix import dot
from leadline.model.whole import Whole, covariance_without, mean_without, whole_of
from leadline.model.withdrawal import faint, moved_by, removed, seen_from, share_of, taken_out

__all__ = ["MOST_POINTS", "answer"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_POINTS: Final = 4 * FINE
UNSEEN: Final = 121
"""Points of a density, at most, and where nothing was seen. [-]"""


@njit(cache=True)
def _mixed(shares: FloatArray, points: FloatArray, weights: FloatArray, found: FloatArray) -> int:
    """Points and their probabilities over all hyperparameters, into `found`; their number."""
    for u in range(len(points)):
        found[0, u] = points[u]
        total = 0.0
        for k in range(len(shares)):
            total += shares[k] * weights[k, u]
        found[1, u] = total
    return len(points)


@njit(cache=True)
def _unseen(
    posed: Posed,
    shares: FloatArray,
    levels: list[Levels],
    low: int,
    high: int,
    found: FloatArray,
    sizes: IntArray,
    scatter: FloatArray,
) -> None:
    """Needs of a diver of whom nothing was seen: the prior."""
    g = len(levels)
    spread = 0.0
    for k in range(g):
        spread += shares[k] * ahead(levels[k])
    for target in range(high - low):
        width = np.empty(g)
        for k in range(g):
            f = posed.loadings[k][target]
            width[k] = math.sqrt(dot(f, f))
        first, last = math.inf, -math.inf
        for k in range(g):
            centre = posed.mean[k, target]
            first, last = min(first, centre - 5 * width[k]), max(last, centre + 5 * width[k])
        points = evenly(first, last, UNSEEN)
        logs = np.empty((g, UNSEEN))
        for k in range(g):
            for u in range(UNSEEN):
                logs[k, u] = -0.5 * ((points[u] - posed.mean[k, target]) / width[k]) ** 2
        sizes[low + target] = _mixed(shares, points, weights_of(points, logs), found[low + target])
        scatter[low + target] = math.sqrt(spread)


@njit(cache=True)
def _alike(jobs: Jobs, one: int, other: int) -> bool:
    """Whether the share of the same rows is to be taken out for both."""
    mine = jobs.seen[jobs.seen_first[one] : jobs.seen_first[one + 1]]
    theirs = jobs.seen[jobs.seen_first[other] : jobs.seen_first[other + 1]]
    return len(mine) == len(theirs) and bool((mine == theirs).all())


@njit(cache=True)
def _taken_out(
    full: Rows, levels: list[Levels], seen: IntArray, variance: float, whole: Whole, mean: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How covariance and mean of the shared effects change without some rows; shapes (q, q), (g, q).

    Of `levels` and `mean`, g + 1 each, the last is the mode: the covariance holds the share as it is there.
    Of a faint share there is one for all hyperparameters.
    """
    last, q = len(mean) - 1, mean.shape[1]
    moved, pulls = np.empty((last, q)), np.empty((last, q))
    precision, shift = np.zeros(len(seen)), np.zeros(len(seen))
    own, pull = share_of(full, levels[last], seen, variance, whole, mean[last], precision, shift)
    if faint(own):
        grown = removed(own)
        for k in range(last):
            moved_by(grown, seen_from(whole, own, pull, mean[last], mean[k]), moved[k])
        return grown, moved
    for k in range(last):
        # The sites found under one of the hyperparameters are near to those under the next.
        _, pulls[k] = share_of(full, levels[k], seen, variance, whole, mean[k], precision, shift)
    grown = np.empty((q, q))
    taken_out(whole, own, pulls, mean, grown, moved)
    return grown, moved


@njit(cache=True)
def _without(
    whole: Whole,
    grown: FloatArray,
    moved: FloatArray,
    columns: IntArray,
    mean: FloatArray,
    covariance: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of some columns when all that is taken out; shapes (g, q), (1, q, q)."""
    g, q = len(moved), len(columns)
    means, covariances = np.empty((g, q)), np.empty((1, q, q))
    for k in range(g):
        for i in range(q):
            means[k, i] = mean[k, columns[i]]
        if len(whole.z):
            mean_without(whole, moved[k], means[k])
    for i in range(q):
        for j in range(q):
            covariances[0, i, j] = covariance[columns[i], columns[j]]
    if len(whole.z):
        covariance_without(whole, grown, covariances[0])
    return means, covariances


@njit(cache=True, nogil=True)
def answer(
    rows: Rows,
    full: Rows,
    learned: tuple[FloatArray, FloatArray],
    trusted: tuple[FloatArray, FloatArray],
    mean: FloatArray,
    covariance: FloatArray,
    weights: FloatArray,
    jobs: Jobs,
    error: float,
    found: FloatArray,
    sizes: IntArray,
    scatter: FloatArray,
    first: int,
    last: int,
) -> None:
    """Posteriors of the needs of some jobs.

    Parameters
    ----------
    rows, full : Rows
        Evidence as answers read it, and as the population was fitted to it.
    learned, trusted : tuple of ndarray
        Hyperparameters of the population and of answers, as `packed` gives them; of the population g + 1, the
        last those at the mode.
    mean, covariance : ndarray, shape (g + 1, p), (p, p)
        Shared effects.
    weights : ndarray, shape (g,)
        Of the hyperparameters.
    jobs : Jobs
        What is asked.
    error : float
        Sd of the error that all records of a diver have in common. [kg]
    found : ndarray, shape (t, 2, MOST_POINTS)
        Filled: points and probabilities of each need. [kg, -]
    sizes, scatter : ndarray, shape (t,)
        Filled: number of points, -1 where it has to be asked by itself; dive-to-dive scatter. [-, kg]
    first, last : int
        Jobs; other threads may have the others at work.
    """
    levels, cautious = unpacked(*learned), unpacked(*trusted)
    g = len(cautious)
    grown, moved = np.empty((0, 0)), np.empty((g, 0))
    for job in range(first, last):
        low, high = jobs.target_first[job], jobs.target_first[job + 1]
        index = jobs.row[jobs.row_first[job] : jobs.row_first[job + 1]]
        known = jobs.known[jobs.row_first[job] : jobs.row_first[job + 1]]
        seen = jobs.seen[jobs.seen_first[job] : jobs.seen_first[job + 1]]
        columns = columns_of(rows, index, jobs.exposure[low:high])
        theirs = columns_of(full, seen, jobs.exposure[:0])
        whole = whole_of(full, seen, theirs, columns, covariance)
        # Several questions about one diver follow one another; the diver's share is the same for all.
        if job == first or not _alike(jobs, job - 1, job):
            grown, moved = np.empty((0, 0)), np.empty((g, 0))
            if len(theirs):
                grown, moved = _taken_out(full, levels, seen, jobs.seen_variance[job], whole, mean[:, theirs])
        means, covariances = _without(whole, grown, moved, columns, mean, covariance)
        posed = posed_of(rows, cautious, jobs, job, index, low, high, columns, means, covariances, error)
        shares = weights.copy()
        if not len(index):
            _unseen(posed, shares, cautious, low, high, found, sizes, scatter)
            continue
        settled = settled_of(posed)
        t = high - low
        all_known = bool(known.all())
        points, logs, sound = np.empty(0), np.empty((0, 0)), True
        if settled.apart[:t].any() or not all_known:
            points, logs, sound = grid(posed, settled, t)
            if not all_known:
                news = evidence_of(points, logs)
                if known.any():
                    part = index[known]
                    before = posed_of(
                        rows, cautious, jobs, job, part, low, low, columns, means, covariances, error
                    )
                    so_far = settled_of(before)
                    old_points, old_logs, held = grid(before, so_far, so_far.centre.shape[1] - 1)
                    news -= evidence_of(old_points, old_logs)
                    sound = sound and held
                probabilities(news, weights, shares)
        spread = 0.0
        for k in range(g):
            spread += shares[k] * ahead(cautious[k])
        for target in range(t):
            if settled.apart[target]:
                of_anchor = weights_of(points, logs)
                likeliest = int(np.argmax(shares))
                own, density, held = through_anchor(posed, settled, target, points, of_anchor, likeliest)
            else:
                own, density, held = grid(posed, settled, target)
            size = _mixed(shares, own, weights_of(own, density), found[low + target])
            sizes[low + target] = size if sound and held else -1
            scatter[low + target] = math.sqrt(spread)
