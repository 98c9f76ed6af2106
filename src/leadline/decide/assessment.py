"""What is known of each diver: records, physics, evidence and the fit brought together."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Collection
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.arrays import Columns, Records
from leadline.decide.foreseen import Foreseen, Key
from leadline.evidence.gather import Evidence, gather, pressures, suit_keys
from leadline.evidence.passage import Passage, passage
from leadline.evidence.statement import AT_STOP
from leadline.frozen import dataclass
from leadline.model.diver import Population, Targets, conditional_marginals
from leadline.model.marginal import Marginal
from leadline.model.population import Fit
from leadline.physics.ledger import Exposures, Ledger, State, evaluate, exposures
from leadline.physics.rig import Rigs, assemble
from leadline.records import KIT, RESERVE_PRESSURE, STOP_DEPTH
from leadline.timeline import CHECK, DIVE, PLAN, Timeline, timeline

__all__ = ["ALL_TIME", "Assessment", "offset_sds", "questions", "seen_ends", "unshared_sd"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

ALL_TIME: Final = np.iinfo(np.int64).max

ALIKE: Final = 0.35
"""Doubt about a regulator or a salinity, in which dives differ all the time: it is in their scatter. [kg]"""

MOST_KEPT: Final = 64
"""Divers whose population is kept for their next question."""


@dataclass(frozen=True)
class Assessment:
    """Everything needed to answer for the divers of a plan or of a book.

    Parameters
    ----------
    line : Timeline
        Dives, checks and plan.
    rigs : Rigs
        One a row of the timeline.
    evidence : Evidence
        Of all divers.
    fit : Fit
        The population.
    in_fit : ndarray of bool, shape (n,)
        Rows of the timeline that the population was fitted to.
    changed_kit : tuple of str
        Items whose row was another one then; what was learned of their types is left out of `fit`.
    """

    line: Timeline
    rigs: Rigs
    evidence: Evidence
    fit: Fit
    in_fit: BoolArray
    changed_kit: tuple[str, ...]

    @classmethod
    def of(
        cls,
        records: Records,
        fit: Fit,
        *,
        plan: Columns | None = None,
        dives_in_fit: BoolArray | None = None,
        checks_in_fit: BoolArray | None = None,
        changed_kit: Collection[str] = (),
    ) -> Assessment:
        """Assessment of records, with a plan if there is one.

        Parameters
        ----------
        records : Records
            All records, or those of the divers of interest with all gear.
        fit : Fit
            The population.
        plan : Columns, optional
            Dives to come.
        dives_in_fit, checks_in_fit : ndarray of bool, optional
            Which dives and checks the population was fitted to; default none.
        changed_kit : collection of str
            Items whose row was another one when it was fitted (`Book.changed_kit`). What was learned of their
            types is left out, for it would correct an entry that is no more; dives in them are read anew.

        Returns
        -------
        Assessment
            With the evidence of every dive and check.
        """
        line = timeline(records, plan)
        rigs = assemble(line.records, line.occasions)
        seen = np.zeros(len(line.table), bool)
        for table, given in ((DIVE, dives_in_fit), (CHECK, checks_in_fit)):
            if given is not None:
                seen[line.at(table)] = given
        if changed_kit:
            changed = np.isin(line.records.gear["item"], list(changed_kit))
            fit = fit.forgetting({f"type:{name}" for name in rigs.kit.type[: len(changed)][changed]})
            last = np.append(changed, False)  # row -1 pads
            kit = [getattr(line.occasions, name) for name in KIT]
            seen &= ~np.any([last[items].any(axis=1) for items in kit], axis=0)
        return cls(line, rigs, gather(line, rigs, in_fit=seen), fit, seen, tuple(changed_kit))

    @property
    def unlearned(self) -> bool:
        """Whether the population is the one before any record."""
        return self.fit.diagnostics.get("observations", 0) == 0

    @cached_property
    def observed(self) -> BoolArray:
        """Evidence of need that was seen, as against leads that were merely chosen and misreadings; (m,).

        Chosen leads teach the population how far leads are from needs, without which its one-sided bounds
        would drag need down; they say nothing about the one diver who is asked about.
        """
        return self.evidence.observations.seen

    @cached_property
    def suit(self) -> IntArray:
        """Key of diver and suit of each row of the timeline."""
        return suit_keys(self.line)

    @cached_property
    def cylinder_types(self) -> NDArray[np.object_]:
        """Types of the cylinders of each row of the timeline, as one text."""
        gear = self.line.records.gear
        names = np.where(gear["type"] == "", gear["item"], gear["type"])
        names = np.append(names, "")
        sets, place = np.unique(self.line.occasions.cylinder, axis=0, return_inverse=True)
        sorted_names = np.sort(names[sets].astype(str), axis=1)
        texts = np.array([";".join(n for n in row if n) for row in sorted_names], object)
        return texts[place.reshape(-1)]

    @cached_property
    def passage(self) -> Passage:
        """Time and changes of the body at each row of the timeline."""
        return passage(self.line.occasions)

    @cached_property
    def _without(self) -> OrderedDict[tuple[int, bool], Population]:
        return OrderedDict()

    @cached_property
    def everyone(self) -> Population:
        """The population with everybody's share, over the hyperparameters."""
        return Population.of(self.fit, self.evidence.observations.names)

    def population_without(self, diver: int, *, integrated: bool = True) -> Population:
        """The population with one diver's share removed, over the hyperparameters or at their mode."""
        key = diver, integrated
        if key not in self._without:
            names = self.evidence.observations.names
            found = self.everyone if integrated else Population.of(self.fit, names, integrated=False)
            rows = np.flatnonzero(self.evidence.diver == diver)
            seen = rows[self.in_fit[self.evidence.statements.row[rows]]]
            if len(seen):
                found = found.without(self.evidence.observations.take(seen))
            while len(self._without) >= MOST_KEPT:
                self._without.popitem(last=False)
            self._without[key] = found
        return self._without[key]

    def state(self, rows: IntArray, *, pressure: float | None = None) -> State:
        """State at the stop: BC empty, suit gas least, mid-breath.

        Parameters
        ----------
        rows : ndarray of int, shape (t,)
            Rows of the timeline.
        pressure : float, optional
            In every cylinder; default what the row plans, else the planned reserve. [bar gauge]

        Returns
        -------
        State
            t rows.
        """
        line, occasions = self.line, self.line.occasions.take(rows)
        depth = np.full(len(rows), STOP_DEPTH)
        for table, columns in ((DIVE, line.records.dives), (PLAN, line.plan)):
            here = np.flatnonzero(line.table[rows] == table)
            noted = columns["stop_depth_m"][line.row[rows[here]]]
            depth[here] = np.where(np.isnan(noted), STOP_DEPTH, noted)
        planned = np.where(np.isnan(occasions.stop), RESERVE_PRESSURE, occasions.stop)
        use = planned if pressure is None else np.full(planned.shape, pressure)
        rigs = self.rigs.take(rows)
        return State(
            depth=depth,
            cylinder_pressure=np.where(rigs.present, use, 0.0),
            carried=rigs.carried,
        )

    def started(self, rows: IntArray) -> FloatArray:
        """Pressures noted for the start of dives, shape (t, C); NaN where nobody did. [bar gauge]."""
        return np.asarray(self.line.occasions.start[rows])

    def prior(self, rows: IntArray, state: State) -> tuple[Ledger, Exposures]:
        """Ledger and exposures of rows of the timeline in a state."""
        rigs = self.rigs.take(rows)
        return evaluate(rigs, state), exposures(rigs, state)

    def noted_need(self, rows: IntArray) -> FloatArray:
        """Prior need at the stop as each dive made it: its own pressure, or a filled one. [kg]."""
        state = self.state(rows)
        pressure, _ = pressures(self.line.occasions.take(rows), AT_STOP)
        rigs = self.rigs.take(rows)
        filled = State(
            depth=state.depth,
            cylinder_pressure=np.where(rigs.present, pressure, 0.0),
            carried=rigs.carried,
        )
        return np.asarray(evaluate(rigs, filled).need)

    @cached_property
    def foreseen(self) -> Foreseen:
        """Posteriors found ahead of being asked for (`leadline.decide.ahead`), by `questions`."""
        return Foreseen()

    def recalled(self, rows: IntArray, state: State, *, until: ArrayLike = ALL_TIME) -> list[Marginal | None]:
        """What was found ahead for rows of any divers; None where nothing was."""
        if not self.foreseen:
            return [None] * len(rows)
        return [self.foreseen.get(key) for key in questions(rows, state, until=until)]

    def marginals(self, rows: IntArray, state: State, *, until: int = ALL_TIME) -> list[Marginal]:
        """Posterior of need for rows of one diver.

        Parameters
        ----------
        rows : ndarray of int, shape (t,)
            Rows of the timeline, all of one diver.
        state : State
            t rows.
        until : int
            Evidence up to and including this place in time.

        Returns
        -------
        list of Marginal
            One a row.
        """
        known_before = self.recalled(rows, state, until=until)
        if None not in known_before:
            return [one for one in known_before if one is not None]
        diver = int(self.line.occasions.diver[rows[0]])
        mine = (self.evidence.diver == diver) & self.observed
        own = np.flatnonzero(mine & (self.evidence.order <= until))
        evidence = self.evidence.take(own)
        ledger, shared = self.prior(rows, state)
        keys = evidence.suit[evidence.observations.suit_starts] if len(own) else np.zeros(0, int)
        wanted = self.suit[rows]
        fresh = len(keys) + np.unique(wanted, return_inverse=True)[1]
        label = np.where(np.isin(wanted, keys), _place(keys, wanted), fresh)
        seen = evidence.observations.body_sd[0] if len(own) else np.nan
        base, extra = offset_sds(shared.body_sd, shared.rest_sd, *seen_ends(evidence.own_sd), seen)
        targets = Targets(
            ledger.need,
            shared.values,
            shared.suit_sd,
            label,
            base,
            self.passage.elapsed[rows],
            self.passage.jumped[rows],
        )
        population = self.population_without(diver).cautious()
        known = self.in_fit[evidence.statements.row]
        plain = evidence.observations.as_intervals()
        found = conditional_marginals(population, plain, targets, in_fit=known)
        return [m.wider(sd) for m, sd in zip(found, extra.tolist(), strict=True)]


def seen_ends(own_sd: FloatArray) -> tuple[float, float]:
    """Mean and least of what is in doubt about one diver and kit in the records; NaN without any. [kg²]."""
    return (float(np.mean(own_sd**2)), float(np.min(own_sd) ** 2)) if len(own_sd) else (np.nan, np.nan)


def offset_sds(
    body_sd: FloatArray, rest_sd: FloatArray, mean: FloatArray | float, least: FloatArray | float, seen: float
) -> tuple[float | FloatArray, FloatArray]:
    """Prior sd of a diver's offset, and what each need has in doubt besides.

    Parameters
    ----------
    body_sd, rest_sd : ndarray, shape (n,)
        Of the needs of one diver, as of `Exposures`. [kg]
    mean, least : float
        As of `seen_ends`. [kg²]
    seen : float
        Prior sd of the offset in the records, as the population was fitted with it; NaN without any. [kg]

    Returns
    -------
    float or ndarray, shape (n,)
        That of the records, else that of each need. [kg]
    ndarray, shape (n,)
        As of `unshared_sd`; 0 without records. [kg]

    Notes
    -----
    So a need is the same whatever is asked along with it: what is learned of bodies scales the offset and not
    what comes on top, so no share of the one may be put into the other because of another need.
    """
    if not np.isnan(seen):
        return float(seen), unshared_sd(body_sd, rest_sd, mean, least)
    return np.hypot(body_sd, rest_sd), np.zeros(len(body_sd))


def unshared_sd(
    body_sd: FloatArray, rest_sd: FloatArray, mean: FloatArray | float, least: FloatArray | float
) -> FloatArray:
    """Doubt about a need that the diver's records do not share: a cylinder or water that is not named.

    Parameters
    ----------
    body_sd, rest_sd : ndarray, shape (n,)
        Of the needs, as of `Exposures`. [kg]
    mean, least : array_like, shape (n,) or ()
        Of what is in doubt in the records, as of `seen_ends`. [kg²]

    Returns
    -------
    ndarray, shape (n,)
        What is in doubt here and not in the records, or in all records and not here, so far as it is more
        than `ALIKE`; 0 where there are none, since then the offset holds it. [kg]

    Notes
    -----
    The offset of a diver takes in whatever is unknown about the kit in the records, as if it went along to
    every dive. Where the same is unknown each time, it may: the cylinder that nobody names is the same one.
    """
    here = body_sd**2 + rest_sd**2
    beyond = np.maximum(np.minimum(here - mean, rest_sd**2), least - here) - ALIKE**2
    return np.asarray(np.sqrt(np.fmax(beyond, 0.0)))


def questions(rows: IntArray, state: State, *, until: ArrayLike) -> list[Key]:
    """What tells each need from all others of an assessment.

    Parameters
    ----------
    rows : ndarray of int, shape (t,)
        Rows of the timeline.
    state : State
        t rows.
    until : array_like of int, shape (t,) or ()
        Evidence up to and including this place in time.
    """
    fields = (
        state.depth,
        state.cylinder_pressure,
        state.carried,
        state.breath,
        state.bc_gas,
        state.suit_gas,
        state.head_out,
    )
    # A field that is left out has no column, and the numbers of columns stand in front.
    count = len(rows)
    columns = [_column(value, count) for value in fields]
    widths = [np.full((count, 1), float(column.shape[1])) for column in columns]
    table = np.ascontiguousarray(np.concatenate([*widths, *columns], axis=1))
    ends = np.broadcast_to(np.asarray(until, np.int64), (count,))
    return [
        (row, end, one.tobytes()) for row, end, one in zip(rows.tolist(), ends.tolist(), table, strict=True)
    ]


def _column(value: ArrayLike | None, count: int) -> FloatArray:
    """A field of a state as a matrix of so many rows."""
    if value is None:
        return np.zeros((count, 0))
    given = np.asarray(value, float)
    if given.ndim == 2:
        return given
    return np.broadcast_to(given.reshape(-1, 1), (count, 1))


def _place(keys: IntArray, wanted: IntArray) -> IntArray:
    """Index of each wanted key among the keys; anything where it is not there."""
    if not len(keys):
        return np.zeros(len(wanted), np.int64)
    order = np.argsort(keys)
    return order[np.minimum(np.searchsorted(keys, wanted, sorter=order), len(keys) - 1)]
