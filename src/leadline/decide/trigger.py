"""Reasons to check again: what of a planned dive is new, and how much wider that makes the band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Occasions
from leadline.decide.assessment import Assessment
from leadline.decide.change import EIGHT_IN_TEN, mean_square, shift_sd
from leadline.decide.checked_dive import CheckedDive
from leadline.decide.history import LikeKit
from leadline.decide.looked_at import BODY_CHANGE, LookedAt
from leadline.decide.other_kit import at_reserve, joined, other_kit, widened, worn_before
from leadline.evidence.passage import YEAR
from leadline.frozen import dataclass
from leadline.model.population import Fit
from leadline.physics.ledger import State, assemble, evaluate, exposures

__all__ = ["Trigger", "triggers"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

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
    looked : bool
        Whether a look of the day has seen it.
    since_check : bool
        Whether the body mass is compared with that at a check, which was made after the latest dive.
    """

    name: str
    widens_kg: float
    amount: float
    gained: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    looked: bool = False
    since_check: bool = False


def _new(
    assessment: Assessment, position: int, history: LikeKit, other: bool, days: float, looks: LookedAt
) -> list[str]:
    """What is new, against the latest dive on record so many days ago; `other`: items that matter are.

    What a look that stands from an earlier day has seen is not new any more.
    """
    if history.last_row < 0:
        return _new_since_looks(assessment, position, looks)
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
    if abs(mass[position] - mass[looks.body_row]) >= BODY_CHANGE:
        found.append("body")
    if days > LONG_BREAK:
        found.append("break")
    settled = looks.settled
    return [name for name in found if name not in settled]


def _new_since_looks(assessment: Assessment, position: int, looks: LookedAt) -> list[str]:
    """What no check has seen of a diver without a dive on record; in another suit nothing is known anyway."""
    if looks.body_row < 0:
        return []
    o, mass = assessment.line.occasions, assessment.rigs.body.mass
    found = ["bc"] if (o.bc[position] >= 0).any() else []
    if not _unnamed_water(o, position):
        found.append("water")
    found = [name for name in found if not len(looks.of[name])]
    if abs(mass[position] - mass[looks.body_row]) >= BODY_CHANGE:
        found.append("body")
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


def _change_sd(assessment: Assessment, cases: Sequence[tuple[int, LikeKit, str, int]]) -> FloatArray:
    """Sd of the shift from the suit, cylinder, BC, water or body of another row to the plan's. [kg].

    One case is a row of the plan, its history, what is new, and the row of the timeline it is new against.

    Other items are those of the plan without what is new and with what is missing: whether the latest dive
    had some that come and go is no change.
    """
    o = assessment.line.occasions
    now = o.take(np.array([row for row, *_ in cases]))
    worn = worn_before(now, [(history.gained, history.missing) for _, history, *_ in cases])
    width = max(now.other.shape[1], worn.other.shape[1])
    now = replace(now, other=widened(now.other, width))
    last = o.take(np.array([before for *_, before in cases]))
    last = replace(last, other=widened(worn.other, width))
    names = [name for _, _, name, _ in cases]
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
    assessment: Assessment, rows: IntArray, *, histories: Sequence[LikeKit], need_sd: FloatArray,
    state: State | None = None, looks: Sequence[LookedAt] | None = None,
) -> list[tuple[Trigger, ...]]:  # fmt: skip
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
    state : State, optional
        n rows, at which that need is; default their planned stop.
    looks : sequence of LookedAt, optional
        What surface checks have looked at, one a row; default nothing.

    Returns
    -------
    list of tuple of Trigger
        One tuple a row: a suit, type of cylinder, BC or water that neither the diver's dives have nor a look
        that stands from an earlier day, other items that are new or missing and matter, 3 kg of body mass,
        180 days. Where there is no dive a BC or water that none of the diver's checks has seen, or 3 kg of
        body mass since. The widening is that of each alone, against the same dive with that as it was at
        the latest one; a break's is how far offsets are learned to walk.
    """
    others, since = other_kit(assessment, rows, histories), _days_since(assessment, rows, histories)
    looks = looks or [LookedAt.nothing(history.last_row) for history in histories]
    found = [
        _new(assessment, *row) for row in zip(rows.tolist(), histories, others, since, looks, strict=True)
    ]
    cases = [
        (
            int(row),
            history,
            name,
            own.body_row if name == "body" or history.last_row < 0 else history.last_row,
        )
        for row, history, own, names in zip(rows, histories, looks, found, strict=True)
        for name in names
        if name != "break"
    ]
    sds = iter(_change_sd(assessment, cases).tolist() if cases else ())
    mass, items = assessment.rigs.body.mass, assessment.line.records.gear["item"]
    made = []
    facts = zip(rows.tolist(), histories, found, need_sd.tolist(), since, looks, strict=True)
    for i, (row, history, names, sd, days, own_looks) in enumerate(facts):
        own = []
        for name in names:
            by = _walk(assessment.fit, days) if name == "break" else next(sds)
            seen = own_looks.of.get(name)
            unseen = sd if seen is None else _unseen_sd(assessment, row, i, state, seen, sd)
            gained = float(mass[row] - mass[own_looks.body_row])
            amount = {"break": days, "body": gained}.get(name, float("nan"))
            swap = (history.gained, history.missing) if name == "other" else ((), ())
            more, fewer = (tuple(str(items[item]) for item in side) for side in swap)
            trigger = Trigger(
                name,
                _wider(sd, unseen, by, assessment.fit.theta.scatter),
                amount,
                more,
                fewer,
                looked=own_looks.own_day and own_looks.seen(name),
                since_check=name == "body" and own_looks.body_row != history.last_row,
            )
            own.append(trigger)
        made.append(tuple(own))
    return made


def _wider(sd: float, unseen: float, by: float, scatter: float) -> float:
    """How much wider a band is for a change whose sd is `by`. [kg].

    What checks that have seen the change say of need holds without it as well: their weight is that by which
    need was known less before them, at an sd of `unseen`.
    """
    weight = max(sd**-2 - unseen**-2, 0.0)
    before = max(unseen**2 - by**2, scatter**2)
    return float(EIGHT_IN_TEN * max(sd - np.sqrt(1 / (1 / before + weight)), 0.0))


def _unseen_sd(
    assessment: Assessment, row: int, i: int, state: State | None, checks: IntArray, sd: float
) -> float:
    """Sd of need in row *i* of `state` without what some checks say; at least as it is with them. [kg]."""
    seen = np.isin(assessment.evidence.statements.row, checks)
    if not seen.any():
        return sd
    at = np.array([row])
    held = {f.name: getattr(assessment, f.name) for f in fields(Assessment)}
    before = CheckedDive(**held, position=row, looks=seen).before
    there = assessment.state(at) if state is None else state.take(np.array([i]))
    return max(before.marginals(at, there)[0].sd, sd)


def _walk(fit: Fit, days: float) -> float:
    """How far an offset walks in that time, sd. [kg]."""
    return float(np.sqrt(mean_square(fit, "drift") * days / YEAR))
