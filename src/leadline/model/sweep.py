"""Compiled sweeps of expectation propagation: each diver a small dense problem, divers summed in chunks."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from leadline.model.elimination import Local, Terms, eliminate, exposures, gathered, local, moments
from leadline.model.layout import Layout
from leadline.model.row import Levels, tilted
from leadline.model.small_matrix import cholesky, outer

__all__ = ["NEAR", "NEVER", "Pace", "sweep"]

FloatArray = NDArray[np.float64]

LOOSEST: Final = -0.7
"""Least precision of a site against its cavity's: a mixture of right and wrong records may be wider. [-]"""

MOST_TAKEN: Final = 0.6
"""Most that one diver's wide sites may take from the precision of beta, whose prior has 1. [-]"""

MOST_KNOWN: Final = 1 - 1e-6
"""Share of what is known of a row that may be its own site. [-]"""

NEVER: Final = 1.0
"""Mark of a diver whose sites must not be wider than their cavities."""

NEAR: Final = 0.02
SLOW: Final = 0.06
"""Change still to come at which a diver's sites may become wider than their cavities, and the pace at which
that is taken back for good: such sites can chase each other. [-, -]"""


class Pace(NamedTuple):
    """How fast each diver's sites move, how far they have to go, how wide they may be; shape (d,)."""

    part: FloatArray
    last: FloatArray
    loosest: FloatArray


@njit(cache=True)
def _refined(
    mean: float, variance: float, slope: float, curvature: float, loosest: float
) -> tuple[float, float]:
    """Site whose product with the cavity has the exact mean and, within limits, the exact variance."""
    kept = max(1 + variance * curvature, 1e-9)
    precision = max(-curvature / kept, loosest / variance)
    return precision, (1 / variance + precision) * (mean + variance * slope) - mean / variance


@njit(cache=True)
def _update(lay: Layout, level: Levels, d: int, terms: Terms, part: float, loosest: float) -> None:
    """Move the diver's sites towards the refined ones."""
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        alone = high - low == 1
        for n in range(low, high):
            held = max(1 / terms.variance[n] - terms.precision[n], 1e-10)
            mean = (terms.need[n] / terms.variance[n] - terms.shift[n]) / held
            _, slope, curvature = tilted(lay, level, n, alone, mean, 1 / held)
            precision, shift = _refined(mean, 1 / held, slope, curvature, loosest)
            terms.precision[n] += part * (precision - terms.precision[n])
            terms.shift[n] += part * (shift - terms.shift[n])


@njit(cache=True)
def _moved(lay: Layout, level: Levels, d: int, terms: Terms, need: FloatArray, variance: FloatArray) -> float:
    """Greatest change of a row since: of its mean, in its sd, or of the width it shows with its noise."""
    begin, end = lay.occasion_first[lay.diver_occasion[d]], lay.occasion_first[lay.diver_occasion[d + 1]]
    most = 0.0
    for n in range(begin, end):
        mean = abs(terms.need[n] - need[n - begin]) / math.sqrt(terms.variance[n])
        noise = lay.reading_variance[n] + level.scatter_variance
        wide = 0.5 * abs(terms.variance[n] - variance[n - begin]) / (terms.variance[n] + noise)
        most = max(most, mean, wide)
    return most


@njit(cache=True)
def _reduce(at: Local) -> bool:
    """Precision of beta once the scalars are gone; whether it takes little away in any direction."""
    for k in range(at.factor.shape[0]):
        outer(at.shared, -1.0, at.coupling[k], at.solved[k])
    matrix = at.shared.copy()
    for j in range(len(matrix)):
        matrix[j, j] += MOST_TAKEN
    return not math.isnan(cholesky(matrix))


@njit(cache=True)
def _share(lay: Layout, d: int, at: Local, precision: FloatArray, shift: FloatArray) -> None:
    """Add what the diver says of beta."""
    support = lay.support[lay.support_first[d] : lay.support_first[d + 1]]
    columns, scalars = len(support), at.factor.shape[0]
    for i in range(columns):
        pulled = at.column_shift[i]
        for k in range(scalars):
            pulled -= at.solved[k, i] * at.scalar_shift[k]
        shift[support[i]] += pulled
        for j in range(columns):
            precision[support[i], support[j]] += at.shared[i, j]


@njit(cache=True)
def _tighten(terms: Terms, pace: Pace, d: int, begin: int, end: int) -> None:
    """No site wider than its cavity any more: together they can leave nothing to stand on."""
    pace.loosest[d] = NEVER
    for n in range(begin, end):
        terms.precision[n] = max(terms.precision[n], 0.0)


@njit(cache=True)
def _improper(terms: Terms, begin: int, end: int) -> bool:
    """Whether some row has nothing proper left once its own site is taken out."""
    known = 0.0
    for n in range(begin, end):
        known = max(known, terms.precision[n] * terms.variance[n])
    return known > MOST_KNOWN


@njit(cache=True)
def _refine(
    lay: Layout,
    level: Levels,
    d: int,
    terms: Terms,
    pace: Pace,
    mean: FloatArray,
    covariance: FloatArray,
    damping: float,
    rounds: int,
    enough: float,
    precision: FloatArray,
    shift: FloatArray,
) -> None:
    """Refine one diver's sites and add what they say of beta."""
    z = exposures(lay, d)
    scalars = lay.knot_first[d + 1] - lay.knot_first[d] + lay.suits[d]
    at = local(scalars, z.shape[1])
    own, square = gathered(lay, d, mean, covariance)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    last = math.inf
    for turn in range(rounds):
        need, variance = (
            terms.need[begin : begin + len(z)].copy(),
            terms.variance[begin : begin + len(z)].copy(),
        )
        if math.isnan(eliminate(lay, level, d, z, at, terms, False)):
            _tighten(terms, pace, d, begin, begin + len(z))
            eliminate(lay, level, d, z, at, terms, False)
        moments(lay, level, d, z, at, terms, own, square)
        if pace.loosest[d] < 0.0 and _improper(terms, begin, begin + len(z)):
            _tighten(terms, pace, d, begin, begin + len(z))
            continue
        left = _moved(lay, level, d, terms, need, variance)
        if turn == 0:
            # What the last refinement and the other divers have moved since.
            left /= pace.part[d]
            if rounds == 1:
                part = 0.6 * pace.part[d] if left > pace.last[d] else 1.15 * pace.part[d]
                pace.part[d] = max(part, 0.05)
            pace.last[d] = left
            pace.part[d] = min(pace.part[d], damping)
        else:
            left /= pace.part[d]
            part = 0.6 * pace.part[d] if left > last else 1.15 * pace.part[d]
            # Contradictory records can chase each other for ever at any fixed pace.
            pace.part[d] = min(max(part, 0.05), damping)
            if pace.loosest[d] == 0.0 and left < NEAR:
                pace.loosest[d] = LOOSEST
            elif left < enough:
                break
            elif pace.loosest[d] < 0.0 and pace.part[d] < SLOW:
                pace.loosest[d] = NEVER
            last = left
        _update(lay, level, d, terms, pace.part[d], min(pace.loosest[d], 0.0))
    lost = math.isnan(eliminate(lay, level, d, z, at, terms, True))
    if lost or not _reduce(at):
        _tighten(terms, pace, d, begin, begin + len(z))
        eliminate(lay, level, d, z, at, terms, True)
        _reduce(at)
    _share(lay, d, at, precision, shift)


@njit(cache=True, nogil=True)
def sweep(
    lay: Layout,
    level: Levels,
    terms: Terms,
    pace: Pace,
    mean: FloatArray,
    covariance: FloatArray,
    damping: float,
    rounds: int,
    enough: float,
    precision: FloatArray,
    shift: FloatArray,
    first: int,
    last: int,
) -> None:
    """Refine the sites of the rows of some chunks, then sum what they say of beta.

    Parameters
    ----------
    lay, level : Layout, Levels
        Records and hyperparameters.
    terms, pace : Terms, Pace
        Changed in place.
    mean, covariance : ndarray, shape (p,), (p, p)
        Posterior of beta for the sites as they are.
    damping : float
        Bound on every diver's pace. [-]
    rounds : int
        Refinements of each diver with beta held; 0 only sums.
    enough : float
        Change of a row's mean, in its sd, at which they may end. [-]
    precision, shift : ndarray, shape (chunks, p, p), (chunks, p)
        Filled chunk by chunk.
    first, last : int
        Chunks; other threads may have the others at work.
    """
    for chunk in range(first, last):
        precision[chunk] = 0.0
        shift[chunk] = 0.0
        for d in range(lay.chunk_first[chunk], lay.chunk_first[chunk + 1]):
            _refine(
                lay,
                level,
                d,
                terms,
                pace,
                mean,
                covariance,
                damping,
                rounds,
                enough,
                precision[chunk],
                shift[chunk],
            )
