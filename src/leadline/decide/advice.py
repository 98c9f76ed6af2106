"""From posterior to lead: the answer for each row of a plan, as the contract of the plan file names it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.history import LikeKit, evidence_word, like_kit
from leadline.decide.sentence import cautions, next_step
from leadline.errors import OutOfRangeError
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.physics.ledger import prior_sd
from leadline.timeline import PLAN

__all__ = ["QUANTILES", "TOO_HEAVY", "Advice", "advise", "breath_out"]

FloatArray = NDArray[np.float64]

QUANTILES: Final = (0.025, 0.1, 0.5, 0.9, 0.975)
TOO_HEAVY: Final = 2.0  # kg over need
WIDE: Final = 2.5  # kg between the 10 and 90 % points
BEGIN: Final = 0.7  # where in the band a surface check begins
MOST_RISE: Final = 2.0  # kg up on one observation without a check
HAIR: Final = 0.02  # kg: a birthday or a degree moves the ledger by grams, which must not cost a whole block
USUAL_BREATH_OUT: Final = 0.5  # kg


@dataclass(frozen=True)
class Advice:
    """The answer for one dive; field names are those of the plan file.

    Parameters
    ----------
    diver, dive : str
        Keys.
    lead_kg : float
        Lead to put on, or to begin a surface check with where `check_first`. [kg]
    bring_kg : float
        Lightest lead on the blocks whose chance of too light is accepted. [kg]
    check_first : bool
        Whether a surface check comes before the dive.
    p_too_light, p_too_heavy : float
        Chances at `lead_kg` and `need_at_bar`. [-]
    need_at_bar : float
        Cylinder pressure of the need below. [bar gauge]
    need_mean_kg, need_sd_kg, need_q025_kg, need_q10_kg, need_q50_kg, need_q90_kg, need_q975_kg : float
        Need on that dive, scatter included. [kg]
    prior_mean_kg, prior_sd_kg : float
        Need from physics alone. [kg]
    dives_used : int
        Dives and check days of this diver that count as evidence.
    evidence : str
        none, upper_only, two_sided or measured, in like kit.
    next_step : str
        One sentence.
    cautions : tuple of str
        For this answer.
    """

    diver: str
    dive: str
    lead_kg: float
    bring_kg: float
    check_first: bool
    p_too_light: float
    p_too_heavy: float
    need_at_bar: float
    need_mean_kg: float
    need_sd_kg: float
    need_q025_kg: float
    need_q10_kg: float
    need_q50_kg: float
    need_q90_kg: float
    need_q975_kg: float
    prior_mean_kg: float
    prior_sd_kg: float
    dives_used: int
    evidence: str
    next_step: str
    cautions: tuple[str, ...]


def breath_out(theta: Hyperparameters) -> float:
    """Lightness [kg] that decisions let exhaling cover: the learned value, but no more than is usual.

    Divers note 'sank' less carefully than 'hovered', which inflates the learned breath range; on the light
    side that would be dangerous.
    """
    return min(theta.breath_out, USUAL_BREATH_OUT)


def _held(bring: float, history: LikeKit, block: Block, mass: float) -> float:
    """Lead after the rule that a step down stays near what is proven enough. [kg]."""
    if history.fresh_check or not len(history.enough):
        return bring
    # 2 lb where lead comes in pounds, else 1 kg; half of it for the light.
    step = 2 * block.mass if block.imperial and block.mass < 0.5 else 1.0
    floor = float(history.enough.min()) - step * (0.5 if mass < 45 else 1.0)
    return max(bring, block.at_least(floor - HAIR))


def _lead(
    need: Marginal, history: LikeKit, *, block: Block, risk: float, mass: float, theta: Hyperparameters
) -> tuple[float, float, bool, bool]:
    """Lead to put on, lead to bring, whether to check first, whether a step was held back."""
    low, high, begin, enough = need.quantile([0.1, 0.9, BEGIN, 1 - risk])
    bring = block.at_least(float(enough) - breath_out(theta))
    jump = len(history.carried) > 0 and bring - history.carried[-1] > MOST_RISE and history.light_signs <= 1
    check = bool(high - low > WIDE or not history.known or jump) and not history.fresh_check
    if check:
        return min(block.nearest(float(begin)), bring), bring, True, False
    lead = _held(bring, history, block, mass)
    return lead, bring, False, lead > bring + 1e-9


def _require_gas(assessment: Assessment, position: int) -> None:
    """Refuse a plan in which nobody has anything to breathe at the stop."""
    if assessment.rigs.carried[position].any():
        return
    line, row = assessment.line, assessment.line.row[position]
    dive = f"dive {line.plan['dive'][row]} of " if line.plan["dive"][row] else ""
    raise OutOfRangeError(
        f"{dive}{line.plan['diver'][row]}: every cylinder is marked - as not carried at the stop; "
        "give the pressure of the one that is"
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
        Accepted chance of too light. [-] Valid 0.001 to 0.5.
    pressure : float, optional
        Cylinder pressure at the stop for all; default what each row plans, else the reserve. [bar gauge]
    imperial : bool
        Whether the sentences speak in pounds.

    Returns
    -------
    list of Advice
        One a row of the plan.
    """
    block = block or Block()
    line = assessment.line
    answers = []
    for position in line.at(PLAN):
        rows = np.array([position])
        carried = assessment.rigs.carried[position]
        _require_gas(assessment, int(position))
        state = assessment.state(rows, pressure=pressure)
        ledger, shared = assessment.prior(rows, state)
        need = assessment.marginals(rows, state)[0]
        history = like_kit(assessment, int(position), float(ledger.need[0]))
        mass = float(assessment.rigs.body.mass[position])
        lead, bring, check, held = _lead(
            need, history, block=block, risk=risk, mass=mass, theta=assessment.fit.theta
        )
        q025, q10, q50, q90, q975 = (float(q) for q in need.quantile(QUANTILES))
        here = line.row[position]
        answers.append(
            Advice(
                diver=str(line.plan["diver"][here]),
                dive=str(line.plan["dive"][here]),
                lead_kg=lead,
                bring_kg=bring,
                check_first=check,
                p_too_light=float(need.above(lead + breath_out(assessment.fit.theta))),
                p_too_heavy=float(1 - need.above(lead - TOO_HEAVY)),
                need_at_bar=float(np.min(np.asarray(state.cylinder_pressure)[0][carried])),
                need_mean_kg=need.mean,
                need_sd_kg=need.sd,
                need_q025_kg=q025,
                need_q10_kg=q10,
                need_q50_kg=q50,
                need_q90_kg=q90,
                need_q975_kg=q975,
                prior_mean_kg=float(ledger.need[0]),
                prior_sd_kg=float(prior_sd(shared)[0]),
                dives_used=history.dives_used,
                evidence=evidence_word(history),
                next_step=next_step(
                    lead, bring, check=check, held=held, history=history, need=need, imperial=imperial
                ),
                cautions=cautions(
                    assessment, int(position), need=need, history=history, check=check, imperial=imperial
                ),
            )
        )
    return answers
