"""What a change of kit, water or body does to a need: physics, what was learned, and how sure."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.answering import LATE, LEAST
from leadline.decide.assessment import Assessment
from leadline.evidence.passage import JUMP
from leadline.frozen import dataclass
from leadline.model.marginal import Marginal
from leadline.model.population import Fit
from leadline.physics.ledger import Exposures, State, evaluate
from leadline.timeline import PLAN

__all__ = ["Shift", "late", "late_pressures", "mean_square", "shift", "shift_sd"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

EIGHT_IN_TEN: Final = 2 * 1.2815516
"""Width of a normal band of 80 % over its sd."""


@dataclass(frozen=True)
class Shift:
    """How one change moves the need of one dive.

    Parameters
    ----------
    total_kg : float
        Expected need after the change less before. [kg]
    sd_kg : float
        How sure that is. [kg]
    physics_kg, learned_kg : float
        What of it the ledger says, and what the records add. [kg]
    q10_kg, q90_kg : float
        Between which it lies on 8 occasions in 10. [kg]
    """

    total_kg: float
    sd_kg: float
    physics_kg: float
    learned_kg: float
    q10_kg: float
    q90_kg: float


def shift_sd(
    fit: Fit, before: Exposures, after: Exposures, *, other_suit: NDArray[np.bool_], gained: FloatArray
) -> FloatArray:
    """Sd of the shift between two states of the same diver.

    Parameters
    ----------
    fit : Fit
        The population.
    before, after : Exposures
        Row by row; both of the same columns.
    other_suit : ndarray of bool, shape (n,)
        Whether the diver changes the suit: how each fits is then unknown by itself.
    gained : ndarray, shape (n,)
        Body mass gained. [kg]

    Returns
    -------
    ndarray, shape (n,)
        The diver's own offset is common to both and drops out; what the diver's records say of shared
        effects counts as far as the population has it, the safe side. [kg]
    """
    _, covariance = fit.aligned(before.names)
    moved = after.values - before.values
    shared = np.einsum("ij,jk,ik->i", moved, covariance, moved)
    apart = before.suit_sd**2 + after.suit_sd**2
    together = (after.suit_sd - before.suit_sd) ** 2
    suits = mean_square(fit, "suit_factor") * np.where(other_suit, apart, together)
    return np.asarray(np.sqrt(np.maximum(shared, 0.0) + suits + (JUMP * gained) ** 2))


def shift(before: Assessment, after: Assessment, *, needs: tuple[Marginal, Marginal] | None = None) -> Shift:
    """How need moves when one thing about a planned dive changes.

    Parameters
    ----------
    before, after : Assessment
        Of the same records, each with a plan of one row of the same diver. In one plan the two rows would
        count as two wearers of a suit, and a body mass would pass from one to the next.
    needs : tuple of Marginal, optional
        Need before and after, where both have been reckoned already.

    Returns
    -------
    Shift
        At the planned stop of each row.
    """
    sides = [_Side.of(assessment) for assessment in (before, after)]
    first, second = needs or (side.assessment.marginals(side.rows, side.state)[0] for side in sides)
    names = tuple(dict.fromkeys([name for side in sides for name in side.shared.names]))
    known, changed = (_over(side.shared, names) for side in sides)
    sd = float(
        shift_sd(
            before.fit,
            known,
            changed,
            other_suit=np.array([sides[0].worn != sides[1].worn]),
            gained=np.array([sides[1].mass - sides[0].mass]),
        )[0]
    )
    total, physics = second.mean - first.mean, sides[1].prior - sides[0].prior
    half = EIGHT_IN_TEN / 2 * sd
    return Shift(total, sd, physics, total - physics, total - half, total + half)


@dataclass(frozen=True)
class _Side:
    """One side of a change."""

    assessment: Assessment
    rows: IntArray
    state: State
    prior: float
    shared: Exposures
    worn: frozenset[int]
    mass: float

    @classmethod
    def of(cls, assessment: Assessment) -> _Side:
        rows = assessment.line.at(PLAN)[:1]
        state = assessment.state(rows)
        ledger, shared = assessment.prior(rows, state)
        o = assessment.line.occasions
        worn = frozenset(np.concatenate([o.suit[rows[0]], o.undersuit[rows[0]]]).tolist()) - {-1}
        mass = float(assessment.rigs.body.mass[rows[0]])
        return cls(assessment, rows, state, float(ledger.need[0]), shared, worn, mass)


def _over(shared: Exposures, names: tuple[str, ...]) -> Exposures:
    """The same over other columns; 0 for what is not in use."""
    at = {name: i for i, name in enumerate(shared.names)}
    values = np.append(shared.values, np.zeros((len(shared.values), 1)), axis=1)
    return replace(shared, names=names, labels=names, values=values[:, [at.get(name, -1) for name in names]])


def late_pressures(planned: FloatArray) -> FloatArray:
    """Pressures of cylinders that end with less gas than planned. [bar gauge]."""
    return np.asarray(np.minimum(np.maximum(planned - LATE, LEAST), planned))


def late(assessment: Assessment, rows: IntArray, stop: State) -> tuple[FloatArray, FloatArray]:
    """Need where the dive ends with less gas than planned, against need as planned.

    Parameters
    ----------
    assessment : Assessment
        With the rows.
    rows : ndarray of int, shape (n,)
        Rows of the timeline.
    stop : State
        Their stop.

    Returns
    -------
    bar, more : ndarray, shape (n,)
        15 bar less in every cylinder carried and at least 10, and the need that adds; NaN where the plan
        already ends that low. [bar gauge, kg]
    """
    rigs = assessment.rigs.take(rows)
    planned, carried = np.asarray(stop.cylinder_pressure, float), np.asarray(stop.carried, bool)
    lowest = np.where(carried, planned, np.inf).min(axis=1)
    after = np.where(carried, late_pressures(planned), planned)
    more = evaluate(rigs, replace(stop, cylinder_pressure=after)).need - evaluate(rigs, stop).need
    told = np.isfinite(lowest) & (lowest > LEAST)
    least = np.where(carried, after, np.inf).min(axis=1)
    return np.where(told, least, np.nan), np.where(told, more, np.nan)


def mean_square(fit: Fit, name: str) -> float:
    """Mean square of a hyperparameter over those that fit."""
    values = np.array([getattr(theta, name) for theta in fit.thetas])
    return float(fit.weights @ values**2 / fit.weights.sum())
