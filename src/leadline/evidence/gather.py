"""Statements joined with physics: each observation gets the prior and the exposures of its own state."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Occasions, ranks
from leadline.evidence.check import surface_checks
from leadline.evidence.passage import passage
from leadline.evidence.statement import AT_CHECK, AT_START, AT_STOP, HABIT, Statements, join
from leadline.evidence.stop import descents, habits, stop_results
from leadline.model.observations import Observations
from leadline.physics.ledger import State, evaluate, exposures
from leadline.physics.lung import breath_volume
from leadline.physics.rig import Rigs
from leadline.timeline import CHECK, DIVE, Timeline

__all__ = ["Evidence", "gather", "pressures", "suit_keys"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

GAUGE_SD: Final = 4.0
"""Reading and rounding of a noted pressure. [bar] (judged: gauges are read to 5 or 10 bar)"""

_UNNOTED: Final = {AT_STOP: (60.0, 35.0), AT_START: (200.0, 25.0), AT_CHECK: (120.0, 60.0)}
"""Pressure and its sd where none is noted. [bar] (judged, no source)"""

_LEFT_AT_STOP: Final = (0.3, 0.15)
"""The same as a share of the start pressure, where that is noted."""


@dataclass(frozen=True)
class Evidence:
    """All observations of a book.

    Parameters
    ----------
    observations : Observations
        m rows, for the engine.
    statements : Statements
        The same rows in words.
    suit : ndarray of int, shape (m,)
        Key of diver and suit, as `suit_keys` gives it.
    diver : ndarray of int, shape (m,)
        Row of the diver in the divers table.
    order : ndarray of int, shape (m,)
        Place of each row's occasion in time; ties stay in file order.
    labels : tuple of str
        The exposures for people, in the order of `observations.names`.
    """

    observations: Observations
    statements: Statements
    suit: IntArray
    diver: IntArray
    order: IntArray
    labels: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.observations)

    def take(self, rows: NDArray[np.int64] | NDArray[np.bool_]) -> Evidence:
        """Observations at `rows` (a mask or ascending indices)."""
        return Evidence(
            self.observations.take(rows),
            self.statements.take(rows),
            self.suit[rows],
            self.diver[rows],
            self.order[rows],
            self.labels,
        )


def suit_keys(line: Timeline) -> IntArray:
    """One number for each diver in each combination of suits and undersuits; shape (n,).

    Parameters
    ----------
    line : Timeline
        n rows.

    Returns
    -------
    ndarray of int, shape (n,)
        Equal where the same diver wears the same; neither the order of a list nor of a file matters.
    """
    occasions, records = line.occasions, line.records
    item = np.append(ranks(records.gear["item"]), -1)
    worn = np.sort(item[np.concatenate([occasions.suit, occasions.undersuit], axis=1)], axis=1)
    table = np.column_stack([ranks(records.divers["diver"])[occasions.diver], worn])
    return np.unique(table, axis=0, return_inverse=True)[1].reshape(-1)


def pressures(occasions: Occasions, when: int) -> tuple[FloatArray, FloatArray]:
    """Cylinder pressures at the stop, the start or a check, filled where not noted.

    Parameters
    ----------
    occasions : Occasions
        n rows, C cylinders.
    when : int
        AT_STOP, AT_START or AT_CHECK.

    Returns
    -------
    pressure, sd : ndarray, shape (n, C)
        0 where there is no cylinder. [bar gauge, bar]
    """
    noted = occasions.start if when == AT_START else occasions.stop
    usual, usual_sd = _UNNOTED[when]
    fill, fill_sd = np.full(noted.shape, usual), np.full(noted.shape, usual_sd)
    if when == AT_STOP:
        known = ~np.isnan(occasions.start)
        fill = np.where(known, np.maximum(_LEFT_AT_STOP[0] * occasions.start, 10.0), fill)
        fill_sd = np.where(known, np.maximum(_LEFT_AT_STOP[1] * occasions.start, 10.0), fill_sd)
    missing = np.isnan(noted)
    return np.where(missing, fill, noted), np.where(missing, fill_sd, GAUGE_SD)


def _statements(line: Timeline, rigs: Rigs) -> Statements:
    """All statements of dives and checks."""
    dives, checks = line.at(DIVE), line.at(CHECK)
    return join(
        [
            stop_results(line.records.dives, dives, rigs.dry[dives]),
            habits(line.records.dives, dives),
            descents(line.records.dives, dives),
            surface_checks(line.records.checks, checks, rigs.take(checks)),
        ]
    )


def _places(line: Timeline) -> tuple[IntArray, IntArray]:
    """Occasion of each row of the timeline, and its place in time.

    A check made on a dive shares that dive's occasion; checks of one diver on one day share one.
    """
    o, records = line.occasions, line.records
    n = len(line.table)
    occasion = np.arange(n)
    dives, checks = line.at(DIVE), line.at(CHECK)
    keys = zip(records.dives["dive"].tolist(), o.diver[dives].tolist(), strict=True)
    at = dict(zip(keys, dives.tolist(), strict=True))
    days: dict[tuple[int, object], int] = {}
    named = records.checks["dive"].tolist()
    day = o.date.astype("datetime64[D]")
    for name, row in zip(named, checks.tolist(), strict=True):
        diver = int(o.diver[row])
        if (name, diver) in at:
            occasion[row] = at[name, diver]
        elif not np.isnat(day[row]):
            occasion[row] = days.setdefault((diver, day[row].item()), row)
    late = np.where(np.isnat(o.date), np.datetime64("9999-12-31", "s"), o.date)
    order = np.empty(n, np.int64)
    order[np.lexsort((np.arange(n), late))] = np.arange(n)
    return occasion, order[occasion]


def _states(rigs: Rigs, occasions: Occasions, found: Statements) -> tuple[State, FloatArray, State]:
    """State of each statement, the sd of its breath [L], and the same state one pressure sd higher."""
    pressure = np.zeros(occasions.start.shape)
    sd = np.zeros(occasions.start.shape)
    for when in (AT_STOP, AT_START, AT_CHECK):
        rows = found.when == when
        if rows.any():
            pressure[rows], sd[rows] = pressures(occasions.take(rows), when)
    breath, breath_sd = breath_volume(found.breath, rigs.lungs)
    carried = np.where((found.when == AT_STOP)[:, None], rigs.carried, rigs.present)

    def state(at: FloatArray) -> State:
        return State(
            depth=found.depth,
            cylinder_pressure=np.where(rigs.present, at, 0.0),
            carried=carried,
            breath=breath,
            head_out=found.head_out,
        )

    return state(pressure), breath_sd, state(np.minimum(pressure + sd, 330.0))


def _labels(keys: IntArray) -> IntArray:
    """0, 1, ... in order of appearance, for keys that come in runs."""
    return np.cumsum(np.diff(keys, prepend=keys[:1]) != 0) if len(keys) else keys


def _rounded(values: FloatArray) -> FloatArray:
    """To a thousand millionth, so that the order of a file cannot change a fit.

    A processor's vector units can differ in the last bit with the place of a number in its array.
    """
    return np.asarray(np.round(values, 9))


def _record_ranks(line: Timeline) -> IntArray:
    """Place of each row's own key: what shares an occasion stands in that order, not the file's."""
    found = np.zeros(len(line.table), np.int64)
    for table, keys in ((DIVE, line.records.dives["dive"]), (CHECK, line.records.checks["check"])):
        found[line.at(table)] = ranks(keys)
    return found


def gather(line: Timeline, rigs: Rigs) -> Evidence:
    """All evidence of a book, each observation in its own state.

    Parameters
    ----------
    line : Timeline
        Dives, checks and plans.
    rigs : Rigs
        Their rigs, one a row of the timeline.

    Returns
    -------
    Evidence
        Sorted by diver, suit and occasion, as the engine wants it.

    Notes
    -----
    A litre of BC gas is worth rho / (1 - rho/rho_lead) kg of lead. The reading sd joins the observer's
    judgement, the litres' 40 %, how far a word fixes breath and waterline, and what an unnoted pressure
    leaves open, in quadrature.
    """
    found = _statements(line, rigs)
    keys = suit_keys(line)
    occasion, order = _places(line)
    at = found.row
    # A check in another suit than its dive cannot share that dive's place in the engine's nesting; a habit
    # is no observation of a dive, so it comes first and alone.
    seen = found.kind != HABIT
    place = np.where(seen, occasion[at], -1 - np.arange(len(found)))
    who = ranks(line.records.divers["diver"])[line.occasions.diver[at]]
    rank = np.lexsort((_record_ranks(line)[at], place, order[at] * seen, keys[at], who))
    found, at, place = found.take(rank), at[rank], place[rank]
    own, rows = rigs.take(at), line.occasions.take(at)
    state, breath_sd, higher = _states(own, rows, found)
    ledger, shared = evaluate(own, state), exposures(own, state)
    gas_sd = np.abs(ledger.need - evaluate(own, higher).need)
    litre = ledger.water_density / 1e3 / ledger.lead_factor
    litres_sd = np.where(found.litres > 0, np.maximum(0.4 * found.litres, 0.45), 0.0)
    reading = np.sqrt(
        found.reading_sd**2 + gas_sd**2 + (litre**2) * (litres_sd**2 + breath_sd**2 + found.head_out_sd**2)
    )
    balanced = found.lead - litre * found.litres
    size = np.where(found.kind == "waterline", litre, 1.0)
    # What shares an occasion shares its time.
    time, begun = passage(line.occasions).knots(), occasion[at]
    diver = line.occasions.diver[at]
    labels = _labels(diver)
    body = np.hypot(shared.body_sd, shared.rest_sd)
    count = np.bincount(labels) if len(labels) else np.ones(0)
    observations = Observations(
        prior=_rounded(ledger.need),
        exposure=_rounded(shared.values),
        suit_weight=_rounded(shared.suit_sd),
        lower=_rounded(
            np.where(found.lower, balanced - size * found.below, np.where(found.point, balanced, -np.inf))
        ),
        upper=_rounded(np.where(found.upper, balanced + size * found.above, np.inf)),
        lower_breath=(found.lower & found.breathing).astype(float),
        upper_breath=(found.upper & found.breathing).astype(float),
        reading_sd=_rounded(reading),
        fit=found.fit,
        form=found.form,
        point=found.point,
        occasion=_labels(place + (len(line.table) + len(found)) * _labels(keys[at])),
        suit=_labels(keys[at]),
        diver=labels,
        body_sd=_rounded(np.bincount(labels, body) / count) if len(labels) else np.zeros(0),
        names=shared.names,
        elapsed=time.elapsed[begun],
        jumped=time.jumped[begun],
    )
    whole = Evidence(observations, found, keys[at], diver, order[at], shared.labels)
    return whole.take(_usual(whole))


def _usual(evidence: Evidence) -> NDArray[np.bool_]:
    """All observations, and for each diver in each suit the one habit in the middle."""
    o = evidence.observations
    habit = np.flatnonzero(evidence.statements.kind == HABIT)
    kept = np.ones(len(o), bool)
    kept[habit] = False
    excess = o.lower[habit] - o.prior[habit]
    ranked = habit[np.lexsort((excess, o.suit[habit]))]
    _, first, count = np.unique(o.suit[ranked], return_index=True, return_counts=True)
    kept[ranked[first + (count - 1) // 2]] = True
    return kept
