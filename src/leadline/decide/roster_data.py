"""What a roster shows: plain numbers and words, filled by decide, drawn by reports.

House units throughout; a number that is not known is NaN, a word that is not known is empty. *Margin* is lead
carried minus need at the planned reserve: positive is heavy. [kg]
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.flag import Flags
from leadline.decide.headcount import Headcount
from leadline.decide.share import Share
from leadline.frozen import dataclass

__all__ = [
    "BASES",
    "LIKELY",
    "NEAR_LIGHT",
    "STATUSES",
    "Change",
    "Cost",
    "Curve",
    "Roster",
    "Student",
    "Trend",
    "near_light",
    "overfull",
    "stays",
    "unproven",
]

FloatArray = NDArray[np.float64]

STATUSES: Final = ("light", "short", "heavy", "latest", "likely", "look", "righted", "settled")
"""What needs doing, the first thing first: near too light, a little short of lead, flagged as too heavy,
likely too heavy with the latest lead though not on most dives, likely too heavy on most but not sure enough
to be flagged, not known, too heavy on most but not with the latest lead, nothing."""

NEAR_LIGHT: Final = 0.2
"""Chance of too light from which a student is near too light: one dive in five. [-] (judged)"""

RIGHT: Final = 0.5
"""As near as this to the lead that is called for, a lead seems right. [kg] (judged)"""

LIKELY: Final = 0.5
"""Chance from which somebody is likelier too heavy than not. [-]"""

BASES: Final = ("physics", "elsewhere", "sank", "both", "measured")
"""What an excess rests on, the weakest first: no look at all (physics only), looks in
another suit only, a stop at which the student sank, looks in this suit, a measured need."""


@dataclass(frozen=True)
class Trend:
    """Margin dive by dive, the best estimate, the scatter of single dives left out; *n* dives in order.

    Parameters
    ----------
    date : ndarray of datetime64, shape (n,)
        NaT where unknown.
    lead, margin : ndarray, shape (n,)
        NaN where not known. [kg]
    change_kg : float
        Last margin minus first; negative has come down. NaN with fewer than two. [kg]
    """

    date: NDArray[np.datetime64]
    lead: FloatArray
    margin: FloatArray
    change_kg: float


@dataclass(frozen=True)
class Cost:
    """What the best estimate of an excess costs, by the ledger; nothing where there is no excess.

    Parameters
    ----------
    extra_mass_kg : float
        Lead over need: mass carried, started and stopped for nothing. [kg]
    stop_l : float
        Gas in the BC that it takes at the stop. [L]
    depth_m : float
        Greatest depth of the latest dive; NaN where not noted. [m]
    depth_l, depth_right_l : float
        Gas in the BC at that depth, cylinder as at the start: with this lead, and with no excess. [L]
    free_gas_l : float
        Gas of the cylinder, at surface pressure, that filling the excess takes at that depth. [L]
    lift_l : float
        Gas that the BC holds; NaN where not listed. [L]
    """

    extra_mass_kg: float
    stop_l: float
    depth_m: float
    depth_l: float
    depth_right_l: float
    free_gas_l: float
    lift_l: float = float("nan")


@dataclass(frozen=True)
class Student:
    """One student: where the lead stands, how sure that is, and what to do.

    Parameters
    ----------
    diver, group, leader, suit : str
        Names; group, leader and suit as on the latest dive.
    date : datetime64
        Of the latest dive with its lead noted; NaT where unknown.
    dives : int
        Dives in this roster.
    lead_kg : float
        Lead on the latest dive; NaN where no dive has its lead noted. [kg]
    margin : ndarray, shape (5,)
        Quantiles of its margin at `LEVELS`, dive-to-dive scatter included. [kg]
    p_too_light, p_too_heavy : float
        Chances of the next dive in that kit with that lead. [-]
    p_heavy_most : float
        Chance of more than 2 kg over need on most of `last_dives`: the lower of two, with the lead as given
        and with the lead as a hint of what is needed. [-]
    last_dives : int
        The latest dives in that suit, five at most, that this is about; of those that are believed where
        there are any.
    flagged : bool
        As too heavy.
    status : str
        A word of `STATUSES`.
    evidence : str
        none, upper_only, two_sided or measured, as an answer for the next dive says.
    basis : str
        A word of `BASES`.
    looks, looks_ever : int
        Dives and checks that are looks (`roster_scope.looks`): in this suit, and in any.
    dry : bool
        Whether the suit of the latest dive is a dry one: then a look takes a vented suit too.
    unvented : int
        Stops in a dry suit with the BC empty and no note that the suit was vented: no looks.
    look_kg : float
        Lead on at the next look with an empty BC, so that it settles most: `lead_kg` less `handed_kg`, or
        where that would all but surely sink, `next_lead_kg`; NaN where no look is open. [kg]
    handed_kg : float
        Lead to hand over at that look. [kg]
    p_sinks : float
        Chance that this look ends in sinking. [-]
    p_heavy_if_sinks, p_heavy_if_not : float
        What `p_heavy_most` would be after such a look; NaN where it cannot end so. [-]
    trend : Trend
        Over the roster's dives.
    cost : Cost
        Of the excess.
    next_lead_kg, bring_kg : float
        Lead for the next dive, and to have at hand, as `suggest` answers. [kg]
    check_first : bool
        A surface check comes first.
    next_step : str
        One sentence.
    cautions : tuple of str
        For this student and kit.
    doubted : bool
        Whether the record of the latest dive is not believed. Date, lead, margin, chances and cost are then
        those of the latest dive in like kit and water that is, unless its lead is no less.
    """

    diver: str
    group: str
    leader: str
    suit: str
    date: np.datetime64
    dives: int
    lead_kg: float
    margin: FloatArray
    p_too_light: float
    p_too_heavy: float
    p_heavy_most: float
    last_dives: int
    flagged: bool
    status: str
    evidence: str
    basis: str
    looks: int
    looks_ever: int
    dry: bool
    unvented: int
    look_kg: float
    handed_kg: float
    p_sinks: float
    p_heavy_if_sinks: float
    p_heavy_if_not: float
    trend: Trend
    cost: Cost
    next_lead_kg: float
    bring_kg: float
    check_first: bool
    next_step: str
    cautions: tuple[str, ...]
    doubted: bool = False


def overfull(one: Student) -> bool:
    """Whether the excess takes more gas at the stop than the BC holds, so that its lead may be a slip.

    In a dry suit gas may be elsewhere, and nothing is said.
    """
    return not one.dry and one.cost.stop_l > one.cost.lift_l


def near_light(risk: float) -> float:
    """Chance of too light from which a student is near too light, where so much is accepted. [-]."""
    return max(NEAR_LIGHT, risk)


def unproven(one: Student, risk: float) -> bool:
    """Whether the lead of the latest dive seems right, though no record has proven so little enough.

    Parameters
    ----------
    one : Student
        Who.
    risk : float
        Of too light, as accepted. [-]

    Returns
    -------
    bool
        Then the answer for the next dive names more than was carried, though that is not thought too light.
        A lead that lies well above what is called for does not seem right.
    """
    # Not by `bring_kg <= lead_kg`: what is called for is rounded up to the blocks, what was carried is not.
    right = one.p_too_light <= risk and one.lead_kg - RIGHT <= one.bring_kg
    held = one.bring_kg < one.next_lead_kg and one.lead_kg < one.next_lead_kg
    return bool(not one.check_first and right and held)


def stays(one: Student, risk: float, block_kg: float) -> bool:
    """Whether the lead for the next dive is that of the latest one, but for what rounding makes.

    Less than a quarter of a block, such as 5 kg carried and 11 lb called for, is no change that anybody can
    make; more of it is, where the lead carried is too light by the risk that is accepted.
    """
    more = one.next_lead_kg - one.lead_kg
    return bool(abs(more) < block_kg / 4 and (more <= 0 or one.p_too_light <= risk))


@dataclass(frozen=True)
class Change:
    """From the first to the last dive of a course, over the students of one group or one leader.

    Parameters
    ----------
    name : str
        Of the group or leader; empty: all.
    students : int
        Who have a first and a last dive in it.
    first_kg, last_kg : float
        Mean margin then. [kg]
    mean_kg : float
        Mean change as it stands; negative has come down. [kg]
    pooled_kg, low_kg, high_kg : float
        The change to expect of this group or leader, partly pooled, and its 95 % interval. [kg]
    looked : Share
        Dives that were looked at, at the stop or by a surface check.
    """

    name: str
    students: int
    first_kg: float
    last_kg: float
    mean_kg: float
    pooled_kg: float
    low_kg: float
    high_kg: float
    looked: Share


@dataclass(frozen=True)
class Curve:
    """Mean margin by number of the dive in the course; *k* numbers.

    Parameters
    ----------
    number, students : ndarray of int, shape (k,)
        1 is the first dive; how many students count.
    margin, smooth : ndarray, shape (k,)
        Mean, and the smooth line through the means; NaN where there are too few for a line. [kg]
    """

    number: NDArray[np.int64]
    students: NDArray[np.int64]
    margin: FloatArray
    smooth: FloatArray


@dataclass(frozen=True)
class Roster:
    """All that the roster shows.

    Parameters
    ----------
    units : str
        metric or imperial: what the reader sees.
    generated : datetime
        When these numbers were put together.
    book, data_version : str
        Name of the book and version of its records.
    latest : datetime64
        Latest dive of the book; NaT where none has a date.
    fitted : datetime or None
        When the population was fitted; None: never.
    groups : tuple of str
        Groups asked for; none: all.
    since : datetime64
        First day; NaT: from the start.
    risk : float
        Accepted chance of too light: from there on a student is a little short of lead. [-]
    block_kg : float
        Step of the blocks in use. [kg]
    students : tuple of Student
        What needs doing first comes first.
    flags : Flags
        Rates of the flags; its rows are those of `students`.
    heavy, light : Headcount
        Students to expect more than 2 kg over need on most of their latest dives, flagged or not; and too
        light on their next dive with the lead of the latest.
    never_looked : Share
        Students without any look.
    overall : Change or None
        Of courses in general, or of the only group; None where nobody has two dives in one.
    groups_change, leaders_change : tuple of Change
        By group and by leader, the largest fall first.
    curve : Curve
        Over all courses.
    leaders_left_out : int
        Dives of leaders on dives they led, which are not in the roster.
    doubted_left_out : int
        Dives whose record is not believed, which count neither for the chances of too heavy on most dives nor
        for the way over the dives.
    evidence : int
        Dives and checks of these students that count as evidence.
    changed_kit : tuple of str
        Items whose row was changed since the fit, so that what was learned of them is left out.
    """

    units: str
    generated: datetime
    book: str
    data_version: str
    latest: np.datetime64
    fitted: datetime | None
    groups: tuple[str, ...]
    since: np.datetime64
    risk: float
    students: tuple[Student, ...]
    flags: Flags
    heavy: Headcount
    light: Headcount
    never_looked: Share
    overall: Change | None
    groups_change: tuple[Change, ...]
    leaders_change: tuple[Change, ...]
    curve: Curve
    leaders_left_out: int
    evidence: int
    changed_kit: tuple[str, ...] = ()
    doubted_left_out: int = 0
    block_kg: float = 0.5

    @property
    def dry(self) -> bool:
        """Whether a look takes a vented suit too for some of these students."""
        return any(one.dry or one.unvented for one in self.students)

    @property
    def flagged_elsewhere(self) -> tuple[Student, ...]:
        """Who is flagged as too heavy and, by the lead of the latest dive, stands under another heading."""
        return tuple(one for one in self.students if one.flagged and one.status != "heavy")

    def __post_init__(self) -> None:
        if self.units not in ("metric", "imperial"):
            raise ValueError(f"Roster.units must be metric or imperial, got {self.units!r}")
