"""Tomorrow's boat: the lead of everybody in the plan, the checks that come first, and the lead to load."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from leadline.arrays import Columns
from leadline.decide.advice import WIDE, Advice, Answer, answers, breath_out
from leadline.decide.assessment import Assessment
from leadline.decide.block import GRAM
from leadline.decide.boat_data import BoatData, BoatDive, BoatDiver
from leadline.decide.boat_dives import Together, at_once, dives
from leadline.decide.full import full
from leadline.decide.label import kit_labels, latest_dive, suit_label, water_label
from leadline.decide.sentence import DOUBTED
from leadline.decide.stock import Pieces, Stock, stock, worn
from leadline.decide.unfit_sentence import UNFIT
from leadline.errors import RecordError
from leadline.model.marginal import Marginal
from leadline.timeline import PLAN
from leadline.units import mass_text

__all__ = ["boat", "plan_rows"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DRAWS: Final = 4000
"""Simulated days. [-]"""

OWN_LEAST: Final = 0.25
"""Share of a need's variance that is the diver's own, at least; judged. [-]"""

_LEVELS: Final = np.concatenate([[0.001], np.arange(1, 100) / 100, [0.999]])


def plan_rows(plan: Columns, *, group: str = "", since: str = "") -> Columns:
    """Rows of a plan for one group, or from a day on.

    Parameters
    ----------
    plan : Columns
        A dives table without results.
    group : str
        Class, trip or boat; empty: all.
    since : str
        First day, ISO 8601; empty: all. Rows without a date stay.

    Returns
    -------
    Columns
        In the order of the plan.
    """
    kept = np.ones(len(plan["diver"]), bool)
    if group:
        kept &= plan["group"] == group
    if since:
        kept &= np.isnat(plan["date"]) | (plan["date"] >= np.datetime64(since, "s"))
    return {name: values[kept] for name, values in plan.items()}


def boat(
    assessment: Assessment,
    *,
    pieces: Pieces | None = None,
    risk: float = 0.05,
    units: str = "metric",
    plan: str = "",
    since: str = "",
    group: str = "",
    seed: int = 1,
    book: str = "",
    data_version: str = "",
    latest: np.datetime64 | None = None,
    fitted: datetime | None = None,
    generated: datetime | None = None,
) -> BoatData:
    """All that the boat sheet shows.

    Parameters
    ----------
    assessment : Assessment
        Of the divers of the plan, with the plan.
    pieces : Pieces, optional
        Sizes of lead, and how many there are if that is known; the smallest is the step. Default 2, 1 and
        0.5 kg, or 4, 2 and 1 lb.
    risk : float
        Accepted chance of too light. [-]
    units : str
        metric or imperial: what the reader sees.
    plan, since, group : str
        Named on the sheet.
    seed : int
        Of the simulation of the lead to load.
    book, data_version : str
        Named on the sheet.
    latest : datetime64, optional
        Latest dive of the whole book; default that of these records.
    fitted, generated : datetime, optional
        When the population was fitted (None: not said), and when this is made (default now).

    Returns
    -------
    BoatData
        Whole.

    Raises
    ------
    RecordError
        If the plan has no rows.
    """
    sizes = pieces or Pieces.usual(imperial=units == "imperial")
    rows, columns = assessment.line.at(PLAN), assessment.line.plan
    if not len(rows):
        asked = f"{f' in group {group!r}' if group else ''}{f' from {since} on' if since else ''}"
        raise RecordError(
            f"no row of the plan is{asked}; see its columns group and date"
            if asked
            else "the plan has no rows for this boat; give a dives file without results"
        )
    found = answers(assessment, block=sizes.step, risk=risk, imperial=units == "imperial")
    together = dives(columns)
    groups = [dive.rows for dive in together]
    moments = at_once(columns, groups)
    load = _load(assessment, rows, found, moments, sizes, seed=seed)
    divers = _divers(columns, found, groups, (sizes, load), imperial=units == "imperial")
    starts, present = full(assessment, rows), assessment.rigs.take(rows).present
    divers = [
        replace(diver, full_bar=tuple(bars[there].tolist()))
        for diver, bars, there in zip(divers, starts, present, strict=True)
    ]
    own = np.isin(assessment.evidence.diver, assessment.line.occasions.diver[rows]) & assessment.observed
    return BoatData(
        units=units,
        generated=generated or datetime.now(),
        book=book,
        data_version=data_version,
        latest=latest_dive(assessment.line.records.dives) if latest is None else latest,
        fitted=fitted,
        changed_kit=assessment.changed_kit,
        unlearned=assessment.unlearned,
        plan=plan,
        risk=risk,
        since=since,
        group=group,
        observations=int(own.sum()),
        observed_divers=len(np.unique(assessment.evidence.diver[own])),
        sizes=sizes.sizes,
        dives=tuple(_dive(columns, one, divers) for one in together),
        load=load,
        there=sizes.there,
        moments=len(moments),
    )


def _dive(plan: Columns, one: Together, divers: Sequence[BoatDiver]) -> BoatDive:
    first = int(one.rows[0])
    own = tuple(divers[i] for i in one.rows)
    return BoatDive(
        dive=one.key,
        date=plan["date"][first],
        group=str(plan["group"][first]),
        site=str(plan["site"][first]),
        divers=own,
        lead_kg=float(sum(diver.answer.lead_kg for diver in own)),
        own_keys=one.own_keys,
    )


def _times(plan: Columns, groups: Sequence[IntArray]) -> IntArray:
    """Place of each row's dive in time; dives of one moment, or of none, in the order of the plan."""
    when = np.array([plan["date"][rows[0]] for rows in groups], "datetime64[s]")
    when[np.isnat(when)] = np.datetime64("9999-12-31", "s")
    out = np.empty(len(plan["diver"]), np.int64)
    for place, dive in enumerate(np.argsort(when, kind="stable")):
        out[groups[dive]] = place
    return out


def _check_places(plan: Columns, found: Sequence[Answer], time: IntArray) -> list[int]:
    """Who checks when: dive by dive, and before each those first for whom most lead may be missing.

    One check serves the later dives in the same kit and water, where its numbers are the same: those rows
    have the place of the first.
    """

    def missing(i: int) -> tuple[int, float, float]:
        # What may be missing on the blocks, and among equals what may be missing of need.
        a = found[i].advice
        return int(time[i]), a.lead_kg - max(a.bring_kg, a.lead_kg), a.lead_kg - a.need_q90_kg

    places: dict[tuple[object, ...], int] = {}
    twice: Counter[tuple[object, ...]] = Counter()  # two rows of one dive are two people in the water
    out = [0] * len(found)
    for i in sorted((i for i, one in enumerate(found) if one.advice.check_first), key=missing):
        a, after = found[i].advice, found[i].after
        same = (
            a.diver, suit_label(plan, i), *kit_labels(plan, i), water_label(plan, i),
            a.lead_kg, a.bring_kg, after and (after.more_kg, after.least_kg, str(after.bare_kg)),
        )  # fmt: skip
        twice[same, time[i]] += 1
        out[i] = places.setdefault((*same, twice[same, time[i]]), len(places) + 1)
    return out


def _reasons(answer: Advice, *, imperial: bool) -> tuple[str, ...]:
    """Why a surface check comes before this dive."""
    if not answer.check_first:
        return ()
    found = []
    if answer.evidence == "none":
        found.append("No lead proven in this suit and cylinder")
    width = answer.need_q90_kg - answer.need_q10_kg
    if width > WIDE:
        apart = mass_text(round(width, 1), imperial=imperial)
        found.append(f"Need within a band of {apart}")
    if any(caution.startswith(DOUBTED) for caution in answer.cautions):
        found.append(f"{DOUBTED} is in doubt")
    if any(caution.startswith(UNFIT) for caution in answer.cautions):
        found.append("The latest stops or checks do not fit the records before")
    return tuple(found) or ("The records ask for much more lead than was carried so far",)


def _divers(
    plan: Columns, found: Sequence[Answer], groups: Sequence[IntArray], lead: tuple[Pieces, Stock], *,
    imperial: bool,
) -> list[BoatDiver]:  # fmt: skip
    """The rows of the plan, in its order."""
    places = _check_places(plan, found, _times(plan, groups))
    made = _made(found, groups, *lead)
    return [_diver(plan, i, a, made[i], places[i], imperial=imperial) for i, a in enumerate(found)]


def _spare(answer: Advice) -> float:
    """Lead beside the one put on that a check asks to have at hand. [kg]."""
    return max(answer.bring_kg - answer.lead_kg, 0.0) if answer.check_first else 0.0


def _made(
    found: Sequence[Answer], groups: Sequence[IntArray], sizes: Pieces, load: Stock
) -> list[tuple[IntArray, IntArray]]:
    """Pieces of each row's lead, and of what it has at hand for a check.

    Of those to be loaded where they suffice, else of all that there are. One diver at a time checks, with
    what the leads of the dive leave.
    """
    aboard = replace(sizes, counts=load.counts) if sizes.counts else sizes
    out: list[tuple[IntArray, IntArray]] = [(np.zeros(0, np.int64),) * 2] * len(found)
    for at in groups:
        leads = np.array([found[i].advice.lead_kg for i in at])
        given = aboard.dealt(leads)
        if not aboard.suffice(given.sum(axis=0)):
            given = sizes.dealt(leads)
        rest = sizes.less(given.sum(axis=0))
        for i, own in zip(at.tolist(), given, strict=True):
            out[i] = own, rest.dealt(np.array([_spare(found[i].advice)]))[0]
    return out


def _diver(
    plan: Columns, row: int, whole: Answer, made: tuple[IntArray, IntArray], place: int, *, imperial: bool
) -> BoatDiver:
    answer = whole.advice
    suit = suit_label(plan, row)
    worn_as_suit = {part.strip() for part in suit.split(" + ")}
    later = whole.late_bring_kg > max(answer.bring_kg, answer.lead_kg) + GRAM
    pieces, more = (tuple(int(n) for n in counts) for counts in made)
    return BoatDiver(
        answer=answer,
        suit=suit,
        kit=tuple(label for label in kit_labels(plan, row) if label not in worn_as_suit),
        water=water_label(plan, row, imperial=imperial),
        pieces=pieces,
        more=more,
        check_place=place,
        reasons=_reasons(answer, imperial=imperial),
        after=whole.after,
        late_bar=whole.late_bar if later else np.nan,
        late_kg=whole.late_bring_kg if later else np.nan,
    )


def _load(
    assessment: Assessment,
    rows: IntArray,
    found: Sequence[Answer],
    groups: Sequence[IntArray],
    sizes: Pieces,
    *,
    seed: int,
) -> Stock:
    """Lead to load: what is worn at one time, and what one diver at a time has at hand."""
    need = _needs(assessment, rows, [answer.need for answer in found], np.random.default_rng(seed))
    advice = [answer.advice for answer in found]
    lead, bring = (np.array([getattr(a, name) for a in advice]) for name in ("lead_kg", "bring_kg"))
    check = np.array([a.check_first for a in advice])
    on = worn(need, lead, check, out=breath_out(assessment.fit.theta), step=sizes.step)
    spare = np.where(check, np.maximum(bring - on, 0.0), 0.0)
    counts = [sizes.wanted(np.column_stack([on[:, at], spare[:, at].max(axis=1)])) for at in groups]
    # Before anybody knows what the checks show, all stand there with what the sheet lays out.
    laid_out = [np.broadcast_to(sizes.dealt(lead[at]).sum(axis=0), counts[0].shape) for at in groups]
    total = np.max([on[:, at].sum(axis=1) for at in groups], axis=0)
    return stock(np.max(counts + laid_out, axis=0), total, sizes, seed=seed)


def _needs(
    assessment: Assessment, rows: IntArray, needs: Sequence[Marginal], rng: np.random.Generator
) -> FloatArray:
    """Needs of all divers on simulated days, shape (draws, divers): each by its own posterior.

    They move together as far as the population's doubt about the kit moves them; of a diver with records
    of their own that is more than they do, which makes the sum wider, on the safe side.
    """
    state = assessment.state(rows)
    shared = assessment.prior(rows, state)[1]
    _, covariance = assessment.fit.aligned(shared.names)
    load = shared.values @ np.linalg.cholesky(covariance)
    together = rng.standard_normal((DRAWS, load.shape[1])) @ load.T
    own = rng.standard_normal((DRAWS, len(rows)))
    out = np.empty((DRAWS, len(rows)))
    for i, need in enumerate(needs):
        variance = float(load[i] @ load[i])
        rest = max(need.sd**2 - variance, OWN_LEAST * (need.sd**2), OWN_LEAST / (1 - OWN_LEAST) * variance)
        score = (together[:, i] + np.sqrt(rest) * own[:, i]) / np.sqrt(variance + rest)
        out[:, i] = np.interp(ndtr(score), _LEVELS, need.quantile(_LEVELS))
    return out
