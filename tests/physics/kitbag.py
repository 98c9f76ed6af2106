"""Small records for the physics tests: invented people and kit."""

from __future__ import annotations

import numpy as np

from leadline.arrays import Records, columns_from_rows, occasions
from leadline.physics.ledger import assemble
from leadline.records import CHECKS, DIVERS, DIVES, GEAR

DIVERS_ROWS = [
    {"diver": "Aldo", "mass_kg": 80, "height_cm": 180, "sex": "m", "birth_year": 1985.5, "dives_before": 900},
    {"diver": "Bea", "mass_kg": 60, "height_cm": 166, "sex": "f", "birth_year": 1993.5, "dives_before": 900},
    {"diver": "Cyr", "mass_kg": 95, "height_cm": 175, "sex": "m", "birth_year": 1973.5, "dives_before": 900},
    {"diver": "Dot", "mass_kg": 46, "height_cm": 156, "sex": "f", "birth_year": 2013, "dives_before": 4},
    {"diver": "Nobody"},
]

GEAR_ROWS = [
    {"item": "five", "kind": "suit", "style": "full", "thickness_mm": 5, "dives_before": 40},
    {"item": "six", "kind": "suit", "style": "full", "thickness_mm": 6, "dives_before": 40},
    {"item": "three", "kind": "suit", "style": "full", "thickness_mm": 3, "dives_before": 40},
    {"item": "shorty", "kind": "suit", "style": "shorty", "thickness_mm": 3},
    {"item": "two", "kind": "suit", "style": "two_piece", "thickness_mm": 5},
    {"item": "vest", "kind": "suit", "style": "vest", "thickness_mm": 2},
    {"item": "some suit", "kind": "suit"},
    {"item": "membrane", "kind": "suit", "style": "dry_membrane"},
    {"item": "crushed", "kind": "suit", "style": "dry_foam", "thickness_mm": 4},
    {
        "item": "weighed five",
        "kind": "suit",
        "style": "full",
        "thickness_mm": 5,
        "mass_kg": 2.0,
        "buoyancy_kg": 5.0,
        "buoyancy_sd_kg": 0.2,
    },
    {
        "item": "weighed membrane",
        "kind": "suit",
        "style": "dry_membrane",
        "mass_kg": 3.4,
        "buoyancy_kg": -1.5,
        "buoyancy_sd_kg": 0.1,
        "buoyancy_in": "salt",
    },
    {"item": "thin", "kind": "undersuit", "style": "thin"},
    {"item": "medium", "kind": "undersuit", "style": "medium"},
    {"item": "thick", "kind": "undersuit", "style": "thick"},
    {"item": "jacket", "kind": "bc", "style": "jacket"},
    {"item": "wing", "kind": "bc", "style": "wing"},
    {"item": "steel plate", "kind": "plate", "material": "steel", "mass_kg": 2.7},
    {"item": "hood", "kind": "hood", "thickness_mm": 5},
    {"item": "gloves", "kind": "gloves", "thickness_mm": 3},
    {"item": "boots", "kind": "boots", "thickness_mm": 5},
    {"item": "heavy fins", "kind": "fins", "mass_kg": 2.4, "buoyancy_kg": -0.9},
    {"item": "regs", "kind": "regulator", "mass_kg": 2.5, "buoyancy_kg": -1.9, "buoyancy_sd_kg": 0.05},
    {"item": "lamp", "kind": "other", "buoyancy_kg": -0.6, "mass_kg": 1.1},
    {
        "item": "s12",
        "type": "steel 12",
        "kind": "cylinder",
        "material": "steel",
        "water_capacity_l": 12,
        "rated_bar": 232,
        "mass_kg": 14.85,
    },
    {
        "item": "s12 b",
        "type": "steel 12",
        "kind": "cylinder",
        "material": "steel",
        "water_capacity_l": 12,
        "rated_bar": 232,
        "mass_kg": 14.85,
    },
    {
        "item": "s15",
        "kind": "cylinder",
        "material": "steel",
        "water_capacity_l": 15,
        "rated_bar": 232,
        "mass_kg": 18.35,
    },
    {
        "item": "s10h",
        "kind": "cylinder",
        "material": "steel",
        "water_capacity_l": 10,
        "rated_bar": 300,
        "mass_kg": 17.35,
    },
    {
        "item": "a11",
        "kind": "cylinder",
        "material": "aluminium",
        "water_capacity_l": 11.1,
        "rated_bar": 207,
        "mass_kg": 15.15,
    },
    {
        "item": "stage",
        "kind": "cylinder",
        "material": "aluminium",
        "water_capacity_l": 5.7,
        "rated_bar": 207,
        "mass_kg": 7.75,
    },
    {"item": "some cylinder", "kind": "cylinder"},
    {
        "item": "weighed steel",
        "kind": "cylinder",
        "material": "steel",
        "water_capacity_l": 12,
        "mass_kg": 14.7,
        "buoyancy_kg": -1.1,
        "buoyancy_sd_kg": 0.05,
    },
]

USUAL = {
    "diver": "Aldo",
    "date": "2026-01-01",
    "water": "salt",
    "salinity_gkg": 35,
    "water_temp_c": 18,
    "suit": "five",
    "bc": "jacket",
    "cylinder": "s12",
    "gas": "air",
    "other": "boots",
}


def records(*rows, divers=(), gear=()):
    """Records with one dive a row: `USUAL` with the given changes."""
    dives = [{**USUAL, "dive": f"d{i}", **row} for i, row in enumerate(rows)]
    return Records(
        divers=columns_from_rows(DIVERS, [*DIVERS_ROWS, *divers]),
        gear=columns_from_rows(GEAR, [*GEAR_ROWS, *gear]),
        dives=columns_from_rows(DIVES, dives),
        checks=columns_from_rows(CHECKS, []),
    )


def rigs(*rows, divers=(), gear=()):
    """Rigs of the dives of `records`; no dive counts as experience or wear for the next."""
    book = records(*rows, divers=divers, gear=gear)
    return assemble(book, occasions(book, book.dives, counts_as_dive=np.zeros(len(rows), bool)))
