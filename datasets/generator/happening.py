"""What truly happens on a dive: getting under, the stop, a hand-off; and at the surface."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from generator.chance import Chance
from generator.season import Dive
from generator.world import Needs

__all__ = ["Outcome", "Waterline", "at_surface", "happening"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """The true course of one dive.

    Parameters
    ----------
    margin : float
        Lead minus need at the stop's own pressure, suit gas least. [kg]
    descent : str
        easy, effort or no.
    result : str
        hovered, rose or sank.
    bc_litres : float
        Gas in the BC at the stop; 0 when empty. [L]
    suit_litres : float
        Dry-suit gas beyond the least. [L]
    handed : float
        Lead given away at the stop, negative when taken on; 0 when none. [kg]
    handed_result : str
        What came of it, BC empty.
    """

    margin: float
    descent: str
    result: str
    bc_litres: float
    suit_litres: float
    handed: float = 0.0
    handed_result: str = ""


# chance that someone far too heavy has an empty BC at the stop, by mishap or to have a look
LOOKS: Final = {"student": 0.13, "leader": 0.10, "regular": 0.10, "photographer": 0.06}

HAND_OFF: Final = 0.055
"""Chance that lead is given away at the stop of a led dive by someone not too light."""

TAKEN_ON: Final = 0.25
"""Chance that someone who goes up is given lead."""


def _zone(margin: float, dive: Dive) -> str:
    if margin < -dive.person.breath_out:
        return "rose"
    return "sank" if margin > dive.person.breath_in else "hovered"


def _descent(dive: Dive, needs: Needs, lead: float, chance: Chance) -> str:
    short = needs.surface_start - lead - dive.person.breath_out
    clumsy = 0.7 if dive.made < 6 and chance.happens(0.3) else 0.0
    short += clumsy + chance.normal(0.0, 0.25)
    return "no" if short > 1.3 else "effort" if short > 0.0 else "easy"


def _bc(dive: Dive, needs: Needs, margin: float, chance: Chance) -> float:
    """Litres in the BC of someone who can stay [L]."""
    if margin > dive.person.breath_in:
        if chance.happens(LOOKS.get(dive.person.cohort, 0.08)):
            return 0.0
        return max(0.3, (margin - chance.between(-0.4, 0.5)) / needs.per_litre)
    if chance.happens(0.9 if margin < 0.4 else 0.5):
        return 0.0
    return max(0.3, (margin + chance.between(-0.3, 0.3)) / needs.per_litre)


def _hand_off(dive: Dive, lead: float, balance: float, result: str, chance: Chance) -> tuple[float, str]:
    """Lead given away at the stop [kg], and what came of it."""
    if result == "rose" and chance.happens(TAKEN_ON):
        taken = (1 if balance > -1.5 else 2) * dive.person.whole_step
        return -taken, _zone(balance + taken, dive)
    watched = dive.outing.kind in ("course", "boat") and dive.nth > 0
    if result != "rose" and watched and balance > 0.3 and chance.happens(HAND_OFF):
        steps = chance.weighted((0.5, 1.0, 2.0), (0.2, 0.6, 0.2 if balance > 1.5 else 0.0))
        given = max(dive.person.block, steps * dive.person.whole_step)
        if given <= lead:
            return given, _zone(balance - given, dive)
    return 0.0, ""


def happening(dive: Dive, needs: Needs, lead: float) -> Outcome:
    """What this lead leads to.

    Parameters
    ----------
    dive : Dive
        The occasion.
    needs : Needs
        The truth.
    lead : float
        Carried. [kg]

    Returns
    -------
    Outcome
        The true course.
    """
    chance = Chance("happening", dive.key, dive.person.name)
    margin = lead - needs.at_stop
    dry = dive.outfit.name in ("membrane", "dry foam")
    suit_litres = chance.between(0.5, 2.5) if dry and chance.happens(0.3) else 0.0
    balance = margin - suit_litres * needs.per_litre
    if balance < -dive.person.breath_out and suit_litres:
        # whoever floats up with gas in the suit vents it, if that is all it takes
        suit_litres = 0.0 if chance.happens(0.7) else suit_litres
        balance = margin - suit_litres * needs.per_litre
    litres = _bc(dive, needs, balance, chance) if balance >= -dive.person.breath_out else 0.0
    result = "hovered" if litres else _zone(balance, dive)
    handed, handed_result = _hand_off(dive, lead, balance, result, chance)
    return Outcome(
        margin, _descent(dive, needs, lead, chance), result, litres, suit_litres, handed, handed_result
    )


@dataclass(frozen=True, slots=True)
class Waterline:
    """What a surface check shows.

    Parameters
    ----------
    word : str
        chin, eye, crown or under.
    exhale_sinks : bool
        Whether breathing out sinks the diver.
    """

    word: str
    exhale_sinks: bool


HELD_BREATH: Final = {"normal": 0.5, "full": 2.6, "out": -0.9}
"""Lungs over mid-breath at the surface, for the breath asked for [L]."""


HEAD_OUT: Final = {"crown": 0.05, "eye": 0.9, "chin": 2.7}
"""Least volume of a head of middle size out of the water, for each word [L]."""

SURFACE_SCATTER_SD: Final = 0.25
"""What a surface check does not share with the rest of its dive [kg]."""


def at_surface(need: float, lead: float, *, per_litre: float, breath: str, chance: Chance) -> Waterline:
    """What the water does with a still diver.

    Parameters
    ----------
    need : float
        True need at the surface, all of the diver under water, mid-breath. [kg]
    lead : float
        Carried. [kg]
    per_litre : float
        Lead that a litre of displaced water is worth. [kg/L]
    breath : str
        normal, full or out.
    chance : Chance
        Stream for the breath, the eye of the beholder and the size of the head.

    Returns
    -------
    Waterline
        What is seen.
    """
    excess = need + chance.normal(0.0, SURFACE_SCATTER_SD) - lead
    held = HELD_BREATH[breath] * chance.normal(1.0, 0.15) * per_litre
    emerged = (excess + held) / per_litre
    size = chance.normal(1.0, 0.1, low=0.7, high=1.3)
    limits = [least * size for least in HEAD_OUT.values()]
    word = ("under", *HEAD_OUT)[sum(emerged > limit for limit in limits)]
    breathed_out = (excess + HELD_BREATH["out"] * chance.normal(1.0, 0.2) * per_litre) / per_litre
    return Waterline(word, breathed_out < 0.05)
