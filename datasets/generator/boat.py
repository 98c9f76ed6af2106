"""Tomorrow's boat: a dozen divers, known and unknown, some in kit they have not used before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

from generator.chance import Chance
from generator.gear import rental_outfit
from generator.notebook import Cells
from generator.people import Person
from generator.places import PLACES
from generator.season import Dive, Outing, dives_of

__all__ = ["boat_dives", "plan_cells"]

_ABOARD: Final = (
    "Odile R",  # leads
    "Dagny F",  # dozens of dives in this kit
    "Iris Q",
    "Piet A",
    "Beate U",
    "Rafael J",
    "Corin L",  # the photographer
    "Vesna J",  # with a stage cylinder left at the buoy
    "Lotte Y",  # 16
    "Theo D",  # fresh from a course
    "Wanda R",  # has rented twice
    "Tilda M",  # never dived here
    "Bastian O",  # nothing known but a name
)
_BOAT: Final = Outing(
    datetime(2026, 10, 31, 9, 30), PLACES["Old Cutter"], "Saturday boat", "boat", "Odile R", _ABOARD
)


def _changed(dive: Dive) -> Dive:
    """Kit changes: a dry suit tried for the first time, an aluminium cylinder instead of steel."""
    if dive.person.name == "Rafael J":
        outfit = rental_outfit(dive.person.size, dive.water.temperature, dry=True)
        others = tuple(item for item in dive.extras if item not in dive.outfit.small)
        return replace(dive, outfit=outfit, extras=(*outfit.small, *others))
    if dive.person.name == "Iris Q":
        return replace(dive, cylinders=("alu 11",))
    return dive


def boat_dives(people: list[Person], season: Sequence[Dive]) -> list[Dive]:
    """The planned dives, each diver's history counted."""
    logged = Counter(dive.person.name for dive in season)
    return [_changed(dive) for dive in dives_of(people, [_BOAT], prefix="P", logged=logged)]


def plan_cells(dive: Dive) -> Cells:
    """A row of `plan.csv`: who, where, in what; no result, and mostly no pressure."""
    chance = Chance("plan", dive.key, dive.person.name)
    known = chance.happens(0.3)
    ends = ";".join("-" if end != end else "50" for end in dive.end)
    return {
        "dive": dive.key,
        "diver": dive.person.name,
        "date": dive.outing.when.isoformat(timespec="minutes"),
        "group": dive.outing.group,
        "leader": "" if dive.person.name == dive.outing.leader else dive.outing.leader,
        "site": dive.outing.place.name,
        "water": dive.outing.place.water,
        "water_temp_c": f"{round(dive.water.temperature)}",
        "max_depth_m": f"{dive.depth:g}",
        "suit": ";".join(dive.outfit.suits),
        "undersuit": dive.outfit.undersuit,
        "bc": dive.bc,
        "cylinder": ";".join(dive.cylinders),
        "gas": ";".join(dive.gases),
        "start_bar": ";".join("200" for _ in dive.start),
        "end_bar": ends if known or len(dive.end) > 1 else "",
        "other": ";".join(dive.extras),
        "backup_lift": "dry_suit" if dive.outfit.undersuit else "none",
    }
