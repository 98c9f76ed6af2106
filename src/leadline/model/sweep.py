"""Compiled sweeps of expectation propagation: each diver a small dense problem, divers summed in chunks."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.coupling import couple, reach
from leadline.model.elimination import (
    Local,
    Terms,
    eliminate,
    expected,
    exposures,
    gathered,
    local,
    moments,
)
from leadline.model.layout import Layout
from leadline.model.prepared import L0, SURE, site
from leadline.model.row import Levels
from leadline.model.small_matrix import cholesky

__all__ = ["LOOSEST", "NEAR", "NEVER", "Pace", "finish", "sweep"]

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

LATE_ROUNDS: Final = 200
"""Refinements of a diver who settles after all others. [-]"""

STILL: Final = 0.2
LITTLE: Final = 0.02
"""Change still to come from which, and share of what a row's site knows from which, what beta adds to a row
is reckoned anew with every refinement. [-, -]"""


class Pace(NamedTuple):
    """How each diver's sites move; shape (d,).

    Parameters
    ----------
    part : ndarray
        Share of the refined sites in the next blend.
    last, inner : ndarray
        Change still to come before the last sweep, and with beta held after it.
    loosest : ndarray
        Least precision of a site against its cavity's, or `NEVER`.
    """

    part: FloatArray
    last: FloatArray
    inner: FloatArray
    loosest: FloatArray


@njit(cache=True)
def _update(rows: FloatArray, terms: Terms, begin: int, end: int, part: float, loosest: float) -> None:
    """Move the diver's sites towards the refined ones."""
    for n in range(begin, end):
        held = max(1 / terms.variance[n] - terms.precision[n], 1e-10)
        mean = (terms.need[n] / terms.variance[n] - terms.shift[n]) / held
        precision, shift = site(rows[n], mean, 1 / held, loosest)
        if rows[n, L0] == SURE:
            terms.precision[n], terms.shift[n] = precision, shift
            continue
        terms.precision[n] += part * (precision - terms.precision[n])
        terms.shift[n] += part * (shift - terms.shift[n])


@njit(cache=True)
def _moved(
    lay: Layout, level: Levels, terms: Terms, begin: int, end: int, need: FloatArray, variance: FloatArray
) -> float:
    """Greatest change of a row since: of its mean, in its sd, or of the width it shows with its noise."""
    most = 0.0
    for n in range(begin, end):
        mean = abs(terms.need[n] - need[n - begin]) / math.sqrt(terms.variance[n])
        noise = lay.reading_variance[n] + level.scatter_variance
        wide = 0.5 * abs(terms.variance[n] - variance[n - begin]) / (terms.variance[n] + noise)
        most = max(most, mean, wide)
    return most


@njit(cache=True)
def _takes_little(at: Local) -> bool:
    """Whether the diver's wide sites take little away from beta in any direction."""
    matrix = at.shared.copy()
    for j in range(len(matrix)):
        matrix[j, j] += MOST_TAKEN
    return not math.isnan(cholesky(matrix))


@njit(cache=True)
def _share(lay: Layout, d: int, at: Local, precision: FloatArray, shift: FloatArray) -> None:
    """Add what the diver says of beta."""
    support = lay.support[lay.support_first[d] : lay.support_first[d + 1]]
    for i in range(len(support)):
        shift[support[i]] += at.column_shift[i]
        for j in range(i):
            precision[support[i], support[j]] += at.shared[i, j]
            precision[support[j], support[i]] += at.shared[i, j]
        precision[support[i], support[i]] += at.shared[i, i]


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
def _stale(terms: Terms, begin: int, end: int, left: float) -> bool:
    """Whether what beta adds to the rows' variances must be reckoned anew before the next refinement.

    Where that is little against what a row's site knows, once a sweep is enough; where it is more, at the
    beginning of each sweep and while sites move.
    """
    if math.isnan(terms.shared[begin]):
        return True
    if left < STILL:
        return False
    most = 0.0
    for n in range(begin, end):
        most = max(most, terms.shared[n] * abs(terms.precision[n]))
    return most > LITTLE


@njit(cache=True)
def _reckoned(
    lay: Layout,
    level: Levels,
    d: int,
    z: FloatArray,
    base: FloatArray,
    at: Local,
    terms: Terms,
    pace: Pace,
    covariance: FloatArray,
    anew: bool,
) -> None:
    """Moments of the rows for the sites as they are; sites that leave nothing proper are tightened."""
    begin = lay.occasion_first[lay.diver_occasion[d]]
    if math.isnan(eliminate(lay, level, d, base, at, terms)):
        _tighten(terms, pace, d, begin, begin + len(z))
        eliminate(lay, level, d, base, at, terms)
    if anew:
        couple(lay, level, d, z, at, terms, False)
        reach(lay, level, d, z, at, terms, covariance)
    moments(lay, level, d, base, at, terms)


@njit(cache=True)
def _refine(
    lay: Layout,
    level: Levels,
    rows: FloatArray,
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
    at = local(lay.knot_first[d + 1] - lay.knot_first[d], lay.suits[d], z.shape[1])
    own, square = gathered(lay, d, mean, covariance)
    base = expected(lay, d, z, own)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    end = begin + len(z)
    need, variance = np.empty(len(z)), np.empty(len(z))
    last = left = math.inf
    fresh = anew = False
    for turn in range(rounds):
        need[:], variance[:] = terms.need[begin:end], terms.variance[begin:end]
        anew = _stale(terms, begin, end, left)
        _reckoned(lay, level, d, z, base, at, terms, pace, square, anew)
        if pace.loosest[d] < 0.0 and _improper(terms, begin, end):
            _tighten(terms, pace, d, begin, end)
            continue
        left = _moved(lay, level, terms, begin, end, need, variance) / pace.part[d]
        if turn == 0:
            if rounds > 1:
                left = max(left, pace.inner[d])
            if math.isnan(need[0]):
                left = math.inf  # nobody has looked at these rows yet
            # What the last refinement and the other divers have moved since.
            if rounds == 1:
                part = 0.6 * pace.part[d] if left > pace.last[d] else 1.15 * pace.part[d]
                pace.part[d] = max(part, 0.05)
            pace.last[d] = left
            pace.part[d] = min(pace.part[d], damping)
            fresh = left < enough and pace.loosest[d] != 0.0
        else:
            part = 0.6 * pace.part[d] if left > last else 1.15 * pace.part[d]
            # Contradictory records can chase each other for ever at any fixed pace.
            pace.part[d] = min(max(part, 0.05), damping)
            if pace.loosest[d] == 0.0 and left < NEAR:
                pace.loosest[d] = LOOSEST
            elif left < enough:
                fresh = True
            elif pace.loosest[d] < 0.0 and pace.part[d] < SLOW:
                pace.loosest[d] = NEVER
            last = pace.inner[d] = left
        if fresh:
            break
        _update(rows, terms, begin, end, pace.part[d], min(pace.loosest[d], 0.0))
    _told(lay, level, d, z, base, at, terms, pace, precision, shift, fresh)
    if not (fresh and anew):
        reach(lay, level, d, z, at, terms, square)


@njit(cache=True)
def _told(
    lay: Layout,
    level: Levels,
    d: int,
    z: FloatArray,
    base: FloatArray,
    at: Local,
    terms: Terms,
    pace: Pace,
    precision: FloatArray,
    shift: FloatArray,
    fresh: bool,
) -> None:
    """Add what the diver's sites say of beta, eliminated already if `fresh`; too wide ones are tightened."""
    begin = lay.occasion_first[lay.diver_occasion[d]]
    end = begin + len(z)
    sound = fresh or not math.isnan(eliminate(lay, level, d, base, at, terms))
    if sound:
        couple(lay, level, d, z, at, terms, True)
        wide = False
        for n in range(begin, end):
            wide = wide or terms.precision[n] < 0.0
        sound = not wide or _takes_little(at)
    if not sound:
        _tighten(terms, pace, d, begin, end)
        eliminate(lay, level, d, base, at, terms)
        couple(lay, level, d, z, at, terms, True)
    _share(lay, d, at, precision, shift)


@njit(cache=True, nogil=True)
def sweep(
    lay: Layout,
    level: Levels,
    rows: FloatArray,
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
    rows : ndarray, shape (m, 8)
        From `leadline.model.prepared.prepare`.
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
                rows,
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


@njit(cache=True, nogil=True)
def finish(
    lay: Layout,
    level: Levels,
    rows: FloatArray,
    terms: Terms,
    pace: Pace,
    mean: FloatArray,
    covariance: FloatArray,
    enough: float,
    first: int,
    last: int,
) -> None:
    """Settle the divers of some chunks who have not settled yet, with beta held.

    Parameters
    ----------
    lay, level, rows, terms, pace, mean, covariance, first, last
        As for `sweep`.
    enough : float
        Change of a row's mean, in its sd, at which a diver has settled.
    """
    precision, shift = np.zeros_like(covariance), np.zeros_like(mean)
    for d in range(lay.chunk_first[first], lay.chunk_first[last]):
        if pace.last[d] > enough:
            _refine(
                lay,
                level,
                rows,
                d,
                terms,
                pace,
                mean,
                covariance,
                1.0,
                LATE_ROUNDS,
                enough,
                precision,
                shift,
            )
