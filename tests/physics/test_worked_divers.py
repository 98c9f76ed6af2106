"""Three invented divers whose balance was worked out by hand, item by item, beside our ledger.

`tests/published/worked_divers.csv` holds their net buoyancies in kg at 5 m with 50 bar: A, a man of 40,
1.80 m, 80 kg, 5 mm one-piece, steel 12 L (sea 35 g/kg and fresh, 18 °C); B, a woman of 32, 1.66 m, 60 kg,
3 mm one-piece, aluminium 11.1 L, nitrox 32 (sea 36 g/kg 28 °C, fresh 24 °C); C, a man of 52, 1.75 m, 95 kg,
membrane dry suit with 9 L of gas, steel 15 L (sea 10 °C, fresh 6 °C). Their kit masses are invented, so our
defaults need not repeat their totals; body, gas and every difference must agree. Kind: independent.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from leadline.physics.ledger import State, evaluate

from .kitbag import rigs

CASES = ("A_sea", "A_fresh", "B_sea", "B_fresh", "C_sea", "C_fresh")
# lead = buoyancy / (1 - rho/11.34), with the density of each water by hand
DENSITY = {
    "A_sea": 1.0252,
    "A_fresh": 0.9986,
    "B_sea": 1.0230,
    "B_fresh": 0.9973,
    "C_sea": 1.0269,
    "C_fresh": 0.9999,
}
LEAD = {"A_sea": 1.87, "A_fresh": -1.17, "B_sea": 2.72, "B_fresh": 0.29, "C_sea": 8.40, "C_fresh": 4.45}
A = {"diver": "Aldo", "suit": "five", "cylinder": "s12", "other": "boots;hood;gloves"}
B = {"diver": "Bea", "suit": "three", "cylinder": "a11", "gas": "32", "other": "boots"}
C = {"diver": "Cyr", "suit": "membrane", "undersuit": "thick", "cylinder": "s15", "other": "hood;gloves"}
FRESH = {"water": "fresh", "salinity_gkg": 0}
OURS = {
    "A_sea": A,
    "A_fresh": {**A, **FRESH},
    "B_sea": {**B, "salinity_gkg": 36, "water_temp_c": 28},
    "B_fresh": {**B, **FRESH, "water_temp_c": 24},
    "C_sea": {**C, "water_temp_c": 10},
    "C_fresh": {**C, **FRESH, "water_temp_c": 6},
}
STOP = State(5.0, 50.0)
SEA = {"diver": "Aldo", "suit": "five", "cylinder": "s12", "other": "boots"}


def worked():
    path = Path(__file__).parents[1] / "published" / "worked_divers.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    values = {(row["quantity"].removeprefix("worked."), row["inputs"]): float(row["value"]) for row in rows}
    inputs = ["diver={};water={}".format(*case.split("_")) for case in CASES]
    return {item: np.array([values[item, case] for case in inputs]) for item, _ in values}


def ours():
    return evaluate(rigs(*(OURS[case] for case in CASES)), STOP)


def change(before, after, *, state=STOP, then=None):
    """Need after less need before. [kg of lead]"""
    ledger = evaluate(rigs(before, after), state)
    if then is not None:
        return float(evaluate(rigs(after), then).need[0] - ledger.need[0])
    return float(ledger.need[1] - ledger.need[0])


def test_their_items_give_their_lead():
    total = sum(worked().values())
    factor = np.array([1 - DENSITY[case] / 11.34 for case in CASES])
    np.testing.assert_allclose(total / factor, [LEAD[case] for case in CASES], atol=0.02)


def test_body_and_gas_repeat_their_numbers():
    table, ledger = worked(), ours()
    np.testing.assert_allclose(ledger.net_buoyancy("body"), table["body"], atol=0.02)
    # They breathe less the smaller they are; ours breathe 0.7 L.
    np.testing.assert_allclose(ledger.net_buoyancy("lungs"), table["lungs"], atol=0.10)
    np.testing.assert_allclose(ledger.net_buoyancy("gas"), table["reserve gas"], atol=0.035)
    shell = ledger.net_buoyancy("cylinder")
    # Ours has the valve on: 0.85 kg of brass, some 0.75 kg under water.
    np.testing.assert_allclose(shell + 0.75, table["cylinder shell"], atol=0.03)


def test_suits_and_kit_are_near_theirs():
    table, ledger = worked(), ours()
    np.testing.assert_allclose(ledger.net_buoyancy("suit"), table["suit"], atol=0.25)
    # They took 9 L whatever the body; ours grows with it, 9 L on 2 m² of body surface.
    np.testing.assert_allclose(ledger.net_buoyancy("suit_gas"), table["suit_gas"], rtol=0.09)
    np.testing.assert_allclose(ledger.need, [LEAD[case] for case in CASES], atol=1.0)


@pytest.mark.parametrize("who", [0, 2, 4])
def test_fresh_to_sea(who):
    """2.4 to 3.2 % of the all-up mass."""
    ledger = ours()
    mass = sum(line.mass[who] for line in ledger.items.values()) + max(ledger.need[who], 0.0)
    step = ledger.need[who] - ledger.need[who + 1]
    assert 0.024 <= step / mass <= 0.032
    sea, fresh = CASES[who], CASES[who + 1]
    assert step == pytest.approx(LEAD[sea] - LEAD[fresh], abs=0.2)


@pytest.mark.parametrize(
    ("name", "after", "expected", "tolerance"),
    [
        ("a millimetre more", {"suit": "six"}, 0.75, 0.10),
        ("saltier, 38 g/kg", {"salinity_gkg": 38}, 0.26, 0.03),
        ("saltier, 41 g/kg", {"salinity_gkg": 41}, 0.53, 0.05),
        ("colder, 4 °C", {"water_temp_c": 4}, 0.24, 0.06),
        ("warmer, 30 °C", {"water_temp_c": 30}, -0.37, 0.06),
        ("aluminium 11.1 L", {"cylinder": "a11"}, 2.68, 0.15),
        ("steel 15 L", {"cylinder": "s15"}, -0.17, 0.10),
        ("steel 10 L, 300 bar", {"cylinder": "s10h"}, -4.5, 0.15),
    ],
)
def test_sensitivity(name, after, expected, tolerance):
    assert change(SEA, {**SEA, **after}) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(
    ("bar", "depth", "expected", "tolerance"),
    [
        (35.0, 5.0, 0.24, 0.02),
        (100.0, 5.0, -0.80, 0.04),
        (50.0, 0.0, 2.24, 0.55),
        (50.0, 3.0, 0.69, 0.15),
        (50.0, 10.0, -1.12, 0.25),
        (50.0, 20.0, -2.24, 0.45),
        (50.0, 30.0, -2.80, 0.55),
    ],
)
def test_pressure_and_depth(bar, depth, expected, tolerance):
    """Theirs has hood and boots of as much foam; free Boyle gas, so theirs moves a little more."""
    dressed = {**SEA, "other": "boots;hood;gloves"}
    assert change(dressed, dressed, then=State(depth, bar)) == pytest.approx(expected, abs=tolerance)


def test_more_body_at_the_same_height_and_ten_years():
    heavier = [{"diver": "Aldo heavier", "mass_kg": 85, "height_cm": 180, "sex": "m", "birth_year": 1985.5}]
    older = [{"diver": "Aldo older", "mass_kg": 80, "height_cm": 180, "sex": "m", "birth_year": 1975.5}]
    same = [{"diver": "Aldo same", "mass_kg": 80, "height_cm": 180, "sex": "m", "birth_year": 1985.5}]
    rows = [{**SEA, "diver": f"Aldo {word}"} for word in ("same", "heavier", "older")]
    need = evaluate(rigs(*rows, divers=heavier + older + same), STOP).need
    assert need[1] - need[0] == pytest.approx(0.35, abs=0.15)
    assert need[2] - need[0] == pytest.approx(0.43, abs=0.10)


def test_surface_check_differs_from_the_stop_more_with_foam_than_in_a_dry_suit():
    rig = rigs({**A}, {**C})
    move = evaluate(rig, State(0.0, 50.0)).need - evaluate(rig, STOP).need
    assert 1.0 < move[0] < 2.5
    assert 0.0 < move[1] < 0.5
