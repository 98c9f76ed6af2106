"""Statements joined with physics: each observation gets the prior and the exposures of its own state."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Occasions, ranks
from leadline.evidence.check import surface_checks
from leadline.evidence.passage import passage
from leadline.evidence.statement import AT_CHECK, AT_ODDS, AT_START, AT_STOP, Statements, join
from leadline.evidence.stop import descents, habits, stop_results
from leadline.frozen import dataclass
from leadline.model.observations import Observations
from leadline.physics.ledger import State, emerged_head, evaluate, exposures, gas_mass, setting
from leadline.physics.lung import breath_volume
from leadline.physics.rig import Rigs
from leadline.timeline import CHECK, DIVE, PLAN, Timeline

__all__ = ["Evidence", "gather", "in_time", "pressures", "suit_keys"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

GAUGE_SD: Final = 4.0
"""Reading and rounding of a noted pressure. [bar] (judged: gauges are read to 5 or 10 bar)"""

_UNNOTED: Final = {AT_STOP: (60.0, 35.0), AT_START: (200.0, 25.0), AT_CHECK: (120.0, 60.0)}
"""Pressure and its sd where none is noted. [bar] (judged, no source)"""

_LEFT_AT_STOP: Final = (0.3, 0.15)
"""The same as a share of the start pressure, where that is noted."""

MOST_FOLDED: Final = 2**40
"""Beyond this a number for a combination is replaced by its place among all. [-]"""


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
    own_sd : ndarray, shape (m,)
        What is in doubt about diver and kit of each row and is in no exposure. [kg]
    """

    observations: Observations
    statements: Statements
    suit: IntArray
    diver: IntArray
    order: IntArray
    labels: tuple[str, ...]
    own_sd: FloatArray

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
            self.own_sd[rows],
        )


def _folded(columns: IntArray) -> IntArray:
    """One number for each distinct row of small numbers, in the order of the rows; shape (n,)."""
    found = np.zeros(len(columns), np.int64)
    for column in columns.T:
        found = found * (int(column.max(initial=0)) + 2) + column + 1
        if found.max(initial=0) > MOST_FOLDED:
            found = np.unique(found, return_inverse=True)[1].reshape(-1)
    return found


def suit_keys(line: Timeline, *, who: IntArray | None = None) -> IntArray:
    """One number for each diver in each combination of suits and undersuits; shape (n,).

    Parameters
    ----------
    line : Timeline
        n rows.
    who : ndarray of int, shape (n,), optional
        Place of each row's diver among all by name, if it is known already.

    Returns
    -------
    ndarray of int, shape (n,)
        0, 1, ... by diver; equal where the same diver wears the same: neither the order of a list nor of a
        file matters.
    """
    occasions, records = line.occasions, line.records
    item = np.append(ranks(records.gear["item"]), -1)
    worn = np.sort(item[np.concatenate([occasions.suit, occasions.undersuit], axis=1)], axis=1)
    outfit = np.unique(_folded(worn), return_inverse=True)[1].reshape(-1)
    key = _who(line, who) * (int(outfit.max(initial=0)) + 1) + outfit
    return np.asarray(np.unique(key, return_inverse=True)[1].reshape(-1))


def _who(line: Timeline, who: IntArray | None) -> IntArray:
    """Place of each row's diver among all by name."""
    if who is not None:
        return who
    return np.asarray(ranks(line.records.divers["diver"])[line.occasions.diver])


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
    return _filled(occasions.start, occasions.stop, when)


def _filled(start: FloatArray, stop: FloatArray, when: int) -> tuple[FloatArray, FloatArray]:
    """As `pressures`, from the pressures alone."""
    noted = start if when == AT_START else stop
    usual, usual_sd = _UNNOTED[when]
    fill, fill_sd = np.full(noted.shape, usual), np.full(noted.shape, usual_sd)
    if when == AT_STOP:
        known = ~np.isnan(start)
        fill = np.where(known, np.maximum(_LEFT_AT_STOP[0] * start, 10.0), fill)
        fill_sd = np.where(known, np.maximum(_LEFT_AT_STOP[1] * start, 10.0), fill_sd)
    missing = np.isnan(noted)
    return np.where(missing, fill, noted), np.where(missing, fill_sd, GAUGE_SD)


def _statements(line: Timeline, rigs: Rigs) -> tuple[Statements, Statements]:
    """All statements of dives and checks of what was seen, and those of leads that were carried."""
    dives, checks = line.at(DIVE), line.at(CHECK)
    seen = [
        stop_results(line.records.dives, dives, rigs.dry[dives]),
        descents(line.records.dives, dives),
    ]
    if len(checks):
        seen.append(surface_checks(line.records.checks, checks, rigs.take(checks)))
    return join(seen), habits(line.records.dives, dives)


def in_time(line: Timeline) -> NDArray[np.datetime64]:
    """Dates by which rows are put in order: a rise of which only the day is noted is after what has a time.

    A check is kept with its time, and the dive after it is logged without one. Read as at midnight, a rise
    would come before the check and be answered by it, and the lead that failed would be suggested again.
    Dives of that day without a time stay in file order after it; what has no date is last.

    Parameters
    ----------
    line : Timeline
        All rows.

    Returns
    -------
    ndarray of datetime64, shape (rows,)
        To be sorted stably, so that ties stay in file order.
    """
    late = np.where(np.isnat(line.occasions.date), np.datetime64("9999-12-31", "s"), line.occasions.date)
    dives = line.at(DIVE)
    said = line.records.dives
    rose = (said["stop_result"] == "rose") | (said["handed_off_result"] == "rose")
    day = late.astype("datetime64[D]")
    timed = (late != day) & (line.table != PLAN)
    if not (rose.any() and timed.any()):
        return late
    key = line.occasions.diver * np.int64(10_000_000) + day.astype(np.int64)
    vague = dives[(late == day)[dives]]
    first: dict[int, int] = {}
    for row in vague[rose[line.row[vague]] & np.isin(key[vague], key[timed])].tolist():
        first.setdefault(int(key[row]), row)
    if not first:
        return late
    moved = [row for row in vague[np.isin(key[vague], list(first))].tolist() if row >= first[int(key[row])]]
    found = late.copy()
    found[moved] = day[moved] + np.timedelta64(86_399, "s")
    return found


def _places(line: Timeline) -> tuple[IntArray, IntArray]:
    """Occasion of each row of the timeline, and its place in time.

    A check made on a dive shares that dive's occasion; checks of one diver on one day share one.
    """
    o, records = line.occasions, line.records
    n = len(line.table)
    occasion = np.arange(n)
    dives, checks = line.at(DIVE), line.at(CHECK)
    named = records.checks["dive"].tolist() if len(checks) else []
    wanted = set(named) - {""}
    keys = zip(records.dives["dive"].tolist() if wanted else [], o.diver[dives].tolist(), strict=False)
    at = {key: int(dives[i]) for i, key in enumerate(keys) if key[0] in wanted}
    days: dict[tuple[int, object], int] = {}
    day = o.date.astype("datetime64[D]")
    for name, row in zip(named, checks.tolist(), strict=True):
        diver = int(o.diver[row])
        if (name, diver) in at:
            occasion[row] = at[name, diver]
        elif not np.isnat(day[row]):
            occasion[row] = days.setdefault((diver, day[row].item()), row)
    late = in_time(line)
    order = np.empty(n, np.int64)
    order[np.argsort(late, kind="stable")] = np.arange(n)
    return occasion, order[occasion]


def _states(rigs: Rigs, occasions: Occasions, found: Statements) -> tuple[State, FloatArray, State]:
    """State of each statement, the sd of its breath [L], and the same state one pressure sd higher."""
    start, stop = occasions.start[found.row], occasions.stop[found.row]
    pressure, sd = _filled(start, stop, AT_STOP)
    for when in (AT_START, AT_CHECK):
        rows = np.flatnonzero(found.when == when)
        if len(rows):
            pressure[rows], sd[rows] = _filled(start[rows], stop[rows], when)
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


def _one_head(rigs: Rigs, state: State, found: Statements) -> State:
    """The states with as much of the head out at every waterline as at eye level.

    The words for a waterline part one scale: where one ends the next begins. Were the doubt about heads to
    move each of them by what is out of the water there, they would overlap or leave gaps, and heads would be
    learned from that.
    """
    eye = emerged_head(rigs, "eye")[0]
    return replace(state, head_out=np.where(found.kind == "waterline", eye, found.head_out))


def _labels(keys: IntArray) -> IntArray:
    """0, 1, ... in order of appearance, for keys that come in runs."""
    return np.cumsum(np.diff(keys, prepend=keys[:1]) != 0) if len(keys) else keys


def _rounded(values: FloatArray) -> FloatArray:
    """To a thousand millionth, so that the order of a file cannot change a fit.

    A processor's vector units can differ in the last bit with the place of a number in its array.
    """
    return np.asarray(np.round(values, 9))


def _record_ranks(line: Timeline) -> IntArray:
    """What shares an occasion stands in this order, not the file's: a dive, then its checks by their keys."""
    found = np.full(len(line.table), -1)
    checks = line.at(CHECK)
    if len(checks):
        found[checks] = ranks(line.records.checks["check"])
    return found


def _usual(
    line: Timeline, rigs: Rigs, found: Statements, keys: IntArray, order: IntArray
) -> NDArray[np.int64]:
    """Of leads carried, the one in the middle for each diver in each suit: how far it is from the prior."""
    at = found.row
    own = rigs.take(at)
    state, _, _ = _states(own, line.occasions, found)
    excess = _rounded(found.lead) - _rounded(evaluate(own, state).need)
    ranked = np.lexsort((order[at], excess, keys[at]))
    _, first, count = np.unique(keys[at[ranked]], return_index=True, return_counts=True)
    return np.asarray(ranked[first + (count - 1) // 2])


def gather(
    line: Timeline, rigs: Rigs, *, who: IntArray | None = None, in_fit: NDArray[np.bool_] | None = None
) -> Evidence:
    """All evidence of a book, each observation in its own state.

    Parameters
    ----------
    line : Timeline
        Dives, checks and plans; n rows.
    rigs : Rigs
        Their rigs, one a row of the timeline.
    who : ndarray of int, shape (n,), optional
        Place of each row's diver among all by name, if it is known already.
    in_fit : ndarray of bool, shape (n,), optional
        Rows that a population was fitted to; if any, chosen leads are taken from these alone, so that what is
        taken out of the population is what was put in. Default: from all.

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
    who = _who(line, who)
    keys = suit_keys(line, who=who)
    occasion, order = _places(line)
    observed, chosen = _statements(line, rigs)
    if in_fit is not None and in_fit.any():
        chosen = chosen.take(in_fit[chosen.row])
    found = join([observed, chosen.take(_usual(line, rigs, chosen, keys, order))])
    at = found.row
    # A check in another suit than its dive cannot share that dive's place in the engine's nesting; a habit
    # is no observation of a dive, so it comes first and alone.
    seen = np.arange(len(found)) < len(observed)
    place = np.where(seen, occasion[at], -1)
    rank = np.lexsort((_record_ranks(line)[at], place, order[at] * seen, keys[at], who[at]))
    found, at, place = found.take(rank), at[rank], place[rank]
    labels = _labels(place + (len(line.table) + 1) * _labels(keys[at])), _labels(keys[at])
    observations, names, own_sd = _observations(line, rigs, found, occasion[at], labels)
    return Evidence(observations, found, keys[at], line.occasions.diver[at], order[at], names, own_sd)


def _observations(
    line: Timeline, rigs: Rigs, found: Statements, begun: IntArray, labels: tuple[IntArray, IntArray]
) -> tuple[Observations, tuple[str, ...], FloatArray]:
    """Statements, each with prior, exposures and noise of its own state; labels of the exposures; own sds."""
    at = found.row
    own = rigs.take(at)
    state, breath_sd, higher = _states(own, line.occasions, found)
    ledger = evaluate(own, state)
    shared = exposures(own, _one_head(own, state, found), ledger=ledger)
    gas_sd = np.abs(gas_mass(own, setting(own, higher)) - ledger.items["gas"].mass) / ledger.lead_factor
    litre = ledger.water_density / 1e3 / ledger.lead_factor
    litres_sd = np.where(found.litres > 0, np.maximum(0.4 * found.litres, 0.45), 0.0)
    reading = np.sqrt(
        found.reading_sd**2 + gas_sd**2 + (litre**2) * (litres_sd**2 + breath_sd**2 + found.head_out_sd**2)
    )
    balanced = found.lead - litre * found.litres
    size = np.where(found.kind == "waterline", litre, 1.0)
    # What shares an occasion shares its time.
    time = passage(line.occasions).knots()
    diver = _labels(line.occasions.diver[at])
    body = np.hypot(shared.body_sd, shared.rest_sd)
    told = (found.kind != AT_ODDS).astype(float)  # what says nothing of need moves none by its state
    told += np.bincount(diver, told)[diver] == 0
    return (
        Observations(
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
            occasion=labels[0],
            suit=labels[1],
            diver=diver,
            body_sd=_rounded(np.bincount(diver, body * told) / np.bincount(diver, told)),
            names=shared.names,
            elapsed=time.elapsed[begun],
            jumped=time.jumped[begun],
        ),
        shared.labels,
        body,
    )
