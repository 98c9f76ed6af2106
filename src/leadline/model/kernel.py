"""Compiled sweeps of expectation propagation: each diver a small dense problem, divers summed in chunks.

The latent scalars of one diver are the offsets at the knots in time (a chain), the offsets in each suit,
and the scatter of occasions with several observations. Scatter falls away first, in closed form; the rest
is a dense matrix of few rows. What is left for beta, the shared effects, is a precision and a shift for the
columns that the diver touches.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from leadline.model.layout import Layout
from leadline.model.tail import interval, normal, reading, zones

__all__ = ["Levels", "Pace", "Settled", "Terms", "settle", "sweep"]

FloatArray = NDArray[np.float64]

HABIT: Final = 5
LIGHT_PART: Final = 0.4
LOOSEST: Final = -0.7
"""Least precision of a site against its cavity's: a mixture of right and wrong records may be wider. [-]"""

MOST_TAKEN: Final = 0.1
"""Most that one diver's wide sites may take from the precision of beta, whose prior has 1. [-]"""

NEVER: Final = 1.0
NEAR: Final = 0.02
SLOW: Final = 0.1
"""Change still to come at which a diver's sites may become wider than their cavities, and the pace at which
that is taken back for good: such sites can chase each other. [-, -]"""

LEAST_VARIANCE: Final = 1e-9
"""Floor of a step's variance between knots: keeps a chain that does not move solvable. [kg²]"""

DIVER, BODY, SUIT, SCATTER, OUT, IN, WRONG, HABIT_MEAN, HABIT_SD, DRIFT, CHANCE = range(11)
"""Places in the gradient; from CHANCE on the derivatives by form and zone."""

FAST: Final = {"reassoc", "contract", "nsz"}
"""Sums may be reordered, which is what lets them use vector units; infinities keep their meaning."""


class Levels(NamedTuple):
    """Hyperparameters as the sweeps use them.

    Parameters
    ----------
    diver_variance, body_square, suit_variance, drift_variance, scatter_variance : float
        Of the offsets; the square of the body's multiplier. [kg², -, -, kg²/year, kg²]
    breath_out, breath_in, wrong, habit, habit_variance : float
        As in `Hyperparameters`.
    chance : ndarray, shape (6, 4)
        Chance of each form in the light zone, both parts of the neutral zone and the heavy zone. [-]
    """

    diver_variance: float
    body_square: float
    suit_variance: float
    drift_variance: float
    scatter_variance: float
    breath_out: float
    breath_in: float
    wrong: float
    habit: float
    habit_variance: float
    chance: FloatArray


class Terms(NamedTuple):
    """Sites and moments of the rows, changed in place; shape (m,) each, in need.

    Parameters
    ----------
    precision, shift : ndarray
        Natural parameters of the sites. [1/kg², 1/kg]
    need, variance : ndarray
        Expected need of each row given everything. [kg, kg²]
    """

    precision: FloatArray
    shift: FloatArray
    need: FloatArray
    variance: FloatArray


class Pace(NamedTuple):
    """How fast each diver's sites move, how far they have to go, how wide they may be; shape (d,)."""

    part: FloatArray
    last: FloatArray
    loosest: FloatArray


class Settled(NamedTuple):
    """What follows from settled sites, by diver or by row, in place.

    Parameters
    ----------
    evidence : ndarray, shape (d,)
        Each diver's part of the log evidence, beta's determinant left out. [-]
    gradient : ndarray, shape (chunks, CHANCE + 24)
        Derivatives summed over the divers of a chunk.
    cavity_mean, cavity_variance : ndarray, shape (m,)
        Expected need without the row itself. [kg, kg²]
    offset, offset_variance : ndarray, shape (d,)
        The diver's offset at the last knot. [kg, kg²]
    first, first_variance : ndarray, shape (d,)
        The same at the first. [kg, kg²]
    """

    evidence: FloatArray
    gradient: FloatArray
    cavity_mean: FloatArray
    cavity_variance: FloatArray
    offset: FloatArray
    offset_variance: FloatArray
    first: FloatArray
    first_variance: FloatArray


@njit(cache=True)
def _edges(lay: Layout, level: Levels, n: int) -> tuple[float, float, float]:
    upper = lay.upper[n] + level.breath_out * lay.upper_breath[n]
    lower = lay.lower[n] - level.breath_in * lay.lower_breath[n]
    middle = lay.lower[n] - min(LIGHT_PART, level.breath_in) * lay.lower_breath[n]
    return upper, middle, lower


@njit(cache=True)
def _chances(lay: Layout, level: Levels, n: int) -> tuple[float, float, float, float]:
    form, right, wrong = lay.form[n], 1 - level.wrong, level.wrong / 2
    light, neutral, heavy = lay.fit[n, 0], lay.fit[n, 1], lay.fit[n, 2]
    of_neutral = neutral * right + (1 - neutral) * wrong
    return (
        level.chance[form, 0] * (light * right + (1 - light) * wrong),
        level.chance[form, 1] * of_neutral,
        level.chance[form, 2] * of_neutral,
        level.chance[form, 3] * (heavy * right + (1 - heavy) * wrong),
    )


@njit(cache=True)
def _noise(lay: Layout, level: Levels, n: int, alone: bool) -> float:
    """Variance around the expected need; scatter that is shared belongs to the latent scalars."""
    noise: float = lay.reading_variance[n]
    if alone:
        noise += level.scatter_variance
    if lay.form[n] == HABIT:
        noise += level.habit_variance
    return noise


@njit(cache=True)
def _tilted(
    lay: Layout, level: Levels, n: int, alone: bool, mean: float, variance: float
) -> tuple[float, float, float]:
    """Log evidence of a row against its cavity, and two derivatives in the mean."""
    noise = variance + _noise(lay, level, n, alone)
    if lay.point[n]:
        habit = lay.form[n] == HABIT
        # A chosen lead cannot be a wrong record.
        wrong = 0.0 if habit else level.wrong
        return reading(mean, lay.lower[n] - habit * level.habit, wrong, noise)
    upper, middle, lower = _edges(lay, level, n)
    l0, l1, l2, l3 = _chances(lay, level, n)
    return zones(mean, upper, middle, lower, l0, l1, l2, l3, math.sqrt(noise))


@njit(cache=True)
def _refined(
    mean: float, variance: float, slope: float, curvature: float, loosest: float
) -> tuple[float, float]:
    """Site whose product with the cavity has the exact mean and, within limits, the exact variance."""
    kept = max(1 + variance * curvature, 1e-9)
    precision = max(-curvature / kept, loosest / variance)
    return precision, (1 / variance + precision) * (mean + variance * slope) - mean / variance


@njit(cache=True)
def _cholesky(matrix: FloatArray) -> float:
    """Lower factor in place; the log determinant, NaN where there is none."""
    size = matrix.shape[0]
    total = 0.0
    for j in range(size):
        for k in range(j):
            matrix[j, j] -= matrix[j, k] * matrix[j, k]
        if not matrix[j, j] > 0.0:
            return math.nan
        root = math.sqrt(matrix[j, j])
        matrix[j, j] = root
        total += 2 * math.log(root)
        for i in range(j + 1, size):
            value = matrix[i, j]
            for k in range(j):
                value -= matrix[i, k] * matrix[j, k]
            matrix[i, j] = value / root
    return total


@njit(cache=True)
def _inverse(factor: FloatArray, inverse: FloatArray) -> None:
    """Inverse of a matrix from its lower factor."""
    size = factor.shape[0]
    for column in range(size):
        for i in range(size):
            value = 1.0 if i == column else 0.0
            for k in range(i):
                value -= factor[i, k] * inverse[k, column]
            inverse[i, column] = value / factor[i, i]
        for i in range(size - 1, -1, -1):
            value = inverse[i, column]
            for k in range(i + 1, size):
                value -= factor[k, i] * inverse[k, column]
            inverse[i, column] = value / factor[i, i]


@njit(cache=True, fastmath=FAST)
def _outer(matrix: FloatArray, weight: float, left: FloatArray, right: FloatArray) -> None:
    for i in range(len(left)):
        scaled = weight * left[i]
        if scaled != 0.0:
            for j in range(len(right)):
                matrix[i, j] += scaled * right[j]


@njit(cache=True, fastmath=FAST)
def _form(matrix: FloatArray, vector: FloatArray) -> float:
    """Quadratic form of a symmetric matrix."""
    total = 0.0
    for i in range(len(vector)):
        if vector[i] != 0.0:
            row = 0.0
            for j in range(len(vector)):
                row += matrix[i, j] * vector[j]
            total += vector[i] * row
    return total


@njit(cache=True, fastmath=FAST)
def _dot(left: FloatArray, right: FloatArray) -> float:
    total = 0.0
    for i in range(len(left)):
        total += left[i] * right[i]
    return total


class Local(NamedTuple):
    """One diver's problem: matrices of the latent scalars (s) and of the touched columns (q)."""

    factor: FloatArray
    inverse: FloatArray
    coupling: FloatArray
    solved: FloatArray
    shared: FloatArray
    scalar_shift: FloatArray
    column_shift: FloatArray
    offset: FloatArray


@njit(cache=True)
def _local(scalars: int, columns: int) -> Local:
    return Local(
        np.zeros((scalars, scalars)),
        np.zeros((scalars, scalars)),
        np.zeros((scalars, columns)),
        np.zeros((scalars, columns)),
        np.zeros((columns, columns)),
        np.zeros(scalars),
        np.zeros(columns),
        np.zeros(scalars),
    )


@njit(cache=True)
def _prior(lay: Layout, level: Levels, d: int, at: Local, spread: float) -> float:
    """Prior precision of the latent scalars; the log determinant of their prior variance."""
    first, last = lay.knot_first[d], lay.knot_first[d + 1]
    knots = last - first
    matrix = at.factor
    matrix[:] = 0.0
    matrix[0, 0] = 1 / spread
    total = math.log(spread)
    for j in range(1, knots):
        step = _step(lay, level, first + j)
        total += math.log(step)
        matrix[j, j] += 1 / step
        matrix[j - 1, j - 1] += 1 / step
        matrix[j, j - 1] -= 1 / step
        matrix[j - 1, j] -= 1 / step
    for s in range(knots, matrix.shape[0]):
        matrix[s, s] = 1 / level.suit_variance
        total += math.log(level.suit_variance)
    return total


@njit(cache=True)
def _step(lay: Layout, level: Levels, knot: int) -> float:
    variance: float = level.drift_variance * lay.elapsed[knot] + lay.jumped[knot]
    return max(variance, LEAST_VARIANCE)


@njit(cache=True, fastmath=FAST)
def _eliminate(lay: Layout, level: Levels, d: int, z: FloatArray, at: Local, terms: Terms) -> float:
    """Eliminate the diver's latent scalars; half of twice the log determinants met on the way."""
    knots = lay.knot_first[d + 1] - lay.knot_first[d]
    spread = level.diver_variance + level.body_square * lay.body_variance[d]
    pivots = _prior(lay, level, d, at, spread)
    at.coupling[:] = 0.0
    at.shared[:] = 0.0
    at.scalar_shift[:] = 0.0
    at.column_shift[:] = 0.0
    columns = z.shape[1]
    of_one, of_suit = np.empty(columns), np.empty(columns)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        a, c = lay.knot[low], knots + lay.suit[low]
        one = weight = square = shift = in_suit = 0.0
        of_one[:] = 0.0
        of_suit[:] = 0.0
        for n in range(low, high):
            t, w = terms.precision[n], lay.suit_weight[n]
            b = terms.shift[n] - t * lay.prior[n]
            row = z[n - begin]
            one += t
            weight += t * w
            square += t * w * w
            shift += b
            in_suit += b * w
            for j in range(columns):
                of_one[j] += t * row[j]
                of_suit[j] += t * w * row[j]
                at.column_shift[j] += b * row[j]
            _outer(at.shared, t, row, row)
        if high - low > 1:
            pulled = level.scatter_variance / (1 + level.scatter_variance * one)
            pivots += math.log1p(level.scatter_variance * one)
            _outer(at.shared, -pulled, of_one, of_one)
            left = 1 - pulled * one
            for j in range(columns):
                at.column_shift[j] -= pulled * shift * of_one[j]
                of_suit[j] -= pulled * weight * of_one[j]
                of_one[j] *= left
            in_suit -= pulled * weight * shift
            square -= pulled * weight * weight
            shift *= left
            weight *= left
            one *= left
        at.factor[a, a] += one
        at.factor[c, c] += square
        at.factor[a, c] += weight
        at.factor[c, a] += weight
        at.scalar_shift[a] += shift
        at.scalar_shift[c] += in_suit
        for j in range(columns):
            at.coupling[a, j] += of_one[j]
            at.coupling[c, j] += of_suit[j]
    pivots += _cholesky(at.factor)
    if math.isnan(pivots):
        return pivots
    _inverse(at.factor, at.inverse)
    scalars = at.factor.shape[0]
    for i in range(scalars):
        at.offset[i] = 0.0
        for k in range(scalars):
            at.offset[i] += at.inverse[i, k] * at.scalar_shift[k]
        for j in range(columns):
            at.solved[i, j] = 0.0
        for k in range(scalars):
            if at.inverse[i, k] != 0.0:
                for j in range(columns):
                    at.solved[i, j] += at.inverse[i, k] * at.coupling[k, j]
    return pivots


@njit(cache=True, fastmath=FAST)
def _moments(
    lay: Layout,
    level: Levels,
    d: int,
    z: FloatArray,
    at: Local,
    terms: Terms,
    mean: FloatArray,
    covariance: FloatArray,
) -> None:
    """Expected need of each row and its variance; at.offset becomes the mean of the latent scalars."""
    knots = lay.knot_first[d + 1] - lay.knot_first[d]
    columns = z.shape[1]
    for i in range(at.factor.shape[0]):
        at.offset[i] -= _dot(at.solved[i], mean)
    through = np.empty(columns)
    of_one = np.zeros(columns)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        a, c = lay.knot[low], knots + lay.suit[low]
        pulled = one = weight = scatter = 0.0
        if high - low > 1:
            of_one[:] = 0.0
            shift = 0.0
            for n in range(low, high):
                t = terms.precision[n]
                one += t
                weight += t * lay.suit_weight[n]
                shift += terms.shift[n] - t * lay.prior[n]
                for j in range(columns):
                    of_one[j] += t * z[n - begin, j]
            pulled = level.scatter_variance / (1 + level.scatter_variance * one)
            scatter = pulled * (shift - one * at.offset[a] - weight * at.offset[c] - _dot(of_one, mean))
        for n in range(low, high):
            row = z[n - begin]
            in_suit = lay.suit_weight[n]
            alpha, beta = 1 - pulled * one, in_suit - pulled * weight
            terms.need[n] = lay.prior[n] + _dot(row, mean) + at.offset[a] + in_suit * at.offset[c] + scatter
            for j in range(columns):
                through[j] = row[j] - pulled * of_one[j] - alpha * at.solved[a, j] - beta * at.solved[c, j]
            terms.variance[n] = (
                pulled
                + alpha * alpha * at.inverse[a, a]
                + 2 * alpha * beta * at.inverse[a, c]
                + beta * beta * at.inverse[c, c]
                + _form(covariance, through)
            )


@njit(cache=True)
def _update(lay: Layout, level: Levels, d: int, terms: Terms, part: float, loosest: float) -> None:
    """Move the diver's sites towards the refined ones."""
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        alone = high - low == 1
        for n in range(low, high):
            held = max(1 / terms.variance[n] - terms.precision[n], 1e-10)
            mean = (terms.need[n] / terms.variance[n] - terms.shift[n]) / held
            _, slope, curvature = _tilted(lay, level, n, alone, mean, 1 / held)
            precision, shift = _refined(mean, 1 / held, slope, curvature, loosest)
            terms.precision[n] += part * (precision - terms.precision[n])
            terms.shift[n] += part * (shift - terms.shift[n])


@njit(cache=True)
def _exposures(lay: Layout, d: int) -> FloatArray:
    columns = lay.support_first[d + 1] - lay.support_first[d]
    rows = lay.occasion_first[lay.diver_occasion[d + 1]] - lay.occasion_first[lay.diver_occasion[d]]
    return lay.exposure[lay.exposure_first[d] : lay.exposure_first[d + 1]].reshape((rows, columns))


@njit(cache=True)
def _gathered(lay: Layout, d: int, mean: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of beta on the columns that the diver touches."""
    support = lay.support[lay.support_first[d] : lay.support_first[d + 1]]
    columns = len(support)
    own, square = np.empty(columns), np.empty((columns, columns))
    for i in range(columns):
        own[i] = mean[support[i]]
        for j in range(columns):
            square[i, j] = covariance[support[i], support[j]]
    return own, square


@njit(cache=True)
def _moved(lay: Layout, d: int, terms: Terms, before: FloatArray) -> float:
    begin, end = lay.occasion_first[lay.diver_occasion[d]], lay.occasion_first[lay.diver_occasion[d + 1]]
    most = 0.0
    for n in range(begin, end):
        most = max(most, abs(terms.need[n] - before[n - begin]) / math.sqrt(terms.variance[n]))
    return most


@njit(cache=True)
def _reduce(at: Local) -> bool:
    """Precision of beta once the scalars are gone; whether it takes little away in any direction."""
    for k in range(at.factor.shape[0]):
        _outer(at.shared, -1.0, at.coupling[k], at.solved[k])
    matrix = at.shared.copy()
    for j in range(len(matrix)):
        matrix[j, j] += MOST_TAKEN
    return not math.isnan(_cholesky(matrix))


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
    z = _exposures(lay, d)
    scalars = lay.knot_first[d + 1] - lay.knot_first[d] + lay.suits[d]
    at = _local(scalars, z.shape[1])
    own, square = _gathered(lay, d, mean, covariance)
    begin = lay.occasion_first[lay.diver_occasion[d]]
    last = math.inf
    for turn in range(rounds):
        before = terms.need[begin : begin + len(z)].copy()
        if math.isnan(_eliminate(lay, level, d, z, at, terms)):
            _tighten(terms, pace, d, begin, begin + len(z))
            _eliminate(lay, level, d, z, at, terms)
        _moments(lay, level, d, z, at, terms, own, square)
        left = _moved(lay, d, terms, before)
        if turn == 0:
            # What the other divers have moved since.
            pace.last[d] = left
            pace.part[d] = min(pace.part[d], damping)
        else:
            left /= pace.part[d]
            part = 0.6 * pace.part[d] if left > last else 1.15 * pace.part[d]
            # Contradictory records can chase each other for ever at any fixed pace.
            pace.part[d] = min(max(part, 0.05), damping)
            if left < enough:
                break
            if pace.loosest[d] < 0.0 and pace.part[d] < SLOW:
                pace.loosest[d] = NEVER
            elif pace.loosest[d] == 0.0 and left < NEAR:
                pace.loosest[d] = LOOSEST
            last = left
        _update(lay, level, d, terms, pace.part[d], min(pace.loosest[d], 0.0))
    lost = math.isnan(_eliminate(lay, level, d, z, at, terms))
    if lost or not _reduce(at):
        _tighten(terms, pace, d, begin, begin + len(z))
        _eliminate(lay, level, d, z, at, terms)
        _reduce(at)
    _share(lay, d, at, precision, shift)


@njit(cache=True, parallel=True)
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
) -> None:
    """Refine the sites of all rows, then sum what they say of beta.

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
    precision, shift : ndarray, shape (chunks, p, p), (chunks, p)
        Filled chunk by chunk.
    """
    for chunk in prange(len(lay.chunk_first) - 1):
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


@njit(cache=True)
def _scales(lay: Layout, level: Levels, d: int, terms: Terms, found: Settled, gradient: FloatArray) -> float:
    """The rows' part of the evidence and its derivatives, cavities held."""
    total = 0.0
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        alone = high - low == 1
        for n in range(low, high):
            v, m = terms.variance[n], terms.need[n]
            held = max(1 / v - terms.precision[n], 1e-10)
            c = (m / v - terms.shift[n]) / held
            found.cavity_mean[n], found.cavity_variance[n] = c, 1 / held
            value, slope, curvature = _tilted(lay, level, n, alone, c, 1 / held)
            total += value - 0.5 * (m * m / v - c * c * held) - 0.5 * math.log(v * held)
            b = terms.shift[n] - terms.precision[n] * lay.prior[n]
            total += terms.shift[n] * lay.prior[n] - 0.5 * terms.precision[n] * lay.prior[n] ** 2
            total += 0.5 * b * (m - lay.prior[n])
            bend = curvature + slope * slope
            if alone:
                gradient[SCATTER] += bend * level.scatter_variance
            if lay.form[n] == HABIT:
                gradient[HABIT_MEAN] += slope
                gradient[HABIT_SD] += bend * level.habit_variance
            _levels_gradient(lay, level, n, c, 1 / held + _noise(lay, level, n, alone), value, gradient)
    return total


@njit(cache=True)
def _levels_gradient(
    lay: Layout,
    level: Levels,
    n: int,
    mean: float,
    variance: float,
    value: float,
    gradient: FloatArray,
) -> None:
    """Derivatives of a row's log evidence in breath range, wrong records and forms."""
    if lay.point[n]:
        if lay.form[n] != HABIT:
            good = math.exp(reading(mean, lay.lower[n], 0.0, variance)[0] - value)
            gradient[WRONG] += math.exp(-value) / 15.0 - good
        return
    sd = math.sqrt(variance)
    e0, e1, e2 = _edges(lay, level, n)
    s0, s1, s2 = (e0 - mean) / sd, (e1 - mean) / sd, (e2 - mean) / sd
    l0, l1, l2, l3 = _chances(lay, level, n)
    base = -0.5 * math.log(2 * math.pi) - value - math.log(sd)
    if lay.upper_breath[n] != 0.0 and not math.isinf(s0):
        gradient[OUT] += lay.upper_breath[n] * (l1 - l0) * math.exp(base - 0.5 * s0 * s0)
    if lay.lower_breath[n] != 0.0 and not math.isinf(s2):
        moved = (l3 - l2) * math.exp(base - 0.5 * s2 * s2)
        if level.breath_in < LIGHT_PART:
            moved += (l2 - l1) * math.exp(base - 0.5 * s1 * s1)
        gradient[IN] -= lay.lower_breath[n] * moved
    whole = math.exp(-value)
    form = lay.form[n]
    fits = (lay.fit[n, 0], lay.fit[n, 1], lay.fit[n, 1], lay.fit[n, 2])
    inside = (
        normal(-s0),
        interval(s0, s1) if s0 > s1 else 0.0,
        interval(s1, s2) if s1 > s2 else 0.0,
        normal(s2),
    )
    for zone in range(4):
        share = inside[zone] * whole
        fit = fits[zone]
        gradient[WRONG] += share * level.chance[form, zone] * (0.5 * (1 - fit) - fit)
        gradient[CHANCE + 4 * form + zone] += share * (fit * (1 - level.wrong) + (1 - fit) * level.wrong / 2)


@njit(cache=True)
def _scalars_gradient(
    lay: Layout,
    level: Levels,
    d: int,
    z: FloatArray,
    at: Local,
    terms: Terms,
    mean: FloatArray,
    covariance: FloatArray,
    gradient: FloatArray,
) -> None:
    """Derivatives in the prior variances, from the second moments of the latent scalars."""
    first = lay.knot_first[d]
    knots = lay.knot_first[d + 1] - first
    spread = level.diver_variance + level.body_square * lay.body_variance[d]
    square = at.offset[0] ** 2 + at.inverse[0, 0] + _form(covariance, at.solved[0])
    pressure = (square / spread - 1) / spread
    gradient[DIVER] += pressure * level.diver_variance
    gradient[BODY] += pressure * level.body_square * lay.body_variance[d]
    for j in range(1, knots):
        step = _step(lay, level, first + j)
        apart = at.solved[j] - at.solved[j - 1]
        square = (
            (at.offset[j] - at.offset[j - 1]) ** 2
            + at.inverse[j, j]
            - 2 * at.inverse[j, j - 1]
            + at.inverse[j - 1, j - 1]
            + _form(covariance, apart)
        )
        gradient[DRIFT] += (square / step - 1) / step * level.drift_variance * lay.elapsed[first + j]
    for s in range(knots, len(at.offset)):
        square = at.offset[s] ** 2 + at.inverse[s, s] + _form(covariance, at.solved[s])
        gradient[SUIT] += square / level.suit_variance - 1
    begin = lay.occasion_first[lay.diver_occasion[d]]
    of_one = np.zeros(z.shape[1])
    for o in range(lay.diver_occasion[d], lay.diver_occasion[d + 1]):
        low, high = lay.occasion_first[o], lay.occasion_first[o + 1]
        if high - low == 1:
            continue
        a, c = lay.knot[low], knots + lay.suit[low]
        one = weight = shift = 0.0
        of_one[:] = 0.0
        for n in range(low, high):
            t = terms.precision[n]
            one += t
            weight += t * lay.suit_weight[n]
            shift += terms.shift[n] - t * lay.prior[n]
            of_one += t * z[n - begin]
        pulled = level.scatter_variance / (1 + level.scatter_variance * one)
        scatter = pulled * (shift - one * at.offset[a] - weight * at.offset[c] - _dot(of_one, mean))
        through = of_one - one * at.solved[a] - weight * at.solved[c]
        square = (
            scatter**2
            + pulled
            + pulled
            * pulled
            * (
                one * one * at.inverse[a, a]
                + 2 * one * weight * at.inverse[a, c]
                + weight * weight * at.inverse[c, c]
                + _form(covariance, through)
            )
        )
        gradient[SCATTER] += square / level.scatter_variance - 1


@njit(cache=True)
def _settle(
    lay: Layout,
    level: Levels,
    d: int,
    terms: Terms,
    mean: FloatArray,
    covariance: FloatArray,
    found: Settled,
    gradient: FloatArray,
) -> None:
    """One diver's part of `settle`."""
    z = _exposures(lay, d)
    last = lay.knot_first[d + 1] - lay.knot_first[d] - 1
    at = _local(last + 1 + lay.suits[d], z.shape[1])
    own, square = _gathered(lay, d, mean, covariance)
    pivots = _eliminate(lay, level, d, z, at, terms)
    _moments(lay, level, d, z, at, terms, own, square)
    found.evidence[d] = _scales(lay, level, d, terms, found, gradient) - 0.5 * pivots
    _scalars_gradient(lay, level, d, z, at, terms, own, square, gradient)
    found.offset[d] = at.offset[last]
    found.offset_variance[d] = at.inverse[last, last] + _form(square, at.solved[last])
    found.first[d] = at.offset[0]
    found.first_variance[d] = at.inverse[0, 0] + _form(square, at.solved[0])


@njit(cache=True, parallel=True)
def settle(
    lay: Layout, level: Levels, terms: Terms, mean: FloatArray, covariance: FloatArray, found: Settled
) -> None:
    """Evidence, its gradient and the divers' offsets for settled sites.

    Parameters
    ----------
    lay, level, terms : Layout, Levels, Terms
        Moments in `terms` are brought up to date.
    mean, covariance : ndarray, shape (p,), (p, p)
        Posterior of beta.
    found : Settled
        Filled.
    """
    for chunk in prange(len(lay.chunk_first) - 1):
        for d in range(lay.chunk_first[chunk], lay.chunk_first[chunk + 1]):
            _settle(lay, level, d, terms, mean, covariance, found, found.gradient[chunk])
