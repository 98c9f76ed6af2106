"""Five visitors who write in pounds, feet and psi: the small second set."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Final

from generator.chance import Chance
from generator.gear import Item, shared_gear
from generator.notebook import Cells
from generator.people import Person
from generator.places import PLACES
from generator.season import Dive, Outing, dives_of
from leadline.units import POUND, to_imperial

__all__ = ["VISITORS", "imperial_cells", "imperial_diver", "imperial_gear", "visitor_dives", "visitor_gear"]

_LEADER: Final = "Maren T"
_DAYS: Final = ((0, "Skell Gully"), (1, "Marrel Reef"), (2, "Corvane Quarry"))


def _visitor(name: str, sex: str, age: int, height: float, mass: float, dives_before: int) -> Person:
    chance = Chance("person", name)
    return Person(
        name=name,
        cohort="visitor",
        sex=sex,
        age=age,
        height=height,
        mass=mass,
        dives_before=dives_before,
        offset=round(chance.normal(0.0, 0.95), 2),
        breath_out=round(chance.normal(0.5, 0.1, low=0.25, high=0.8), 2),
        breath_in=round(chance.normal(1.1, 0.18, low=0.6, high=1.6), 2),
        high_breath=round(chance.between(0.3, 1.6), 2),
        caution=round(chance.normal(1.4, 0.8, low=-0.3, high=3.4), 2),
        noting=0.75,
        size="M" if mass < 80 else "L",
        cylinder="alu 11",
        block=2 * POUND,
    )


VISITORS: Final = (
    _visitor("Dwight O", "m", 44, 185.4, 93.0, 60),
    _visitor("Marcy P", "f", 38, 165.1, 61.2, 140),
    _visitor("Leroy T", "m", 29, 177.8, 77.1, 12),
    _visitor("Jolene B", "f", 51, 170.2, 72.6, 25),
    _visitor("Curtis F", "m", 63, 172.7, 81.6, 310),
)


def visitor_dives() -> list[Dive]:
    """Three days of two dives, in rented and borrowed kit under names of its own."""
    names = tuple(person.name for person in VISITORS)
    outings = [
        Outing(
            datetime(2026, 7, 27) + timedelta(days=day, hours=hour),
            PLACES[place],
            "Visitors",
            "week",
            _LEADER,
            names,
        )
        for day, place in _DAYS
        for hour in (9, 13)
    ]
    return [_renamed(dive) for dive in dives_of(list(VISITORS), outings, prefix="V")]


def _own_name(item: str) -> str:
    return f"{item} v"


def _renamed(dive: Dive) -> Dive:
    outfit = dive.outfit
    outfit = replace(
        outfit,
        suits=tuple(map(_own_name, outfit.suits)),
        undersuit=_own_name(outfit.undersuit) if outfit.undersuit else "",
        small=tuple(map(_own_name, outfit.small)),
    )
    return replace(
        dive,
        outfit=outfit,
        bc=_own_name(dive.bc),
        cylinders=tuple(map(_own_name, dive.cylinders)),
        extras=tuple(map(_own_name, dive.extras)),
    )


def visitor_gear(dives: list[Dive]) -> list[Item]:
    """Gear rows, in house units, that these dives name."""
    used = {
        item
        for dive in dives
        for item in (*dive.outfit.suits, dive.outfit.undersuit, dive.bc, *dive.cylinders, *dive.extras)
    }
    rows = [{**row, "item": _own_name(row["item"])} for row in shared_gear()]
    return [row for row in rows if row["item"] in used]


def _text(value: float, digits: int = 1) -> str:
    return f"{round(value, digits):g}"


def imperial_gear(row: Item) -> dict[str, Any]:
    """A gear row in imperial columns; an aluminium cylinder by its free gas and rated pressure."""
    out: dict[str, Any] = {}
    for name, value in row.items():
        if name.endswith("_kg"):
            out[name.removesuffix("_kg") + "_lb"] = _text(float(to_imperial(value, "lb")))
        elif name == "thickness_mm":
            out["thickness_in"] = _text(float(to_imperial(value, "in_mm")), 3)
        elif name == "rated_bar":
            out["rated_psi"] = _text(round(float(to_imperial(value, "psi")) / 50) * 50)
        elif name == "water_capacity_l" and value == 11.1:
            out["gas_capacity_cuft"] = "78"  # free gas of 11.1 L at 3000 psi, real gas
        else:
            out[name] = value
    return out


def imperial_diver(person: Person) -> dict[str, Any]:
    """A row of the visitors' divers file."""
    return {
        "diver": person.name,
        "mass_lb": _text(float(to_imperial(person.mass, "lb")), 0),
        "height_in": _text(float(to_imperial(person.height, "in")), 0),
        "birth_year": 2026 - person.age,
        "sex": person.sex,
        "dives_before": person.dives_before,
    }


# metric column: imperial column, unit, smallest step written
_COLUMNS: Final = {
    "lead_kg": ("lead_lb", "lb", 1.0),
    "lead_ditchable_kg": ("lead_ditchable_lb", "lb", 1.0),
    "handed_off_kg": ("handed_off_lb", "lb", 1.0),
    "body_mass_kg": ("body_mass_lb", "lb", 1.0),
    "start_bar": ("start_psi", "psi", 50.0),
    "end_bar": ("end_psi", "psi", 50.0),
    "stop_bar": ("stop_psi", "psi", 50.0),
    "bar": ("psi", "psi", 50.0),
    "max_depth_m": ("max_depth_ft", "ft", 1.0),
    "stop_depth_m": ("stop_depth_ft", "ft", 1.0),
    "altitude_m": ("altitude_ft", "ft", 10.0),
    "water_temp_c": ("water_temp_f", "degF", 1.0),
}


def _stepped(text: str, unit: str, step: float) -> str:
    return _text(round(float(to_imperial(float(text), unit)) / step) * step) if text else ""


def imperial_cells(row: Cells) -> Cells:
    """A written row in imperial columns, rounded as such gauges and scales are read."""
    out: Cells = {}
    for name, text in row.items():
        if name == "lead_places":
            pairs = [part.split(":") for part in text.split(";") if part]
            out["lead_places_lb"] = ";".join(f"{place}:{_stepped(kg, 'lb', 1.0)}" for place, kg in pairs)
        elif name in _COLUMNS:
            twin, unit, step = _COLUMNS[name]
            out[twin] = _stepped(text, unit, step)
        else:
            out[name] = text
    return out
