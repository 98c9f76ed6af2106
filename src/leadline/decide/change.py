"""What a change of kit, water or body does to a need: physics, what was learned, and how sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Occasions
from leadline.decide.answering import LATE, LEAST
from leadline.decide.assessment import Assessment
from leadline.decide.history import LikeKit
from leadline.decide.other_kit import at_reserve, joined, other_kit, widened, worn_before
from leadline.evidence.passage import JUMP, YEAR
from leadline.frozen import dataclass
from leadline.model.marginal import Marginal
from leadline.model.population import Fit
from leadline.physics.ledger import Exposures, State, assemble, evaluate, exposures
from leadline.timeline import PLAN

__all__ = ["Shift", "Trigger", "late", "late_pressures", "shift", "shift_sd", "triggers"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

EIGHT_IN_TEN: Final = 2 * 1.2815516
"""Width of a normal band of 80 % over its sd."""

BODY_CHANGE: Final = 3.0
"""Change of body mass since the last dive that asks for a check. [kg] (common practice, no source)"""

LONG_BREAK: Final = 180
"""Days without a dive that ask for a check. (common practice, no source)"""

_WHAT: Final[dict[str, tuple[str, ...]]] = {
    "suit": ("suit", "suit_dives", "undersuit"),
    "cylinder": ("cylinder", "oxygen", "helium", "start", "stop", "carried"),
    "bc": ("bc",),
    "water": ("water", "salinity", "temperature", "altitude"),
    "body": ("body_mass",),
    "other": ("other",),
}
"""Columns of an occasion that one change takes with it."""


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


@dataclass(frozen=True)
class Trigger:
    """A reason to check again.

    Parameters
    ----------
    name : {"suit", "cylinder", "bc", "water", "other", "body", "break"}
        What is new.
    widens_kg : float
        How much wider it makes the band that holds 8 dives in 10. [kg]
    amount : float
        Days of a break, kilograms of body mass gained; NaN for the others.
    gained, missing : tuple of str
        Other items that are new, and those that were always there and are not now.
    """

    name: str
    widens_kg: float
    amount: float
    gained: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


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
    suits = _square(fit, "suit_factor") * np.where(other_suit, apart, together)
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


def _new(assessment: Assessment, position: int, history: LikeKit, other: bool, days: float) -> list[str]:
    """What is new, against the latest dive on record so many days ago; `other`: items that matter are."""
    if history.last_row < 0:
        return []
    o, mass = assessment.line.occasions, assessment.rigs.body.mass
    found = [
        name
        for name, seen in (
            ("suit", history.suit_worn),
            ("cylinder", history.cylinder_used),
            ("bc", history.bc_worn or (o.bc[position] < 0).all()),
            ("water", history.water_seen or _unnamed_water(o, position)),
        )
        if not seen
    ]
    if other:
        found.append("other")
    if abs(mass[position] - mass[history.last_row]) >= BODY_CHANGE:
        found.append("body")
    if days > LONG_BREAK:
        found.append("break")
    return found


def _unnamed_water(o: Occasions, position: int) -> bool:
    """Whether a row says nothing of its water: what is not named is not new."""
    return not o.water[position] and bool(np.isnan(o.salinity[position]))


def _days_since(assessment: Assessment, rows: IntArray, histories: Sequence[LikeKit]) -> list[float]:
    """Calendar days from each latest dive on record to the row; NaN where either has no date."""
    last = np.array([history.last_dive for history in histories], "datetime64[s]")
    days = assessment.line.occasions.date[rows].astype("datetime64[D]") - last.astype("datetime64[D]")
    return [float(day) for day in np.where(np.isnat(days), np.nan, days.astype(float))]


def _as_before(line_rows: Occasions, last: Occasions, names: Sequence[str]) -> Occasions:
    """The occasions with what each change takes with it as it was at the latest dive."""
    changed: dict[str, NDArray[Any]] = {}
    for name in {column for columns in _WHAT.values() for column in columns}:
        here = np.array([name in _WHAT.get(what, ()) for what in names])
        now, old = getattr(line_rows, name), getattr(last, name)
        changed[name] = np.where(here.reshape(-1, *[1] * (now.ndim - 1)), old, now)
    return replace(line_rows, **changed)


def _change_sd(assessment: Assessment, cases: Sequence[tuple[int, LikeKit, str]]) -> FloatArray:
    """Sd of the shift from each latest dive's suit, cylinder, BC, water or body to the plan's. [kg].

    Other items are those of the plan without what is new and with what is missing: whether the latest dive
    had some that come and go is no change.
    """
    o = assessment.line.occasions
    now = o.take(np.array([row for row, _, _ in cases]))
    worn = worn_before(now, [(history.gained, history.missing) for _, history, _ in cases])
    width = max(now.other.shape[1], worn.other.shape[1])
    now = replace(now, other=widened(now.other, width))
    last = o.take(np.array([history.last_row for _, history, _ in cases]))
    last = replace(last, other=widened(worn.other, width))
    names = [name for _, _, name in cases]
    rigs = assemble(assessment.line.records, joined(_as_before(now, last, names), now))
    state = at_reserve(rigs)
    shared, n = exposures(rigs, state, ledger=evaluate(rigs, state)), len(cases)
    columns = ("values", "body_sd", "suit_sd", "rest_sd")
    before, after = (
        replace(shared, **{name: getattr(shared, name)[part] for name in columns})
        for part in (slice(0, n), slice(n, 2 * n))
    )
    return shift_sd(
        assessment.fit,
        before,
        after,
        other_suit=np.array([name == "suit" for name in names]),
        gained=np.where(np.array(names) == "body", rigs.body.mass[n:] - rigs.body.mass[:n], 0.0),
    )


def triggers(
    assessment: Assessment, rows: IntArray, *, histories: Sequence[LikeKit], need_sd: FloatArray
) -> list[tuple[Trigger, ...]]:
    """Reasons to check again, for rows of a plan.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    rows : ndarray of int, shape (n,)
        Rows of the timeline.
    histories : sequence of LikeKit
        One a row.
    need_sd : ndarray, shape (n,)
        Sd of need on each dive, scatter included. [kg]

    Returns
    -------
    list of tuple of Trigger
        One tuple a row: a suit, type of cylinder, BC or water that the diver's records do not have, other
        items that are new or missing and matter, 3 kg of body mass, 180 days. The widening is that of each
        alone, against the same dive with that as it was at the latest one; a break's is how far offsets are
        learned to walk.
    """
    others, since = other_kit(assessment, rows, histories), _days_since(assessment, rows, histories)
    found = [
        _new(assessment, row, history, other, days)
        for row, history, other, days in zip(rows.tolist(), histories, others, since, strict=True)
    ]
    cases = [
        (int(row), history, name)
        for row, history, names in zip(rows, histories, found, strict=True)
        for name in names
        if name != "break"
    ]
    sds = iter(_change_sd(assessment, cases).tolist() if cases else ())
    scatter, mass = assessment.fit.theta.scatter, assessment.rigs.body.mass
    items = assessment.line.records.gear["item"]
    made = []
    facts = zip(rows.tolist(), histories, found, need_sd.tolist(), since, strict=True)
    for row, history, names, sd, days in facts:
        own = []
        for name in names:
            by = _walk(assessment.fit, days) if name == "break" else next(sds)
            before = np.sqrt(max(sd**2 - by**2, scatter**2))
            gained = float(mass[row] - mass[history.last_row])
            amount = {"break": days, "body": gained}.get(name, float("nan"))
            swap = (history.gained, history.missing) if name == "other" else ((), ())
            pieces = (tuple(str(items[item]) for item in side) for side in swap)
            own.append(Trigger(name, float(EIGHT_IN_TEN * max(sd - before, 0.0)), amount, *pieces))
        made.append(tuple(own))
    return made


def _walk(fit: Fit, days: float) -> float:
    """How far an offset walks in that time, sd. [kg]."""
    return float(np.sqrt(_square(fit, "drift") * days / YEAR))


def _square(fit: Fit, name: str) -> float:
    """Mean square of a hyperparameter over those that fit."""
    values = np.array([getattr(theta, name) for theta in fit.thetas])
    return float(fit.weights @ values**2 / fit.weights.sum())
