"""Compiled expectation propagation for one diver at a time: sites taken in turn, in few directions.

Expected needs of n rows and t targets are mean + loadings · x with x ~ N(0, I) in r directions. Each row's
site moves the posterior of x at once, by a matrix of rank one; nothing is factorised anew. What rows of one
dive have in common besides, that dive's scatter, is no direction: given x it follows from their own sites.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.prepared import bent
from leadline.model.row import refined
from leadline.model.small_array import copied
from leadline.model.small_matrix import dot, multiply
from leadline.model.solo import LOOSEST, MOST_KNOWN, NEAR, TOLERANCE
from leadline.model.told import told, worth

__all__ = ["CLOSELY", "Effort", "Latent", "Together", "carried", "given", "latent", "settle"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

PATIENCE: Final = 30
"""Sweeps after which sites that are wider than their cavities must still be settling. [-]"""

SLIGHT: Final = 0.01
"""Part of the tolerance that a site may be off by. [-]"""


class Effort(NamedTuple):
    """How closely sites are settled.

    Parameters
    ----------
    tolerance : float
        Change of a row's mean in one sweep, in its sd. [-]
    sweeps : int
        Most of them.
    loose : bool
        Whether a site may be wider than its cavity.
    """

    tolerance: float
    sweeps: int
    loose: bool


CLOSELY: Final = Effort(TOLERANCE, 60, True)
"""Sites that are taken in turn settle in fewer sweeps than those taken all at once."""


class Latent(NamedTuple):
    """Gaussian posterior of the directions, and the sites that make it; changed in place.

    Parameters
    ----------
    mean, covariance : ndarray, shape (r,), (r, r)
        Of x. [-]
    precision, shift : ndarray, shape (n,)
        Sites, natural parameters in need. [1/kg², 1/kg]
    need, variance : ndarray, shape (n,)
        Expected need of each row. [kg, kg²]
    """

    mean: FloatArray
    covariance: FloatArray
    precision: FloatArray
    shift: FloatArray
    need: FloatArray
    variance: FloatArray


class Together(NamedTuple):
    """Rows that share the scatter of a dive.

    Parameters
    ----------
    following : ndarray of int, shape (n,)
        Next row of the same dive, after the last the first; a row that is alone follows itself.
    variance : float
        Of the scatter that those rows share. [kg²]
    """

    following: IntArray
    variance: float


@njit(cache=True)
def latent(rows: int, directions: int) -> Latent:
    """Nothing seen yet."""
    return Latent(
        np.zeros(directions),
        np.eye(directions),
        np.zeros(rows),
        np.zeros(rows),
        np.zeros(rows),
        np.ones(rows),
    )


@njit(cache=True)
def given(
    together: Together,
    n: int,
    loadings: FloatArray,
    mean: FloatArray,
    x: FloatArray,
    precision: FloatArray,
    shift: FloatArray,
    found: FloatArray,
) -> tuple[float, float]:
    """Need of a row that shares its dive's scatter, as it hangs on x once the sites there are told.

    Parameters
    ----------
    together : Together
        Rows of one dive.
    n : int
        The row.
    loadings, mean : ndarray, shape (n, r), (n,)
        Expected needs with nothing seen. [kg]
    x : ndarray, shape (r,)
        Mean of the directions. [-]
    precision, shift : ndarray, shape (n,)
        Sites. [1/kg², 1/kg]
    found : ndarray, shape (r,)
        Filled: loadings of the need. [kg]

    Returns
    -------
    need, variance : float
        Its mean; what x leaves of its variance. [kg, kg²]
    """
    known = 0.0
    at = together.following[n]
    while at != n:
        known += precision[at]
        at = together.following[at]
    variance = together.variance / (1 + together.variance * (known + precision[n]))
    copied(loadings[n], found)
    scatter = 0.0
    at = n
    while True:
        p = variance * precision[at]
        if p != 0.0 or shift[at] != 0.0:
            own = loadings[at]
            scatter += variance * shift[at] - p * (mean[at] + dot(own, x))
            for i in range(len(found)):
                found[i] -= p * own[i]
        at = together.following[at]
        if at == n:
            break
    return mean[n] + dot(loadings[n], x) + scatter, variance


@njit(cache=True)
def _need(
    at: Latent,
    n: int,
    loadings: FloatArray,
    mean: FloatArray,
    together: Together,
    row: FloatArray,
    v: FloatArray,
) -> tuple[float, float]:
    """Mean and variance of a row's need; into `v` its covariance with the directions."""
    if together.following[n] == n:
        own = loadings[n]
        multiply(at.covariance, own, v)
        return mean[n] + dot(own, at.mean), dot(v, own)
    need, more = given(together, n, loadings, mean, at.mean, at.precision, at.shift, row)
    multiply(at.covariance, row, v)
    return need, dot(v, row) + more


@njit(cache=True)
def _moved(at: Latent, v: FloatArray, pulled: float, scaled: float) -> None:
    for i in range(len(v)):
        at.mean[i] += v[i] * pulled
        own = scaled * v[i]
        for j in range(len(v)):
            at.covariance[i, j] -= own * v[j]


@njit(cache=True)
def _rebuilt(
    at: Latent, loadings: FloatArray, mean: FloatArray, together: Together, row: FloatArray, v: FloatArray
) -> float:
    """Posterior from the sites as they are; log determinant of all sites, NaN if nothing proper is left."""
    size = len(at.mean)
    at.mean[:] = 0.0
    at.covariance[:] = 0.0
    for i in range(size):
        at.covariance[i, i] = 1.0
    total = 0.0
    # One after the other: what others of the same dive tell of its scatter counts once they are in.
    precision, shift = at.precision.copy(), at.shift.copy()
    at.precision[:] = 0.0
    at.shift[:] = 0.0
    for n in range(len(precision)):
        p, s = precision[n], shift[n]
        if (p != 0.0 or s != 0.0) and not math.isnan(total):
            need, k = _need(at, n, loadings, mean, together, row, v)
            grown = 1 + p * k
            if grown > 1e-9:
                _moved(at, v, (s - p * need) / grown, p / grown)
                total += math.log(grown)
            else:
                total = math.nan
        at.precision[n], at.shift[n] = p, s
    return total


@njit(cache=True)
def _tightened(
    at: Latent, loadings: FloatArray, mean: FloatArray, together: Together, row: FloatArray, v: FloatArray
) -> float:
    """The same with no site wider than its cavity any more."""
    for n in range(len(at.precision)):
        at.precision[n] = max(at.precision[n], 0.0)
    return _rebuilt(at, loadings, mean, together, row, v)


@njit(cache=True)
def carried(at: Latent, loadings: FloatArray, moved: FloatArray, together: Together) -> None:
    """Posterior of the directions when all expected needs have moved by `moved` [kg] under the sites."""
    pulled = np.zeros(len(at.mean))
    for n in range(len(moved)):
        p = at.precision[n]
        if p == 0.0:
            continue
        known = shared = 0.0
        other = n
        while together.following[n] != n:
            known += at.precision[other]
            shared += at.precision[other] * moved[other]
            other = together.following[other]
            if other == n:
                break
        scatter = together.variance / (1 + together.variance * known) * shared
        own, pull = loadings[n], p * (moved[n] - scatter)
        for i in range(len(pulled)):
            pulled[i] += pull * own[i]
    for i in range(len(pulled)):
        at.mean[i] -= dot(at.covariance[i], pulled)


@njit(cache=True)
def settle(
    rows: FloatArray,
    loadings: FloatArray,
    mean: FloatArray,
    together: Together,
    at: Latent,
    effort: Effort,
    determinant: float = math.nan,
) -> tuple[float, float, float, float]:
    """Settle the sites of some rows, beginning with those in `at`.

    Parameters
    ----------
    rows : ndarray, shape (n, 8)
        From `leadline.model.prepared.of_one`.
    loadings, mean : ndarray, shape (n, r), (n,)
        Expected needs with nothing seen, a dive's scatter left out. [kg]
    together : Together
        Rows that share one.
    at : Latent
        Changed in place.
    effort : Effort
        How closely.
    determinant : float
        Log determinant of the sites where the posterior in `at` is theirs already, as returned; else NaN.

    Returns
    -------
    log_mass, log_evidence, left : float
        As in `leadline.model.solo.Settled`.
    determinant : float
        Of the sites.
    """
    count = len(rows)
    row, v = np.empty(len(at.mean)), np.empty(len(at.mean))
    seen = np.full(count, math.inf)
    loosest, part, last, left = 0.0, 1.0, math.inf, math.inf
    may, slight = effort.loose, SLIGHT * effort.tolerance
    begun = False
    for n in range(count):
        begun |= at.precision[n] != 0.0
    if math.isnan(determinant):
        determinant = _rebuilt(at, loadings, mean, together, row, v)
    if math.isnan(determinant):
        determinant = _tightened(at, loadings, mean, together, row, v)
    elif may and begun:
        # Sites that were settled before, under other hyperparameters, have been as wide as they may be.
        loosest = LOOSEST
    for sweep in range(effort.sweeps):
        left = 0.0
        improper = False
        for n in range(count):
            need, k = _need(at, n, loadings, mean, together, row, v)
            k = max(k, 1e-12)
            left = max(left, abs(need - seen[n]) / math.sqrt(k))
            seen[n] = need
            if at.precision[n] * k > MOST_KNOWN:
                improper = True
                break
            held = 1 / k - at.precision[n]
            centre = (need / k - at.shift[n]) / held
            slope, curvature = bent(rows[n], centre, 1 / held)
            precision, shift = refined(centre, 1 / held, slope, curvature, loosest)
            more = part * (precision - at.precision[n])
            grown = 1 + more * k
            if not grown > 1e-9:
                improper = True
                break
            shifted = part * (shift - at.shift[n])
            pulled = (shifted - more * need) / grown
            if max(abs(pulled) * math.sqrt(k), abs(more) * k) < slight:
                continue
            _moved(at, v, pulled, more / grown)
            determinant += math.log(grown)
            at.precision[n] += more
            at.shift[n] += shifted
        if improper:
            may, loosest = False, 0.0
            determinant = _tightened(at, loadings, mean, together, row, v)
            left = math.inf
            continue
        if may and loosest == 0.0 and left < NEAR:
            loosest = LOOSEST
        elif left < effort.tolerance:
            break
        if loosest < 0.0 and sweep > PATIENCE:
            may, loosest = False, 0.0
            determinant = _tightened(at, loadings, mean, together, row, v)
        part = max(0.6 * part, 0.1) if left > 0.9 * last else min(1.0, 1.15 * part)
        last = left
    mass = -0.5 * determinant
    evidence = mass
    for n in range(count):
        need, k = _need(at, n, loadings, mean, together, row, v)
        k = max(k, 1e-12)
        at.need[n], at.variance[n] = need, k
        p, s, m = at.precision[n], at.shift[n], mean[n]
        constant = s * m - 0.5 * p * m * m + 0.5 * (s - p * m) * (need - m)
        held = max(1 / k - p, 1e-10)
        centre = (need / k - s) / held
        value = worth(told(rows[n], 1 / held), centre)
        grown = 1 + p / held
        own = (s * centre - 0.5 * p * centre * centre + 0.5 * s * s / held) / grown
        scale = value - own + 0.5 * math.log(grown)
        mass += constant
        evidence += constant + scale
    return mass, evidence, left, determinant
