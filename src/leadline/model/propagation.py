"""Expectation propagation on the nest: posterior means and sds, and the evidence with its gradient.

Each observation is replaced by a Gaussian site in its own expected need, chosen so that mean and
variance agree with the exact likelihood of that observation against all others. Unlike an expansion
around the mode this keeps its accuracy where the likelihood is a wide box or a single bound: there the
curvature at the mode says nothing about the width (measured: the Laplace evidence favours a breath range
of 2.5 kg over 1.1 kg by 0.2 nats a diver, and need comes out a kilogram too low).

References
----------
T. P. Minka, "Expectation propagation for approximate Bayesian inference", UAI 17 (2001) 362-369;
C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, MIT Press (2006), sections
3.6 and 5.5 (the evidence and why its gradient needs no derivative of the sites).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.nest import Moments, Variances, beta_posterior, eliminate, moments
from leadline.model.observations import Observations
from leadline.model.occasion import row_terms

__all__ = ["Cavity", "Propagation", "Sites", "propagate", "share_of"]

FloatArray = NDArray[np.float64]

TOLERANCE: Final = 1e-4
"""Change of a row's mean still to come, in its sd, at which the sites have settled. [-]"""

EASY_SWEEPS: Final = 80
MOST_SWEEPS: Final = 200
"""Sweeps at full pace, and in all. [-]"""

NEARLY: Final = 0.2
"""Change still to come that is let pass after all sweeps: one row's mean within a fifth of its sd. [-]"""

FIRST_PART: Final = 0.7
"""Share of the refined sites in the first blend. [-]"""

DIFFERENCE: Final = 1e-4
"""Step of the central differences of each row's evidence in unconstrained hyperparameters. [-]"""


@dataclass(frozen=True)
class Sites:
    """Gaussian stand-ins of the observations, natural parameters in need; shape (m,) each."""

    precision: FloatArray
    shift: FloatArray

    @classmethod
    def flat(cls, count: int) -> Sites:
        """Sites that say nothing yet."""
        return cls(np.zeros(count), np.zeros(count))


@dataclass(frozen=True)
class Cavity:
    """Expected need of each row as all other rows and the prior leave it; mean and variance, shape (m,)."""

    mean: FloatArray
    variance: FloatArray


@dataclass(frozen=True)
class Propagation:
    """Settled sites and what follows from them.

    Parameters
    ----------
    moments : Moments
        Posterior means and variances.
    precision : ndarray, shape (p, p)
        Posterior precision of beta.
    sites : Sites
        For a warm start.
    cavity : Cavity
        For what each row adds.
    log_evidence : float
        Log marginal likelihood.
    gradient : ndarray, shape (k,)
        Its derivative with respect to the unconstrained hyperparameters.
    sweeps : int
        Sweeps over all rows until the sites settled.
    """

    moments: Moments
    precision: FloatArray
    sites: Sites
    cavity: Cavity
    log_evidence: float
    gradient: FloatArray
    sweeps: int


def _noise(observations: Observations, theta: Hyperparameters) -> FloatArray:
    """Variance of each row around its expected need: scatter belongs to the nest where it is shared."""
    scatter = np.where(observations.is_shared[observations.occasion], 0.0, theta.scatter**2)
    return np.asarray(observations.reading_sd**2 + scatter)


def _cavity(found: Moments, sites: Sites) -> Cavity:
    precision = np.maximum(1 / found.need_variance - sites.precision, 1e-10)
    return Cavity((found.need / found.need_variance - sites.shift) / precision, 1 / precision)


def _tilted(
    observations: Observations, theta: Hyperparameters, cavity: Cavity
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Log evidence of each row against its cavity, two derivatives in the mean, share of a right record."""
    sd = np.sqrt(cavity.variance + _noise(observations, theta))
    rows = np.arange(len(observations))
    return row_terms(observations, theta, cavity.mean, rows=rows, sd=sd)


def _refined(cavity: Cavity, slope: FloatArray, curvature: FloatArray, right: FloatArray) -> Sites:
    """Sites whose product with the cavity has the mean and variance of the exact likelihood.

    A mixture of right and wrong records can be wider than its cavity, and sites that follow it chase each
    other. So the site is that of the right record, which is log-concave, to the power of its responsibility:
    the same where the record is believed, nothing where it is not.
    """
    own_slope = slope / right
    own_curvature = np.minimum((curvature - slope**2 * (1 / right - 1)) / right, 0.0)
    kept = np.maximum(1 + cavity.variance * own_curvature, 1e-9)
    return Sites(right * (-own_curvature / kept), right * ((own_slope - cavity.mean * own_curvature) / kept))


class _Pace:
    """Share of the refined sites in the next blend, a number for each diver: less after a setback.

    Divers hang together only through the population, so one diver with contradictory records must not slow
    the others.
    """

    def __init__(self, observations: Observations) -> None:
        self.starts = np.flatnonzero(np.diff(observations.diver, prepend=-1))
        self.diver = observations.diver
        self.part = np.full(len(self.starts), FIRST_PART)
        self.last = np.full(len(self.starts), np.inf)
        self.before: FloatArray | None = None
        self.sweeps = 0

    def left(self, found: Moments) -> float:
        """Greatest change still to come, in sds of a row; sets the pace of the next blend."""
        self.sweeps += 1
        if self.before is None:
            self.before = found.need
            return float(np.inf)
        moved = np.abs(found.need - self.before) / np.sqrt(found.need_variance)
        left = np.maximum.reduceat(moved, self.starts) / self.part
        part = np.where(left > self.last, 0.6 * self.part, 1.15 * self.part)
        # Contradictory records can chase each other for ever at any fixed pace.
        self.part = np.clip(part, 0.05, 1.0) * min(1.0, EASY_SWEEPS / self.sweeps)
        self.last, self.before = left, found.need
        return float(np.max(left))

    def blend(self, old: Sites, new: Sites) -> Sites:
        """Old sites moved towards the new ones."""
        part = self.part[self.diver]
        return Sites(
            old.precision + part * (new.precision - old.precision), old.shift + part * (new.shift - old.shift)
        )


def _log_evidence(
    observations: Observations, found: Moments, sites: Sites, cavity: Cavity, value: FloatArray, pivots: float
) -> float:
    """Evidence of the Gaussian model with its sites scaled to the exact likelihoods."""
    o = observations
    v, c = found.need_variance, cavity.variance
    scales = value - 0.5 * (found.need**2 / v - cavity.mean**2 / c) - 0.5 * np.log(v / c)
    pull = sites.shift - sites.precision * o.prior
    constant = sites.shift * o.prior - 0.5 * sites.precision * o.prior**2
    return float(np.sum(scales + constant + 0.5 * pull * (found.need - o.prior)) - 0.5 * pivots)


def _gradient(
    observations: Observations, theta: Hyperparameters, found: Moments, cavity: Cavity
) -> FloatArray:
    """Derivative of the evidence: only what depends on theta with sites and cavities held."""
    o, vector = observations, theta.to_vector()
    gradient = np.zeros(len(vector))
    for j in range(3, len(vector)):  # the likelihood knows nothing of the first three
        up, down = vector.copy(), vector.copy()
        up[j] += DIFFERENCE
        down[j] -= DIFFERENCE
        values = [_tilted(o, Hyperparameters.from_vector(v), cavity)[0].sum() for v in (up, down)]
        gradient[j] = (values[0] - values[1]) / (2 * DIFFERENCE)
    variances = Variances.of(o, theta)
    pressure = (found.diver_square / variances.diver - 1) / variances.diver
    gradient[0] += np.sum(pressure) * theta.diver_sd**2
    gradient[1] += np.sum(pressure * o.body_sd**2) * theta.body_factor**2
    gradient[2] += np.sum(found.suit_square / variances.suit - 1)
    gradient[3] += np.sum(found.occasion_square[o.is_shared] / theta.scatter**2 - 1)
    return gradient


def propagate(
    observations: Observations,
    theta: Hyperparameters,
    *,
    start: Sites | None = None,
    sketch: bool = False,
) -> Propagation:
    """Settle the sites of all rows and return posterior, evidence and gradient.

    Parameters
    ----------
    observations : Observations
        m >= 1 rows.
    theta : Hyperparameters
        Held fixed.
    start : Sites, optional
        Where to begin; default flat.
    sketch : bool
        Take what there is after all sweeps even if it has not settled: enough to tell a search that it
        went astray.

    Returns
    -------
    Propagation
        At the fixed point.

    Raises
    ------
    FitError
        If the sites do not settle; the message says how far they came.

    Notes
    -----
    All sites are refined at once and blended with the old ones, at a pace of each diver's own.
    """
    o = observations
    variances = Variances.of(o, theta)
    sites, pace, left = start or Sites.flat(len(o)), _Pace(o), np.inf
    for sweep in range(1, MOST_SWEEPS + 1):
        share = eliminate(o, variances, sites.precision, sites.shift)
        beta, precision, determinant = beta_posterior(share)
        found = moments(o, share, beta, precision)
        cavity = _cavity(found, sites)
        value, *derivatives = _tilted(o, theta, cavity)
        left = pace.left(found)
        if left < TOLERANCE or (sweep == MOST_SWEEPS and (sketch or left < NEARLY)):
            pivots = determinant + share.log_determinant
            evidence = _log_evidence(o, found, sites, cavity, value, pivots)
            gradient = _gradient(o, theta, found, cavity)
            return Propagation(found, precision, sites, cavity, evidence, gradient, sweep)
        sites = pace.blend(sites, _refined(cavity, *derivatives))
    raise FitError(
        f"the fit did not settle in {MOST_SWEEPS} sweeps ({left:.1g} sd still to go): "
        "look for records that contradict each other",
        {"sweeps": float(MOST_SWEEPS), "left": left},
    )


def share_of(
    observations: Observations, theta: Hyperparameters, beta: FloatArray, precision: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What one diver's rows contribute to a population that they are part of.

    Parameters
    ----------
    observations : Observations
        Rows that the population was fitted to; m >= 1.
    theta : Hyperparameters
        Of the fit.
    beta, precision : ndarray, shape (p,), (p, p)
        Posterior of the shared effects with these rows. [-]

    Returns
    -------
    precision, shift : ndarray, shape (p, p), (p,)
        Natural parameters to be taken from the posterior's.

    Notes
    -----
    The same sweeps with the posterior of beta held: its cavity is whatever is left of it, so the sites
    settle where those of the whole fit did.
    """
    variances = Variances.of(observations, theta)
    sites, pace = Sites.flat(len(observations)), _Pace(observations)
    for _ in range(MOST_SWEEPS):
        share = eliminate(observations, variances, sites.precision, sites.shift)
        found = moments(observations, share, beta, precision)
        if pace.left(found) < TOLERANCE:
            break
        cavity = _cavity(found, sites)
        _, *derivatives = _tilted(observations, theta, cavity)
        sites = pace.blend(sites, _refined(cavity, *derivatives))
    return share.precision, share.shift
