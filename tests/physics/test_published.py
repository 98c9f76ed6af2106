"""Every check value of `tests/published`, each with its own source, tolerance and kind.

Kinds: published (printed by others), independent (another library or formula, or arithmetic by hand),
pinned (our own output, guards against change), common practice (no source).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from leadline.physics import body, cylinder, gas, lung, suit, water

FOLDER = Path(__file__).parents[1] / "published"
KINDS = {"published", "independent", "pinned", "common practice"}


def _used(start, end, water_capacity, temperature):
    return gas.mass(start, water_capacity, temperature=temperature) - gas.mass(
        end, water_capacity, temperature=temperature
    )


def _thickness(depth):
    pressure = water.ambient_pressure(depth, water_density=1025.2)
    return 1 - suit.GAS_SHARE + suit.GAS_SHARE * suit.foam_ratio(pressure)


def _sheet(depth):
    pressure = water.ambient_pressure(depth, water_density=1025.2)
    worn = suit.foam_buoyancy(1.0, 1.0, ambient_pressure=pressure, water_density=1025.2)
    return worn / suit.NEW_THICKNESS


QUANTITIES = {
    "water.density": water.density,
    "water.atmospheric_pressure": water.atmospheric_pressure,
    "water.ambient_pressure": water.ambient_pressure,
    "gas.density": gas.density,
    "gas.used": _used,
    "gas.water_capacity_from_gas_capacity": gas.water_capacity_from_gas_capacity,
    "body.tissue_volume": body.tissue_volume,
    "body.predicted_fat": body.predicted_fat,
    "body.surface_area": body.surface_area,
    "lung.dry_total": lambda **person: lung.dry_volumes(**person)[0],
    "lung.dry_residual": lambda **person: lung.dry_volumes(**person)[1],
    "lung.dry_resting": lambda **person: lung.dry_volumes(**person)[2],
    "cylinder.external_volume": cylinder.external_volume,
    "cylinder.usual_mass": cylinder.usual_mass,
    "suit.thickness_ratio": _thickness,
    "suit.sheet_buoyancy": _sheet,
}


def _rows():
    for path in sorted(FOLDER.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            for number, row in enumerate(csv.DictReader(file), start=2):
                if row["quantity"].startswith("worked."):
                    continue  # whole divers: test_worked_divers.py
                yield pytest.param(row, id=f"{path.stem}-{number}-{row['quantity']}")


def _inputs(text):
    pairs = (part.split("=") for part in text.split(";"))
    return {name: value if value.isalpha() else float(value) for name, value in pairs}


@pytest.mark.parametrize("row", list(_rows()))
def test_check_value(row):
    assert row["kind"] in KINDS
    assert row["source"]
    value = QUANTITIES[row["quantity"]](**_inputs(row["inputs"]))
    assert float(value) == pytest.approx(float(row["value"]), abs=float(row["tolerance"]), rel=0)


def test_every_quantity_has_a_value_from_outside():
    outside = {
        row.values[0]["quantity"] for row in _rows() if row.values[0]["kind"] in ("published", "independent")
    }
    assert outside | {"cylinder.usual_mass"} == set(QUANTITIES)


def test_checks_can_fail():
    # A wrong coefficient must show: nitrogen in the place of air is 3 % off.
    assert abs(gas.density(200, 20, oxygen=0.0) - gas.density(200, 20)) > 5 * 0.003 * 231


def test_body_formula_against_men_weighed_under_water():
    """Summary of 248 men weighed under water (Penrose, Nelson and Fisher 1985; Johnson 1996).

    Kind: independent, as recomputed summary numbers; the rows are not shipped, their licence forbids it.
    Mean age 44.9 years, body mass index 25.4, mass 81.2 kg, density 1.0556 kg/L. The prediction at the
    means must lie within the bias found man by man, +0.33 L, and the stated sd must be no smaller than the
    residual sd of 0.94 kg found there.
    """
    men = body.body(81.2, np.sqrt(81.2 / 25.4), age=44.9, male=1)
    assert float(men.volume) - 81.2 / 1.0556 == pytest.approx(0.33, abs=0.35)
    assert 0.94 <= float(men.volume_sd) <= 1.1
