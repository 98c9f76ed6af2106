"""The next step: of the acts whose risk is acceptable, the one that teaches most."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.history_data import ALIKE, LikeKit
from leadline.decide.lead_rule import step_share
from leadline.decide.look import (
    SurfaceDoubt,
    carried,
    handed_off,
    looked,
    nodes_for,
    surface_checked,
    worth,
)
from leadline.frozen import dataclass
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.model.stack import Stack, stacks
from leadline.physics.head import WATERLINES
from leadline.physics.ledger import State, breath_volume, emerged_head, evaluate, exposures
from leadline.units import POUND

__all__ = ["Act", "Setup", "Step", "next_act", "next_acts", "surface_doubts"]

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
    never : float
        Lead that the answer calls too little, so that no act comes down to it; NaN for none. [kg]
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
    never: float = np.nan


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
    columns = np.broadcast_arrays(by_eye, by_breath, doubt, litre, normal_sd, low_sd)
    return [SurfaceDoubt(*row) for row in np.column_stack(columns).tolist()]


def _hand_offs(setup: Setup) -> tuple[float, ...]:
    """Leads that may be handed off: half a kilogram or a pound, and twice that but not by the light. [kg]."""
    least = POUND if setup.imperial else 0.5
    return (least,) if step_share(setup.mass) < 1 else (least, 2 * least)


def _forbidden(setup: Setup, lead: float) -> str:
    """Reason against a lead that the same answer says never to dive with; empty for none."""
    # Any comparison with NaN is false: then nothing is forbidden.
    return "never with so little" if lead < setup.never + ALIKE else ""


def _why_not_handed(setup: Setup, history: LikeKit, handed: float, likely: float) -> str:
    """Reason against a hand-off; empty for none."""
    if history.light_signs:
        return "too light before in like kit"
    if history.light_hints:
        return "rose before in like kit, for want of lead or for gas"
    rises = history.sights.lead[history.sights.rose | history.sights.hinted]
    if (rises >= setup.lead - handed - ALIKE).any():
        return "rose with as little before"
    if not (history.point or (history.upper and history.lower)):
        return "an empty BC at the stop comes first"
    if handed > setup.lead:
        return "not that much lead on"
    if setup.block is not None and not setup.block.makes(handed):
        return "no blocks that make that mass"
    if not np.isnan(setup.loose) and handed > setup.loose + 1e-9:
        return "no lead but on the belt or in a ditchable pocket"
    if never := _forbidden(setup, setup.lead - handed):
        return never
    if likely > min(LINE_FACTOR * setup.risk, MOST_TRIED):
        return "too likely to rise"
    return ""


@dataclass(frozen=True)
class _Weighed:
    """One kind of act for *n* needs; all shape (n,).

    Parameters
    ----------
    expected_sd, information
        As of an `Act`. [kg, nat]
    wrong, sinks
        Chances of rising and of sinking. [-]
    """

    expected_sd: FloatArray
    information: FloatArray
    wrong: FloatArray
    sinks: FloatArray

    def act(self, i: int, name: str, before: float, *, mass: float = 0.0, reason: str = "") -> Act:
        """The act for one of the needs, whose sd is `before`."""
        sd, wrong, sinks = float(self.expected_sd[i]), float(self.wrong[i]), float(self.sinks[i])
        shrink = EIGHT_IN_TEN * (before - sd)
        return Act(name, mass, not reason, reason, sd, shrink, float(self.information[i]), wrong, sinks)


def _weighed(need: Stack, chances: FloatArray, wrong: FloatArray, sinks: FloatArray) -> _Weighed:
    taught = worth(need, chances)
    return _Weighed(taught.expected_sd, taught.information, wrong, sinks)


def _stacked(surfaces: Sequence[SurfaceDoubt]) -> SurfaceDoubt:
    """The same, as arrays."""
    columns = zip(*((s.eye, s.out, s.doubt, s.litre, s.breath_sd, s.out_sd) for s in surfaces), strict=True)
    return SurfaceDoubt(*(np.array(column, float) for column in columns))


def _surface_check(
    need: Stack, lead: FloatArray, surface: SurfaceDoubt, theta: Hyperparameters
) -> _Weighed:  # fmt: skip
    eye = lead - surface.eye - surface.litre * WATERLINES["eye"][0]
    under = 1 - need.above(eye[:, None])[:, 0]
    return _weighed(need, surface_checked(need, lead, surface, theta), np.zeros(len(lead)), under)


def _checks(
    need: Stack, setups: Sequence[Setup], surface: SurfaceDoubt, theta: Hyperparameters
) -> list[list[Act]]:
    """Nothing but a check, where the answer asks for one."""
    lead = np.array([setup.lead for setup in setups])
    check = _surface_check(need, lead, surface, theta)
    return [[check.act(i, "check_first", sd)] for i, sd in enumerate(need.sd.tolist())]


def _acts(
    need: Stack, setups: Sequence[Setup], histories: Sequence[LikeKit], surface: SurfaceDoubt,
    theta: Hyperparameters,
) -> list[list[Act]]:  # fmt: skip
    """Every act at these leads, the safer ones first."""
    lead, less = np.array([(setup.lead, setup.less) for setup in setups]).T
    out = np.array([setup.breath_out for setup in setups])
    amounts = sorted({mass for setup in setups for mass in _hand_offs(setup)})
    up = np.stack([lead, less, *(lead - mass for mass in amounts)], axis=1) + out[:, None]
    down = np.stack([lead, less], axis=1) - theta.breath_in
    over = need.above(np.concatenate([up, down], axis=1)).T
    rises, lighter, *lighter_still = over[: up.shape[1]]
    sinks, lighter_sinks = 1 - over[up.shape[1] :]
    surface_check = _surface_check(need, lead, surface, theta)
    look = _weighed(need, looked(need, lead, theta), rises, sinks)
    pairs = handed_off(need, lead, amounts, theta)
    hand_offs = {
        mass: _weighed(need, pair, then - rises, sinks)
        for mass, pair, then in zip(amounts, pairs, lighter_still, strict=True)
    }
    carry_less = _weighed(need, carried(need, less, theta), lighter, lighter_sinks)

    def of(i: int, setup: Setup, history: LikeKit, sd: float) -> list[Act]:
        light = rises[i] > min(LINE_FACTOR * setup.risk, MOST_TRIED)
        found = [
            surface_check.act(i, "surface_check", sd),
            look.act(i, "look", sd, reason="too likely to rise" if light else ""),
        ]
        for mass in _hand_offs(setup):
            reason = _why_not_handed(setup, history, mass, float(hand_offs[mass].wrong[i]))
            found.append(hand_offs[mass].act(i, "hand_off", sd, mass=mass, reason=reason))
        over_risk = "beyond the accepted risk" if lighter[i] > setup.risk else ""
        reason = "no lead to leave out" if setup.lead <= 0 else _forbidden(setup, setup.less) or over_risk
        mass = setup.lead - setup.less
        return [*found, carry_less.act(i, "carry_less", sd, mass=mass, reason=reason)]

    facts = zip(setups, histories, need.sd.tolist(), strict=True)
    return [of(i, setup, history, sd) for i, (setup, history, sd) in enumerate(facts)]


def next_acts(
    needs: Sequence[Marginal],
    setups: Sequence[Setup],
    *,
    histories: Sequence[LikeKit],
    surfaces: Sequence[SurfaceDoubt],
    theta: Hyperparameters,
) -> list[Step]:
    """The next step of each of *n* divers: of the allowed acts, the one with the least expected entropy.

    Parameters
    ----------
    needs : sequence of Marginal, length n
        Need at the stop of the planned dive.
    setups : sequence of Setup, length n
        Answer and lead.
    histories : sequence of LikeKit, length n
        Of each diver in like kit.
    surfaces : sequence of SurfaceDoubt, length n
        How a surface check relates to that need.
    theta : Hyperparameters
        Breath range and share of wrong records, as evidence will be read.

    Returns
    -------
    list of Step, length n
        Chosen is None where no allowed act narrows the band by more than 0.05 kg. No act here is worth more
        with less gas left: all are made at the planned pressure.
    """
    found: dict[int, Step] = {}
    for check in (False, True):
        those = [i for i, setup in enumerate(setups) if setup.check == check]
        for places, stack in stacks([needs[i] for i in those], numbers=nodes_for(theta.scatter)):
            at = [those[place] for place in places]
            own, surface = [setups[i] for i in at], _stacked([surfaces[i] for i in at])
            if check:
                acts = _checks(stack, own, surface, theta)
            else:
                acts = _acts(stack, own, [histories[i] for i in at], surface, theta)
            found.update(zip(at, map(_chosen, acts, own), strict=True))
    return [found[i] for i in range(len(needs))]


def _chosen(acts: Sequence[Act], setup: Setup) -> Step:
    allowed = [act for act in acts if act.allowed and (act.shrink_kg >= LEAST_SHRINK or setup.check)]
    return Step(max(allowed, key=lambda act: act.information, default=None), tuple(acts))


def next_act(
    need: Marginal, setup: Setup, *, history: LikeKit, surface: SurfaceDoubt, theta: Hyperparameters
) -> Step:
    """The next step of one diver, as `next_acts` finds it."""
    return next_acts([need], [setup], histories=[history], surfaces=[surface], theta=theta)[0]
