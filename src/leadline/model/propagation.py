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

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Observations
from leadline.model.occasion import chances
from leadline.model.partition import Holder, Outcome, Partition
from leadline.model.sites import Cavity, Propagation, Sites, Start

if TYPE_CHECKING:
    from leadline.model.row import Levels

__all__ = ["Cavity", "Propagation", "Sites", "Start", "Sweeper", "propagate"]

FloatArray = NDArray[np.float64]

TOLERANCE: Final = 1e-4
"""Change of a row's mean still to come, in its sd, at which the sites have settled. [-]"""

EASY_SWEEPS: Final = 20
MOST_SWEEPS: Final = 150
HASTY: Final = (8, 50)
"""Sweeps in which each diver settles by itself before the shared effects move, and in all; both on the way to
a mode, where a diver whose records chase each other would have everybody wait for nothing. [-]"""

MOST_ROUNDS: Final = 12
"""Refinements of each diver with the shared effects held. [-]"""

NEARLY: Final = 0.6
"""Change still to come of one row's mean, in its sd, that is let pass after all sweeps. [-]

A row between two readings may go to and fro for ever; the evidence then differs by a hundredth of a nat.
"""

DIFFERENCE: Final = 1e-4
"""Step of the central differences of the few chances of forms, which are smooth. [-]"""


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
    rows : Observations or Holder
        m >= 1 rows, or who has them.
    partitions : int, optional
        Threads at work side by side, each on whole chunks; default one for each core, or one where there is
        little to do. The result is the same bits whatever their number.
    """

    def __init__(self, rows: Observations | Holder, *, partitions: int | None = None) -> None:
        self.holder: Holder = Partition(rows, threads=partitions) if isinstance(rows, Observations) else rows

    @property
    def loosest(self) -> FloatArray:
        """How wide each diver's sites may be."""
        return self.holder.loosest

    def propagate(
        self,
        theta: Hyperparameters,
        *,
        start: Start | None = None,
        sketch: bool = False,
        tolerance: float = TOLERANCE,
        inform: bool = False,
        hasty: bool = False,
    ) -> Propagation:
        """As the function `propagate`; `inform` asks for the information, `hasty` waits for nobody."""
        from leadline.model.sweep import NEAR

        holder, p = self.holder, self.holder.columns
        begin = start or Start(Sites.flat(0), np.zeros(p), np.eye(p))
        holder.begin(levels_of(theta), begin.sites)
        mean, covariance, anew = begin.mean, begin.covariance, not begin.sites.precision.any()
        left, shared = np.inf, _Shared()
        easy, most = HASTY if hasty else (EASY_SWEEPS, MOST_SWEEPS)
        for number in range(1, most + 1):
            damping = min(1.0, 2 * easy / number)
            # From nothing, shared effects have first to move before there is a point in settling closely.
            enough = max(0.3 * tolerance, NEAR if number == 1 and anew else 0.0)
            rounds = MOST_ROUNDS if number <= easy else 1
            beta = mean, covariance
            said = holder.sweep(beta, damping=damping, rounds=rounds, enough=enough)
            if not _sound(said[0]):
                said = holder.tighten(beta, damping=damping, enough=enough)
            if number > 1:
                left = holder.left() / shared.part
            mean, covariance, precision, determinant = _beta(
                *shared.blended(
                    left if rounds > 1 else 0.0,
                    np.add.reduce(said[0], axis=0),
                    np.add.reduce(said[1], axis=0),
                )
            )
            if left < tolerance or (number == most and (sketch or left < NEARLY)):
                found = holder.settle((mean, covariance), late=max(tolerance, NEAR), inform=inform)
                return _propagation(theta, found, (mean, covariance, precision, determinant), number)
        raise FitError(
            f"the fit did not settle in {MOST_SWEEPS} sweeps ({left:.1g} sd still to go): "
            "look for records that contradict each other",
            {"sweeps": float(MOST_SWEEPS), "left": left},
        )


def _sound(precision: FloatArray) -> bool:
    """Whether the divers' wide sites together leave a proper posterior of beta."""
    whole = np.add.reduce(precision, axis=0)
    return not len(whole) or bool(np.linalg.eigvalsh((whole + whole.T) / 2)[0] > -0.9)


def _information(slopes: FloatArray) -> FloatArray:
    """Products of the divers' slopes around what all have in common, which says how far away the mode is."""
    apart = slopes - slopes.mean(axis=0)
    return np.asarray(apart.T @ apart)


def _propagation(
    theta: Hyperparameters,
    found: Outcome,
    beta: tuple[FloatArray, FloatArray, FloatArray, float],
    sweeps: int,
) -> Propagation:
    mean, covariance, precision, determinant = beta
    chain = _chain(theta)
    slopes = np.hstack([found.slopes @ chain.T, found.pull]) if len(found.slopes) else None
    return Propagation(
        mean,
        precision,
        found.need,
        found.need_variance,
        found.offset,
        found.offset_variance,
        Start(found.sites, mean, covariance),
        found.cavity,
        found.evidence - 0.5 * determinant,
        chain @ found.slope,
        sweeps,
        None if slopes is None else _information(slopes),
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
