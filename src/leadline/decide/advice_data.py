"""What an answer says: the row of the plan file, and all that it was reckoned from."""

from __future__ import annotations

from leadline.decide.onward import Onward
from leadline.decide.safety import RigSafety
from leadline.decide.step import Step
from leadline.decide.trigger import Trigger
from leadline.frozen import dataclass
from leadline.model.marginal import Marginal

__all__ = ["Advice", "Answer"]


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
        A sentence or two.
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


@dataclass(frozen=True)
class Answer:
    """The answer for one dive and all that it was reckoned from.

    Parameters
    ----------
    advice : Advice
        As in the plan file.
    need : Marginal
        Of that dive.
    step : Step
        Acts weighed for the next step.
    safety : RigSafety
        Of all rigs of the plan.
    row : int
        This one's row in it.
    triggers : tuple of Trigger
        Reasons to check again.
    late_bar : float
        End pressure of a dive that runs late; NaN where the plan already ends that low. [bar gauge]
    late_more_kg : float
        Need there less need as planned. [kg]
    late_bring_kg : float
        Lightest lead whose chance of too light is accepted there; NaN where the blocks do not make it. [kg]
    late_called_for_kg : float
        The same where all blocks that are listed are lighter than that; NaN where they are not. [kg]
    late_p_too_light : float
        Chance of too light there with the lead of the answer. [-]
    after : Onward or None
        What to put on after the surface check that comes first; None where none does.
    known : bool
        Whether there is evidence of any kind in like kit.
    rose : bool
        Whether the diver rose at a stop in like kit, the BC empty.
    least_step_kg : float
        As of `lead_rule.least_step`, on as many blocks as it takes. [kg]
    """

    advice: Advice
    need: Marginal
    step: Step
    safety: RigSafety
    row: int
    triggers: tuple[Trigger, ...]
    late_bar: float
    late_more_kg: float
    late_bring_kg: float
    late_called_for_kg: float
    late_p_too_light: float
    after: Onward | None
    known: bool = True
    rose: bool = False
    least_step_kg: float = float("-inf")
