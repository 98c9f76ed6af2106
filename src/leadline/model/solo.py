"""One diver by expectation propagation, for several hyperparameters at once, in plain array code.

The population's fit is compiled (`leadline.model.propagation`); an answer for one diver must not wait for a
compiler to load. Both settle on the same sites.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.likelihood import point_terms, zone_terms, zone_value
from leadline.model.observations import Form, Observations
from leadline.model.occasion import LIGHT_PART, levels

__all__ = ["Gaussian", "Rows", "Settled", "Sites", "settled", "share_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

TOLERANCE: Final = 1e-4
MOST_SWEEPS: Final = 120
LOOSEST: Final = -0.7
NEAR: Final = 0.02
SLOW: Final = 0.1
"""As in the compiled sweeps (`leadline.model.sweep`)."""

LEAST: Final = 1e-8
"""Eigenvalue of a precision that is sound. [-]"""

MOST_KNOWN: Final = 1 - 1e-6
"""Share of what is known of a row that may be its own site; more, and nothing proper is left without it."""


@dataclass(frozen=True)
class Sites:
    """Natural parameters of the rows' stand-ins; shape (g, n) each, in need."""

    precision: FloatArray
    shift: FloatArray


class Rows:
    """Likelihood of *n* rows under each of *g* hyperparameters."""

    def __init__(self, observations: Observations, thetas: Sequence[Hyperparameters]) -> None:
        o = observations
        self.point = np.flatnonzero(o.point)
        self.zone = np.flatnonzero(~o.point)
        breath_out, breath_in, scatter, habit, habit_sd, wrong = (
            np.array([getattr(theta, name) for theta in thetas])[:, None]
            for name in ("breath_out", "breath_in", "scatter", "habit", "habit_sd", "wrong")
        )
        is_habit = o.form == Form.HABIT
        alone = ~o.is_shared[o.occasion]
        self.noise = o.reading_sd**2 + alone * scatter**2 + is_habit * habit_sd**2
        at = self.zone
        self.edges = np.stack(
            [
                o.upper[at] + breath_out * o.upper_breath[at],
                o.lower[at] - np.minimum(LIGHT_PART, breath_in) * o.lower_breath[at],
                o.lower[at] - breath_in * o.lower_breath[at],
            ],
            axis=-1,
        )[:, None]
        self.levels = np.array([levels(o.fit[at], o.form[at], theta) for theta in thetas])[:, None]
        at = self.point
        self.reading = (o.lower[at] - is_habit[at] * habit)[:, None]
        # A chosen lead cannot be a wrong record.
        self.wrong = np.where(is_habit[at], 0.0, wrong)[:, None]

    def under(self, which: IntArray) -> Rows:
        """The same under some of the hyperparameters."""
        kept = copy(self)
        for name in ("noise", "edges", "levels", "reading", "wrong"):
            setattr(kept, name, getattr(self, name)[which])
        return kept

    def terms(self, need: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log evidence of each row and its two derivatives in the expected need.

        Parameters
        ----------
        need, variance : ndarray, shape (g, u, n)
            Expected need at u places, and its variance. [kg, kg²]

        Returns
        -------
        value, slope, curvature : ndarray, shape (g, u, n)
            Log probability or density; derivatives. [-, 1/kg, 1/kg²]
        """
        found = np.empty((3, *need.shape))
        sd = np.sqrt(variance + self.noise[:, None])
        at = self.zone
        if len(at):
            found[..., at] = zone_terms(need[..., at], self.edges, self.levels, sd=sd[..., at])[:3]
        at = self.point
        if len(at):
            found[..., at] = point_terms(need[..., at], self.reading, wrong=self.wrong, sd=sd[..., at])[:3]
        return found[0], found[1], found[2]

    def value(self, need: FloatArray, variance: FloatArray) -> FloatArray:
        """Log evidence alone."""
        found = np.empty(need.shape)
        sd = np.sqrt(variance + self.noise[:, None])
        at = self.zone
        if len(at):
            scores = (self.edges - need[..., at, None]) / sd[..., at, None]
            found[..., at] = zone_value(scores, self.levels)
        at = self.point
        if len(at):
            found[..., at] = point_terms(need[..., at], self.reading, wrong=self.wrong, sd=sd[..., at])[0]
        return found


@dataclass(frozen=True)
class Gaussian:
    """Expected need of the rows before they are seen, at u places: loadings on N(0, I).

    Parameters
    ----------
    mean : ndarray, shape (g, u, n)
        With nothing seen. [kg]
    loadings : ndarray, shape (g, 1, n, r)
        On r independent directions. [kg]
    """

    mean: FloatArray
    loadings: FloatArray


def _refined(
    mean: FloatArray, variance: FloatArray, slope: FloatArray, curvature: FloatArray, loosest: FloatArray
) -> Sites:
    kept = np.maximum(1 + variance * curvature, 1e-9)
    precision = np.maximum(-curvature / kept, loosest / variance)
    # As (1/variance + precision) (mean + variance slope) - mean/variance, which loses all digits where a need
    # is known but for rounding.
    return Sites(precision, slope + precision * (mean + variance * slope))


class _Pace:
    """How fast the sites move under each hyperparameter, and how wide they may be."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.part = np.full(shape, 0.7)
        self.loosest = np.zeros(shape)
        self.last = np.full(shape, np.inf)
        self.sweeps = 0

    def next(self, moved: FloatArray) -> FloatArray:
        """Take note of what the last sweep moved; what is left to move."""
        self.sweeps += 1
        left = moved / self.part
        part = np.where(left > self.last, 0.6 * self.part, 1.15 * self.part)
        slow = min(1.0, 40 / self.sweeps)
        self.part = np.clip(part, 0.05, slow)
        chasing = (self.loosest < 0) & (self.part < SLOW)
        self.loosest = np.where(chasing, 1.0, self.loosest)
        self.loosest = np.where((self.loosest == 0) & (left < NEAR), LOOSEST, self.loosest)
        self.last = left
        return np.asarray(left)


def _blend(old: Sites, new: Sites, part: FloatArray) -> Sites:
    return Sites(
        old.precision + part[..., None] * (new.precision - old.precision),
        old.shift + part[..., None] * (new.shift - old.shift),
    )


def _cavity(mean: FloatArray, variance: FloatArray, sites: Sites) -> tuple[FloatArray, FloatArray]:
    held = np.maximum(1 / variance - sites.precision, 1e-10)
    return (mean / variance - sites.shift) / held, 1 / held


def _information(loadings: FloatArray, precision: FloatArray) -> FloatArray:
    own = np.swapaxes(loadings, -1, -2) @ (precision[..., None] * loadings)
    return np.asarray(own + np.eye(loadings.shape[-1]))


def _all_sound(matrix: FloatArray) -> bool:
    """Whether all eigenvalues are positive: a factor is there or not, which is sooner seen than how large."""
    try:
        np.linalg.cholesky(matrix - LEAST * np.eye(matrix.shape[-1]))
    except np.linalg.LinAlgError:
        return False
    return True


def _inverse(loadings: FloatArray, precision: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Posterior covariance of the directions, and the precisions, none negative if it must be."""
    matrix = _information(loadings, precision)
    if (precision < 0).any() and not _all_sound(matrix):
        sound = np.linalg.eigvalsh(matrix)[..., 0] > LEAST
        precision = np.where(sound[..., None], precision, np.maximum(precision, 0.0))
        matrix = _information(loadings, precision)
    return np.asarray(np.linalg.inv(matrix), float), precision


@dataclass(frozen=True)
class Settled:
    """Sites of one diver's rows and the Gaussian posterior that they make.

    Parameters
    ----------
    sites : Sites
        Of the n rows; shape (g, u, n).
    mean, covariance : ndarray, shape (g, u, r), (g, u, r, r)
        Of the r directions. [-]
    log_mass : ndarray, shape (g, u)
        Log of the integral of prior and sites; what the exact likelihoods say beyond it makes the evidence.
    log_evidence : ndarray, shape (g, u)
        With the sites scaled so that each agrees with its likelihood.
    left : ndarray, shape (g, u)
        Change still to come of some row's mean, in its sd. [-]
    """

    sites: Sites
    mean: FloatArray
    covariance: FloatArray
    log_mass: FloatArray
    log_evidence: FloatArray
    left: FloatArray


def settled(
    rows: Rows,
    before: Gaussian,
    *,
    tolerance: float = TOLERANCE,
    sweeps: int = MOST_SWEEPS,
    loose: bool = True,
    start: Sites | None = None,
) -> Settled:
    """Settle the sites of one diver's rows.

    Parameters
    ----------
    rows : Rows
        n >= 1 of them, under g hyperparameters.
    before : Gaussian
        Their expected needs with nothing seen.
    tolerance : float
        Change of a row's mean still to come, in its sd. [-]
    sweeps : int
        Most of them.
    loose : bool
        Whether a site may be wider than its cavity, as a mixture of right and wrong records can be.
    start : Sites, optional
        Where to begin; default flat.

    Returns
    -------
    Settled
        Sites, posterior and evidence.

    Notes
    -----
    Where the sites still move after all sweeps, which contradictory records can bring about, they are taken
    as they are: what an answer shows is corrected by the exact likelihoods afterwards.
    """
    f, m = before.loadings, before.mean
    back = np.swapaxes(f, -1, -2)
    sites = start or Sites(np.zeros(m.shape), np.zeros(m.shape))
    pace, last, left = _Pace(m.shape[:-1]), m, np.full(m.shape[:-1], np.inf)
    for sweep in range(sweeps + 1):
        covariance, precision = _inverse(f, sites.precision)
        sites = Sites(precision, sites.shift)
        through = f @ covariance
        variance = np.maximum(np.sum(through * f, axis=-1), 1e-12)
        pulled = back @ (sites.shift - precision * m)[..., None]
        need = m + (through @ pulled)[..., 0]
        mean, spread = _cavity(need, variance, sites)
        improper = np.any(precision * variance > MOST_KNOWN, axis=-1) & (pace.loosest <= 0)
        if improper.any():
            pace.loosest = np.where(improper, 1.0, pace.loosest)
            sites = Sites(np.where(improper[..., None], np.maximum(precision, 0.0), precision), sites.shift)
            continue
        if sweep:
            moved = np.max(np.abs(need - last) / np.sqrt(variance), axis=-1)
            left = pace.next(moved)
            if np.max(left) < tolerance or sweep == sweeps:
                break
        last = need
        _, slope, curvature = rows.terms(mean, spread)
        loosest = np.minimum(pace.loosest, 0.0)[..., None] * loose
        sites = _blend(sites, _refined(mean, spread, slope, curvature, loosest), pace.part)
    constant = sites.shift * m - 0.5 * precision * m**2 + 0.5 * (sites.shift - precision * m) * (need - m)
    mass = constant.sum(axis=-1) + 0.5 * np.linalg.slogdet(covariance)[1]
    # The site's own integral against its cavity, in a form that keeps its digits however small the variance.
    grown = 1 + precision * spread
    own = (sites.shift * mean - 0.5 * precision * mean**2 + 0.5 * sites.shift**2 * spread) / grown
    scales = rows.value(mean, spread) - own + 0.5 * np.log(grown)
    return Settled(sites, (covariance @ pulled)[..., 0], covariance, mass, mass + scales.sum(axis=-1), left)


def share_of(
    rows: Rows, personal: Gaussian, exposure: FloatArray, mean: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What one diver's rows contribute to a population that they are part of.

    Parameters
    ----------
    rows : Rows
        Rows that the population was fitted to; n >= 1, g hyperparameters.
    personal : Gaussian
        Their expected needs with beta at 0, loaded on the diver's own directions only.
    exposure : ndarray, shape (n, q)
        On the shared effects. [kg]
    mean, covariance : ndarray, shape (g, q), (g, q, q)
        Posterior of those, with these rows. [-]

    Returns
    -------
    precision, shift : ndarray, shape (g, q, q), (g, q)
        Natural parameters to be taken from the posterior's.

    Notes
    -----
    The same sweeps with the posterior of beta held: its cavity is whatever is left of it, so the sites
    settle where those of the whole fit did.
    """
    f, m = personal.loadings[:, 0], personal.mean[:, 0]
    sites = Sites(np.zeros(m.shape), np.zeros(m.shape))
    pace, last = _Pace(m.shape[:1]), m
    base = m + mean @ exposure.T
    for sweep in range(MOST_SWEEPS + 1):
        own, precision = _inverse(f, sites.precision)
        sites = Sites(precision, sites.shift)
        through = f @ own
        back = through @ np.swapaxes(f, -1, -2)
        left = exposure - back @ (precision[..., None] * exposure)
        need = base + (back @ (sites.shift - precision * base)[..., None])[..., 0]
        variance = np.diagonal(back, axis1=-2, axis2=-1) + np.sum((left @ covariance) * left, axis=-1)
        variance = np.maximum(variance, 1e-12)
        if sweep:
            moved = np.max(np.abs(need - last) / np.sqrt(variance), axis=-1)
            if np.max(pace.next(moved)) < TOLERANCE or sweep == MOST_SWEEPS:
                break
        last = need
        centre, spread = _cavity(need, variance, sites)
        _, slope, curvature = (t[:, 0] for t in rows.terms(centre[:, None], spread[:, None]))
        loosest = np.minimum(pace.loosest, 0.0)[..., None]
        sites = _blend(sites, _refined(centre, spread, slope, curvature, loosest), pace.part)
    information = np.swapaxes(exposure[None], -1, -2) @ (sites.precision[..., None] * left)
    shift = (np.swapaxes(left, -1, -2) @ (sites.shift - sites.precision * m)[..., None])[..., 0]
    return (information + np.swapaxes(information, -1, -2)) / 2, shift
