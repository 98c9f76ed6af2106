"""The dive that a surface check is made for: the check and the stop share that dive's own scatter.

A check minutes before a dive tells more about that dive than about the next one: whatever makes this day
different (another layer, a fuller suit) is in it. So need at the check is updated with the scatter in it, on
a grid, and then carried to the stop by the ledger. Looks of an earlier day stand until a stop is held in
that suit: taken at their word as on their own day, but for its scatter, which is another on another day.
"""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cached_property
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import ALL_TIME, Assessment, questions
from leadline.decide.foreseen import Key
from leadline.decide.look_density import REACH, bias_nodes, log_between, log_density, no_further, smoothed
from leadline.decide.past import NEAR_RESERVE, highest_read
from leadline.decide.standing_look import standing_looks
from leadline.distinct import distinct
from leadline.frozen import dataclass
from leadline.model.diver import Population
from leadline.model.marginal import Marginal
from leadline.physics.ledger import State, breath_volume, emerged_head
from leadline.physics.rig import Rigs
from leadline.records import RESERVE_PRESSURE
from leadline.timeline import PLAN

__all__ = ["CheckedDive", "right_check"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LEAST_OWN_SD: Final = 0.15  # kg: no look is read finer than that (judged)
LEAST_CARRY_SD: Final = (
    0.10  # kg: nor is need carried from the surface to the stop without any doubt (judged)
)
CONTRADICT: Final = 0.05  # least chance of a look and the other looks of the day together, over their best
ENOUGH_LOOKS: Final = 3  # looks from which on one may be outvoted
STEP: Final = 0.02  # kg of the grid
ROUNDING: Final = 1e-9  # nats
ASTRAY: Final = ((0.98, 0.0), (0.02, 3.0))
"""Days on which what is known holds, and days on which it does not: shares, and how far off it then is. [kg]

Other kit than was noted, another body, a slip of the pen. (judged)
"""
EVIDENCE: Final = ("waterline", "exhale")


@dataclass(frozen=True)
class _Unlooked(Assessment):
    """An assessment without the looks of one dive, the population as before without all of that diver.

    Parameters
    ----------
    whole : Assessment
        With the looks.
    """

    whole: Assessment

    def population_without(self, diver: int, *, integrated: bool = True) -> Population:
        """As for the whole: looks that the population was fitted to must not come in by that way."""
        return self.whole.population_without(diver, integrated=integrated)


@dataclass(frozen=True)
class CheckedDive(Assessment):
    """An assessment one of whose planned dives has been checked at the surface.

    Parameters
    ----------
    position : int
        Row of that dive in the timeline.
    looks : ndarray of bool, shape (m,)
        Evidence of the surface checks that belong to it.
    own_day : bool
        Whether they were made on the day of that dive, so that they share its scatter.
    since : int
        As of `Standing`.
    left_out : ndarray of bool, shape (m,), optional
        Evidence of the look of that day that all others contradict, while they agree; default none.

    Notes
    -----
    A look made a minute ago is taken at its word: no share of wrong records, which is for what was written
    down long after. So a deeper waterline never asks for more lead, and a clear check overrules the records.
    """

    position: int
    looks: BoolArray
    own_day: bool = True
    since: int = 0
    left_out: BoolArray | None = None

    @classmethod
    def around(cls, assessment: Assessment, position: int | None = None) -> Self:
        """The same assessment; its looks are the checks of that diver, in that suit, on the plan's day.

        Where there is none, those that still stand, see `standing_look`.

        Parameters
        ----------
        assessment : Assessment
            With a plan.
        position : int, optional
            Row of the dive in the timeline; default the first of the plan.

        Returns
        -------
        CheckedDive
            Checks that nothing was noted of are no evidence and not among the looks.
        """
        line, evidence = assessment.line, assessment.evidence
        here = int(line.at(PLAN)[0]) if position is None else position
        told = np.isin(evidence.statements.kind, EVIDENCE)
        standing = standing_looks(assessment, here, told)
        looks = standing.looks[evidence.statements.row] & told
        held = {f.name: getattr(assessment, f.name) for f in fields(Assessment)}
        found = cls(**held, position=here, looks=looks, own_day=standing.own_day, since=standing.since)
        return found._outvoted()

    def _outvoted(self) -> Self:
        """The same without the one look that all others contradict, while they agree; never without the last.

        So a look that was misread is answered by two that show otherwise, and asks for no third and fourth.
        """
        of = self.evidence.statements.row
        rows = distinct(of[self.looks])
        if len(rows) < ENOUGH_LOOKS or not self.at_odds:
            return self
        last = rows[np.lexsort((rows, self.line.occasions.date[rows]))[-1]]
        odd = [self.looks & (of == row) for row in rows.tolist() if row != last]
        rest = [replace(self, looks=self.looks & ~one, left_out=one) for one in odd]
        settled = [one for one in rest if not one.at_odds]
        return settled[0] if len(settled) == 1 else self

    def is_look(self, rows: IntArray) -> BoolArray:
        """Which rows of the timeline are looks of this dive, left out or not."""
        return np.isin(rows, self.evidence.statements.row[self._all])

    @property
    def _all(self) -> BoolArray:
        return self.looks if self.left_out is None else self.looks | self.left_out

    @cached_property
    def near_reserve(self) -> bool:
        """Whether one of the looks was made with nearly empty cylinders, in the types of the planned dive."""
        rows = distinct(self.evidence.statements.row[self.looks])
        types = self.cylinder_types
        like = rows[types[rows] == types[self.position]]
        return bool((highest_read(self.line.occasions, like) <= NEAR_RESERVE).any())

    @cached_property
    def before(self) -> Assessment:
        """What was known without these looks."""
        held = {f.name: getattr(self, f.name) for f in fields(Assessment)}
        return _Unlooked(**held | {"evidence": self.evidence.take(~self._all)}, whole=self)

    @cached_property
    def pressure_now(self) -> FloatArray:
        """Pressures at the start, else at the last look, else the reserve; shape (1, C). [bar gauge]."""
        o, here = self.line.occasions, self.position
        known = o.start[here]
        if self.looks.any():
            rows = distinct(self.evidence.statements.row[self.looks])
            last = rows[np.lexsort((rows, o.date[rows]))[-1]]
            if np.array_equal(o.cylinder[last], o.cylinder[here]):
                known = np.where(np.isnan(known), o.start[last], known)
        return np.asarray(np.where(np.isnan(known), RESERVE_PRESSURE, known)[None, :])

    def started(self, rows: IntArray) -> FloatArray:
        """As noted; but what is left after a dive is no start of the next one."""
        found = super().started(rows).copy()
        noted = np.nan_to_num(found, nan=-np.inf).max(axis=1, initial=-np.inf)
        found[(rows == self.position) & (noted <= NEAR_RESERVE)] = np.nan
        return found

    @cached_property
    def right_now(self) -> State:
        """The state of a check that is right: eye level, a normal breath, the pressures of now."""
        return right_check(self.rigs.take(np.array([self.position])), self.pressure_now)

    @cached_property
    def expected(self) -> Marginal:
        """Need at a check that is right, without the looks."""
        return self.before.marginals(np.array([self.position]), self.right_now)[0]

    @cached_property
    def _shift(self) -> FloatArray:
        """Prior need in the state of each look, less that of a right check now. [kg]."""
        ledger, _ = self.prior(np.array([self.position]), self.right_now)
        return np.asarray(self.evidence.observations.prior[self.looks] - ledger.need[0])

    @cached_property
    def grid(self) -> FloatArray:
        """Values of need at the check, wide enough for what was expected and for what was seen. [kg]."""
        o = self.evidence.observations
        seen = np.concatenate([o.lower[self.looks] - self._shift, o.upper[self.looks] - self._shift])
        reach = REACH * self.expected.sd
        ends = np.append(seen[np.isfinite(seen)], self.expected.mean)
        return np.arange(ends.min() - reach, ends.max() + reach + STEP, STEP)

    @cached_property
    def keys(self) -> tuple[str, ...]:
        """Kind and breath of each look: those alike err together."""
        words = self.evidence.statements.take(self.looks)
        return tuple(f"{kind} {breath}" for kind, breath in zip(words.kind, words.breath, strict=True))

    def log_likelihood(self, used: BoolArray | None = None) -> FloatArray:
        """Log chance of what was seen, for each value of need at a right check now.

        Parameters
        ----------
        used : ndarray of bool, shape (looks,), optional
            Which of the looks; default all.

        Returns
        -------
        ndarray, shape of `grid`
            Looks on the same breath err together (how full a normal breath is, how big the head): their
            common error is integrated out, so that looking ten times does not make ten readings.
        """
        _, weights = bias_nodes()
        rows = np.arange(len(self.keys)) if used is None else np.flatnonzero(used)
        total = np.zeros(len(self.grid))
        for key in sorted({self.keys[s] for s in rows}):
            joint = np.sum([self._each[s] for s in rows if self.keys[s] == key], axis=0)
            total += np.logaddexp.reduce(np.log(weights)[:, None] + joint, axis=0)
        return total

    @cached_property
    def _each(self) -> list[FloatArray]:
        """Log chance of each look by itself, for each common error and each value of need."""
        words = self.evidence.statements.take(self.looks)
        o = self.evidence.observations.take(self.looks)
        own = np.maximum(words.reading_sd, LEAST_OWN_SD)
        common = np.sqrt(np.maximum(o.reading_sd**2 - own**2, 0.0))
        # The zones that fit lie side by side: together they are one interval.
        low = np.where(o.fit[:, 2] > 0, -np.inf, np.where(o.fit[:, 1] > 0, o.lower, o.upper))
        high = np.where(o.fit[:, 0] > 0, np.inf, np.where(o.fit[:, 1] > 0, o.upper, o.lower))
        nodes, _ = bias_nodes()
        needs = self.grid + self._shift[:, None, None] + common[:, None, None] * nodes[:, None]
        return [
            log_between((low[s] - need) / own[s], (high[s] - need) / own[s]) for s, need in enumerate(needs)
        ]

    @cached_property
    def at_odds(self) -> bool:
        """Whether some look hardly fits the others of that day; False where there are fewer than two."""
        rows = self.evidence.statements.row[self.looks]
        for row in distinct(rows) if len(distinct(rows)) > 1 else ():
            # At the best need for both: a mean over a side that is open would go by how far the grid reaches.
            one, others = self.log_likelihood(rows == row), self.log_likelihood(rows != row)
            if float((one + others).max() - one.max() - others.max()) < np.log(CONTRADICT):
                return True
        return False

    @cached_property
    def seen(self) -> FloatArray:
        """Log chance of all that was seen; shape of `grid`.

        Of looks that hardly fit each other one is taken to be misread, any of them alike: between two that
        cannot both be true lies nothing that was seen, and what was known before is not to pick the one that
        suits it.
        """
        if not self.at_odds:
            return self.log_likelihood()
        rows = self.evidence.statements.row[self.looks]
        left = [self.log_likelihood(rows != row) for row in distinct(rows)]
        known = np.logaddexp.reduce(self._before_looks, axis=0)
        return np.asarray(np.logaddexp.reduce([one - np.logaddexp.reduce(known + one) for one in left]))

    @cached_property
    def now(self) -> Marginal:
        """Need at a right check now, on this dive, the looks taken in."""
        logs = np.logaddexp.reduce(self._before_looks, axis=0) + self.seen
        weights = np.exp(logs - logs.max())
        return Marginal(self.grid, weights / weights.sum(), STEP)

    @cached_property
    def _before_looks(self) -> FloatArray:
        """Log density of need at a right check on each kind of day, its share in it; shape (days, g).

        That records may not hold today lets a clear look far from them overrule them: without it the answer
        would lie between the two, where neither has it.
        """
        found = [np.log(share) + log_density(self.expected.wider(off), self.grid) for share, off in ASTRAY]
        return np.array(found)

    def carried_to(self, state: State) -> Marginal:
        """Need on this dive in another state, the looks taken in.

        Parameters
        ----------
        state : State
            One row, such as the stop at the reserve.

        Returns
        -------
        Marginal
            By the regression of need there on need now. What the two do not share is the physics' own doubt
            about their difference: mostly how much foam is worn.
        """
        rows = np.array([self.position])
        there = self.before.marginals(rows, state)[0]
        if np.ptp(self.seen) < ROUNDING:
            return there  # as after a look that was certain beforehand
        apart = self._apart(state)
        here, away, scatter = self.expected.expected_sd**2, there.expected_sd**2, there.scatter**2
        off = np.array([sd for _, sd in ASTRAY]) ** 2
        shared = np.clip((here + away - apart) / 2, 0.0, np.sqrt(here * away)) + off
        shared = shared + scatter if self.own_day else shared
        slope = shared / (here + off + scatter)
        left = np.maximum(away + off + scatter - slope * shared, LEAST_CARRY_SD**2)
        # How much of each need now is owed to which kind of day.
        share = np.exp(self._before_looks - np.logaddexp.reduce(self._before_looks, axis=0))
        points = there.mean + (slope @ share) * (self.grid - self.expected.mean)
        variance = float(left @ (share @ self.now.weights))
        found = Marginal(np.maximum.accumulate(points), self.now.weights, float(np.sqrt(variance)))
        return no_further(found, there, self._side)

    def _apart(self, state: State) -> float:
        """Variance of what need now and need in another state do not share, by the physics. [kg²]."""
        rows = np.array([self.position])
        near, far = (self.prior(rows, s)[1] for s in (self.right_now, state))
        suit = self.fit.theta.suit_factor * (near.suit_sd - far.suit_sd)[0]
        return float(np.sum((near.values - far.values) ** 2) + suit**2)

    def log_told(self, points: FloatArray, state: State) -> FloatArray:
        """Log chance of the looks, for each expected need in another state, where nothing known holds.

        Parameters
        ----------
        points : ndarray, shape (k,)
            [kg]
        state : State
            One row, such as the stop at the reserve.

        Returns
        -------
        ndarray, shape (k,)
            Each look at its word, as for the dive.
        """
        there = self.before.marginals(np.array([self.position]), state)[0]
        sd = float(np.sqrt(max(self._apart(state), LEAST_CARRY_SD**2) + there.scatter**2))
        return smoothed(self.seen, self.grid, points - (there.mean - self.expected.mean), sd)

    @cached_property
    def _side(self) -> int:
        """Which way all that was seen points: -1 to less need, 1 to more, 0 both or neither."""
        steps = np.diff(self.seen)
        less, more = bool((steps <= ROUNDING).all()), bool((steps >= -ROUNDING).all())
        return 0 if less == more else -1 if less else 1

    def marginals(self, rows: IntArray, state: State, *, until: int = ALL_TIME) -> list[Marginal]:
        """Posterior of need; for the checked dive with its scatter shared by check and stop.

        Parameters
        ----------
        rows : ndarray of int, shape (t,)
            Rows of the timeline, all of one diver.
        state : State
            t rows.
        until : int
            Evidence up to and including this place in time; with such a limit the looks are plain evidence.

        Returns
        -------
        list of Marginal
            One a row.
        """
        if until != ALL_TIME or np.any(rows != self.position) or not self.looks.any():
            return super().marginals(rows, state, until=until)
        for i, key in enumerate(keys := questions(rows, state, until=until)):
            if key not in self._carried:
                self._carried[key] = self.carried_to(state.take(np.array([i])))
        return [self._carried[key] for key in keys]

    @cached_property
    def _carried(self) -> dict[Key, Marginal]:
        """Needs that were asked for before: the answer, its chances and its words ask for the same."""
        return {}


def right_check(rigs: Rigs, pressure: FloatArray) -> State:
    """The state of a check that is right, at pressures of shape (t, C) [bar gauge]; t rows."""
    return State(
        depth=np.zeros(len(pressure)),
        cylinder_pressure=np.where(rigs.present, pressure, 0.0),
        carried=rigs.present,
        breath=breath_volume(np.full(len(pressure), "normal", object), rigs.lungs)[0],
        head_out=emerged_head(rigs, "eye")[0],
    )
