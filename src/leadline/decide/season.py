"""One diver's season: every dive with the need as it was known after it, and the answer for the next one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from leadline.arrays import Columns, Records, columns_from_rows
from leadline.decide.account import account
from leadline.decide.advice import TOO_HEAVY, Advice, Answer, breath_out
from leadline.decide.advice import answers as answered
from leadline.decide.answering import lateness
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.label import kit_label, kit_labels, latest_dive, suit_label, water_label
from leadline.decide.lead_rule import require_risk
from leadline.decide.projection import contributions
from leadline.decide.season_card import card, card_cells
from leadline.decide.season_change import season_change
from leadline.decide.season_check import readings
from leadline.decide.season_data import (
    LEVELS,
    Prior,
    SeasonChecks,
    SeasonData,
    SeasonDives,
    Suggestion,
)
from leadline.decide.season_order import in_order
from leadline.decide.season_says import says
from leadline.errors import UnknownNameError
from leadline.model.marginal import Marginal
from leadline.records import DIVES, RESERVE_PRESSURE
from leadline.timeline import CHECK, DIVE, PLAN

__all__ = ["next_dive", "next_dives", "season"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]


def next_dive(records: Records, diver: str, *, date: str, other: bool = True) -> Columns | None:
    """Plan of this diver's next dive, in the kit of the latest; below it the same in other kit and water.

    Parameters
    ----------
    records : Records
        With the diver's dives, and all gear.
    diver : str
        Name.
    date : str
        Day of the plan, ISO 8601.
    other : bool
        Whether the rows of the card follow, see `leadline.decide.season_card`.

    Returns
    -------
    Columns or None
        None where no dive tells what is worn.
    """
    return next_dives(records, [diver], date=date, other=other)


def next_dives(records: Records, divers: Sequence[str], *, date: str, other: bool = True) -> Columns | None:
    """Plan of the next dives of several divers, as `next_dive`, one diver after the other.

    Parameters
    ----------
    records, date, other
        As of `next_dive`.
    divers : sequence of str
        Names; who has no dive has no row.

    Returns
    -------
    Columns or None
        None where nobody has one.
    """
    cells: list[dict[str, str]] = []
    for diver in divers:
        own = records.dives["diver"] == diver
        if own.any():
            mine = replace(records, dives={name: values[own] for name, values in records.dives.items()})
            rows = card_cells(mine, diver, date=date)
            cells += rows if other else rows[:1]
    return columns_from_rows(DIVES, cells) if cells else None


def season(
    assessment: Assessment,
    diver: str,
    *,
    answers: Sequence[Answer] | None = None,
    ordered: tuple[Assessment, IntArray] | None = None,
    block: Block | None = None,
    risk: float = 0.05,
    since: np.datetime64 | None = None,
    units: str = "metric",
    book: str = "",
    data_version: str = "",
    latest: np.datetime64 | None = None,
    fitted: datetime | None = None,
    generated: datetime | None = None,
) -> SeasonData:
    """All that the season report of one diver shows.

    Parameters
    ----------
    assessment : Assessment
        Of the diver's records, or of several divers', with the rows of `next_dive` where there are some.
    diver : str
        Name.
    answers : sequence of Answer, optional
        To all rows of the plan, where they are at hand, for the same block, risk and units.
    ordered : tuple of Assessment and ndarray, optional
        What `in_order` gives for the assessment, where it is at hand.
    block : Block, optional
        Blocks in use; default 0.5 kg.
    risk : float
        Accepted chance of too light. [-] Valid 0.001 to 0.5.
    since : datetime64, optional
        First day shown; earlier dives still count as evidence. Rows without a date are then left out.
    units : str
        metric or imperial: what the reader sees.
    book, data_version : str
        Named on the report.
    latest : datetime64, optional
        Latest dive of the whole book; default that of these records.
    fitted, generated : datetime, optional
        When the population was fitted (None: not said), and when this is made (default now).

    Returns
    -------
    SeasonData
        Whole.

    Raises
    ------
    UnknownNameError
        If the records have no such diver.
    """
    require_risk(risk)
    names = assessment.line.records.divers["diver"]
    known = np.flatnonzero(names == diver)
    if not len(known):
        raise UnknownNameError(f"no diver {diver!r} in the records; load the divers first")
    then, place = ordered or in_order(assessment)
    own = assessment.line.occasions.diver == known[0]
    dives, checks, plan = (
        rows[np.argsort(place[rows], kind="stable")]
        for rows in (np.flatnonzero(own & (assessment.line.table == t)) for t in (DIVE, CHECK, PLAN))
    )
    used = np.unique(assessment.evidence.statements.row[assessment.observed])
    dives_used, checks_used = (int(np.isin(rows, used).sum()) for rows in (dives, checks))
    first = np.datetime64("NaT", "D") if since is None else since
    if not np.isnat(first):
        date = assessment.line.occasions.date
        dives, checks = (rows[date[rows] >= first] for rows in (dives, checks))  # NaT compares false
    plan = np.sort(plan)  # in the order of the plan: the next dive, then the rows of the card
    if answers is None:
        answers = answered(assessment, block=block, risk=risk, imperial=units == "imperial")
    rows = [int(row) for row in assessment.line.row[plan]]
    position, answer = (int(plan[0]), answers[rows[0]].advice) if len(plan) else (-1, None)
    seen = _dives(then, dives, place)
    return SeasonData(
        diver=diver,
        units=units,
        generated=generated or datetime.now(),
        book=book,
        data_version=data_version,
        fitted=fitted,
        changed_kit=assessment.changed_kit,
        unlearned=assessment.unlearned,
        latest=latest_dive(assessment.line.records.dives) if latest is None else latest,
        since=first,
        dives_used=dives_used,
        checks_used=checks_used,
        dives=seen,
        checks=_checks(then, checks, place),
        suggestion=_suggestion(assessment, position, answer, imperial=units == "imperial")
        if answer
        else None,
        prior=_prior(answer) if answer else None,
        learned=contributions(assessment, position, need_mean=answer.need_mean_kg) if answer else (),
        ledger=account(assessment, position).ledger if answer else None,
        card=card(
            assessment.line.plan,
            rows,
            {row: answers[row].advice for row in rows},
            [answers[row].after for row in rows],
        )
        if len(rows) > 1
        else (),
        change=season_change(then, dives, seen.margin, position=position, place=place) if answer else None,
    )


def _known_then(assessment: Assessment, rows: IntArray, place: IntArray) -> list[Marginal]:
    """Need in the kit of each dive at the planned reserve, as known after it."""
    state = assessment.state(rows, pressure=RESERVE_PRESSURE)
    each = np.arange(len(rows))[:, None]
    return [
        assessment.marginals(rows[one], state.take(one), until=int(place[row]))[0]
        for one, row in zip(each, rows, strict=True)
    ]


def _bands(needs: Sequence[Marginal], lead: FloatArray, *, enough: float) -> dict[str, FloatArray]:
    """Need on each dive, and what the lead carried was against it; `enough` is what exhaling covers."""
    out: dict[str, FloatArray] = {"need": np.full((len(needs), len(LEVELS)), np.nan)}
    for name in ("margin", "p_too_light", "p_too_heavy"):
        out[name] = np.full(len(needs), np.nan)
    for i, need in enumerate(needs):
        out["need"][i] = need.quantile(LEVELS)
        if not np.isnan(lead[i]):
            out["margin"][i] = lead[i] - out["need"][i, LEVELS.index(0.5)]
            out["p_too_light"][i] = float(need.above(lead[i] + enough))
            out["p_too_heavy"][i] = 1 - float(need.above(lead[i] - TOO_HEAVY))
    return out


def _texts(values: list[str]) -> TextArray:
    return np.array(values, object)


def _suit_gas(noted: TextArray, dry: BoolArray) -> TextArray:
    """What was noted of a dry suit; empty for other suits."""
    return np.where(dry, np.where(noted == "", "unknown", noted), "").astype(object)


def _dives(assessment: Assessment, rows: IntArray, place: IntArray) -> SeasonDives:
    line = assessment.line
    records, at = line.records.dives, line.row[rows]
    stop = np.where(line.occasions.carried[rows], line.occasions.stop[rows], np.nan)
    lowest = np.min(np.where(np.isnan(stop), np.inf, stop), axis=1, initial=np.inf)
    lead = records["lead_kg"][at]
    needs = _known_then(assessment, rows, place)
    return SeasonDives(
        dive=records["dive"][at],
        date=records["date"][at],
        site=records["site"][at],
        suit=_texts([suit_label(records, row) for row in at]),
        kit=_texts([kit_label(records, row) for row in at]),
        lead=lead,
        stop_result=records["stop_result"][at],
        bc_state=records["bc_state"][at],
        bc_gas=records["bc_gas_l"][at],
        suit_gas=_suit_gas(records["suit_gas"][at], assessment.rigs.dry[rows]),
        handed_off=records["handed_off_kg"][at],
        handed_off_result=records["handed_off_result"][at],
        handed_off_bc=records["handed_off_bc"][at],
        descent=records["descent"][at],
        end_pressure=np.where(np.isinf(lowest), np.nan, lowest),
        evidence=says(assessment, rows, needs),
        **_bands(needs, lead, enough=breath_out(assessment.fit.theta)),
    )


def _checks(assessment: Assessment, rows: IntArray, place: IntArray) -> SeasonChecks:
    line = assessment.line
    records, at = line.records.checks, line.row[rows]
    found = readings(assessment, rows, place)
    breath = records["breath"][at]
    return SeasonChecks(
        check=records["check"][at],
        date=records["date"][at],
        suit=_texts([suit_label(records, row) for row in at]),
        lead=records["lead_kg"][at],
        waterline=records["waterline"][at],
        breath=np.where(breath == "", "normal", breath),
        exhale_sinks=records["exhale_sinks"][at],
        need=found.need,
        need_sd=found.sd,
        need_bound=_texts(list(found.bound)),
        apart=found.apart,
    )


def _suggestion(assessment: Assessment, position: int, answer: Advice, *, imperial: bool) -> Suggestion:
    late = lateness(assessment, position)
    plan, row = assessment.line.plan, int(assessment.line.row[position])
    quantiles = ("need_q025_kg", "need_q10_kg", "need_q50_kg", "need_q90_kg", "need_q975_kg")
    need = np.array([getattr(answer, name) for name in quantiles])
    return Suggestion(
        lead_kg=answer.lead_kg,
        bring_kg=answer.bring_kg,
        check_first=answer.check_first,
        p_too_light=answer.p_too_light,
        p_too_heavy=answer.p_too_heavy,
        need_at_bar=answer.need_at_bar,
        need=need,
        need_mean_kg=answer.need_mean_kg,
        need_sd_kg=answer.need_sd_kg,
        low_bar=late.bar,
        low_need=need + late.more_kg,
        evidence=answer.evidence,
        next_step=answer.next_step,
        cautions=tuple(f"{caution}." for caution in answer.cautions),
        kit=kit_labels(plan, row),
        water=water_label(plan, row, imperial=imperial),
    )


def _prior(answer: Advice) -> Prior:
    band = answer.prior_mean_kg + answer.prior_sd_kg * ndtri(np.array(LEVELS))
    return Prior(answer.prior_mean_kg, answer.prior_sd_kg, band)
