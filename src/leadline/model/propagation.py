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
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.layout import Layout, lay_out
from leadline.model.observations import Observations
from leadline.model.occasion import chances
from leadline.model.sites import Cavity, Propagation, Sites, Start

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

    from leadline.model.elimination import Terms
    from leadline.model.row import Levels
    from leadline.model.settling import Settled
    from leadline.model.sweep import Pace

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

FIRST: Final = 10.0
"""Change still to come at which a diver may leave off in the first sweep, in tolerances. [-]"""

FIRST_PART: Final = 0.7
"""Share of the refined sites in the first blend. [-]"""

DIFFERENCE: Final = 1e-4
"""Step of the central differences of the few chances of forms, which are smooth. [-]"""


def _left(last: FloatArray) -> float:
    """Change still to come: the most of any diver, but for one in a thousand.

    Among very many divers there is always one whose records contradict each other; what such a one says of
    the shared effects is nothing beside the others.
    """
    late = len(last) // 1000
    return float(np.partition(last, -1 - late)[-1 - late])


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


def _chain(theta: Hyperparameters) -> FloatArray:
    """How the unconstrained coordinates move what the sweeps derive by; shape (k, places)."""
    from leadline.model import settling as k

    vector = theta.to_vector()
    chain = np.zeros((len(vector), k.PLACES))
    for row, place in enumerate((k.DIVER, k.BODY, k.SUIT, k.SCATTER)):
        chain[row, place] = 1.0
    chain[4, k.OUT] = theta.breath_out
    chain[5, k.IN] = theta.breath_in
    chain[6, k.WRONG] = theta.wrong * (1 - theta.wrong)
    for j in range(7, 11):
        up, down = vector.copy(), vector.copy()
        up[j] += DIFFERENCE
        down[j] -= DIFFERENCE
        step = chances(Hyperparameters.from_vector(up)) - chances(Hyperparameters.from_vector(down))
        chain[j, k.CHANCE :] = step.ravel() / (2 * DIFFERENCE)
    chain[11, k.HABIT_MEAN] = chain[12, k.HABIT_SD] = chain[13, k.DRIFT] = 1.0
    return chain


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
        self.rows = np.zeros((len(observations), 8))
        # Wide sites that chased each other stay narrow: in a search the evidence must not jump.
        self.loosest = np.zeros(len(self.layout.suits))
        usual = (os.cpu_count() or 1) if len(observations) >= WORTH_THREADS else 1
        bounds = np.linspace(0, chunks, min(partitions or usual, chunks) + 1).round().astype(int)
        self.parts = list(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True))

    @cached_property
    def pool(self) -> ThreadPoolExecutor:
        """Threads for the parts; they end with the sweeper."""
        from concurrent.futures import ThreadPoolExecutor

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
        inform: bool = False,
    ) -> Propagation:
        """As the function `propagate`; `inform` asks for the information."""
        from leadline.model.elimination import Terms
        from leadline.model.prepared import prepare
        from leadline.model.sweep import NEAR, NEVER, Pace, sweep

        m, d, p = len(self.observations), len(self.layout.suits), self.observations.n_exposures
        begin = start or Start(Sites.flat(m), np.zeros(p), np.eye(p))
        level, rows = levels_of(theta), self.rows
        self._everywhere(lambda first, last: prepare(self.layout, level, rows, first, last))
        terms = Terms(
            begin.sites.precision.copy(),
            begin.sites.shift.copy(),
            np.full(m, np.nan),
            np.ones(m),
            np.full(m, np.nan),
        )
        pace = Pace(np.full(d, FIRST_PART), np.full(d, np.inf), np.maximum(self.loosest, 0.0))
        mean, covariance = begin.mean, begin.covariance

        def swept(damping: float, rounds: int, enough: float) -> Callable[[int, int], None]:
            return lambda first, last: sweep(
                self.layout,
                level,
                rows,
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
            enough = max(0.3 * tolerance, min(0.1 * left, max(NEAR, FIRST * tolerance)))
            rounds = MOST_ROUNDS if number <= EASY_SWEEPS else 1
            self._everywhere(swept(damping, rounds, enough))
            if not self._sound():
                pace.loosest[:] = NEVER
                np.maximum(terms.precision, 0.0, out=terms.precision)
                self._everywhere(swept(damping, 0, enough))
            if number > 1:
                left = _left(pace.last) / shared.part
            mean, covariance, precision, determinant = _beta(
                *shared.blended(
                    left if rounds > 1 else 0.0,
                    np.add.reduce(self.precision, axis=0),
                    np.add.reduce(self.shift, axis=0),
                )
            )
            if left < tolerance or (number == MOST_SWEEPS and (sketch or left < NEARLY)):
                self.loosest = pace.loosest
                self._finished(level, terms, pace, mean, covariance, tolerance)
                beta = mean, covariance, precision, determinant
                return self._settled(theta, level, terms, beta, number, inform=inform)
        raise FitError(
            f"the fit did not settle in {MOST_SWEEPS} sweeps ({left:.1g} sd still to go): "
            "look for records that contradict each other",
            {"sweeps": float(MOST_SWEEPS), "left": left},
        )

    def _finished(
        self,
        level: Levels,
        terms: Terms,
        pace: Pace,
        mean: FloatArray,
        covariance: FloatArray,
        tolerance: float,
    ) -> None:
        """Settle the few who have not yet, with the shared effects held."""
        from leadline.model.sweep import NEAR, finish

        late = max(tolerance, NEAR)
        if float(np.max(pace.last)) > late:
            self._everywhere(
                lambda first, last: finish(
                    self.layout, level, self.rows, terms, pace, mean, covariance, late, first, last
                )
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
        beta: tuple[FloatArray, FloatArray, FloatArray, float],
        sweeps: int,
        *,
        inform: bool,
    ) -> Propagation:
        from leadline.model.settling import settle

        mean, covariance, precision, determinant = beta
        found = _nothing_settled(len(self.rows), len(self.layout.suits), len(mean) if inform else 0)
        self._everywhere(
            lambda first, last: settle(
                self.layout, level, self.rows, terms, mean, covariance, found, first, last
            )
        )
        chain = _chain(theta)
        slopes = np.hstack([found.gradient @ chain.T, found.pull]) if inform else None
        return Propagation(
            mean,
            precision,
            terms.need,
            terms.variance,
            found.offset,
            found.offset_variance,
            Start(Sites(terms.precision, terms.shift), mean, covariance),
            Cavity(found.cavity_mean, found.cavity_variance),
            float(np.sum(found.evidence)) - 0.5 * determinant,
            chain @ np.add.reduce(found.gradient, axis=0),
            sweeps,
            None if slopes is None else slopes.T @ slopes,
        )


def _nothing_settled(rows: int, divers: int, columns: int) -> Settled:
    from leadline.model.settling import PLACES, Settled

    return Settled(
        np.zeros(divers),
        np.zeros((divers, PLACES)),
        np.zeros((divers if columns else 0, columns)),
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
