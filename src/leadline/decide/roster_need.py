"""Needs of the students of a roster: one posterior a student and suit serves all dives in that suit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from leadline.decide.advice import TOO_HEAVY, Advice, answers, breath_out
from leadline.decide.ahead import foresee
from leadline.decide.assessment import ALL_TIME, Assessment
from leadline.decide.block import Block
from leadline.decide.flag import majority
from leadline.decide.hint import Case, cautious_weights
from leadline.decide.roster_belief import doubted_rows, judged_dives
from leadline.decide.roster_look import MOST_SUNK, MOST_TRIED, Heavy, looked_at
from leadline.decide.roster_scope import latest, time_order
from leadline.errors import RecordError
from leadline.frozen import dataclass
from leadline.model.marginal import Marginal
from leadline.model.quantile import quantiles
from leadline.model.stack import stacks
from leadline.records import RESERVE_PRESSURE
from leadline.timeline import DIVE, PLAN

__all__ = ["LAST_DIVES", "Found", "Needs", "needs"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LAST_DIVES: Final = 5
"""The latest dives of which most must be more than 2 kg over."""

NOTHING: Final = -1
"""A place in time before all evidence."""

ROWS_AT_ONCE: Final = 20_000
"""Rows whose exposures are held at once."""


@dataclass(frozen=True)
class Found:
    """What is known of one student.

    Parameters
    ----------
    advice : Advice
        The answer for the next dive, in the kit of the latest.
    need : Marginal
        Of that dive.
    before_mean, before_sd : float
        Of the expected need on that dive before any record of this student. [kg]
    offset, variance : dict of int to float
        For each suit worn, by key: best estimate of need less `Needs.expected`, and its variance, the scatter
        of single dives left out. [kg, kg²]
    """

    advice: Advice
    need: Marginal
    before_mean: float
    before_sd: float
    offset: dict[int, float]
    variance: dict[int, float]


@dataclass(frozen=True)
class Needs:
    """The dives of a roster, and the needs on them; *n* dives of *d* students.

    Parameters
    ----------
    row, student : ndarray of int, shape (n,)
        Row of the timeline and number of the student, in order of student and time.
    plan, latest : ndarray of int, shape (d,)
        Rows of the timeline with each student's next and latest dive.
    judged : ndarray of int, shape (d,)
        Among the n, the dive by whose lead each student is judged: the latest, if that is believed.
    expected : ndarray, shape of the timeline
        Need at the reserve by kit and population, the student's own offsets left out; NaN where not of the
        roster. [kg]
    lead, need, variance : ndarray, shape (n,)
        Lead carried, best estimate of need at the reserve, its variance. [kg, kg, kg²]
    believed : ndarray of bool, shape (n,)
        False where all else makes what was noted of the dive unlikely: its lead may be another diver's.
    excess : ndarray, shape (d,)
        First lead recorded in the suit of the latest dive, less `expected` there; NaN where unknown. [kg]
    found : list of Found
        One a student.
    """

    row: IntArray
    student: IntArray
    plan: IntArray
    latest: IntArray
    judged: IntArray
    expected: FloatArray
    lead: FloatArray
    need: FloatArray
    variance: FloatArray
    believed: BoolArray
    excess: FloatArray
    found: list[Found]

    @property
    def margin(self) -> FloatArray:
        """Lead less need; NaN where either is not known or the dive is not believed. [kg]."""
        return np.where(self.believed, self.lead - self.need, np.nan)

    def own(self, student: int) -> slice:
        """Where the dives of one student stand among the n."""
        first, last = np.searchsorted(self.student, [student, student + 1])
        return slice(int(first), int(last))

    def heavy_on_most(
        self, assessment: Assessment, *, tried: BoolArray, amounts: Sequence[float] = (0.5, 1.0)
    ) -> Heavy:
        """Chance of more than 2 kg over need on most of the latest dives in that suit, and what a look adds.

        Parameters
        ----------
        assessment : Assessment
            The one these needs are from.
        tried : ndarray of bool, shape (d,)
            Who was looked at in that suit, and so may hand lead over at the next look.
        amounts : sequence of float
            Lead that may be handed over. [kg]

        Returns
        -------
        Heavy
            The offset is the same on all of them, the scatter each dive's own; the lower of the chances with
            the lead as given and with the lead as a hint.
        """
        theta = assessment.fit.theta
        limit, last, counted = self._latest(assessment.suit)
        left = np.column_stack([last[:, None] - np.array([0.0, *amounts]), self._next_lead()])
        sinks, cases, safe = {}, {}, left >= 0
        for dives in range(1, LAST_DIVES + 1):
            these = np.flatnonzero(counted == dives)
            for places, stack in stacks([self.found[i].need for i in these], numbers=LAST_DIVES):
                who = these[places]
                over = limit[who, :dives].T[..., None] - stack.points
                chance = majority(ndtr(over / stack.scatter[:, None]))
                # Whoever was never looked at, or may well rise, hands nothing over.
                light = stack.above(left[who, 1:] + breath_out(theta))
                safe[who, 1:] &= light <= MOST_TRIED
                safe[who, 1:-1] &= tried[who, None]
                under = (left[who] - theta.cautious().breath_in)[..., None] - stack.points[:, None]
                sunk = ndtr(under / stack.scatter[:, None, None])
                safe[who] &= np.einsum("nkg,ng->nk", sunk, stack.weights) <= MOST_SUNK
                for i, heavy, sink in zip(who.tolist(), chance, sunk, strict=True):
                    one = self.found[i]
                    cases[i] = Case(one.need, one.before_mean, one.before_sd, self.excess[i], heavy)
                    sinks[i] = sink
        safe[:, -1] &= ~safe[:, :-1].any(axis=1)
        some = np.flatnonzero(counted)
        weights = cautious_weights([cases[i] for i in some], usual=theta.habit)
        found = np.full((5, len(counted)), np.nan)
        found[:, some] = looked_at(
            [cases[i].chance for i in some],
            [sinks[i] for i in some],
            weights,
            np.where(safe[some], left[some], np.nan),
        )
        chance, sunk, if_sinks, if_not = np.clip(found[:4], 0.0, 1.0)
        look = found[4]
        handed = np.where(safe[:, -1], 0.0, last - look)
        return Heavy(chance, sunk, if_sinks, if_not, look, handed, counted)

    def _next_lead(self) -> FloatArray:
        """Lead of the answer for each next dive, NaN where a surface check comes first. [kg]."""
        advice = [one.advice for one in self.found]
        return np.array([np.nan if one.check_first else one.lead_kg for one in advice], float)

    def _latest(self, suit: IntArray) -> tuple[FloatArray, FloatArray, IntArray]:
        """Of the latest dives in the suit of the next one, five at most: limits, last lead, their number.

        A limit is the need on the next dive below which such a dive was too heavy, shape (d, 5), NaN where
        there are fewer dives. [kg]

        Dives that are not believed count only for a student who has no others.
        """
        here = (suit[self.row] == suit[self.plan][self.student]) & ~np.isnan(self.lead)
        some = np.bincount(self.student[here & self.believed], minlength=len(self.found)) > 0
        used = np.flatnonzero(here & (self.believed | ~some[self.student]))
        who = self.student[used]
        number = np.bincount(who, minlength=len(self.found))
        back = np.cumsum(number)[who] - np.arange(len(used))
        lead, place = self.lead[used], np.minimum(number[who], LAST_DIVES) - back
        apart = self.expected[self.row[used]] - self.expected[self.plan][who]
        limit = np.full((len(number), LAST_DIVES), np.nan)
        late = place >= 0
        limit[who[late], place[late]] = (lead - TOO_HEAVY - apart)[late]
        return limit, self.lead[self.judged], np.minimum(number, LAST_DIVES)


def needs(
    assessment: Assessment,
    wanted: NDArray[np.bool_],
    *,
    block: Block | None = None,
    risk: float = 0.05,
    imperial: bool = False,
) -> Needs:
    """Needs on the wanted dives of the divers of the plan.

    Parameters
    ----------
    assessment : Assessment
        With the plan of `roster_plan`.
    wanted : ndarray of bool
        Of the dives table, as `scope` gives it.
    block, risk, imperial
        As of `answers`.

    Returns
    -------
    Needs
        Within one suit dives differ by the ledger and by what the population has taught about the kit.

    Raises
    ------
    RecordError
        If the plan is not that of these dives.
    """
    line, suit = assessment.line, assessment.suit
    rows, student, plan, last = _rows(assessment, wanted)
    first = _first(assessment, plan)
    expected = _expected(assessment, np.concatenate([rows, plan, first[first >= 0]]))
    ends = np.searchsorted(student, np.arange(len(plan) + 1))
    # The next dive stands for its suit, the latest dive for each other one.
    stands = [
        dict(zip(suit[rows[first:last]].tolist(), rows[first:last].tolist(), strict=True))
        | {int(suit[row]): row}
        for first, last, row in zip(ends[:-1], ends[1:], plan.tolist(), strict=True)
    ]
    elsewhere = np.array(
        [row for one, now in zip(stands, plan.tolist(), strict=True) for row in one.values() if row != now],
        np.int64,
    )
    _foresee(assessment, plan, elsewhere)
    given = answers(assessment, block=block, risk=risk, imperial=imperial)
    # Without the share of this student's own records in what the population has taught: where nobody was
    # looked at they would count twice, and everybody would seem sure to carry too much.
    before = _needs(assessment, plan, until=NOTHING)
    known = dict(zip(elsewhere.tolist(), _needs(assessment, elsewhere), strict=True))
    known |= {int(row): answer.need for row, answer in zip(plan, given, strict=True)}
    middle = dict(zip(known, quantiles(list(known.values()), [0.5])[:, 0].tolist(), strict=True))
    found = [
        Found(
            answer.advice,
            answer.need,
            first_guess.mean,
            first_guess.expected_sd,
            {key: middle[row] - float(expected[row]) for key, row in stand.items()},
            {key: known[row].expected_sd ** 2 for key, row in stand.items()},
        )
        for answer, first_guess, stand in zip(given, before, stands, strict=True)
    ]
    pairs = list(zip(student.tolist(), suit[rows].tolist(), strict=True))
    lead, believed = (
        line.records.dives["lead_kg"][line.row[rows]],
        ~np.isin(rows, doubted_rows(assessment, known)),
    )
    order = np.argsort(rows)
    judged = judged_dives(
        order[np.searchsorted(rows, last, sorter=order)],
        student,
        lead=lead,
        suit=suit[rows],
        expected=expected[rows],
        believed=believed,
    )
    return Needs(
        rows,
        student,
        plan,
        last,
        judged,
        expected,
        lead,
        expected[rows] + np.array([found[who].offset[key] for who, key in pairs], float),
        np.array([found[who].variance[key] for who, key in pairs], float),
        believed,
        np.where(first >= 0, line.records.dives["lead_kg"][line.row[first]] - expected[first], np.nan),
        found,
    )


def _foresee(assessment: Assessment, plan: IntArray, elsewhere: IntArray) -> None:
    """All needs that will be asked for at once: each student's share in the population is taken out once."""
    # The next dives come first: of a diver's rows, the first has the say on how well the body is known.
    rows = np.concatenate([plan, elsewhere, plan])
    until = np.repeat([ALL_TIME, NOTHING], [len(plan) + len(elsewhere), len(plan)])
    foresee(assessment, rows, assessment.state(rows, pressure=RESERVE_PRESSURE), until=until)


def _needs(assessment: Assessment, rows: IntArray, *, until: int = ALL_TIME) -> list[Marginal]:
    """Needs at the reserve, on the evidence up to a place in time; one a row."""
    if not len(rows):
        return []
    state = assessment.state(rows, pressure=RESERVE_PRESSURE)
    known = assessment.recalled(rows, state, until=until)
    one = np.arange(len(rows))[:, None]
    return [
        assessment.marginals(rows[at], state.take(at), until=until)[0] if before is None else before
        for at, before in zip(one, known, strict=True)
    ]


def _rows(assessment: Assessment, wanted: NDArray[np.bool_]) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Rows of the timeline: the wanted dives by student and time, their students; next and latest dives."""
    line = assessment.line
    at, plan = line.at(DIVE), line.at(PLAN)
    rows = at[time_order(line.records.dives["date"])]
    rows = rows[wanted[line.row[rows]]]
    number = np.full(len(line.records.divers["diver"]), -1)
    number[line.occasions.diver[plan]] = np.arange(len(plan))
    student = number[line.occasions.diver[rows]]
    last = at[latest(line.records, wanted)]
    last = last[np.argsort(number[line.occasions.diver[last]], kind="stable")]
    if not np.array_equal(number[line.occasions.diver[last]], np.arange(len(plan))):
        raise RecordError("the plan is not that of these dives; make it by roster_plan, for the same groups")
    order = np.argsort(student, kind="stable")
    return rows[order], student[order], plan, last


def _first(assessment: Assessment, plan: IntArray) -> IntArray:
    """Row of the first dive with a lead in the suit of each planned dive, whatever its group; -1 for none."""
    line, suit = assessment.line, assessment.suit
    dives = line.at(DIVE)
    dives = dives[time_order(line.records.dives["date"])]
    dives = dives[~np.isnan(line.records.dives["lead_kg"][line.row[dives]])][::-1]
    first = dict(zip(suit[dives].tolist(), dives.tolist(), strict=True))
    return np.array([first.get(key, -1) for key in suit[plan].tolist()], np.int64)


def _expected(assessment: Assessment, rows: IntArray) -> FloatArray:
    """Need at the reserve by kit and population; NaN elsewhere. [kg]."""
    need = np.full(len(assessment.line.table), np.nan)
    mean = assessment.fit.aligned(assessment.evidence.observations.names)[0]
    for start in range(0, len(rows), ROWS_AT_ONCE):
        some = rows[start : start + ROWS_AT_ONCE]
        ledger, shared = assessment.prior(some, assessment.state(some, pressure=RESERVE_PRESSURE))
        need[some] = ledger.need + shared.values @ mean
    return need
