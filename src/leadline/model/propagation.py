"""Expectation propagation over all divers: posterior means and sds, and the evidence with its gradient.

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

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.layout import Layout, lay_out
from leadline.model.observations import Observations
from leadline.model.occasion import chances

if TYPE_CHECKING:
    from leadline.model.elimination import Terms
    from leadline.model.row import Levels
    from leadline.model.settling import Settled

__all__ = ["Cavity", "Propagation", "Sites", "Start", "Sweeper", "propagate"]

FloatArray = NDArray[np.float64]

TOLERANCE: Final = 1e-4
"""Change of a row's mean still to come, in its sd, at which the sites have settled. [-]"""

EASY_SWEEPS: Final = 20
MOST_SWEEPS: Final = 150
"""Sweeps in which each diver settles by itself before the shared effects move, and in all. [-]"""

MOST_ROUNDS: Final = 12
"""Refinements of each diver with the shared effects held. [-]"""

WORTH_THREADS: Final = 4000
"""Rows from which a second thread is worth its while. [-]"""

NEARLY: Final = 0.2
"""Change still to come that is let pass after all sweeps: one row's mean within a fifth of its sd. [-]"""

FIRST_PART: Final = 0.7
"""Share of the refined sites in the first blend. [-]"""

DIFFERENCE: Final = 1e-4
"""Step of the central differences of the few chances of forms, which are smooth. [-]"""


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
class Start:
    """Where to begin: sites, and the posterior of beta that belongs to them."""

    sites: Sites
    mean: FloatArray
    covariance: FloatArray


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
    mean, precision : ndarray, shape (p,), (p, p)
        Posterior of beta, the shared effects.
    need, need_variance : ndarray, shape (m,)
        Expected need of each row; the scatter it shares with other rows included. [kg, kg²]
    offset, offset_variance : ndarray, shape (divers,)
        Each diver's offset at its latest time. [kg, kg²]
    start : Start
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

    mean: FloatArray
    precision: FloatArray
    need: FloatArray
    need_variance: FloatArray
    offset: FloatArray
    offset_variance: FloatArray
    start: Start
    cavity: Cavity
    log_evidence: float
    gradient: FloatArray
    sweeps: int


def levels_of(theta: Hyperparameters) -> Levels:
    from leadline.model.row import Levels

    return Levels(
        theta.diver_sd**2,
        theta.body_factor**2,
        theta.suit_factor**2,
        theta.drift**2,
        theta.scatter**2,
        theta.breath_out,
        theta.breath_in,
        theta.wrong,
        theta.habit,
        theta.habit_sd**2,
        chances(theta),
    )


def _beta(precision: FloatArray, shift: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Mean, covariance and precision of beta under its prior N(0, I), and the log determinant."""
    p = len(shift)
    whole = (precision + precision.T) / 2 + np.eye(p)
    if not p:
        return np.zeros(0), whole, whole, 0.0
    from scipy.linalg import cho_solve, cholesky  # who reads a fit for one answer need not wait for it

    root = cholesky(whole, lower=True)
    covariance = cho_solve((root, True), np.eye(p))
    covariance = (covariance + covariance.T) / 2
    return covariance @ shift, covariance, whole, 2 * float(np.log(np.diag(root)).sum())


def _chain(theta: Hyperparameters, found: FloatArray) -> FloatArray:
    """Gradient in the unconstrained coordinates from the derivatives that the sweeps sum."""
    from leadline.model import settling as k

    vector = theta.to_vector()
    gradient = np.zeros(len(vector))
    gradient[[0, 1, 2, 3]] = found[[k.DIVER, k.BODY, k.SUIT, k.SCATTER]]
    gradient[4] = found[k.OUT] * theta.breath_out
    gradient[5] = found[k.IN] * theta.breath_in
    gradient[6] = found[k.WRONG] * theta.wrong * (1 - theta.wrong)
    by_zone = found[k.CHANCE :].reshape(6, 4)
    for j in range(7, 11):
        up, down = vector.copy(), vector.copy()
        up[j] += DIFFERENCE
        down[j] -= DIFFERENCE
        step = chances(Hyperparameters.from_vector(up)) - chances(Hyperparameters.from_vector(down))
        gradient[j] = np.sum(by_zone * step) / (2 * DIFFERENCE)
    gradient[11], gradient[12], gradient[13] = found[k.HABIT_MEAN], found[k.HABIT_SD], found[k.DRIFT]
    return gradient


class _Shared:
    """What all divers say of beta, moved at a pace of its own: less after a setback.

    Many bounds that hang on one shared effect can push it to and fro for ever.
    """

    def __init__(self) -> None:
        self.part, self.last = 1.0, np.inf
        self.held: tuple[FloatArray, FloatArray] | None = None

    def blended(self, left: float, precision: FloatArray, shift: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The old natural parameters moved towards the new ones."""
        if self.held is not None:
            self.part = max(0.6 * self.part, 0.05) if left > 0.9 * self.last else min(1.15 * self.part, 1.0)
            self.last = left
            old = self.held
            precision, shift = (
                old[0] + self.part * (precision - old[0]),
                old[1] + self.part * (shift - old[1]),
            )
        self.held = precision, shift
        return precision, shift


class Sweeper:
    """Observations laid out once, for fits under many hyperparameters.

    Parameters
    ----------
    observations : Observations
        m >= 1 rows.
    partitions : int, optional
        Parts at work side by side, each of whole chunks; default one for each core, or one where there is
        little to do. The result is the same bits whatever their number.
    """

    def __init__(self, observations: Observations, *, partitions: int | None = None) -> None:
        self.observations = observations
        self.layout: Layout = lay_out(observations)
        p, chunks = observations.n_exposures, len(self.layout.chunk_first) - 1
        self.precision = np.zeros((chunks, p, p))
        self.shift = np.zeros((chunks, p))
        # Wide sites that chased each other stay narrow: in a search the evidence must not jump.
        self.loosest = np.zeros(len(self.layout.suits))
        usual = (os.cpu_count() or 1) if len(observations) >= WORTH_THREADS else 1
        bounds = np.linspace(0, chunks, min(partitions or usual, chunks) + 1).round().astype(int)
        self.parts = list(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True))

    @cached_property
    def pool(self) -> ThreadPoolExecutor:
        """Threads for the parts; they end with the sweeper."""
        return ThreadPoolExecutor(len(self.parts))

    def _everywhere(self, work: Callable[[int, int], None]) -> None:
        """Do the work on all chunks, part by part side by side; compiled code leaves the lock alone."""
        if len(self.parts) == 1:
            work(*self.parts[0])
            return
        for done in [self.pool.submit(work, *part) for part in self.parts]:
            done.result()

    def propagate(
        self,
        theta: Hyperparameters,
        *,
        start: Start | None = None,
        sketch: bool = False,
        tolerance: float = TOLERANCE,
    ) -> Propagation:
        """As the function `propagate`."""
        from leadline.model.elimination import Terms
        from leadline.model.sweep import NEAR, NEVER, Pace, sweep

        m, d, p = len(self.observations), len(self.layout.suits), self.observations.n_exposures
        begin = start or Start(Sites.flat(m), np.zeros(p), np.eye(p))
        level = levels_of(theta)
        terms = Terms(begin.sites.precision.copy(), begin.sites.shift.copy(), np.full(m, np.nan), np.ones(m))
        pace = Pace(np.full(d, FIRST_PART), np.full(d, np.inf), np.maximum(self.loosest, 0.0))
        mean, covariance = begin.mean, begin.covariance

        def swept(damping: float, rounds: int, enough: float) -> Callable[[int, int], None]:
            return lambda first, last: sweep(
                self.layout,
                level,
                terms,
                pace,
                mean,
                covariance,
                damping,
                rounds,
                enough,
                self.precision,
                self.shift,
                first,
                last,
            )

        left, shared = np.inf, _Shared()
        for number in range(1, MOST_SWEEPS + 1):
            damping = min(1.0, 2 * EASY_SWEEPS / number)
            # No diver need settle closer than the shared effects have.
            enough = max(0.3 * tolerance, min(0.1 * left, NEAR))
            rounds = MOST_ROUNDS if number <= EASY_SWEEPS else 1
            self._everywhere(swept(damping, rounds, enough))
            if not self._sound():
                pace.loosest[:] = NEVER
                np.maximum(terms.precision, 0.0, out=terms.precision)
                self._everywhere(swept(damping, 0, enough))
            if number > 1:
                left = float(np.max(pace.last)) / shared.part
            mean, covariance, precision, determinant = _beta(
                *shared.blended(
                    left if rounds > 1 else 0.0,
                    np.add.reduce(self.precision, axis=0),
                    np.add.reduce(self.shift, axis=0),
                )
            )
            if left < tolerance or (number == MOST_SWEEPS and (sketch or left < NEARLY)):
                self.loosest = pace.loosest
                return self._settled(theta, level, terms, mean, covariance, precision, determinant, number)
        raise FitError(
            f"the fit did not settle in {MOST_SWEEPS} sweeps ({left:.1g} sd still to go): "
            "look for records that contradict each other",
            {"sweeps": float(MOST_SWEEPS), "left": left},
        )

    def _sound(self) -> bool:
        """Whether the divers' wide sites together leave a proper posterior of beta."""
        whole = np.add.reduce(self.precision, axis=0)
        return not len(whole) or bool(np.linalg.eigvalsh((whole + whole.T) / 2)[0] > -0.9)

    def _settled(
        self,
        theta: Hyperparameters,
        level: Levels,
        terms: Terms,
        mean: FloatArray,
        covariance: FloatArray,
        precision: FloatArray,
        determinant: float,
        sweeps: int,
    ) -> Propagation:
        from leadline.model.settling import settle

        m, d = len(self.observations), len(self.layout.suits)
        found = _nothing_settled(m, d, len(self.precision))
        self._everywhere(
            lambda first, last: settle(self.layout, level, terms, mean, covariance, found, first, last)
        )
        sites = Sites(terms.precision, terms.shift)
        return Propagation(
            mean,
            precision,
            terms.need,
            terms.variance,
            found.offset,
            found.offset_variance,
            Start(sites, mean, covariance),
            Cavity(found.cavity_mean, found.cavity_variance),
            float(np.sum(found.evidence)) - 0.5 * determinant,
            _chain(theta, np.add.reduce(found.gradient, axis=0)),
            sweeps,
        )


def _nothing_settled(rows: int, divers: int, chunks: int) -> Settled:
    from leadline.model.settling import PLACES, Settled

    return Settled(
        np.zeros(divers),
        np.zeros((chunks, PLACES)),
        np.zeros(rows),
        np.zeros(rows),
        *(np.zeros(divers) for _ in range(4)),
    )


def propagate(
    observations: Observations,
    theta: Hyperparameters,
    *,
    start: Start | None = None,
    sketch: bool = False,
) -> Propagation:
    """Settle the sites of all rows and return posterior, evidence and gradient.

    Parameters
    ----------
    observations : Observations
        m >= 1 rows.
    theta : Hyperparameters
        Held fixed.
    start : Start, optional
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
    All sites are refined at once and blended with the old ones, at a pace of each diver's own: one diver
    with contradictory records must not slow the others.
    """
    return Sweeper(observations).propagate(theta, start=start, sketch=sketch)
