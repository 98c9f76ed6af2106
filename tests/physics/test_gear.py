"""Suits, accessories and cylinders as pieces: what is given counts, what is missing widens."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.errors import OutOfRangeError
from leadline.physics import cylinder, suit
from leadline.physics.ledger import State, evaluate

from .kitbag import rigs

SURFACE = State(0.0, 0.0)


def worn(*items, state=SURFACE, **common):
    """Ledger of one dive for each item, worn in its place."""
    places = {"suit": "suit", "bc": "bc", "cylinder": "cylinder"}
    rows = [{places.get(item["kind"], "other"): item["item"], **common} for item in items]
    return evaluate(rigs(*rows, gear=items), state)


def test_foam_ratio_limits():
    pressures = np.array([0.6, 1.01325, 1.5, 3.0, 30.0])
    ratio = suit.foam_ratio(pressures)
    assert ratio[0] > 1
    assert ratio[1] == pytest.approx(1.0)
    assert np.all(np.diff(ratio) < 0)
    assert np.all(ratio > suit.STIFFNESS[0])
    # No stiffness is Boyle's law; full stiffness does not shrink.
    assert_allclose(suit.foam_ratio(pressures, stiffness=0.0), 1.01325 / pressures)
    assert_allclose(suit.foam_ratio(pressures, stiffness=1.0), 1.0)


def test_slope_with_depth_by_hand():
    """Kind: independent, by hand: new foam of 0.25 kg/L, free gas: -0.036 kg per m, mm and m² at 5 m."""
    lift = suit.foam_buoyancy(1.0, 1.0, ambient_pressure=[1.4656, 1.5662]) / suit.NEW_THICKNESS
    assert (lift[1] - lift[0]) / 1.0 == pytest.approx(-0.036, abs=0.004)


def test_set_grows_and_ends():
    dives = np.array([0.0, 10.0, 100.0, 1000.0, 1e5])
    lost = suit.permanent_set(dives)
    assert lost[0] == 0
    assert np.all(np.diff(lost) >= 0)
    # Published: a third to a half of the insulation of 5 mm samples after very many cycles.
    assert 0.25 < lost[-1] < 0.5
    assert lost[0] < suit.permanent_set(np.nan) < lost[3]


def test_a_stated_suit_mass_sinks_it():
    light, heavy = (
        {"item": word, "kind": "suit", "style": "full", "thickness_mm": 5, "dives_before": 0, "mass_kg": mass}
        for word, mass in (("light", 1.6), ("heavy", 2.6))
    )
    ledger = worn(light, heavy)
    assert_allclose(ledger.items["suit"].mass, [1.6, 2.6])
    assert_allclose(*ledger.items["suit"].volume)  # the same sheet displaces the same water


@pytest.mark.parametrize(
    "kind", ["suit", "hood", "gloves", "boots", "fins", "bc", "plate", "regulator", "other"]
)
def test_measured_buoyancy_in_its_water_comes_back(kind):
    style = {"suit": "full", "bc": "jacket"}.get(kind, "")
    item = {"item": "x", "kind": kind, "style": style, "buoyancy_kg": 0.8, "buoyancy_in": "salt"}
    bare = {"item": "y", "kind": kind, "style": style, "buoyancy_kg": 0.0, "buoyancy_in": "salt"}
    ledger = worn(item, bare, suit="") if kind != "suit" else worn(item, bare)
    lift = ledger.net_buoyancy(kind)
    assert lift[0] - lift[1] == pytest.approx(0.8, abs=0.01)


def test_what_sinks_hard_is_given_the_mass_for_it():
    """-5 kg of net buoyancy cannot come from a 2 kg piece; no piece may have a negative volume."""
    ledger = worn({"item": "x", "kind": "other", "mass_kg": 2.0, "buoyancy_kg": -5.0, "buoyancy_in": "salt"})
    line = ledger.items["other"]
    assert line.volume[0] > 0
    assert ledger.net_buoyancy("other")[0] == pytest.approx(-5.0 + 1.02519 * 0.8 - 1.3, abs=0.01)


def test_missing_thickness_or_style_widens():
    known = {"item": "k", "kind": "suit", "style": "full", "thickness_mm": 5}
    no_thickness = {"item": "t", "kind": "suit", "style": "full"}
    nothing = {"item": "n", "kind": "suit"}
    sd = worn(known, no_thickness, nothing).items["suit"].sd
    assert sd[0] < sd[1] < sd[2]
    hoods = (
        worn({"item": "a", "kind": "hood", "thickness_mm": 5}, {"item": "b", "kind": "hood"}).items["hood"].sd
    )
    assert hoods[0] < hoods[1]


def test_missing_cylinder_facts_widen():
    full = {"item": "f", "kind": "cylinder", "material": "steel", "water_capacity_l": 12, "mass_kg": 14.85}
    no_mass = {**full, "item": "m", "mass_kg": None}
    no_size = {**no_mass, "item": "s", "water_capacity_l": None}
    no_metal = {**no_mass, "item": "x", "material": ""}
    nothing = {"item": "n", "kind": "cylinder"}
    sd = worn(full, no_mass, no_size, no_metal, nothing).items["cylinder"].sd
    assert sd[0] < sd[1] < sd[2] < sd[3] < sd[4]


def test_capacity_follows_from_mass_where_only_that_is_known():
    item = {"item": "f", "kind": "cylinder", "material": "steel", "mass_kg": 14.85}
    table = rigs({"cylinder": "f"}, gear=[item])
    assert table.capacity[0, 0] == pytest.approx(12.0, abs=0.1)


def test_aluminium_floats_where_steel_sinks():
    """Kind: independent, geometry by hand, valves on: aluminium 11.1 L +1.76, steel 12 L -0.62."""
    ledger = evaluate(rigs({"cylinder": "a11"}, {"cylinder": "s12"}), SURFACE)
    assert_allclose(ledger.net_buoyancy("cylinder"), [1.76, -0.62], atol=0.03)


def test_heavier_metal_by_hand():
    """Kind: independent: each kg of metal adds rho/rho_metal - 1, -0.62 for aluminium, -0.87 for steel."""
    for metal, expected in ((2.70, -0.62), (7.85, -0.87)):
        one, more = cylinder.external_volume([15.0, 16.0], 12, metal_density=metal)
        assert 1.0255 * (more - one) - 1 == pytest.approx(expected, abs=0.01)


def test_twin_set_as_one_item_is_near_two_cylinders():
    twin = {"item": "twin", "kind": "cylinder", "material": "steel", "water_capacity_l": 24, "rated_bar": 232}
    two = evaluate(rigs({"cylinder": "s12;s12 b"}), State(5.0, 50.0))
    one = evaluate(rigs({"cylinder": "twin"}, gear=[twin]), State(5.0, 50.0))
    assert one.items["gas"].mass[0] == pytest.approx(two.items["gas"].mass[0])
    assert one.net_buoyancy("cylinder")[0] == pytest.approx(two.net_buoyancy("cylinder")[0], abs=1.3)


def test_listed_pieces_replace_assumed_ones():
    ledger = evaluate(rigs({"bc": ""}, {"bc": "wing", "other": "regs;heavy fins;boots"}), SURFACE)
    assert_allclose(ledger.items["fins"].mass, [1.8, 2.4])
    assert_allclose(ledger.items["regulator"].mass, [2.55, 2.5])
    assert_allclose(ledger.items["bc"].mass, [3.1, 2.6])


def test_steel_plate_by_hand():
    ledger = evaluate(rigs({"bc": "wing", "other": "steel plate"}), SURFACE)
    assert ledger.net_buoyancy("plate")[0] == pytest.approx(2.7 * (1.02519 / 7.85 - 1), abs=0.01)


@pytest.mark.parametrize("rated", [200.0, 300.0, np.nan])
def test_cylinder_larger_than_any_stops_nobody(rated):
    """Kind: arithmetic; 50 L as aluminium would be 50 x 1.30 x 200 / 207 + 2.9 = 65.7 kg, above 60."""
    item = {
        "item": "bank",
        "kind": "cylinder",
        "material": "steel",
        "water_capacity_l": 50,
        "rated_bar": rated,
    }
    table = rigs({"cylinder": "s12"}, gear=[item])
    assert np.isfinite(evaluate(table, SURFACE).need).all()


def test_unknown_kind_is_other():
    item = {"item": "x", "kind": "", "mass_kg": 1.8}
    assert worn(item, suit="").items["other"].mass[0] == pytest.approx(1.8 + 1.3)


def test_missing_in_missing_out():
    assert np.isnan(suit.foam_ratio([np.nan, 1.0])).tolist() == [True, False]
    assert np.isnan(suit.foam_buoyancy([np.nan, 5], 1.0, ambient_pressure=1.5)).tolist() == [True, False]
    assert np.isnan(cylinder.external_volume([np.nan, 15], 12, metal_density=7.85)).tolist() == [True, False]
    assert np.isnan(cylinder.usual_mass([np.nan, 12], "steel")).tolist() == [True, False]
    assert np.isnan(cylinder.valve_mass([np.nan, 12])).tolist() == [True, False]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: suit.foam_ratio(0.0), r"ambient_pressure must lie in \[0.4, 35\] bar, got 0"),
        (lambda: suit.foam_ratio(1.0, stiffness=2), r"stiffness must lie in .*got 2"),
        (lambda: suit.permanent_set(-1), r"suit_dives must lie in .*got -1"),
        (
            lambda: suit.foam_buoyancy(50, 1, ambient_pressure=1),
            r"thickness must lie in \[0, 20\] mm, got 50",
        ),
        (lambda: suit.foam_buoyancy(5, 9, ambient_pressure=1), r"area must lie in \[0, 5\] m², got 9"),
        (
            lambda: cylinder.external_volume(90, 12, metal_density=7.85),
            r"mass must lie in \[0, 60\] kg, got 90",
        ),
        (lambda: cylinder.external_volume(14, 12, metal_density=7850), r"metal_density .* got 7850"),
        (lambda: cylinder.usual_mass(12, "steel", rated_pressure=3300), r"rated_pressure .* got 3300"),
        (lambda: cylinder.valve_mass(-1), r"water_capacity must lie in \[0, 50\] L, got -1"),
    ],
)
def test_range_errors_name_the_value(call, message):
    with pytest.raises(OutOfRangeError, match=message):
        call()
