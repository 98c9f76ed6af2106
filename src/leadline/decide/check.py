"""A surface check read at the water's edge: what to add or take off now, and for the end of the dive."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records
from leadline.decide import check_words
from leadline.decide.advice import Advice, answers, breath_out
from leadline.decide.answering import NOTHING
from leadline.decide.assessment import Assessment
from leadline.decide.block import GRAM, Block
from leadline.decide.check_look import Conditions, Look, require_pressures
from leadline.decide.check_reading import Course, Reading, course, far, reading
from leadline.decide.check_water import OtherWater, other_water
from leadline.decide.checked_dive import CheckedDive
from leadline.decide.lead_rule import WIDE, require_risk, step_share
from leadline.decide.sentence import DOUBTED, UNSURE
from leadline.decide.unfit_sentence import FAILED
from leadline.distinct import distinct
from leadline.errors import OutOfRangeError, TooFewBlocksError
from leadline.frozen import dataclass
from leadline.model.population import Fit
from leadline.records import CHECKS, RESERVE_PRESSURE

__all__ = ["CheckAnswer", "check", "check_rows"]

STEP_DOWN: Final = 1.0  # kg off on a reading that is in doubt
SINKS: Final = 1.0  # kg over what is right by the looks themselves: under water, not deep at the crown


@dataclass(frozen=True)
class CheckAnswer:
    """What a surface check makes of the lead.

    Parameters
    ----------
    diver : str
        Name.
    lead_on_kg : float
        Lead on at the last look. [kg]
    now : Reading
        At this moment.
    course : Course
        From here to the end of the dive.
    advice : Advice
        The answer for the dive, as `suggest` would give it with this check in the book.
    lead_kg, change_kg : float
        Lead for the dive, as things stand; and that less the lead on. [kg]
    look_kg, look_change_kg : float
        Lead for the next look, where it says most: that of a right check now; and that less the lead on. [kg]
    p_too_light, p_too_heavy : float
        Chances at the end of the dive with `lead_kg`. [-]
    again : bool
        Whether to look again before the dive; not where the diver is under water without any lead and what is
        told to be dived with is within the risk, however wide the range.
    looks : int
        Looks of that day that count, this one included.
    records : bool
        Whether there are records of this diver.
    doubts, cautions : tuple of str
        Why the reading may be off; what applies besides.
    instruction : str
        What to do, in a sentence or two.
    other_water : OtherWater
        Whether the water is to be named with the lead, and what denser water of the records takes more.
    another_day_kg : float
        What the lead may come to on a later day without a look or a stop held before it, where so large a
        step down is held back then; NaN where nothing is. [kg]
    """

    diver: str
    lead_on_kg: float
    now: Reading
    course: Course
    advice: Advice
    lead_kg: float
    change_kg: float
    look_kg: float
    look_change_kg: float
    p_too_light: float
    p_too_heavy: float
    again: bool
    looks: int
    records: bool
    doubts: tuple[str, ...]
    cautions: tuple[str, ...]
    instruction: str
    other_water: OtherWater = OtherWater()
    another_day_kg: float = float("nan")


def check_rows(plan: Columns, looks: Sequence[Look], keys: Sequence[str], *, dive: str = "") -> Columns:
    """Rows of the checks table for looks in the kit of a planned dive.

    Parameters
    ----------
    plan : Columns
        One row.
    looks : sequence of Look
        In order of time.
    keys : sequence of str
        Of the checks.
    dive : str
        Dive of that day that they were made on.

    Returns
    -------
    Columns
        One row a look.
    """
    own: dict[str, list[Any]] = {
        "check": list(keys),
        "dive": [dive] * len(looks),
        "lead_kg": [look.lead_kg for look in looks],
        "bar": [look.bar for look in looks],
        "waterline": [look.waterline for look in looks],
        "breath": [look.breath for look in looks],
        "exhale_sinks": [look.exhale_sinks for look in looks],
    }
    return {
        name: np.array(own[name], float if name == "lead_kg" else object)
        if name in own
        else np.repeat(plan[name], len(looks))
        for name in CHECKS.by_name
    }


def check(
    records: Records,
    fit: Fit,
    plan: Columns,
    looks: Sequence[Look],
    *,
    conditions: Conditions | None = None,
    block: Block | None = None,
    risk: float = 0.05,
    imperial: bool = False,
    dive: str = "",
    dives_in_fit: NDArray[np.bool_] | None = None,
    checks_in_fit: NDArray[np.bool_] | None = None,
    now_in_fit: bool = False,
    changed_kit: Collection[str] = (),
) -> CheckAnswer:
    """Read a surface check.

    Parameters
    ----------
    records : Records
        Those of the diver with all gear; no dive and no check is needed. Saved checks of that day count.
    fit : Fit
        The population; `prior_fit()` where nothing has been learned.
    plan : Columns
        The dive to come, one row with a date: kit, water, `start_bar` the pressures now, `stop_bar` those
        planned for the end (default the reserve; where now is lower, now).
    looks : sequence of Look
        In order of time; the last is now.
    conditions : Conditions, optional
        How it was made.
    block : Block, optional
        Blocks in use; default 0.5 kg.
    risk : float
        Accepted chance of too light at the end. [-] Valid 0.001 to 0.5.
    imperial : bool
        Whether the sentences speak in pounds.
    dive : str
        Dive of that day on which the check was made, if any.
    dives_in_fit, checks_in_fit : ndarray of bool, optional
        Which records the population was fitted to; default none.
    now_in_fit : bool
        Whether it was fitted to the last look too: one that was kept, and is left out of the records here.
    changed_kit : collection of str
        Items whose row was another one when it was fitted; see `Assessment.of`.

    Returns
    -------
    CheckAnswer
        The last look of a diver who was not still is no evidence, nor is one whose two halves contradict each
        other: the answer is then that of the other looks and of the records.

    Raises
    ------
    OutOfRangeError
        If there is no look, the plan has no date or no pressure now, or the risk is none; of its kind
        TooFewBlocksError, which names the lead for the dive, if all blocks together are lighter.
    """
    conditions, block = conditions or Conditions(), block or Block()
    _require(plan, looks, risk)
    plan = _not_above_now(plan)
    used = looks if conditions.still is not False else looks[:-1]
    keys = [f"look {number}" for number in range(1, len(used) + 1)]
    rows = check_rows(plan, used, keys, dive=dive)
    joined = {name: np.concatenate([records.checks[name], rows[name]]) for name in records.checks}
    seen = np.zeros(len(records.checks["check"]), bool) if checks_in_fit is None else checks_in_fit
    looked = np.zeros(len(used), bool)
    looked[len(looks) - 1 :] = now_in_fit
    assessment = Assessment.of(
        replace(records, checks=joined),
        fit,
        plan=plan,
        dives_in_fit=dives_in_fit,
        checks_in_fit=np.append(seen, looked),
        changed_kit=changed_kit,
    )
    checked = CheckedDive.around(assessment)

    def answer(blocks: Block) -> CheckAnswer:
        return _answer(checked, looks, conditions=conditions, block=blocks, risk=risk, imperial=imperial)

    try:
        return answer(block)
    except TooFewBlocksError:
        # A reading that is in doubt may ask for more than the answer for the dive: the whole is to be named.
        block.require(answer(block.endless).lead_kg)
        raise


def _require(plan: Columns, looks: Sequence[Look], risk: float) -> None:
    require_risk(risk)
    if not looks:
        raise OutOfRangeError("no look at the waterline given; give at least one")
    if np.isnat(plan["date"][0]):
        raise OutOfRangeError("the planned dive has no date; give the day of the check")
    parts = plan["start_bar"][0].split(";")
    if any(part.strip() in ("", NOTHING) for part in parts):
        raise OutOfRangeError("start_bar must hold the pressure now of every cylinder")
    require_pressures(looks, str(plan["cylinder"][0]), str(plan["start_bar"][0]))


def _not_above_now(plan: Columns) -> Columns:
    """The plan, its end pressures no higher than those of now."""
    now = [part.strip() for part in plan["start_bar"][0].split(";")]
    planned = next((plan[name][0] for name in ("stop_bar", "end_bar") if plan[name][0]), "")
    end = [part.strip() for part in planned.split(";")]
    count = max(len(now), len(end))
    now, end = (parts * count if len(parts) == 1 else parts for parts in (now, end))
    lower = [
        last if last == NOTHING else f"{min(float(first), float(last or RESERVE_PRESSURE)):.12g}"
        for first, last in zip(now, end, strict=True)
    ]
    return {**plan, "stop_bar": np.array([";".join(lower)], object)}


def _down(way: Course) -> float:
    """Need at the end less need at a right check now, by the ledger. [kg]."""
    return way.gas_lead_kg + way.foam_lead_kg + way.breath_lead_kg + way.head_lead_kg + way.rest_lead_kg


def _by_records(checked: CheckedDive, risk: float) -> float:
    """Lead for the dive within the accepted risk, as if there had been no look. [kg].

    At the stop: what is known at the surface, carried down by the ledger alone, asks for more than they do.
    """
    rows = np.array([checked.position])
    (need,) = checked.before.marginals(rows, checked.state(rows))[0].quantile([1 - risk])
    return float(need) - breath_out(checked.fit.theta)


def _bottom(look: Look) -> bool:
    """Whether the diver is under water on a normal breath without any lead."""
    return look.lead_kg <= 0 and look.waterline == "under" and look.breath == "normal"


def _answer(
    checked: CheckedDive,
    looks: Sequence[Look],
    *,
    conditions: Conditions,
    block: Block,
    risk: float,
    imperial: bool,
) -> CheckAnswer:
    """The lead for the dive or for the next look, and the words."""
    on, way = looks[-1].lead_kg, course(checked)
    (whole,) = answers(checked, block=block, risk=risk, imperial=imperial)
    advice = whole.advice
    now = reading(checked, on, block)
    count = len(distinct(checked.evidence.statements.row[checked.looks]))
    suited = bool(checked.rigs.suited[checked.position])
    doubts = check_words.doubts(
        looks[-1],
        conditions,
        suited=suited,
        dry=bool(checked.rigs.dry[checked.position]),
        contradict=checked.at_odds,
    )
    share = step_share(float(checked.rigs.body.mass[checked.position]))
    large = far(checked, advice.lead_kg, on, share=share) and count <= 1
    unsure = now.disagree and count <= 1
    # The lead that begins a check is none to dive with.
    lead = advice.bring_kg if advice.check_first else advice.lead_kg
    if unsure or doubts:  # more lead at once, less of it only in small steps
        lead = max(lead, block.at_least(on - STEP_DOWN * share))
    records = bool((checked.before.evidence.diver == checked.line.occasions.diver[checked.position]).any())
    if whole.rose and (unsure or checked.at_odds):
        # Until another look says so too, whoever rose at a stop dives with no less than the records ask for.
        lead = max(lead, block.at_least(_by_records(checked, risk)))
    elif not whole.rose and now.alone_high_kg <= on - SINKS:
        # Who sinks with what is on puts on no more than the way to the stop takes, whatever the records say.
        lead = min(lead, max(block.at_least(on + _down(way)), advice.lead_kg))
    # A look that is not used is made again as it was.
    look = on if conditions.still is False or looks[-1].at_odds else now.lead_kg
    worn = advice
    if lead != advice.lead_kg:  # chances and rig of what is told to be worn, not of what begins a check
        worn = answers(checked, block=block, risk=risk, imperial=imperial, lead=lead)[0].advice
    # Looks that are far off ask for another one within the answer already. Of who is under water without any
    # lead no look shows more: there is none to take off, and what is put on only sinks.
    wide = advice.need_q90_kg - advice.need_q10_kg > WIDE
    settled = wide and _bottom(looks[-1]) and not (doubts or unsure or large or whole.rose)
    settled = settled and worn.p_too_light <= risk
    settled = settled and not any(text.startswith((DOUBTED, FAILED)) for text in worn.cautions)
    again = bool(advice.check_first or doubts) and not settled
    said = tuple(text for text in worn.cautions if not (settled and text.startswith(UNSURE)))
    # Looks of the day lift the rule for steps down on that day alone; whether none is held then either, for a
    # band that is wide, is not known today.
    held = whole.least_step_kg > lead + GRAM
    found = CheckAnswer(
        diver=advice.diver,
        lead_on_kg=on,
        now=now,
        course=way,
        advice=advice,
        lead_kg=lead,
        change_kg=lead - on,
        look_kg=look,
        look_change_kg=look - on,
        p_too_light=worn.p_too_light,
        p_too_heavy=worn.p_too_heavy,
        again=again,
        looks=count,
        records=records,
        doubts=doubts,
        cautions=(
            *check_words.cautions(
                said,
                looks[-1],
                conditions,
                way=way,
                more=advice.need_q50_kg - now.q50_kg,
                suited=suited,
                imperial=imperial,
            ),
            *check_words.left_out_texts(checked, imperial=imperial),
        ),
        instruction="",
        other_water=other_water(checked, checked.position),
        another_day_kg=whole.least_step_kg if held else np.nan,
    )
    return replace(found, instruction=check_words.instruction(found, far=large, imperial=imperial))
