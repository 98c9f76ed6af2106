"""The rule that turns a need into lead on blocks: accepted risk, small steps down, when to check first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from leadline.decide.block import Block
from leadline.decide.history import LikeKit
from leadline.errors import OutOfRangeError
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.model.quantile import quantiles
from leadline.units import POUND

__all__ = [
    "BEGIN",
    "ENOUGH",
    "MOST_RISE",
    "WIDE",
    "Choice",
    "breath_out",
    "chosen",
    "doubted",
    "fails",
    "forbidden",
    "lead_rule",
    "least_step",
    "levels",
    "not_again",
    "require_risk",
    "step_share",
]

RISK_RANGE: Final = (0.001, 0.5)  # beyond it nobody means a risk: 5 is a percentage, 0 has no lead
WIDE: Final = 2.5  # kg between the 10 and 90 % points
BEGIN: Final = 0.7  # where in the band a surface check begins
BEGIN_AT: Final = 2  # place of that among `levels`
ENOUGH: Final = 3  # place of the accepted risk among `levels`
MOST_RISE: Final = 2.0  # kg up on one observation without a check
USUAL_RISK: Final = 0.05  # for that rule, whatever risk is accepted
MORE_THAN_LIGHT: Final = 0.25  # kg: a check begins above a lead that was too light
HAIR: Final = 0.02  # kg: a birthday or a degree moves the ledger by grams, which must not cost a whole block
USUAL_BREATH_OUT: Final = 0.5  # kg
TOO_LIGHT_LAST: Final = 0.2  # chance of too light with the lead carried last from which that is a danger
LIGHT_BODY: Final = 45.0  # kg of body mass, below which steps are halved
RISES_APART: Final = 1 / 3  # share of stops from which on rises are no slips, however unlikely (judged)
LIGHT: Final = (1.0, 0.0, 0.0)  # zones that a rise leaves


class Choice(NamedTuple):
    """What the rule decides.

    Parameters
    ----------
    lead : float
        To put on, or to begin a surface check with. [kg]
    bring : float
        Lightest within the accepted risk. [kg]
    check : bool
        Whether a surface check comes first.
    held : bool
        Whether a step down was held back.
    failed : bool
        Whether the band would let the diver go down with what failed at the stop, so that it is not gone by.
    """

    lead: float
    bring: float
    check: bool
    held: bool
    failed: bool = False


def breath_out(theta: Hyperparameters) -> float:
    """Lightness [kg] that decisions let exhaling cover: the least of what was learned and what is usual.

    Divers note 'sank' less carefully than 'hovered', which inflates the learned breath range; on the light
    side that would be dangerous. So it is learned twice, with how records are noted learned and held fixed.
    """
    return min(theta.breath_out, theta.trusted_out, USUAL_BREATH_OUT)


def step_share(mass: float) -> float:
    """What of a usual step a body of that mass [kg] may take: half of it where it is light. [-]."""
    return 0.5 if mass < LIGHT_BODY else 1.0


def least_step(history: LikeKit, block: Block, mass: float) -> float:
    """Least lead that a step down may come to where nobody looked on the day of the dive.

    Parameters
    ----------
    history, block, mass
        As of `chosen`.

    Returns
    -------
    float
        [kg] -inf where no lead is proven enough.
    """
    if not len(history.enough):
        return -np.inf
    # 2 lb where lead comes in pounds, else 1 kg.
    step = 2 * POUND if block.imperial else 1.0
    return block.at_least(float(history.enough.min()) - step * step_share(mass) - HAIR)


def _held(bring: float, history: LikeKit, block: Block, mass: float) -> float:
    """Lead after the rule that a step down stays near what is proven enough. [kg]."""
    return bring if history.fresh_check else max(bring, least_step(history, block, mass))


def _first(begin: float, bring: float, history: LikeKit, block: Block) -> float:
    """Lead to begin a surface check with. [kg]."""
    first = block.nearest(begin)
    if len(history.light):
        first = max(first, block.at_least(float(history.light.max()) + MORE_THAN_LIGHT))
    return min(first, bring)


def _more_than_failed(history: LikeKit, block: Block) -> float:
    """Lead on the blocks that is more than what failed at the stop. [kg]."""
    return block.at_least(float(history.failed.lead.max(initial=-MORE_THAN_LIGHT)) + MORE_THAN_LIGHT)


def _near_failed(usual: float, history: LikeKit, block: Block, theta: Hyperparameters) -> bool:
    """Whether what failed is near enough to need for looks to say how much more it takes.

    Whatever risk is accepted. What was typed wrong is further off: then more than that is none to dive with.
    """
    return _more_than_failed(history, block) - block.at_least(usual - breath_out(theta)) <= MOST_RISE


def _over_failed(bring: float, history: LikeKit, block: Block) -> float:
    """Lead to have at hand after a stop that failed, where `bring` is within the accepted risk. [kg]."""
    more = _more_than_failed(history, block)
    # If it was a slip, what was enough before is wanted: at hand, for the check to say. Sixteen kilograms
    # typed for six are no lead to have there.
    near = more if more - bring <= MOST_RISE else block.at_least(bring + MOST_RISE - HAIR)
    return max(bring, near, block.at_least(history.at_hand - HAIR))


def _more_than_rises(history: LikeKit, block: Block) -> float:
    """Lead on the blocks that is more than that of several rises which are not believed; else 0. [kg].

    One may be a slip of the pen. Several are none, whatever the others say: the second largest counts.
    """
    doubted, stops = history.doubted, history.sights
    rose = np.flatnonzero(doubted.dive & doubted.alike & (doubted.fit == LIGHT).all(axis=1))
    leads = {int(doubted.place[i]): float(doubted.lead[i]) for i in rose}
    every = len(set(stops.place[stops.dive & stops.alike].tolist()))
    if len(leads) < 2 or len(leads) < RISES_APART * every:
        return 0.0
    return block.at_least(sorted(leads.values())[-2] + MORE_THAN_LIGHT)


def fails(ends: Sequence[float], history: LikeKit, *, block: Block, theta: Hyperparameters) -> bool:
    """Whether the band would have the diver go down with no more than what failed at the stop.

    What failed in the water and was not held since outweighs whatever else makes it unlikely. Parameters as
    of `chosen`; whatever risk is accepted.
    """
    if not len(history.failed):
        return False
    ready = block.endless  # whether there is so much of it is asked of the answer
    return _more_than_failed(history, ready) > ready.at_least(ends[-1] - breath_out(theta))


def forbidden(history: LikeKit, chance: float, lead: float) -> float:
    """Lead of which an answer says that it is never to be so little; NaN where it says so of none.

    Parameters
    ----------
    history : LikeKit
        Of this diver in like kit.
    chance : float
        Of too light on that dive with the lead carried last in like kit; NaN where there is none. [-]
    lead : float
        Of the answer. [kg]

    Returns
    -------
    float
        The lead carried last. [kg] No act of the same answer may come down to it.
    """
    if not len(history.worn) or not chance > TOO_LIGHT_LAST:
        return np.nan
    last = float(history.worn[-1])
    return last if last < lead - 0.05 else np.nan


def not_again(history: LikeKit, chance: float, lead: float) -> float:
    """Most lead that no look at the surface is to send this diver down with again; -inf where there is none.

    What failed at the stop and was not held since, and what `forbidden` has; parameters as there. [kg]
    """
    last = forbidden(history, chance, lead)
    return max(-np.inf if np.isnan(last) else last, float(history.failed.lead.max(initial=-np.inf)))


def require_risk(risk: float) -> None:
    """Refuse a risk that nobody can mean, before anything is reckoned with it.

    Parameters
    ----------
    risk : float
        Accepted chance of too light. [-] Valid 0.001 to 0.5.

    Raises
    ------
    OutOfRangeError
        If it lies outside, or is NaN.

    Examples
    --------
    >>> require_risk(5)
    Traceback (most recent call last):
    ...
    leadline.errors.OutOfRangeError: risk must lie in [0.001, 0.5], got 5: 0.05 accepts 1 dive in 20 too light
    """
    low, high = RISK_RANGE
    if not low <= risk <= high:
        raise OutOfRangeError(
            f"risk must lie in [{low:g}, {high:g}], got {risk:g}: 0.05 accepts 1 dive in 20 too light"
        )


def levels(risk: float) -> tuple[float, ...]:
    """Probabilities of the quantiles that the rule rests on, in the order in which it takes them."""
    return (0.1, 0.9, BEGIN, 1 - risk, 1 - USUAL_RISK)


def lead_rule(
    need: Marginal, history: LikeKit, *, block: Block, risk: float, mass: float, theta: Hyperparameters
) -> Choice:
    """The lead of one answer; see `chosen`."""
    ends = quantiles([need], levels(risk))[0].tolist()
    return chosen(ends, history, block=block, mass=mass, theta=theta)


def chosen(
    ends: Sequence[float], history: LikeKit, *, block: Block, mass: float, theta: Hyperparameters,
    failed: bool = False, confirmed: bool = False, free: bool = False, looked: bool = False,
) -> Choice:  # fmt: skip
    """The lead of an answer.

    Parameters
    ----------
    ends : sequence of float
        Quantiles of need on that dive at `levels` of the accepted risk. [kg]
    history : LikeKit
        Of this diver in like kit.
    block : Block
        Blocks in use.
    mass : float
        Of the body; steps are halved below 45 kg. [kg]
    theta : Hyperparameters
        Of the fit.
    failed : bool
        Whether the diver would go down with what failed at the stop, see `fails`.
    confirmed : bool
        Whether several looks agree, so that a large step up rests on more than one.
    free : bool
        Whether they are of the day of the dive: on that day alone a step down is not held back.
    looked : bool
        Whether they were all made after what failed: then it is known that it takes more, and how much.

    Returns
    -------
    Choice
        Whether to check first does not hang on the accepted risk, so that less risk is never less lead.

    Raises
    ------
    OutOfRangeError
        If all blocks together are too light.
    """
    low, high, begin, enough, usual = ends
    bring = block.at_least(enough - breath_out(theta))
    settled = failed and looked and _near_failed(usual, history, block, theta)
    if failed:
        bring = _over_failed(bring, history, block)
    if settled:
        bring = max(bring, _more_than_failed(history, block))
    if more := _more_than_rises(history, block):
        # Whatever risk is accepted: where the band asks for as much itself, they are not believed either.
        bring = max(bring, more)
        return Choice(_first(begin, bring, history, block), bring, True, False, failed)
    rise = usual - breath_out(theta) - history.carried[-1] if len(history.carried) else 0.0
    jump = rise > MOST_RISE and history.light_signs + history.light_hints <= 1
    # A check of the day lifts that nothing is known, and not that the band is wide.
    if high - low > WIDE or not (history.known or history.fresh_check):
        return Choice(_first(begin, bring, history, block), bring, True, False, failed)
    if failed and not settled:
        return Choice(_first(begin, bring, history, block), bring, True, False, True)
    if jump and not (history.fresh_check or confirmed):
        # The band is narrow and a step up is at once: the check confirms it.
        return Choice(bring, bring, True, False)
    # Looks of the day that agree are the water's own word: a step down from what is proven binds no more.
    lead = bring if free else _held(bring, history, block, mass)
    return Choice(lead, bring, False, lead > bring + 1e-9)


def doubted(
    choice: Choice, ends: Sequence[float], history: LikeKit, *, block: Block, mass: float,
    theta: Hyperparameters, without: float,
) -> Choice:  # fmt: skip
    """The lead of an answer whose check asks for another look; parameters as of `chosen`.

    Parameters
    ----------
    choice : Choice
        Without that.
    without : float
        Quantile of need at the accepted risk without that check [kg]; NaN where the two do not differ.

    Returns
    -------
    Choice
        A check first, with what either says at hand: where stops have been held, no less than those before it
        called for, be it held back by the rule for steps down.
    """
    bring = block.at_least(ends[ENOUGH] - breath_out(theta))
    if len(history.enough):
        known = bring if np.isnan(without) else max(bring, block.at_least(without - breath_out(theta)))
        # Where the band is wide a check comes first anyway, and no step is held.
        bring = known if choice.check else _held(known, history, block, mass)
    failed = False
    if len(history.failed):  # such a look does not outweigh what failed in the water
        # Where look and records ask for far more anyway, nothing is at odds with the rise.
        failed = _more_than_failed(history, block) >= block.at_least(ends[ENOUGH] - breath_out(theta))
        bring = _over_failed(bring, history, block)
    bring = max(bring, _more_than_rises(history, block))
    return Choice(_first(ends[BEGIN_AT], bring, history, block), bring, True, False, failed)
