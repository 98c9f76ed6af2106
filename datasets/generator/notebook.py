"""What gets written down: selective, rounded, now and then wrong.

The rows of `dives.csv` and `checks.csv` are made here, one diver's season after the other in order of
time, because what a diver carries follows from what went before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from generator.chance import Chance
from generator.habits import Memory
from generator.happening import Outcome, at_surface, happening
from generator.season import Dive
from generator.world import Needs

__all__ = ["Cells", "Season", "keep_season", "truth_cells"]

Cells = dict[str, str]
"""One row as written: column name to text."""

WRONG_SHARE: Final = 0.015
"""Share of the written stop results that are simply wrong."""

LITRES_SPREAD: Final = 0.35
"""Spread of the estimated BC litres about the truth, as a share."""

WRITTEN: Final = {
    "water": 0.985,
    "salinity_gkg": 0.3,
    "water_temp_c": 0.86,
    "altitude_m": 0.3,
    "max_depth_m": 0.95,
    "undersuit": 0.95,
    "bc": 0.96,
    "gas": 0.9,
    "start_bar": 0.97,
    "end_bar": 0.95,
    "stop_bar": 0.2,
    "other": 0.96,
    "lead_places": 0.22,
    "backup_lift": 0.4,
    "stop_depth_m": 0.3,
    "bc_gas_l": 0.16,
    "suit_gas": 0.6,
    "exhale_sinks": 0.65,
}
"""Share of the cells that are filled where there is something to write.

Salinity: by leaders in the fjord; altitude: below 1000 m; stop depth: where it is 5 m; backup lift: by
leaders, the photographer and the deep pair; litres: where there is gas in the BC.
"""

DESCENT_NOTED: Final = {"easy": 0.45, "effort": 0.75, "no": 1.0}
STATE_NOTED: Final = {"rose": 0.9, "sank": 0.85, "hovered on gas": 0.62, "hovered empty": 0.75}
"""Share of the noted stops for which the state of the BC is noted too."""

# P(written | course of the stop), times the diver's own share
NOTED: Final = {"rose": 1.15, "sank": 0.75, "hovered": 1.0}


# chance of a check before the first dive in a kit, before any other, and after a dive
CHECKING: Final = {
    "student": (0.8, 0.04, 0.35),
    "renter": (0.6, 0.1, 0.15),
    "guest": (0.55, 0.05, 0.1),
    "visitor": (0.6, 0.1, 0.15),
    "regular": (0.15, 0.01, 0.06),
    "leader": (0.1, 0.0, 0.02),
    "deep": (0.3, 0.0, 0.1),
}


@dataclass
class Season:
    """Everything that was written, and the truth beside it.

    Parameters
    ----------
    dives, checks : list of Cells
        Rows as written.
    truth : list of Cells
        Rows of `truth.csv`.
    """

    dives: list[Cells] = field(default_factory=list)
    checks: list[Cells] = field(default_factory=list)
    truth: list[Cells] = field(default_factory=list)


def _number(value: float) -> str:
    return f"{round(value, 2):g}"


def _rounded(values: Sequence[float], step: int) -> str:
    return ";".join("-" if value != value else str(round(value / step) * step) for value in values)


def _when(dive: Dive) -> str:
    timed = dive.outing.kind in ("boat", "evening")
    return dive.outing.when.isoformat(timespec="minutes") if timed else dive.outing.when.date().isoformat()


def _rounding(dive: Dive) -> int:
    """Steps in which this diver reads a gauge [bar]."""
    return Chance("gauge", dive.person.name).weighted((10, 5, 1), (0.6, 0.3, 0.1))


def kit_cells(dive: Dive, chance: Chance) -> Cells:
    """Kit and water as written."""
    altitude, salinity = dive.outing.place.altitude, dive.water.salinity
    measured = (
        dive.outing.place.water == "brackish"
        and dive.person.cohort == "leader"
        and chance.happens(WRITTEN["salinity_gkg"])
    )
    return {
        "site": dive.outing.place.name,
        "water": dive.outing.place.water if chance.happens(WRITTEN["water"]) else "",
        "salinity_gkg": f"{salinity:.1f}" if measured else "",
        "water_temp_c": f"{round(dive.water.temperature)}" if chance.happens(WRITTEN["water_temp_c"]) else "",
        "altitude_m": f"{altitude:g}"
        if altitude > 1000 or (altitude and chance.happens(WRITTEN["altitude_m"]))
        else "",
        "suit": ";".join(dive.outfit.suits),
        "undersuit": dive.outfit.undersuit if chance.happens(WRITTEN["undersuit"]) else "",
        "bc": dive.bc if chance.happens(WRITTEN["bc"]) else "",
        "cylinder": ";".join(dive.cylinders),
        "gas": ";".join(dive.gases) if len(dive.gases) > 1 or chance.happens(WRITTEN["gas"]) else "",
        "other": ";".join(dive.extras) if chance.happens(WRITTEN["other"]) else "",
    }


def _body_mass(dive: Dive, chance: Chance) -> str:
    change = dive.person.mass_change
    day = dive.outing.when.date()
    if change and day >= change[0] and chance.happens(0.5):
        return _number(change[1])
    if dive.nth == 0 and dive.person.cohort in ("student", "guest", "visitor") and chance.happens(0.4):
        return _number(dive.person.mass)
    return ""


def _places(dive: Dive, lead: float, chance: Chance) -> Cells:
    """Where the lead sits; only some write it."""
    if lead <= 0 or not chance.happens(WRITTEN["lead_places"]):
        return {}
    block, parts = dive.person.block, {"belt": lead}
    if dive.bc.startswith("wing") and lead >= 4 * block:
        back = max(block, round(lead / 3 / block) * block)
        parts = {"pockets": lead - back, "back": back}
    elif chance.happens(0.4):
        parts = {"pockets": lead}
    places = ";".join(f"{place}:{_number(kg)}" for place, kg in parts.items())
    return {"lead_places": places, "lead_ditchable_kg": _number(lead - parts.get("back", 0.0))}


def _stop_cells(dive: Dive, outcome: Outcome, chance: Chance) -> Cells:
    """What is written about the stop, selectively."""
    dry = bool(dive.outfit.undersuit)
    cells: Cells = {}
    if dry and chance.happens(WRITTEN["suit_gas"]):
        cells["suit_gas"] = (
            ("more" if outcome.suit_litres else "least") if chance.happens(0.93) else "unknown"
        )
    if not chance.happens(dive.person.noting * NOTED[outcome.result]):
        return {}
    result = outcome.result
    if chance.happens(WRONG_SHARE):
        result = chance.pick([other for other in ("hovered", "rose", "sank") if other != result])
    cells["stop_result"] = result
    course = outcome.result
    if course == "hovered":
        course = "hovered on gas" if outcome.bc_litres else "hovered empty"
    if chance.happens(STATE_NOTED[course]):
        cells["bc_state"] = "gas" if outcome.bc_litres else "empty"
        if outcome.bc_litres and chance.happens(WRITTEN["bc_gas_l"]):
            litres = outcome.bc_litres * max(0.3, chance.normal(1.0, LITRES_SPREAD))
            cells["bc_gas_l"] = _number(max(0.5, round(litres * 2) / 2))
    elif chance.happens(0.35):
        cells["bc_state"] = "unknown"
    if outcome.handed_result:
        cells["handed_off_kg"] = _number(outcome.handed)
        cells["handed_off_result"] = outcome.handed_result
    by_leader = {"student": 0.85, "renter": 0.4, "guest": 0.35}.get(dive.person.cohort, 0.04)
    if chance.happens(by_leader):
        cells["seen_by"] = "leader"
    return cells


def _dive_cells(dive: Dive, outcome: Outcome, lead: float) -> Cells:
    chance = Chance("written", dive.key, dive.person.name)
    step = _rounding(dive)
    cells = {
        "dive": dive.key,
        "diver": dive.person.name,
        "date": _when(dive),
        "group": dive.outing.group,
        "leader": dive.outing.leader if dive.outing.leader != dive.person.name else "",
        **kit_cells(dive, chance),
        "max_depth_m": _number(dive.depth) if chance.happens(WRITTEN["max_depth_m"]) else "",
        "body_mass_kg": _body_mass(dive, chance),
        "start_bar": _rounded(dive.start, step) if chance.happens(WRITTEN["start_bar"]) else "",
        "end_bar": _rounded(dive.end, step)
        if chance.happens(WRITTEN["end_bar"]) or len(dive.end) > 1
        else "",
        "stop_bar": _rounded(dive.stop, step) if chance.happens(WRITTEN["stop_bar"]) else "",
        "lead_kg": _number(lead),
        **_places(dive, lead, chance),
        "descent": outcome.descent if chance.happens(DESCENT_NOTED[outcome.descent]) else "",
        "stop_depth_m": _number(dive.stop_depth)
        if dive.stop_depth != 5 or chance.happens(WRITTEN["stop_depth_m"])
        else "",
    }
    if dive.person.cohort in ("deep", "leader", "photographer") and chance.happens(WRITTEN["backup_lift"]):
        cells["backup_lift"] = "dry_suit" if dive.outfit.undersuit else "none"
    if outcome.descent == "no":
        return cells | {"descent": "no", "end_bar": "", "stop_bar": "", "max_depth_m": "", "stop_depth_m": ""}
    return cells | _stop_cells(dive, outcome, chance)


class _Checks:
    """Surface checks at the water's edge, before and after a dive."""

    def __init__(self) -> None:
        self.rows: list[Cells] = []

    def look(self, dive: Dive, need: float, lead: float, *, per_litre: float, bar: str, turn: str) -> str:
        """Make and write one check; the waterline word is returned."""
        chance = Chance("check", dive.key, dive.person.name, turn)
        breath = chance.weighted(("normal", "full", "out"), (0.88, 0.06, 0.06))
        seen = at_surface(need, lead, per_litre=per_litre, breath=breath, chance=chance)
        told = seen.word != "under" and breath != "out" and chance.happens(WRITTEN["exhale_sinks"])
        alone = chance.happens(0.06)  # kit and water written out instead of the dive's name
        self.rows.append(
            {
                "check": "",
                "diver": dive.person.name,
                "dive": "" if alone else dive.key,
                "date": dive.outing.when.date().isoformat() if alone or chance.happens(0.8) else "",
                **(kit_cells(dive, chance) if alone else {}),
                "lead_kg": _number(lead),
                "bar": bar,
                "waterline": seen.word,
                "breath": "" if breath == "normal" and chance.happens(0.5) else breath,
                "exhale_sinks": ("yes" if seen.exhale_sinks else "no") if told else "",
            }
        )
        return seen.word

    def before(self, dive: Dive, needs: Needs, lead: float) -> float:
        """Up to two checks with full cylinders; the lead that goes on after them [kg]."""
        bar = _rounded(dive.start, _rounding(dive))
        for turn in ("first", "second"):
            word = self.look(dive, needs.surface_start, lead, per_litre=needs.per_litre, bar=bar, turn=turn)
            chance = Chance("after check", dive.key, dive.person.name, turn)
            # with a full cylinder low in the water is right; few dare to take lead off then
            step = {"chin": 2, "eye": 1, "crown": 0, "under": -1 if chance.happens(0.25) else 0}[word]
            if not step:
                break
            lead = max(0.0, lead + step * dive.person.whole_step)
            if chance.happens(0.35):
                break
        return lead

    def after(self, dive: Dive, needs: Needs, lead: float) -> float:
        """One check with nearly empty cylinders; the change of lead it teaches [kg]."""
        bar = _rounded(dive.end, _rounding(dive))
        word = self.look(dive, needs.surface_end, lead, per_litre=needs.per_litre, bar=bar, turn="after")
        return {"chin": 1, "eye": 0, "crown": -1, "under": -1}[word] * dive.person.whole_step


def keep_season(dives: Sequence[Dive], needs: Sequence[Needs]) -> Season:
    """The season as it was written, and the truth beside it.

    Parameters
    ----------
    dives : sequence of Dive
        In order of time.
    needs : sequence of Needs
        Their truth, in the same order.

    Returns
    -------
    Season
        Rows in the order of `dives`.
    """
    season, checks = Season(), _Checks()
    memories: dict[str, Memory] = {}
    for dive, need in zip(dives, needs, strict=True):
        name = dive.person.name
        memory = memories.setdefault(name, Memory())
        chance = Chance("checks", dive.key, name)
        new_kit = not memory.knows(dive)
        lead = memory.choose(dive, need)
        first, later, afterwards = CHECKING.get(dive.person.cohort, (0.1, 0.0, 0.0))
        if chance.happens(first if new_kit else later):
            lead = checks.before(dive, need, lead)
        outcome = happening(dive, need, lead)
        lesson = memory.lesson(dive, outcome)
        if outcome.descent != "no" and chance.happens(afterwards):
            lesson = checks.after(dive, need, lead) or lesson
        memory.keep(dive, need, lead, step=lesson)
        season.dives.append(_dive_cells(dive, outcome, lead))
        season.truth.append(truth_cells(dive, need))
    season.checks = checks.rows
    return season


def truth_cells(dive: Dive, need: Needs) -> Cells:
    """A row of `truth.csv`."""
    return {
        "dive": dive.key,
        "diver": dive.person.name,
        "need_at_stop_kg": f"{need.at_stop:.2f}",
        "need_at_35_bar_kg": f"{need.at_reserve:.2f}",
        "scatter_kg": f"{need.scatter:.2f}",
        "offset_kg": f"{dive.person.offset:.2f}",
    }
