"""The gear of the invented operation: rental kinds by size, shared cylinders, and owned pieces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

__all__ = ["Item", "Outfit", "owned_suit", "rental_outfit", "shared_gear"]

Item = dict[str, Any]
"""One row of `gear.csv` in house units."""

SIZES: Final = ("S", "M", "L", "XL")

# (kind of suit, style, thickness [mm], dives each piece had seen before April)
RENTAL_SUITS: Final = (
    ("full 7", "full", 7, 120),
    ("full 5", "full", 5, 160),
    ("full 3", "full", 3, 60),
    ("shorty 3", "shorty", 3, 80),
    ("two-piece 7", "two_piece", 7, 210),
    ("vest 5", "vest", 5, 90),
    ("dry foam", "dry_foam", 7, 140),
)

_SMALL: Final[tuple[Item, ...]] = (
    {"item": "undersuit thin", "type": "undersuit", "kind": "undersuit", "style": "thin"},
    {"item": "undersuit medium", "type": "undersuit", "kind": "undersuit", "style": "medium"},
    {"item": "undersuit thick", "type": "undersuit", "kind": "undersuit", "style": "thick"},
    {"item": "hood 5", "type": "hood", "kind": "hood", "thickness_mm": 5},
    {"item": "hood 7", "type": "hood", "kind": "hood", "thickness_mm": 7},
    {"item": "gloves 3", "type": "gloves", "kind": "gloves", "thickness_mm": 3},
    {"item": "gloves 5", "type": "gloves", "kind": "gloves", "thickness_mm": 5},
    {"item": "boots 5", "type": "boots", "kind": "boots", "thickness_mm": 5},
    {"item": "boots 7", "type": "boots", "kind": "boots", "thickness_mm": 7},
    {"item": "fins strap", "type": "fins", "kind": "fins", "mass_kg": 1.9},
    {
        "item": "fins rubber",
        "type": "fins rubber",
        "kind": "fins",
        "mass_kg": 3.0,
        "buoyancy_kg": -1.1,
        "buoyancy_sd_kg": 0.1,
        "buoyancy_in": "salt",
    },
    {"item": "jacket S", "type": "jacket", "kind": "bc", "style": "jacket", "mass_kg": 2.9, "lift_l": 11},
    {"item": "jacket M", "type": "jacket", "kind": "bc", "style": "jacket", "mass_kg": 3.2, "lift_l": 15},
    {"item": "jacket L", "type": "jacket", "kind": "bc", "style": "jacket", "mass_kg": 3.6, "lift_l": 18},
    {"item": "wing single", "type": "wing", "kind": "bc", "style": "wing", "mass_kg": 1.9, "lift_l": 14},
    {"item": "wing twin", "type": "wing", "kind": "bc", "style": "wing", "mass_kg": 2.6, "lift_l": 21},
    {"item": "steel plate", "type": "plate", "kind": "plate", "mass_kg": 2.7},
    {"item": "regulators twin", "type": "regulators twin", "kind": "regulator", "mass_kg": 4.6},
    {
        "item": "lamp canister",
        "type": "lamp",
        "kind": "other",
        "mass_kg": 2.4,
        "buoyancy_kg": -1.2,
        "buoyancy_sd_kg": 0.1,
        "buoyancy_in": "fresh",
    },
    {
        "item": "camera rig",
        "type": "camera",
        "kind": "other",
        "mass_kg": 5.5,
        "buoyancy_kg": -0.5,
        "buoyancy_sd_kg": 0.2,
        "buoyancy_in": "salt",
    },
)


def _cylinder(item: str, material: str, capacity: float, rated: float, mass: float | None) -> Item:
    row: Item = {"item": item, "type": item, "kind": "cylinder", "material": material}
    row |= {"water_capacity_l": capacity, "rated_bar": rated}
    if mass is not None:
        row["mass_kg"] = mass
    return row


_CYLINDERS: Final = (
    _cylinder("alu 11", "aluminium", 11.1, 207, 15.1),
    _cylinder("alu 6", "aluminium", 5.7, 207, 7.6),
    _cylinder("steel 10", "steel", 10, 232, 12.4),
    _cylinder("steel 12", "steel", 12, 232, 14.9),
    _cylinder("steel 15", "steel", 15, 232, None),  # nobody has read its shoulder: the tool must assume
    _cylinder("twin 12", "steel", 24, 232, 32.3),  # two shells, bands and manifold as one item
)


def shared_gear() -> list[Item]:
    """Rental suits by size, then cylinders, then everything else."""
    suits = [
        {
            "item": f"{name} {size}",
            "type": f"rental {name}",
            "kind": "suit",
            "style": style,
            "thickness_mm": thickness,
            "dives_before": dives,
        }
        for name, style, thickness, dives in RENTAL_SUITS
        for size in SIZES
    ]
    return suits + [dict(item) for item in _CYLINDERS + _SMALL]


_OWNED: Final[dict[str, Item]] = {
    "full 7": {"style": "full", "thickness_mm": 7},
    "full 5": {"style": "full", "thickness_mm": 5},
    "full 3": {"style": "full", "thickness_mm": 3},
    "two-piece 7": {"style": "two_piece", "thickness_mm": 7},
    "membrane": {"style": "dry_membrane"},
    "dry foam": {"style": "dry_foam", "thickness_mm": 4},
}


def owned_suit(owner: str, what: str, *, dives_before: int | None) -> Item:
    """A diver's own suit as a gear row, named after owner and kind."""
    row: Item = {"item": f"{what} of {owner}", "type": what, "kind": "suit", **_OWNED[what]}
    if dives_before is not None:
        row["dives_before"] = dives_before
    return row


@dataclass(frozen=True, slots=True)
class Outfit:
    """Suits, undersuit and small foam that are worn together.

    Parameters
    ----------
    name : str
        Kind of outfit; a diver remembers lead by it.
    suits : tuple of str
        Gear items.
    undersuit : str
        Gear item, or empty.
    small : tuple of str
        Hood, gloves, boots: gear items.
    """

    name: str
    suits: tuple[str, ...]
    undersuit: str = ""
    small: tuple[str, ...] = ()


def small_foam(temperature: float, *, dry: bool) -> tuple[str, ...]:
    """Hood, gloves and boots that suit the water."""
    boots: tuple[str, ...] = () if dry else ("boots 7",) if temperature < 10 else ("boots 5",)
    if temperature < 9:
        return ("hood 7", "gloves 5", *boots)
    if temperature < 14:
        return ("hood 5", "gloves 5", *boots)
    if temperature < 18:
        return ("hood 5", "gloves 3", *boots)
    return boots


def undersuit(temperature: float) -> str:
    """Undersuit for a dry suit in this water."""
    return (
        "undersuit thick" if temperature < 9 else "undersuit medium" if temperature < 14 else "undersuit thin"
    )


def rental_outfit(size: str, temperature: float, *, dry: bool = False) -> Outfit:
    """What the rental room hands out for this water."""
    small = small_foam(temperature, dry=dry)
    if dry:
        return Outfit("dry foam", (f"dry foam {size}",), undersuit(temperature), small)
    if temperature < 9:
        return Outfit("two-piece 7", (f"two-piece 7 {size}",), small=small)
    if temperature < 12:
        return Outfit("full 7 + vest", (f"full 7 {size}", f"vest 5 {size}"), small=small)
    if temperature < 16.5:
        return Outfit("full 7", (f"full 7 {size}",), small=small)
    if temperature < 19.5:
        return Outfit("full 5", (f"full 5 {size}",), small=small)
    if temperature < 21.5:
        return Outfit("full 3", (f"full 3 {size}",), small=small)
    return Outfit("shorty 3", (f"shorty 3 {size}",), small=small)
