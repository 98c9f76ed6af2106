"""What the looks of a surface check say about need now, and what leads from there to the end of the dive."""

from __future__ import annotations

from typing import Final

import numpy as np

from leadline.decide.block import Block
from leadline.decide.checked_dive import CheckedDive, right_check
from leadline.distinct import distinct
from leadline.evidence.gather import pressures
from leadline.evidence.statement import AT_CHECK
from leadline.frozen import dataclass
from leadline.physics.ledger import Ledger, State, evaluate

__all__ = [
    "MOST_CHANGE",
    "Course",
    "Reading",
    "again",
    "agreed",
    "course",
    "doubtful",
    "far",
    "reading",
    "surprising",
]

DISAGREE: Final = 0.05  # chance of what was seen, over its best: below it, check and records disagree
AS_IS: Final = 0.25  # kg: so near to what is right, the lead that is on is left as it is

MOST_CHANGE: Final = 2.0  # kg on one look

_FOAM: Final = ("suit", "hood", "gloves", "boots")


@dataclass(frozen=True)
class Reading:
    """Need at a check that is right: eye level, a normal breath, the pressures of now.

    Parameters
    ----------
    q10_kg, q50_kg, q90_kg : float
        Of need now, on this dive, the looks and what was known before taken together. [kg]
    lead_kg, change_kg : float
        The middle on the blocks in use, and that less the lead on. [kg]
    alone_low_kg, alone_high_kg : float
        What the looks say by themselves: 8 in 10; an end that nothing was seen of is infinite. [kg]
    expected_q10_kg, expected_q50_kg, expected_q90_kg : float
        What was known before them. [kg]
    disagree : bool
        Whether the looks and what was known before are far apart.
    """

    q10_kg: float
    q50_kg: float
    q90_kg: float
    lead_kg: float
    change_kg: float
    alone_low_kg: float
    alone_high_kg: float
    expected_q10_kg: float
    expected_q50_kg: float
    expected_q90_kg: float
    disagree: bool


@dataclass(frozen=True)
class Course:
    """What leads from need now to need at the end of the dive.

    Parameters
    ----------
    now_bar, end_bar : float
        Lowest pressure among the cylinders carried to the end. [bar gauge]
    now_each_bar : tuple of float
        Of every cylinder now, those that will be left behind too. [bar gauge]
    kept_each_bar, end_each_bar : tuple of float
        Of every cylinder carried to the end: now, and then. [bar gauge]
    gas_kg : float
        Gas still to be breathed from them. [kg]
    gas_lead_kg, foam_lead_kg, breath_lead_kg, head_lead_kg, rest_lead_kg : float
        Change of need, in lead: by that gas; by foam that shrinks; by the normal breath that becomes a quiet
        one; by the head that goes under; by cylinders left behind and all else of the ledger. [kg]
    """

    now_bar: float
    end_bar: float
    now_each_bar: tuple[float, ...]
    kept_each_bar: tuple[float, ...]
    end_each_bar: tuple[float, ...]
    gas_kg: float
    gas_lead_kg: float
    foam_lead_kg: float
    breath_lead_kg: float
    head_lead_kg: float
    rest_lead_kg: float


def reading(checked: CheckedDive, lead_on: float, block: Block) -> Reading:
    """Need at a check that is right.

    Parameters
    ----------
    checked : CheckedDive
        The dive with its looks.
    lead_on : float
        Lead on at the last look. [kg]
    block : Block
        Blocks in use.

    Returns
    -------
    Reading
        Where there is no look, that of what was known before.
    """
    low, middle, high = (float(q) for q in checked.now.quantile([0.1, 0.5, 0.9]))
    below, half, over = (float(q) for q in checked.expected.quantile([0.1, 0.5, 0.9]))
    # Of looks that cannot all be true nobody knows which to take by itself.
    told = checked.looks.any() and not checked.at_odds
    alone_low, alone_high = _alone(checked) if told else (-np.inf, np.inf)
    nearest = block.nearest(middle)
    if abs(lead_on - middle) <= min(AS_IS, abs(nearest - middle)):
        nearest = lead_on  # other blocks than those named are on, and on them it is right
    return Reading(
        q10_kg=low,
        q50_kg=middle,
        q90_kg=high,
        lead_kg=nearest,
        change_kg=nearest - lead_on,
        alone_low_kg=alone_low,
        alone_high_kg=alone_high,
        expected_q10_kg=below,
        expected_q50_kg=half,
        expected_q90_kg=over,
        disagree=surprising(checked),
    )


def _alone(checked: CheckedDive) -> tuple[float, float]:
    """What the looks say by themselves, 8 in 10; the even chance where only one side is known. [kg]."""
    logs = checked.seen
    share = np.exp(logs - logs.max())
    ends = share[0] > 0.5, share[-1] > 0.5
    if any(ends):
        inside = checked.grid[share > 0.5]
        return (-np.inf if ends[0] else float(inside[0]), np.inf if ends[1] else float(inside[-1]))
    total = np.cumsum(share) / share.sum()
    low, high = np.interp([0.1, 0.9], total, checked.grid)
    return float(low), float(high)


def _surprise(checked: CheckedDive) -> float:
    """Chance of what was seen by what was known before, over its best. [-]."""
    logs, above = checked.seen, checked.expected.above(checked.grid)
    return float(-np.diff(above) @ np.exp(logs - logs.max())[:-1])


def surprising(checked: CheckedDive) -> bool:
    """Whether the looks and what was known before are far apart."""
    return _surprise(checked) < DISAGREE


def again(checked: CheckedDive, lead: float, *, share: float = 1.0) -> bool:
    """Whether the looks of the day ask for another one before a dive with that lead.

    Parameters
    ----------
    checked : CheckedDive
        The dive with its looks.
    lead : float
        For the dive. [kg]
    share : float
        What of a usual step the body may take, as of `step_share`. [-]

    Returns
    -------
    bool
        A single look that is far from what was known, or from the lead it was made with; or looks that
        contradict each other. A second look that agrees lifts it.
    """
    words = checked.evidence.statements.take(checked.looks)
    rows = distinct(words.row)
    if len(rows) != 1:
        return checked.at_odds
    return bool(far(checked, lead, float(words.lead[-1]), share=share) or surprising(checked))


def agreed(checked: CheckedDive) -> bool:
    """Whether several looks of the day show the same: one of them confirms the other."""
    rows = distinct(checked.evidence.statements.row[checked.looks])
    return len(rows) > 1 and not checked.at_odds


def doubtful(checked: CheckedDive) -> bool:
    """Whether looks contradict each other, or a single one what was known."""
    one = len(distinct(checked.evidence.statements.row[checked.looks])) == 1
    return surprising(checked) if one else checked.at_odds


def far(checked: CheckedDive, lead: float, on: float, *, share: float = 1.0) -> bool:
    """Whether a lead for the dive is far from the one on at the check, what lies between the two left out.

    Parameters
    ----------
    checked : CheckedDive
        The dive.
    lead, on : float
        For the dive, and at the check. [kg]
    share : float
        As of `again`. [-]

    Returns
    -------
    bool
        The gas that is still to be breathed is no change of mind, nor is another water or cylinder. However
        heavy a diver is without any lead, there is none to take off.
    """
    rows = np.array([checked.position])
    way = float(evaluate(checked.rigs.take(rows), checked.state(rows)).need[0]) - _right_then(checked)
    return abs(max(lead - way, 0.0) - on) > MOST_CHANGE * share + 1e-9


def _right_then(checked: CheckedDive) -> float:
    """Need by the ledger at a right check where the last look was made: in its water and kit. [kg]."""
    if not checked.looks.any():
        return float(evaluate(checked.rigs.take(np.array([checked.position])), checked.right_now).need[0])
    last = checked.evidence.statements.row[checked.looks][-1:]
    rigs = checked.rigs.take(last)
    pressure, _ = pressures(checked.line.occasions.take(last), AT_CHECK)
    return float(evaluate(rigs, right_check(rigs, pressure)).need[0])


def course(checked: CheckedDive) -> Course:
    """What leads from need now to need at the end of the dive.

    Parameters
    ----------
    checked : CheckedDive
        The dive.

    Returns
    -------
    Course
        Ledgers at a right check and at the stop, line by line; the parts add up to what it says of the change
        of need. What else is known of that is `check_words.known_lead`.
    """
    rows = np.array([checked.position])
    rigs = checked.rigs.take(rows)
    here, there = checked.right_now, checked.state(rows)
    first, last = evaluate(rigs, here), evaluate(rigs, there)
    kept = evaluate(rigs, State(0.0, here.cylinder_pressure, rigs.carried))
    gas = float(kept.items["gas"].mass[0] - last.items["gas"].mass[0])
    worth = gas / float(last.lead_factor[0])
    foam, breath, head = (
        sum(_in_lead(last, name) - _in_lead(first, name) for name in names)
        for names in (_FOAM, ("lungs",), ("head_out",))
    )
    on, present = (np.asarray(which[0], bool) for which in (rigs.carried, rigs.present))
    before, after = (np.asarray(state.cylinder_pressure, float)[0] for state in (here, there))
    return Course(
        now_bar=float(np.min(before[on])),
        end_bar=float(np.min(after[on])),
        now_each_bar=tuple(before[present].tolist()),
        kept_each_bar=tuple(before[on].tolist()),
        end_each_bar=tuple(after[on].tolist()),
        gas_kg=gas,
        gas_lead_kg=worth,
        foam_lead_kg=foam,
        breath_lead_kg=breath,
        head_lead_kg=head,
        rest_lead_kg=float(last.need[0] - first.need[0]) - worth - foam - breath - head,
    )


def _in_lead(ledger: Ledger, name: str) -> float:
    return float(ledger.net_buoyancy(name)[0] / ledger.lead_factor[0])
