"""Divers followed dive by dive while somebody chooses their lead and what to try next.

Whoever chooses meets the same divers, sea and luck: the tool with its next steps, the same with other steps
or none, an oracle, common practice, and divers left to their habit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records, columns_from_rows
from leadline.decide.advice import Answer, answers
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.check import check
from leadline.decide.check_look import Conditions, Look
from leadline.decide.history import Histories
from leadline.decide.lead_rule import forbidden, lead_rule
from leadline.decide.step import Act, Setup, Step, next_act, surface_doubts
from leadline.model.population import Fit, fit, prior_fit
from leadline.records import CHECKS, DIVERS, DIVES, GEAR
from leadline.timeline import PLAN
from tests.benchmarks import closed_loop_oracle as oracle
from tests.benchmarks.closed_loop_oracle import Stop
from tests.benchmarks.closed_loop_world import GEAR_ROWS, START, Crew, Sighting, crew, effects, words
from tests.reference.nature import Nature

__all__ = ["GUIDES", "Course", "Settled", "World", "followed", "world"]

FloatArray = NDArray[np.float64]

BLOCK: Final = Block()
MOST_LOOKS: Final = 3
"""Looks of one surface check, after which the dive is made with the lead as things stand."""

GUIDES: Final = (
    "tool", "learned anew", "oracle", "model's oracle", "greedy", "random", "no step", "practice", "habit",
)  # fmt: skip
IMPOSSIBLE: Final = ("not that much lead on", "no lead to leave out")
SHARES: Final = {"full 3": 0.5, "full 5": 0.75, "full 7": 1.0}
"""Common practice, no source: a tenth of the body mass in a thick suit, less in a thinner one."""


class Settled(NamedTuple):
    """Lead of one dive, and what is to be tried on it.

    Parameters
    ----------
    lead : float
        [kg]
    act : str
        Name of the act; empty for none.
    mass : float
        Lead handed off or to be left out next time. [kg]
    looks : tuple of Sighting
        Surface check made before it.
    """

    lead: float
    act: str = ""
    mass: float = 0.0
    looks: tuple[Sighting, ...] = ()


@dataclass(frozen=True)
class Course:
    """What became of d divers on n dives under one guide.

    Parameters
    ----------
    lead : ndarray, shape (d, n)
        [kg]
    act : ndarray of str, shape (d, n)
        What was tried; 'check_first' where the lead was checked before.
    rose : ndarray of bool, shape (d, n)
        Whether an act at the stop made the diver rise.
    """

    lead: FloatArray
    act: NDArray[np.str_]
    rose: NDArray[np.bool_]


@dataclass
class _Log:
    """Records as they come in."""

    crew: Crew
    dives: list[dict[str, Any]] = field(default_factory=list)
    checks: list[dict[str, Any]] = field(default_factory=list)

    def records(self, d: int | None = None) -> Records:
        """Of everybody, or of one diver."""
        people = self.crew.people if d is None else [self.crew.people[d]]
        name = "" if d is None else people[0]["diver"]
        dives, checks = (
            [row for row in rows if d is None or row["diver"] == name] for rows in (self.dives, self.checks)
        )
        tables = ((DIVERS, people), (GEAR, GEAR_ROWS), (DIVES, dives), (CHECKS, checks))
        return Records(*(columns_from_rows(table, rows) for table, rows in tables))

    def beside(self, other: _Log) -> Records:
        """Of everybody here and there."""
        people, dives = other.crew.people + self.crew.people, other.dives + self.dives
        tables = ((DIVERS, people), (GEAR, GEAR_ROWS), (DIVES, dives), (CHECKS, other.checks + self.checks))
        return Records(*(columns_from_rows(table, rows) for table, rows in tables))

    def plan(self, n: int, d: int | None = None) -> Columns:
        """Dive n of everybody, or of one diver who has a full cylinder on."""
        rows = self.crew.dives if d is None else [self.crew.dives[d]]
        return columns_from_rows(DIVES, [{k: v for k, v in own[n].items() if k != "end_bar"} for own in rows])

    def add_check(self, d: int, n: int, seen: Sighting, *, bar: str) -> None:
        """A surface check on the day of dive n."""
        row = self.crew.dives[d][n]
        self.checks.append(
            {
                "check": f"{row['diver']} {len(self.checks)}", "diver": row["diver"], "dive": row["dive"],
                "date": row["date"], "lead_kg": seen.lead_kg, "bar": bar, "waterline": seen.waterline,
                "breath": "normal", "exhale_sinks": seen.exhale_sinks,
            }
        )  # fmt: skip


@dataclass(frozen=True)
class World:
    """A crew, and the population as it was learned from other divers of the same world."""

    crew: Crew
    fit: Fit
    book: _Log | None = None
    """Of the others; None where nothing was learned."""


def _learned(records: Records) -> Fit:
    return fit(Assessment.of(records, prior_fit()).evidence.observations)


def _dived(crew: Crew, log: _Log, d: int, n: int, settled: Settled) -> tuple[Stop, Sighting | None, bool]:
    """Make a dive and write it down: what was written, a check after it, and whether an act went wrong."""
    lead, row, asked = settled.lead, crew.dives[d][n], settled.act in ("look", "hand_off")
    zone, seen = crew.zone(d, n, lead, 0), None
    result, bc, noted = words(crew, d, n, zone)
    if asked:
        result, bc, noted = ("rose", "hovered", "sank")[zone], "empty", True
    stop = Stop(lead, result if noted else "", bc if noted else "", asked)
    extra: dict[str, Any] = {"lead_kg": lead, "stop_result": stop.result, "bc_state": stop.bc}
    wrong = asked and zone == 0
    if settled.act == "hand_off" and zone > 0:
        zone = crew.zone(d, n, lead - settled.mass, 1)
        stop = replace(stop, handed=settled.mass, after=("rose", "hovered", "sank")[zone])
        extra |= {"handed_off_kg": settled.mass, "handed_off_result": stop.after, "handed_off_bc": "empty"}
        wrong = zone == 0
    for look in settled.looks:
        log.add_check(d, n, look, bar=row["start_bar"])
    if settled.act == "surface_check":
        seen = crew.check(d, n, lead, when="end", look=3)
        log.add_check(d, n, seen, bar=row["end_bar"])
    log.dives.append(row | extra)
    return stop, seen, wrong


class _Tool:
    """Leads by the tool's own answers; steps by the tool or otherwise."""

    def __init__(self, world: World, log: _Log, steps: str) -> None:
        self.world, self.log, self.steps, self.fit = world, log, steps, world.fit
        self.less = np.full(world.crew.shape[0], np.inf)

    def leads(self, n: int) -> list[Settled]:
        """For dive n of everybody."""
        if self.steps == "learned anew" and n and self.world.book:
            self.fit = _learned(self.log.beside(self.world.book))
        assessment = Assessment.of(self.log.records(), self.fit, plan=self.log.plan(n))
        return [self._one(d, n, found) for d, found in enumerate(answers(assessment, block=BLOCK))]

    def _one(self, d: int, n: int, found: Answer) -> Settled:
        if found.advice.check_first:
            return self._checked(d, n, found.advice.lead_kg)
        lead = min(found.advice.lead_kg, float(self.less[d]))
        act = _chosen(found.step, self.steps, float(self.world.crew.luck["free"][d, n]))
        return Settled(lead, act.name, act.mass_kg) if act else Settled(lead)

    def _checked(self, d: int, n: int, begin: float) -> Settled:
        """Look until the lead stands, as the check says."""
        looks: list[Sighting] = []
        records, plan, on = self.log.records(d), self.log.plan(n, d), begin
        while True:
            looks.append(self.world.crew.check(d, n, on, when="start", look=len(looks)))
            given = [Look(s.lead_kg, f"{START:.0f}", s.waterline, "normal", s.exhale_sinks) for s in looks]
            found = check(records, self.fit, plan, given, conditions=Conditions(True, 5.0), block=BLOCK)
            if not found.again or len(looks) == MOST_LOOKS:
                act = "" if found.again else "look"
                return Settled(found.lead_kg, act if self.steps != "no step" else "", 0.0, tuple(looks))
            on = found.look_kg

    def learned(self, d: int, n: int, settled: Settled, stop: Stop, seen: Sighting | None) -> None:
        """Less was to be carried next time, if the stop went well."""
        well = settled.act == "carry_less" and stop.result != "rose"
        self.less[d] = settled.lead - settled.mass if well else np.inf


def _chosen(step: Step, steps: str, luck: float) -> Act | None:
    """The act that a way of choosing takes."""
    if steps in ("tool", "learned anew"):
        return step.chosen
    if steps == "greedy":
        possible = [
            act for act in step.acts if act.reason not in ("not that much lead on", "no lead to leave out")
        ]
        return max(possible, key=lambda act: act.information)
    allowed: list[Act | None] = [None, *(act for act in step.acts if act.allowed)]
    return allowed[int(luck * len(allowed))] if steps == "random" else None


class _Oracle:
    """Leads and steps by the same rules, from the exact posterior under the true law."""

    def __init__(self, world: World, log: _Log, *, lawful: bool) -> None:
        self.world, self.log = world, log
        self.theta = oracle.true_hyperparameters(world.crew.nature)
        self.divers = [oracle.Diver(world.crew, d, lawful=lawful) for d in range(world.crew.shape[0])]
        self.less = np.full(world.crew.shape[0], np.inf)

    def leads(self, n: int) -> list[Settled]:
        """For dive n of everybody."""
        assessment = Assessment.of(self.log.records(), prior_fit(), plan=self.log.plan(n))
        rows = assessment.line.at(PLAN)
        state, histories = assessment.state(rows), Histories(assessment)
        priors, surfaces = assessment.prior(rows, state)[0].need, surface_doubts(assessment, rows, state)
        found = []
        for d, history in enumerate(histories.like_kits(rows, priors)):
            self.divers[d].dive(n)
            more = [self._more(d, n, f"{place} end") for place in ("eye", "out")]
            surface = replace(surfaces[d], eye=surfaces[d].eye + more[0], out=surfaces[d].out + more[1])
            found.append(self._one(d, n, history, surface))
        return found

    def _more(self, d: int, n: int, place: str) -> float:
        """How much further need is from that at the stop than the ledger has it. [kg]."""
        r = self.world.crew.reality
        known = self.divers[d].known
        away = {p: known[p][d, n] - r.ledger[p][d, n] for p in (place, "plan")}
        return float(away[place] - away["plan"])

    def _one(self, d: int, n: int, history: Any, surface: Any) -> Settled:
        diver, crew = self.divers[d], self.world.crew
        looks: list[Sighting] = []
        mass = float(crew.people[d]["mass_kg"])
        while True:
            choice = lead_rule(diver.need(n), history, block=BLOCK, risk=0.05, mass=mass, theta=self.theta)
            if not choice.check or len(looks) == MOST_LOOKS:
                break
            looks.append(crew.check(d, n, choice.lead, when="start", look=len(looks)))
            diver.check(n, looks[-1], when="start")
            history = replace(history, known=True, fresh_check=False)
        lead = min(choice.lead, float(self.less[d])) if not looks else choice.lead
        last = float(history.worn[-1]) if len(history.worn) else float("nan")
        as_last = float(diver.need(n).above(last + self.theta.breath_out))
        setup = Setup(
            lead=lead, check=False, risk=0.05, breath_out=self.theta.breath_out, less=BLOCK.below(lead),
            imperial=False, mass=mass, loose=float("nan"),
            never=forbidden(history, as_last, lead),
        )  # fmt: skip
        act = next_act(diver.expected(n), setup, history=history, surface=surface, theta=self.theta).chosen
        return Settled(lead, act.name if act else "", act.mass_kg if act else 0.0, tuple(looks))

    def learned(self, d: int, n: int, settled: Settled, stop: Stop, seen: Sighting | None) -> None:
        """Take in the dive."""
        self.divers[d].stop(n, stop)
        if seen:
            self.divers[d].check(n, seen, when="end")
        self.divers[d].close()
        well = settled.act == "carry_less" and stop.result != "rose"
        self.less[d] = settled.lead - settled.mass if well else np.inf


class _Practice:
    """Common practice, no source: less by 1 kg after gas in the BC or sinking, more by 1 kg after rising."""

    def __init__(self, crew: Crew, *, written: bool = False) -> None:
        self.crew, self.written = crew, written
        tenth = [
            0.1 * person["mass_kg"] * SHARES[own[0]["suit"]]
            for person, own in zip(crew.people, crew.dives, strict=True)
        ]
        self.lead = np.round(2 * np.array(tenth)) / 2

    def leads(self, n: int) -> list[Settled]:
        """For dive n of everybody."""
        return [Settled(float(lead)) for lead in self.lead]

    def learned(self, d: int, n: int, settled: Settled, stop: Stop, seen: Sighting | None) -> None:
        """Whoever was in the water knows what was, written down or not; or goes by what was written."""
        result, bc, noted = words(self.crew, d, n, self.crew.zone(d, n, settled.lead, 0))
        if self.written and not noted:
            return
        change = 1.0 if result == "rose" else -1.0 if result == "sank" or bc == "gas" else 0.0
        self.lead[d] = max(self.lead[d] + change, 0.0)


class _Habit:
    """What divers carry when nobody chooses; now and then a surface check."""

    def __init__(self, crew: Crew) -> None:
        n, luck = crew.nature, crew.luck
        beginner = np.array([person["dives_before"] < 10 for person in crew.people])
        excess = n.excess + n.excess_sd * luck["excess"] + n.excess_beginner * beginner
        lead = crew.reality.expected("plan") + excess[:, None] + 0.5 * luck["habit"]
        self.lead = np.maximum(np.round(2 * lead) / 2, 0.0)
        share = np.where(np.arange(crew.shape[1]) > 1, n.reading, n.reading_first)
        self.check = luck["free"] < share

    def leads(self, n: int) -> list[Settled]:
        """For dive n of everybody."""
        return [
            Settled(float(lead), "surface_check" if looked else "")
            for lead, looked in zip(self.lead[:, n], self.check[:, n], strict=True)
        ]

    def learned(self, d: int, n: int, settled: Settled, stop: Stop, seen: Sighting | None) -> None:
        """Nothing."""


def _guide(name: str, world: World, log: _Log) -> Any:
    if name.endswith("oracle"):
        return _Oracle(world, log, lawful=name == "oracle")
    if name.endswith("practice"):
        return _Practice(world.crew, written=name != "practice")
    if name == "habit":
        return _Habit(world.crew)
    return _Tool(world, log, name)


def followed(
    world: World, guide: str, *, watch: Any = None, log: _Log | None = None
) -> tuple[Course, Records]:
    """All dives of a crew under one of `GUIDES`.

    Parameters
    ----------
    world : World
    guide : str
        Who chooses; beside those, 'written practice': common practice that goes by what was written alone.
    watch : callable, optional
        Called before each dive with its number and the log, and after each stop with a diver's record.
    log : _Log, optional
        Empty, to be written in.

    Returns
    -------
    Course, Records
        What became of them, and what was written down.
    """
    crew = world.crew
    log, shape = log or _Log(crew), crew.shape
    who = _guide(guide, world, log)
    lead, act, rose = np.zeros(shape), np.full(shape, "", "U16"), np.zeros(shape, bool)
    for n in range(shape[1]):
        if watch is not None:
            watch.before(n, log)
        for d, settled in enumerate(who.leads(n)):
            stop, seen, rose[d, n] = _dived(crew, log, d, n, settled)
            lead[d, n], act[d, n] = settled.lead, "check_first" if settled.looks else settled.act
            who.learned(d, n, settled, stop, seen)
            if watch is not None:
                watch.after(d, n, stop, seen)
    return Course(lead, act, rose), log.records()


def world(
    seed: Sequence[int], *, divers: int, dives: int = 8, learned_from: int = 60, nature: Nature | None = None
) -> World:
    """A crew before its first dive, and the population learned from others of the same world.

    Parameters
    ----------
    seed : sequence of int
    divers, dives : int
        Of the crew.
    learned_from : int
        Divers of the book that was learned from, 8 dives each by habit.
    nature : Nature, optional

    Returns
    -------
    World
    """
    rng, n = np.random.default_rng(seed), nature or Nature()
    beta = effects(rng, n)
    others = crew(rng, n, divers=learned_from, dives=8, beta=beta, who="Other")
    book = _Log(others)
    found = _learned(followed(World(others, prior_fit()), "habit", log=book)[1])
    return World(crew(rng, n, divers=divers, dives=dives, beta=beta), found, book)
