"""The next step: of the acts whose risk is acceptable, the one that teaches most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.history import LikeKit
from leadline.decide.look import (
    SurfaceDoubt,
    carried,
    handed_off,
    looked,
    surface_checked,
    worth,
)
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.physics.head import WATERLINES
from leadline.physics.ledger import State, breath_volume, emerged_head, evaluate, exposures
from leadline.units import POUND

__all__ = ["Act", "Setup", "Step", "next_act", "surface_doubts"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LINE_FACTOR: Final = 4.0
"""How many times the accepted risk a hand-off may run: the line is in the hand and the lead beside it."""

MOST_TRIED: Final = 0.25
"""Beyond this chance of rising nothing is handed off, whatever risk is accepted. [-]"""

LEAST_SHRINK: Final = 0.05
"""An act that narrows the band by less is not worth a word. [kg]

Judged. A band of 8 in 10 narrower by 0.05 kg is an sd smaller by 0.02 kg: next to nothing for one dive, but
five such dives in a row are half a block. At twice that, simulated divers stopped looking while their leads
were still a block too heavy: 54 instead of 58 % within 1 kg of need on dives 4 to 8 of the closed loop
(`reports/decide`). Asking for an act each time until nothing at all is left to learn would teach divers to
pass it over.
"""

EIGHT_IN_TEN: Final = 2 * 1.2815516
"""Width of a normal band of 80 % over its sd."""

LIGHT_BODY: Final = 45.0
"""Below this body mass steps are halved. [kg]"""


@dataclass(frozen=True)
class Act:
    """Something to do that teaches about need.

    Parameters
    ----------
    name : {"check_first", "surface_check", "look", "hand_off", "carry_less"}
        A surface check before the dive; one with a nearly empty cylinder; emptying the BC at the stop and
        looking; handing lead to a buddy at the end of the stop; carrying less next time.
    mass_kg : float
        Lead handed off or left out; 0 for the others. [kg]
    allowed : bool
        Whether its risk is acceptable here.
    reason : str
        Why not; empty where allowed.
    expected_sd_kg : float
        Expected sd of need afterwards, scatter of the dive included. [kg]
    shrink_kg : float
        By how much the band that holds 8 dives in 10 is expected to narrow. [kg]
    information : float
        Expected fall of the entropy. [nat]
    p_wrong : float
        Chance that it goes wrong: the diver goes up and breathing out does not hold it. [-]
    p_sinks : float
        Chance that the diver sinks on a breath high: what the line, the near bottom or the boat is for. [-]
    """

    name: str
    mass_kg: float
    allowed: bool
    reason: str
    expected_sd_kg: float
    shrink_kg: float
    information: float
    p_wrong: float
    p_sinks: float


@dataclass(frozen=True)
class Step:
    """The acts there are, and the one to do next.

    Parameters
    ----------
    chosen : Act or None
        None: nothing more to learn for now.
    acts : tuple of Act
        All that were weighed.
    """

    chosen: Act | None
    acts: tuple[Act, ...]


@dataclass(frozen=True)
class Setup:
    """What the choice of a step rests on, besides the need.

    Parameters
    ----------
    lead : float
        As in the answer. [kg]
    check : bool
        Whether the answer asks for a surface check.
    risk : float
        Accepted chance of too light. [-]
    breath_out : float
        Lightness that decisions let exhaling cover. [kg]
    less : float
        The lead one block lighter. [kg]
    imperial : bool
        Whether lead comes in pounds.
    mass : float
        Of the body. [kg]
    loose : float
        Lead that is neither on the belt nor ditchable; NaN where not noted. [kg]
    block : Block, optional
        Blocks in use: what is handed off is made of them; default blocks of any mass.
    """

    lead: float
    check: bool
    risk: float
    breath_out: float
    less: float
    imperial: bool
    mass: float
    loose: float
    block: Block | None = None


def surface_doubts(assessment: Assessment, rows: IntArray, stop: State) -> list[SurfaceDoubt]:
    """How a surface check with the stop's cylinder pressure relates to need at the stop.

    Parameters
    ----------
    assessment : Assessment
        With the rows.
    rows : ndarray of int, shape (t,)
        Rows of the timeline.
    stop : State
        Their stop.

    Returns
    -------
    list of SurfaceDoubt
        One a row. The doubt is that of the exposures' difference under the prior, the safe side.
    """
    rigs = assessment.rigs.take(rows)
    normal, normal_sd = breath_volume(np.full(len(rows), "normal", object), rigs.lungs)
    low, low_sd = breath_volume(np.full(len(rows), "out", object), rigs.lungs)
    head, _ = emerged_head(rigs, "eye")

    def surface(breath: FloatArray, out: FloatArray | float) -> State:
        return State(0.0, stop.cylinder_pressure, stop.carried, breath=breath, head_out=out)

    eye = surface(normal, head)
    here, there = exposures(rigs, stop), exposures(rigs, eye)
    doubt = np.sqrt(((there.values - here.values) ** 2).sum(axis=1) + (there.suit_sd - here.suit_sd) ** 2)
    need = evaluate(rigs, stop).need
    ledger = evaluate(rigs, eye)
    by_eye, by_breath = ledger.need - need, evaluate(rigs, surface(low, 0.0)).need - need
    litre = ledger.water_density / 1e3 / ledger.lead_factor
    columns = (by_eye, by_breath, doubt, litre, normal_sd, low_sd)
    return [SurfaceDoubt(*(float(column[i]) for column in columns)) for i in range(len(rows))]


def _hand_offs(setup: Setup) -> tuple[float, ...]:
    """Leads that may be handed off: half a kilogram or a pound, and twice that but not by the light. [kg]."""
    least = POUND if setup.imperial else 0.5
    return (least,) if setup.mass < LIGHT_BODY else (least, 2 * least)


def _why_not_handed(setup: Setup, history: LikeKit, handed: float, rises: float) -> str:
    """Reason against a hand-off; empty for none."""
    if history.light_signs:
        return "too light before in like kit"
    if not (history.point or (history.upper and history.lower)):
        return "an empty BC at the stop comes first"
    if handed > setup.lead:
        return "not that much lead on"
    if setup.block is not None and not setup.block.makes(handed):
        return "no blocks that make that mass"
    if not np.isnan(setup.loose) and handed > setup.loose + 1e-9:
        return "no lead but on the belt or in a ditchable pocket"
    if rises > min(LINE_FACTOR * setup.risk, MOST_TRIED):
        return "too likely to rise"
    return ""


def _act(
    need: Marginal, name: str, chances: FloatArray, *, mass: float, reason: str, wrong: float, sinks: float
) -> Act:
    taught = worth(need, chances)
    shrink = EIGHT_IN_TEN * (need.sd - taught.expected_sd)
    return Act(name, mass, not reason, reason, taught.expected_sd, shrink, taught.information, wrong, sinks)


def _acts(
    need: Marginal, setup: Setup, history: LikeKit, surface: SurfaceDoubt, theta: Hyperparameters
) -> list[Act]:
    """Every act at this lead, the safer ones first."""
    lead, less = setup.lead, setup.less
    handed = _hand_offs(setup)
    eye = lead - surface.eye - surface.litre * WATERLINES["eye"][0]
    up = setup.breath_out + np.array([lead, less, *(lead - mass for mass in handed)])
    over = need.above(np.array([*up, lead - theta.breath_in, less - theta.breath_in, eye]))
    rises, lighter, *handed_rises = (float(chance) for chance in over[: len(up)])
    sinks, lighter_sinks, under = (float(1 - chance) for chance in over[len(up) :])
    at_surface = surface_checked(need, lead, surface, theta)
    if setup.check:
        return [_act(need, "check_first", at_surface, mass=0.0, reason="", wrong=0.0, sinks=under)]
    found = [_act(need, "surface_check", at_surface, mass=0.0, reason="", wrong=0.0, sinks=under)]
    light = "too likely to rise" if rises > min(LINE_FACTOR * setup.risk, MOST_TRIED) else ""
    look = looked(need, lead, theta)
    found.append(_act(need, "look", look, mass=0.0, reason=light, wrong=rises, sinks=sinks))
    pairs = handed_off(need, lead, handed, theta)
    for mass, pair, up_then in zip(handed, pairs, handed_rises, strict=True):
        wrong = up_then - rises
        reason = _why_not_handed(setup, history, mass, wrong)
        found.append(_act(need, "hand_off", pair, mass=mass, reason=reason, wrong=wrong, sinks=sinks))
    over_risk = "beyond the accepted risk" if lighter > setup.risk else ""
    reason = "no lead to leave out" if lead <= 0 else over_risk
    found.append(
        _act(
            need, "carry_less", carried(need, less, theta), mass=lead - less, reason=reason,
            wrong=lighter, sinks=lighter_sinks,
        )
    )  # fmt: skip
    return found


def next_act(
    need: Marginal, setup: Setup, *, history: LikeKit, surface: SurfaceDoubt, theta: Hyperparameters
) -> Step:
    """The next step: of the allowed acts, the one with the least expected entropy of need.

    Parameters
    ----------
    need : Marginal
        Need at the stop of the planned dive.
    setup : Setup
        Answer and lead.
    history : LikeKit
        Of this diver in like kit.
    surface : SurfaceDoubt
        How a surface check relates to that need.
    theta : Hyperparameters
        Breath range and share of wrong records, as evidence will be read.

    Returns
    -------
    Step
        Chosen is None where no allowed act narrows the band by more than 0.05 kg. No act here is worth more
        with less gas left: all are made at the planned pressure.
    """
    acts = _acts(need, setup, history, surface, theta)
    allowed = [act for act in acts if act.allowed and (act.shrink_kg >= LEAST_SHRINK or setup.check)]
    chosen = max(allowed, key=lambda act: act.information, default=None)
    return Step(chosen, tuple(acts))
