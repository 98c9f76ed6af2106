"""From posterior to lead: the answer for each row of a plan, as the contract of the plan file names it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.advice_data import Advice, Answer
from leadline.decide.answering import late_leads
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.block_sentence import block_cautions, late_short
from leadline.decide.case import QUANTILES, Begun, Case, begun, cases_of
from leadline.decide.change import late
from leadline.decide.checked_dive import CheckedDive
from leadline.decide.checked_need import Looked, checked_dives, look_ahead
from leadline.decide.disbelief import disbelief_texts
from leadline.decide.full import require_gas
from leadline.decide.history import Histories, LikeKit, evidence_word
from leadline.decide.lead_rule import BEGIN, WIDE, breath_out, forbidden, least_step, not_again, require_risk
from leadline.decide.look import SurfaceDoubt
from leadline.decide.looked_at import LookedAt, looked_at
from leadline.decide.onward import Onward, onward
from leadline.decide.rig_sentence import rig_cautions
from leadline.decide.safety import RigSafety, rig_safety
from leadline.decide.sentence import cautions
from leadline.decide.step import Setup, Step, next_acts, surface_doubts
from leadline.decide.step_sentence import next_step
from leadline.decide.trigger import Trigger, triggers
from leadline.decide.trim import on_belt, trim
from leadline.frozen import dataclass
from leadline.model.stack import chances_above
from leadline.physics.ledger import Exposures, State, prior_sd
from leadline.timeline import PLAN

__all__ = ["BEGIN", "QUANTILES", "TOO_HEAVY", "WIDE", "Advice", "Answer", "advise", "answers", "breath_out"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

TOO_HEAVY: Final = 2.0  # kg over need

AT_A_TIME: Final = 250
"""Dives answered at a time. [-]"""

STANDING_AT_A_TIME: Final = 8 * AT_A_TIME
"""Dives of which at a time is found what does not hang on their needs. [-]"""


def _loose(safety: RigSafety, i: int, lead: float) -> float:
    """Lead that is neither on the belt nor ditchable, as far as that is noted; NaN where it is not. [kg]."""
    loose = lead - float(safety.ditchable[i])
    places = str(safety.places[i])
    totals = trim(places).totals
    if not totals:
        return loose
    placed = sum(totals.values()) - on_belt(places)
    return placed if np.isnan(loose) else min(loose, placed)


def _steps(
    assessment: Assessment, cases: list[Case], behind: _Behind, *, block: Block, risk: float
) -> list[Step]:
    """Acts weighed at the leads of the answers."""
    setups = [
        Setup(
            lead=case.lead,
            check=case.check,
            risk=risk,
            breath_out=breath_out(assessment.fit.theta),
            less=block.below(case.lead),
            imperial=block.imperial,
            mass=float(assessment.rigs.body.mass[case.position]),
            loose=_loose(behind.safety, i, case.lead),
            block=block,
            never=forbidden(case.history, behind.chance[i][2], case.lead),
        )
        for i, case in enumerate(cases)
    ]
    return next_acts(
        [case.need for case in cases],
        setups,
        histories=[case.history for case in cases],
        surfaces=behind.surface,
        theta=assessment.fit.theta.cautious(),
    )


def _advice(
    assessment: Assessment,
    case: Case,
    *,
    words: tuple[str, tuple[str, ...]],
    bar: float,
    prior: tuple[float, float],
    chance: tuple[float, float],
) -> Advice:
    """The row of the plan file."""
    line, need = assessment.line, case.need
    here = line.row[case.position]
    q025, q10, q50, q90, q975, _ = case.ends
    return Advice(
        diver=str(line.plan["diver"][here]),
        dive=str(line.plan["dive"][here]),
        lead_kg=case.lead,
        bring_kg=case.bring,
        check_first=case.check,
        p_too_light=chance[0],
        p_too_heavy=1 - chance[1],
        need_at_bar=bar,
        need_mean_kg=need.mean,
        need_sd_kg=need.sd,
        need_q025_kg=q025,
        need_q10_kg=q10,
        need_q50_kg=q50,
        need_q90_kg=q90,
        need_q975_kg=q975,
        prior_mean_kg=prior[0],
        prior_sd_kg=prior[1],
        dives_used=case.history.dives_used,
        evidence=evidence_word(case.history),
        next_step=words[0],
        cautions=words[1],
    )


@dataclass(frozen=True)
class _Standing:
    """What holds of some rows of a plan whatever their needs are; *n* rows, fields as of `_Behind`."""

    recorded: list[LikeKit]
    looks: list[LookedAt]
    surface: list[SurfaceDoubt]
    late_bar: FloatArray
    late_more: FloatArray
    prior: FloatArray
    prior_sd: FloatArray

    def part(self, rows: slice) -> _Standing:
        """The same for some of them."""
        return _Standing(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True)
class _Behind:
    """What all rows of a plan need besides their need, reckoned at once; *n* rows.

    `chance` is that of a need beyond the lead and what exhaling covers, beyond the lead less what is too
    heavy, beyond the lead carried last and what exhaling covers, NaN where there was none, and as the first
    one if the dive ends late; shape (n, 4).
    """

    safety: RigSafety
    again: list[tuple[Trigger, ...]]
    surface: list[SurfaceDoubt]
    late_bar: FloatArray
    late_more: FloatArray
    bar: FloatArray
    prior: FloatArray
    prior_sd: FloatArray
    chance: list[list[float]]
    after: list[Onward | None]


def _behind(
    assessment: Assessment, rows: IntArray, state: State, standing: _Standing, cases: list[Case], *,
    block: Block, risk: float,
) -> _Behind:  # fmt: skip
    lead = np.array([case.lead for case in cases])
    middle = np.array([case.ends[QUANTILES.index(0.5)] for case in cases])
    enough = breath_out(assessment.fit.theta)
    last = np.array([case.history.worn[-1] if len(case.history.worn) else np.nan for case in cases])
    late_end = lead + enough - standing.late_more
    beyond = np.stack([lead + enough, lead - TOO_HEAVY, last + enough, late_end], axis=1)
    chance = chances_above([case.need for case in cases], beyond).tolist()
    failed = [not_again(case.history, one[2], case.lead) for case, one in zip(cases, chance, strict=True)]
    carried = assessment.rigs.carried[rows]
    return _Behind(
        safety=rig_safety(assessment, rows, lead=lead, need=middle, stop=state),
        again=triggers(
            assessment,
            rows,
            histories=[case.history for case in cases],
            need_sd=np.array([case.need.sd for case in cases]),
            state=state,
            looks=standing.looks,
        ),
        surface=standing.surface,
        late_bar=standing.late_bar,
        late_more=standing.late_more,
        bar=np.where(carried, np.asarray(state.cylinder_pressure), np.inf).min(axis=1),
        prior=standing.prior,
        prior_sd=standing.prior_sd,
        chance=chance,
        after=onward(assessment, rows, state, cases, failed, block=block, risk=risk),
    )


def _answer(
    assessment: Assessment, case: Case, i: int, behind: _Behind, step: Step, *, block: Block, imperial: bool
) -> Answer:
    """One row, put into words."""
    enough, more = breath_out(assessment.fit.theta), float(behind.late_more[i])
    too_light, enough_for_heavy, light_as_last, late_too_light = behind.chance[i]
    sentence = next_step(
        case.lead,
        case.bring,
        check=case.check,
        held=case.held,
        chosen=step.chosen,
        dry=bool(assessment.rigs.dry[case.position]),
        imperial=imperial,
        after=behind.after[i],
        proven=float(np.min(case.history.enough)) if len(case.history.enough) else np.nan,
    )
    found = cautions(
        assessment,
        case.position,
        light_as_last=light_as_last,
        band=(case.ends[1], case.ends[2], case.ends[3]),
        lead=case.lead,
        bar=float(behind.bar[i]),
        history=case.history,
        unlikely=[*disbelief_texts(assessment, case.history, imperial=imperial), *case.remarks],
        check=case.check,
        doubted=case.doubted,
        looked=case.looked,
        shown=case.shown,
        failed=case.failed,
        rig=rig_cautions(behind.safety, i, breath_out=enough, imperial=imperial),
        triggers=behind.again[i],
        imperial=imperial,
    )
    least, unsure = case.ends[-1] - enough, case.failed or case.doubted
    late_bring, late_called_for = late_leads(block, least + more, case.bring)
    found += block_cautions(
        block, bring=case.bring, lead=case.lead, enough=least, failed=unsure, imperial=imperial
    )
    found += late_short(block, late_called_for, max(case.bring, case.lead), imperial=imperial)
    prior = (float(behind.prior[i]), float(behind.prior_sd[i]))
    return Answer(
        _advice(
            assessment,
            case,
            words=(sentence, found),
            bar=float(behind.bar[i]),
            prior=prior,
            chance=(too_light, enough_for_heavy),
        ),
        case.need,
        step,
        behind.safety,
        i,
        behind.again[i],
        float(behind.late_bar[i]),
        more,
        late_bring,
        late_called_for,
        late_too_light,
        behind.after[i],
        case.history.known,
        bool(case.history.light_signs),
        least_step(case.history, block.endless, float(assessment.rigs.body.mass[case.position])),
    )


def answers(
    assessment: Assessment,
    *,
    block: Block | None = None,
    risk: float = 0.05,
    pressure: float | None = None,
    imperial: bool = False,
    lead: float | None = None,
) -> list[Answer]:
    """Answer every row of the plan with all that stands behind each answer.

    Parameters
    ----------
    assessment, block, risk, pressure, imperial
        As for `advise`.
    lead : float, optional
        Lead that all of them dive with, for what is to be said of that; default that of each answer. [kg]

    Returns
    -------
    list of Answer
        One a row of the plan.
    """
    require_risk(risk)
    block = block or Block()
    rows = assessment.line.at(PLAN)
    if not len(rows):
        return []
    require_gas(assessment, rows)
    state = assessment.state(rows, pressure=pressure)
    looked = checked_dives(assessment, rows)
    checked = looked.gone_by
    ledger, shared = assessment.prior(rows, state)
    prior = np.asarray(ledger.need), shared
    look_ahead(assessment, rows, state, checked, prior)
    found: list[Answer] = []
    for work, standing in _parts(assessment, rows, state, looked, prior, block=block, risk=risk):
        cases = cases_of(assessment, work, block=block, risk=risk)
        if lead is not None:
            cases = [replace(case, lead=lead) for case in cases]
        behind = _behind(assessment, work.rows, work.state, standing, cases, block=block, risk=risk)
        steps = _steps(assessment, cases, behind, block=block, risk=risk)
        found += [
            _answer(assessment, case, i, behind, step, block=block, imperial=imperial)
            for i, (case, step) in enumerate(zip(cases, steps, strict=True))
        ]
    return found


def _parts(
    assessment: Assessment, rows: IntArray, state: State, looked: Looked,
    prior: tuple[FloatArray, Exposures], *, block: Block, risk: float,
) -> Iterator[tuple[Begun, _Standing]]:  # fmt: skip
    """Rows of a plan, some at a time; the next ones are begun before those before them are given out.

    What is found ahead is still being worked at: the first dives need not wait for the last ones. And what a
    part leaves open is sought while the part before it is put into words. What does not hang on needs comes
    before any is waited for, and for many rows at once, which is quicker.
    """
    histories = Histories(assessment)
    last: tuple[Begun, _Standing] | None = None
    for first in range(0, len(rows), STANDING_AT_A_TIME):
        many = np.arange(first, min(first + STANDING_AT_A_TIME, len(rows)))
        seen, own = looked.gone_by[first : first + len(many)], (prior[0][many], prior[1].take(many))
        all_standing = _standing(assessment, histories, rows[many], state.take(many), seen, own)
        for start in range(0, len(many), AT_A_TIME):
            part = slice(start, start + AT_A_TIME)
            at, standing = many[part], all_standing.part(part)
            looks = looked.part(slice(int(at[0]), int(at[-1]) + 1))
            stop = state.take(at)
            work = begun(assessment, rows[at], stop, standing.recorded, looks, block=block, risk=risk)
            if last is not None:
                yield last
            last = work, standing
    if last is not None:
        yield last


def _standing(
    assessment: Assessment, histories: Histories, rows: IntArray, state: State,
    checked: Sequence[CheckedDive | None], prior: tuple[FloatArray, Exposures],
) -> _Standing:  # fmt: skip
    late_bar, more = late(assessment, rows, state)
    need, shared = prior
    recorded = histories.like_kits(rows, need, shared)
    return _Standing(
        recorded=recorded,
        looks=looked_at(histories.past, rows, recorded, checked),
        surface=surface_doubts(assessment, rows, state),
        late_bar=late_bar,
        late_more=more,
        prior=need,
        prior_sd=prior_sd(shared),
    )


def advise(
    assessment: Assessment,
    *,
    block: Block | None = None,
    risk: float = 0.05,
    pressure: float | None = None,
    imperial: bool = False,
) -> list[Advice]:
    """Answer every row of the plan, in its order.

    Parameters
    ----------
    assessment : Assessment
        With a plan.
    block : Block, optional
        Blocks in use; default 0.5 kg.
    risk : float
        Accepted chance of too light. [-] Valid 0.001 to 0.5, else an OutOfRangeError.
    pressure : float, optional
        Cylinder pressure at the stop for all; default what each row plans, else the reserve. [bar gauge]
    imperial : bool
        Whether the sentences speak in pounds.

    Returns
    -------
    list of Advice
        One a row of the plan.
    """
    found = answers(assessment, block=block, risk=risk, pressure=pressure, imperial=imperial)
    return [answer.advice for answer in found]
