"""Every number the generator was given, as rows for the README, read from the code that uses it."""

from __future__ import annotations

from typing import Any

from generator import habits, happening, notebook, people, season, visitors, world
from generator.chance import SEED
from generator.places import PLACES

__all__ = ["markdown"]


def _pairs(table: dict[str, Any], unit: str = "") -> str:
    return ", ".join(f"{name} {value:g}{unit}" for name, value in table.items())


def _world_rows() -> list[tuple[str, str]]:
    return [
        ("seed", str(SEED)),
        (
            "needed by everyone beyond the formulas",
            f"{world.BODY_BIAS:g} kg; women another {world.FEMALE_BIAS:g} kg",
        ),
        (
            "personal offset",
            f"sd {people.OFFSET_SD:g} kg, at most ±2.6; {people.FAT_SHARE:g} of it is body fat",
        ),
        (
            "high breathing of beginners",
            f"0.3 to 1.6 kg each, falling to 1/e in {world.HIGH_BREATH_DIVES:g} dives",
        ),
        ("breath range", "out 0.5 (sd 0.1) kg, in 1.1 (sd 0.18) kg, less for the short"),
        (
            "foam",
            f"its gas shrinks as pressure to the power {world.FOAM_EXPONENT:g}",
        ),
        ("foam of one diver in one suit", f"sd {100 * world.FOAM_FIT_SD:g} %"),
        ("foam by suit type, over the ledger's", _pairs(world.FOAM_BY_TYPE)),
        (
            "trapped dry-suit gas",
            f"{world.DRY_GAS_SHARE:g} of the ledger's; sd {world.DRY_FIT_SD:g} L for one diver in one suit",
        ),
        ("kit by type, kg beyond the ledger", _pairs(world.KIT_BY_TYPE)),
        (
            "mass the gear file leaves empty, kg",
            _pairs({k: v["mass_kg"] for k, v in world.TRUE_GEAR.items()}),
        ),
        ("dive-to-dive scatter", f"sd {world.SCATTER_SD:g} kg; one dive in ten from a 2.4 times wider bell"),
        ("scatter of a surface check besides", f"sd {happening.SURFACE_SCATTER_SD:g} kg"),
        ("lungs held at the surface over mid-breath, L", _pairs(happening.HELD_BREATH)),
        ("mean depth of an upright diver at the surface", f"{world.SURFACE_DEPTH:g} m"),
        ("head out of the water, L", _pairs(happening.HEAD_OUT)),
    ]


def _habit_rows() -> list[tuple[str, str]]:
    caution = {name: f"{row[3]:g} (sd {row[4]:g})" for name, row in people.HABITS.items()}
    noted = {name: f"{row[5]:g}" for name, row in people.HABITS.items()}
    thumb = {name: f"{share:.0%} of body mass {more:+g} kg" for name, (share, more) in habits.THUMB.items()}
    checking = {name: "/".join(f"{p:g}" for p in row) for name, row in notebook.CHECKING.items()}

    def text(table: dict[str, str]) -> str:
        return ", ".join(f"{name} {value}" for name, value in table.items())

    return [
        ("rule of thumb at the desk, in salt water", text(thumb)),
        ("rule of thumb, by water and cylinder, kg", _pairs(habits.WATER | habits.METAL)),
        ("lead liked over what is known to be needed, kg", text(caution)),
        ("chance that a dive far too heavy takes off 1 kg", _pairs(habits.RELAXES)),
        ("chance that someone experienced and 0.6 kg heavy tries a block less", f"{habits.TRIES_LESS:g}"),
        ("chance that someone too heavy has an empty BC", _pairs(happening.LOOKS) + ", others 0.08"),
        (
            "chance of a hand-off of lead",
            f"{happening.HAND_OFF:g} on led dives; {happening.TAKEN_ON:g} after rising",
        ),
        ("share of stops noted", text(noted)),
        ("times as often noted", _pairs(notebook.NOTED)),
        ("stop results that are simply wrong", f"{100 * notebook.WRONG_SHARE:g} %"),
        ("estimated BC litres", f"sd {100 * notebook.LITRES_SPREAD:g} % of the truth, to half a litre"),
        ("chance of a check before a new kit/any dive, after a dive", text(checking)),
        ("share of cells filled where there is something to write", _pairs(notebook.WRITTEN)),
        ("descent noted", _pairs(notebook.DESCENT_NOTED)),
        ("BC state noted, of the stops noted", _pairs(notebook.STATE_NOTED)),
        (
            "pressure at the end, bar",
            f"{_pairs(season.END_PRESSURE)}; sd {season.END_PRESSURE_SD:g}; "
            f"{season.STOP_GAS[0]:g} to {season.STOP_GAS[1]:g} less than at the stop",
        ),
        ("chance that a regular comes on a club day", f"{season.KEENNESS[0]:g} to {season.KEENNESS[1]:g}"),
        ("club days", f"{season.WEEKENDS} weekends from {season.FIRST_SATURDAY:%d %B %Y}"),
        ("visitors", f"{len(visitors.VISITORS)}, lead in steps of 2 lb"),
    ]


def markdown() -> str:
    """Tables of the sites and of every other parameter."""
    lines = ["| site | water | altitude m | °C, April to August | g/kg (sd) | less at snow melt |"]
    lines.append("| --- | --- | --- | --- | --- | --- |")
    for place in PLACES.values():
        lines.append(
            f"| {place.name} | {place.water} | {place.altitude:g} | {place.spring:g} to {place.summer:g} "
            f"| {place.salinity:g} ({place.salinity_sd:g}) | {place.melt:g} |"
        )
    lines += ["", "| parameter | value |", "| --- | --- |"]
    lines += [f"| {name} | {value} |" for name, value in (*_world_rows(), *_habit_rows())]
    return "\n".join(lines) + "\n"
