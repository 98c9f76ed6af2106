"""How people choose lead: a rule of thumb, what is remembered, and what the last dive taught.

Nothing here knows the tool. The rules of thumb are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from generator.chance import Chance
from generator.happening import Outcome
from generator.season import Dive
from generator.world import Needs

__all__ = ["Memory", "rule_of_thumb"]

# share of body mass, then kilograms on top, for an outfit in salt water
THUMB: Final[dict[str, tuple[float, float]]] = {
    "two-piece 7": (0.10, 3.0),
    "full 7 + vest": (0.10, 3.0),
    "full 7": (0.10, 1.0),
    "full 5": (0.08, 0.0),
    "full 3": (0.05, 0.0),
    "shorty 3": (0.04, 0.0),
    "membrane": (0.10, 3.5),
    "dry foam": (0.10, 3.0),
}
WATER: Final = {"salt": 0.0, "brackish": -1.0, "fresh": -2.0}
METAL: Final = {"alu 11": 2.0, "steel 10": 0.0, "steel 12": 0.0, "steel 15": 0.0, "twin 12": -5.0}

# chance that a dive spent far too heavy leads to a kilogram less on the next
RELAXES: Final = {
    "leader": 0.35,
    "regular": 0.14,
    "student": 0.4,
    "renter": 0.3,
    "guest": 0.2,
    "photographer": 0.0,
    "deep": 0.5,
    "visitor": 0.3,
}


TRIES_LESS: Final = 0.15
"""Chance that someone experienced and a little heavy takes a block off, to see."""


def rule_of_thumb(dive: Dive) -> float:
    """Lead that a desk would hand out unseen [kg]."""
    share, more = THUMB[dive.outfit.name]
    metal = sum(METAL.get(item, 0.0) for item in dive.cylinders)
    plate = -2.5 if "steel plate" in dive.extras else 0.0
    mass = dive.person.mass_on(dive.outing.when.date())
    return share * mass + more + WATER[dive.outing.place.water] + metal + plate


Kit = tuple[str, str, str, str]
"""Outfit, undersuit, cylinder, water."""


def _kit(dive: Dive) -> Kit:
    return dive.outfit.name, dive.outfit.undersuit, dive.cylinders[0], dive.outing.place.water


def on_blocks(dive: Dive, lead: float) -> float:
    """`lead` as it can be put on with this diver's blocks; never negative [kg]."""
    return max(0.0, round(lead / dive.person.block) * dive.person.block)


@dataclass
class Memory:
    """What one diver carried last, by outfit, cylinder and water."""

    carried: dict[Kit, float] = field(default_factory=dict)
    last: tuple[Kit, float, float] | None = None

    def knows(self, dive: Dive) -> bool:
        """Whether this outfit, cylinder and water have been dived before."""
        return _kit(dive) in self.carried

    def choose(self, dive: Dive, needs: Needs) -> float:
        """Lead put on for this dive, before any check at the water's edge [kg]."""
        chance = Chance("lead", dive.key, dive.person.name)
        kit = _kit(dive)
        if kit in self.carried:
            return self.carried[kit]
        if dive.person.cohort in ("leader", "photographer", "deep"):  # they know their kit
            return on_blocks(dive, max(needs.usual, 0.0) + dive.person.caution + chance.normal(0.0, 0.4))
        if self.last is not None:
            # a change of kit or water: people know roughly what it is worth, and err on the heavy side
            _, lead, reference = self.last
            step = (max(needs.usual, 0.0) - max(reference, 0.0)) * chance.between(0.8, 1.1)
            return on_blocks(dive, lead + step + chance.between(-0.1, 0.6))
        if dive.person.cohort in ("student", "renter", "newcomer", "visitor"):
            guess = 0.65 * rule_of_thumb(dive) + 0.35 * needs.usual
            return on_blocks(dive, max(guess, needs.usual - 1.5) + dive.person.caution)
        return on_blocks(dive, needs.usual + dive.person.caution + chance.normal(0.0, 0.4))

    def keep(self, dive: Dive, needs: Needs, lead: float, *, step: float) -> None:
        """Remember what was carried and change the next lead in this kit by `step` [kg]."""
        kit = _kit(dive)
        following = max(0.0, lead + step)
        if dive.person.cohort == "student" and step:
            for other in self.carried:
                self.carried[other] = max(0.0, self.carried[other] + step)
        self.carried[kit] = following
        self.last = (kit, following, needs.usual)

    def lesson(self, dive: Dive, outcome: Outcome) -> float:
        """Change of lead that this dive teaches [kg]."""
        chance = Chance("lesson", dive.key, dive.person.name)
        whole = dive.person.whole_step
        if outcome.descent == "no":
            return 2 * whole
        if outcome.result == "rose":
            return 2 * whole if outcome.margin < -1.6 else whole
        if outcome.handed_result == "hovered" and outcome.handed > 0 and chance.happens(0.7):
            return -on_blocks(dive, min(outcome.handed, 1.0))
        cohort = dive.person.cohort
        if outcome.result == "sank" and cohort != "photographer":
            return -whole if chance.happens(0.8) else 0.0
        if outcome.margin > 2.0 and cohort != "photographer" and chance.happens(RELAXES[cohort]):
            return -2 * whole if outcome.margin > 3.5 else -whole
        if outcome.margin > 0.6 and cohort in ("regular", "deep", "leader") and chance.happens(TRIES_LESS):
            return -dive.person.block
        return 0.0
