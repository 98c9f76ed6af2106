"""A group of students, or all: whose lead is right, whose is not, of whom it is not known, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.advice import TOO_HEAVY, breath_out
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.course import CourseDives, by_group, by_leader, courses, curve, overall
from leadline.decide.flag import MOST_FALSE, flags
from leadline.decide.headcount import headcount
from leadline.decide.label import latest_dive, suit_label
from leadline.decide.roster_cost import costs
from leadline.decide.roster_data import (
    LIKELY,
    NEAR_LIGHT,
    STATUSES,
    Cost,
    Roster,
    Student,
    Trend,
    unproven,
)
from leadline.decide.roster_look import Heavy
from leadline.decide.roster_need import Needs, needs
from leadline.decide.roster_scope import looked_dives, looks, scope, unvented
from leadline.decide.share import jeffreys
from leadline.frozen import dataclass
from leadline.model.stack import chances_above
from leadline.units import POUND

__all__ = ["roster"]

FloatArray = NDArray[np.float64]

_ENDS: Final = ("need_q025_kg", "need_q10_kg", "need_q50_kg", "need_q90_kg", "need_q975_kg")
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


def roster(
    assessment: Assessment,
    *,
    groups: Sequence[str] = (),
    since: np.datetime64 | None = None,
    block: Block | None = None,
    risk: float = 0.05,
    limit: float = MOST_FALSE,
    units: str = "metric",
    book: str = "",
    data_version: str = "",
    fitted: datetime | None = None,
    generated: datetime | None = None,
) -> Roster:
    """All that the roster of a group, or of all students, shows.

    Parameters
    ----------
    assessment : Assessment
        With the plan of `roster_plan` for the same groups and day.
    groups : sequence of str
        Groups wanted; none: all.
    since : datetime64, optional
        First day wanted.
    block : Block, optional
        Blocks in use; default 0.5 kg.
    risk : float
        Accepted chance of too light, as of `suggest`: above it a student is short of lead, unless a check
        begins with less, and from one dive in five on near too light. [-]
    limit : float
        Largest expected share of false flags. [-]
    units : str
        metric or imperial: what the reader sees.
    book, data_version : str
        Named on the report.
    fitted, generated : datetime, optional
        When the population was fitted (None: never), and when this is made (default now).

    Returns
    -------
    Roster
        Students in the order of what needs doing, as in `STATUSES`.

    Notes
    -----
    Nobody is flagged of whom only upper bounds are known, however much is carried: a hover with gas in the BC
    proves that lead enough, never that it is too much. In simulated classes without a single look 29 of 70
    flags were false where a tenth was stated.
    """
    wanted, left_out = scope(assessment.line.records, groups, since)
    known = needs(assessment, wanted, block=block, risk=risk, imperial=units == "imperial")
    looked = _looks(assessment, known)
    step = POUND if units == "imperial" else 0.5
    amounts = [mass for mass in (step, 2 * step) if (block or Block()).makes(mass)]
    heavy = known.heavy_on_most(assessment, tried=looked.here > 0, amounts=amounts)
    students = [
        _student(assessment, known, i, cost=cost, looked=looked, heavy=heavy, chance=chance)
        for i, (cost, chance) in enumerate(
            zip(_costs(assessment, known), _chances(assessment, known), strict=True)
        )
    ]
    rates = flags(heavy.chance, limit=limit, eligible=[one.basis != "physics" for one in students])
    students = [
        replace(one, flagged=bool(flag), status=_status(one, bool(flag), risk=risk))
        for one, flag in zip(students, rates.flagged, strict=True)
    ]
    order = sorted(range(len(students)), key=lambda i: _urgency(students[i]))
    dives = _course_dives(assessment, known)
    ways = courses(dives)
    own = np.isin(assessment.evidence.diver, assessment.line.occasions.diver[known.plan])
    return Roster(
        units=units,
        generated=generated or datetime.now(),
        book=book,
        data_version=data_version,
        latest=latest_dive(assessment.line.records.dives),
        fitted=fitted,
        changed_kit=assessment.changed_kit,
        groups=tuple(groups),
        since=np.datetime64("NaT") if since is None else since,
        risk=risk,
        block_kg=(block or Block()).mass,
        students=tuple(students[i] for i in order),
        flags=replace(rates, flagged=rates.flagged[np.array(order, int)]),
        heavy=headcount(heavy.chance),
        light=headcount([one.p_too_light for one in students]),
        never_looked=jeffreys(sum(one.looks_ever == 0 for one in students), len(students)),
        overall=overall(ways, dives),
        groups_change=by_group(ways, dives),
        leaders_change=by_leader(ways, dives),
        curve=curve(dives),
        leaders_left_out=left_out,
        doubted_left_out=int((~known.believed).sum()),
        evidence=len(np.unique(assessment.evidence.statements.row[own & assessment.observed])),
    )


@dataclass(frozen=True)
class _Looks:
    """Looks, stops at which a student sank, stops with a suit not vented; one a student."""

    here: IntArray
    ever: IntArray
    sank: IntArray
    unvented: IntArray


def _looks(assessment: Assessment, known: Needs) -> _Looks:
    """Counted in the suit of the latest dive (`here`, `sank`) and in any suit (`ever`, `unvented`)."""
    looked, sank = looks(assessment)
    diver, suit = assessment.line.occasions.diver, assessment.suit

    def count(rows: BoolArray, key: IntArray) -> IntArray:
        return np.bincount(key[rows], minlength=int(key.max(initial=0)) + 1)[key[known.plan]]

    return _Looks(
        count(looked, suit), count(looked, diver), count(sank, suit), count(unvented(assessment), diver)
    )


def _costs(assessment: Assessment, known: Needs) -> list[Cost]:
    """Cost of the excess on each student's latest dive."""
    at = known.judged
    return costs(assessment, known.row[at], known.lead[at], need=known.need[at])


def _basis(evidence: str, i: int, looked: _Looks) -> str:
    """What an excess rests on."""
    if looked.here[i]:
        return "measured" if evidence == "measured" else "both"
    if looked.sank[i]:
        return "sank"
    return "elsewhere" if looked.ever[i] else "physics"


def _chances(assessment: Assessment, known: Needs) -> list[list[float]]:
    """Of too light and of too heavy on the next dive with the lead of the latest one, for each student."""
    lead = known.lead[known.judged]
    ends = np.stack([lead + breath_out(assessment.fit.theta), lead - TOO_HEAVY], axis=1)
    above = chances_above([one.need for one in known.found], ends)
    above[:, 1] = 1 - above[:, 1]
    return [[float(light), float(heavy)] for light, heavy in above]


def _trend(assessment: Assessment, known: Needs, i: int) -> Trend:
    line, own = assessment.line, known.own(i)
    margin = known.margin[own]
    ends = margin[~np.isnan(margin)]
    change = float(ends[-1] - ends[0]) if len(ends) > 1 else np.nan
    return Trend(line.occasions.date[known.row[own]], known.lead[own], margin, change)


def _student(
    assessment: Assessment, known: Needs, i: int, *, cost: Cost, looked: _Looks, heavy: Heavy,
    chance: Sequence[float],
) -> Student:  # fmt: skip
    """One student, before it is known who is flagged."""
    records, row = assessment.line.records.dives, int(assessment.line.row[known.latest[i]])
    at, answer = known.judged[i], known.found[i].advice
    lead, judged = float(known.lead[at]), known.row[at]
    # Need on the latest dive: that of the next one in the same kit, moved by the difference of the waters.
    need = np.array([getattr(answer, name) for name in _ENDS])
    need += known.expected[judged] - known.expected[known.plan[i]]
    return Student(
        diver=answer.diver,
        group=records["group"][row],
        leader=records["leader"][row],
        suit=suit_label(records, row),
        date=assessment.line.occasions.date[judged],
        dives=len(known.row[known.own(i)]),
        lead_kg=lead,
        margin=lead - need[::-1],
        p_too_light=chance[0],
        p_too_heavy=chance[1],
        p_heavy_most=float(heavy.chance[i]),
        last_dives=int(heavy.dives[i]),
        flagged=False,
        status="",
        evidence=answer.evidence,
        basis=_basis(answer.evidence, i, looked),
        looks=int(looked.here[i]),
        looks_ever=int(looked.ever[i]),
        dry=bool(assessment.rigs.dry[known.latest[i]]),
        unvented=int(looked.unvented[i]),
        look_kg=float(heavy.look[i]),
        handed_kg=float(heavy.handed[i]),
        p_sinks=float(heavy.sinks[i]),
        p_heavy_if_sinks=float(heavy.if_sinks[i]),
        p_heavy_if_not=float(heavy.if_not[i]),
        trend=_trend(assessment, known, i),
        cost=cost,
        next_lead_kg=answer.lead_kg,
        bring_kg=answer.bring_kg,
        check_first=answer.check_first,
        next_step=answer.next_step,
        cautions=answer.cautions,
        doubted=bool(known.latest[i] in known.row[known.own(i)][~known.believed[known.own(i)]]),
    )


def _status(one: Student, flagged: bool, *, risk: float) -> str:
    """What needs doing: the light side before all else, and all by the lead of the latest dive."""
    if one.p_too_light >= NEAR_LIGHT and one.p_too_light > risk:
        return "light"
    # Where a check begins with less than was carried, too little is known to call that lead short.
    if one.p_too_light > risk and not (one.check_first and one.next_lead_kg < one.lead_kg):
        return "short"
    over, most = one.p_too_heavy >= LIKELY, one.p_heavy_most >= LIKELY
    if flagged and over:
        return "heavy"
    if not one.looks_ever or np.isnan(one.lead_kg):
        return "look"
    if over:
        return "likely" if most else "latest"
    if one.check_first or one.doubted or unproven(one, risk):
        return "look"
    return "righted" if most else "settled"


def _urgency(one: Student) -> tuple[int, float, str]:
    """The first thing to do first; within a kind the likeliest first, and what is not known."""
    of_next = {"light": one.p_too_light, "short": one.p_too_light, "latest": one.p_too_heavy}
    size = of_next.get(one.status, one.p_heavy_most)
    return STATUSES.index(one.status), -float(np.nan_to_num(size, nan=1e9)), one.diver


def _course_dives(assessment: Assessment, known: Needs) -> CourseDives:
    """Every dive with the best estimate of its margin."""
    records, at = assessment.line.records.dives, assessment.line.row[known.row]
    return CourseDives(
        student=known.student,
        group=records["group"][at],
        leader=records["leader"][at],
        suit=assessment.suit[known.row],
        margin=known.margin,
        variance=known.variance,
        looked=looked_dives(assessment)[known.row],
    )
