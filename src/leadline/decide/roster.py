"""A group of students, or all: whose lead is right, whose is not, of whom it is not known, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.advice import QUANTILES, TOO_HEAVY, breath_out
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.course import CourseDives, by_group, by_leader, courses, curve, overall
from leadline.decide.flag import MOST_FALSE, flags
from leadline.decide.label import suit_label
from leadline.decide.roster_cost import costs
from leadline.decide.roster_data import STATUSES, Cost, Roster, Student, Trend
from leadline.decide.roster_need import Needs, needs
from leadline.decide.roster_scope import looks, scope
from leadline.decide.share import jeffreys

__all__ = ["roster"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MIDDLE: Final = QUANTILES.index(0.5)


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
        Chance of too light from which a student is near too light; also that of `suggest`. [-]
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
        Students in the order of what needs doing: near too light, flagged, not known, settled.
    """
    wanted, left_out = scope(assessment.line.records, groups, since)
    known = needs(assessment, wanted, block=block, risk=risk, imperial=units == "imperial")
    chance, counted = known.heavy_on_most(assessment)
    rates = flags(chance, limit=limit)
    looked = _looks(assessment, known)
    students = [
        _student(assessment, known, i, cost=cost, looked=looked)
        for i, cost in enumerate(_costs(assessment, known))
    ]
    students = [
        _judged(replace(one, p_heavy_most=float(p), last_dives=int(n), flagged=bool(flag)), risk=risk)
        for one, p, n, flag in zip(students, chance, counted, rates.flagged, strict=True)
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
        fitted=fitted,
        groups=tuple(groups),
        since=np.datetime64("NaT") if since is None else since,
        risk=risk,
        students=tuple(students[i] for i in order),
        flags=replace(rates, flagged=rates.flagged[np.array(order, int)]),
        never_looked=jeffreys(sum(one.looks_ever == 0 for one in students), len(students)),
        overall=overall(ways, dives),
        groups_change=by_group(ways, dives),
        leaders_change=by_leader(ways, dives),
        curve=curve(dives),
        leaders_left_out=left_out,
        evidence=len(np.unique(assessment.evidence.statements.row[own & assessment.observed])),
    )


@dataclass(frozen=True)
class _Looks:
    """Looks with an empty BC and stops at which a student sank; one number a student."""

    here: IntArray
    ever: IntArray
    sank: IntArray


def _looks(assessment: Assessment, known: Needs) -> _Looks:
    """Counted in the suit of the latest dive (`here`, `sank`) and in any suit (`ever`)."""
    looked, sank = looks(assessment)
    diver, suit = assessment.line.occasions.diver, assessment.suit

    def count(rows: BoolArray, key: IntArray) -> IntArray:
        return np.bincount(key[rows], minlength=int(key.max(initial=0)) + 1)[key[known.plan]]

    return _Looks(count(looked, suit), count(looked, diver), count(sank, suit))


def _costs(assessment: Assessment, known: Needs) -> list[Cost]:
    """Cost of the excess on each student's latest dive."""
    place = {int(row): i for i, row in enumerate(known.row.tolist())}
    at = np.array([place[int(row)] for row in known.latest], int)
    return costs(assessment, known.latest, known.lead[at], need=known.need[at])


def _basis(evidence: str, i: int, looked: _Looks) -> str:
    """What an excess rests on."""
    if looked.here[i]:
        return "measured" if evidence == "measured" else "both"
    if looked.sank[i]:
        return "sank"
    return "elsewhere" if looked.ever[i] else "physics"


def _chances(assessment: Assessment, known: Needs, i: int, lead: float) -> FloatArray:
    """Of too light, of too heavy, of sinking with an empty BC, with a lead on the next dive."""
    if np.isnan(lead):
        return np.full(3, np.nan)
    theta, need = assessment.fit.theta, known.found[i].need
    low = need.above([lead - TOO_HEAVY, lead - theta.cautious().breath_in])
    return np.array([float(need.above(lead + breath_out(theta))), *(1 - low)])


def _trend(assessment: Assessment, known: Needs, i: int) -> Trend:
    line, own = assessment.line, known.own(i)
    margin = known.lead[own] - known.need[own]
    ends = margin[~np.isnan(margin)]
    change = float(ends[-1] - ends[0]) if len(ends) > 1 else np.nan
    return Trend(line.occasions.date[known.row[own]], known.lead[own], margin, change)


def _student(assessment: Assessment, known: Needs, i: int, *, cost: Cost, looked: _Looks) -> Student:
    """One student, before it is known who is flagged."""
    records, row = assessment.line.records.dives, int(assessment.line.row[known.latest[i]])
    lead, answer = float(records["lead_kg"][row]), known.found[i].advice
    light, heavy, sinks = _chances(assessment, known, i, lead)
    # Need on the latest dive: that of the next one in the same kit, moved by the difference of the waters.
    need = known.found[i].need.quantile(QUANTILES)
    need += known.expected[known.latest[i]] - known.expected[known.plan[i]]
    return Student(
        diver=answer.diver,
        group=records["group"][row],
        leader=records["leader"][row],
        suit=suit_label(records, row),
        date=records["date"][row],
        dives=len(known.row[known.own(i)]),
        lead_kg=lead,
        margin=lead - need[::-1],
        p_too_light=float(light),
        p_too_heavy=float(heavy),
        p_heavy_most=np.nan,
        last_dives=0,
        flagged=False,
        status="",
        evidence=answer.evidence,
        basis=_basis(answer.evidence, i, looked),
        looks=int(looked.here[i]),
        looks_ever=int(looked.ever[i]),
        p_sinks=float(sinks),
        trend=_trend(assessment, known, i),
        cost=cost,
        next_lead_kg=answer.lead_kg,
        bring_kg=answer.bring_kg,
        check_first=answer.check_first,
        next_step=answer.next_step,
        cautions=answer.cautions,
    )


def _judged(one: Student, *, risk: float) -> Student:
    """With what needs doing: the light side before all else."""
    if one.p_too_light > risk:
        return replace(one, status="light")
    if one.flagged:
        return replace(one, status="heavy")
    unknown = not one.looks_ever or one.check_first or np.isnan(one.lead_kg)
    return replace(one, status="look" if unknown else "settled")


def _urgency(one: Student) -> tuple[int, float, str]:
    """The first thing to do first; within a kind the likeliest or largest first, and what is not known."""
    size = {"light": one.p_too_light, "look": one.p_heavy_most}.get(one.status, one.margin[MIDDLE])
    return STATUSES.index(one.status), -float(np.nan_to_num(size, nan=1e9)), one.diver


def _course_dives(assessment: Assessment, known: Needs) -> CourseDives:
    """Every dive with the best estimate of its margin."""
    records, at = assessment.line.records.dives, assessment.line.row[known.row]
    return CourseDives(
        student=known.student,
        group=records["group"][at],
        leader=records["leader"][at],
        suit=assessment.suit[known.row],
        margin=known.lead - known.need,
        variance=known.variance,
        looked=looks(assessment)[0][known.row],
    )
