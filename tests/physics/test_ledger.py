"""The ledger: balance by hand, exact identities, states, cylinders carried and not."""

from __future__ import annotations

import gsw
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from numpy.testing import assert_allclose

from leadline.errors import OutOfRangeError
from leadline.physics.ledger import (
    ITEMS,
    State,
    breath_volume,
    describe_need,
    emerged_head,
    evaluate,
)

from .kitbag import rigs

STOP = State(5.0, 50.0)


def need(*rows, state=STOP, **more):
    return evaluate(rigs(*rows, **more), state).need


def test_balance_by_hand():
    """Kind: independent. A diver of whom everything is measured, added up with other libraries.

    Water by `gsw.rho`, the 75-term expression; gas by CoolProp; the rest is arithmetic.
    """
    person = {
        "diver": "Measured",
        "mass_kg": 72,
        "height_cm": 176,
        "sex": "m",
        "birth_year": 1985.5,
        "body_fat_pct": 18,
        "dives_before": 5000,
    }
    dive = {
        "diver": "Measured",
        "suit": "weighed five",
        "cylinder": "weighed steel",
        "other": "regs;heavy fins",
    }
    wing = {"item": "weighed wing", "kind": "bc", "mass_kg": 3.0, "buoyancy_kg": -0.4}
    ledger = evaluate(
        rigs({**dive, "bc": "weighed wing"}, divers=[person], gear=[wing]), State(5.0, 60.0, breath=0.2)
    )

    rho = gsw.rho(35, gsw.CT_from_t(35, 18, 5.04), 5.04) / 1000
    pool = gsw.rho(0.2, gsw.CT_from_t(0.2, 20, 0), 0) / 1000
    pressure = 1.01325 + 1.0252 * 9.80665 * 5 / 100
    tissue = 72 * (450 + 18) / 495
    residual = 1.31 * 1.76 + 0.022 * 40 - 1.23
    resting = 2.34 * 1.76 + 0.009 * 40 - 1.09
    lung = residual + 0.35 * (resting - residual) + 0.35 + 0.1 + 0.2
    suit_volume = (5.0 + 2.0) / pool
    suit_gas = suit_volume - 2.0 / 1.25
    suit = 2.0 / 1.25 + suit_gas * (0.05 + 0.95 * 1.01325 / pressure)
    air = PropsSI("D", "T", 291.15, "P", 61.01325e5, "Air") * 12 / 1000
    volume = (
        tissue
        + lung
        + suit
        + sum((m + b) / pool for m, b in ((14.7, -1.1), (2.5, -1.9), (2.4, -0.9), (3.0, -0.4)))
    )
    mass = 72 + 2.0 + 14.7 + 2.5 + 2.4 + 3.0 + air
    small = rho * 0.80 - 1.3  # mask and instruments, assumed
    expected = (rho * volume - mass + small) / (1 - rho / 11.34)

    assert ledger.need[0] == pytest.approx(expected, abs=0.01)
    assert ledger.water_density[0] == pytest.approx(rho * 1000, abs=0.01)
    assert ledger.lead_factor[0] == pytest.approx(1 - rho / 11.34, abs=1e-5)
    assert ledger.ambient_pressure[0] == pytest.approx(pressure, abs=0.001)


def test_items_add_up_to_the_need():
    ledger = evaluate(rigs({}, {"suit": "membrane", "undersuit": "thick", "other": "hood;gloves"}), STOP)
    assert tuple(ledger.items) == ITEMS
    total = sum(ledger.net_buoyancy(name) for name in ITEMS)
    assert_allclose(total / ledger.lead_factor, ledger.need, rtol=1e-12)
    assert_allclose(ledger.margin(ledger.need), 0.0, atol=1e-12)
    assert ledger.margin(ledger.need + 2)[0] == pytest.approx(2.0)


def test_lead_displaces_water():
    """Kind: independent, by hand: 1 kg of lead at 11.34 kg/L weighs 0.9096 kg in the sea, 0.912 in fresh."""
    ledger = evaluate(rigs({}, {"water": "fresh", "salinity_gkg": 0}), STOP)
    assert_allclose(ledger.lead_factor, [0.9096, 0.9119], atol=1e-4)


def test_gas_lifts_one_litre_for_one_litre():
    """Kind: independent: a litre in the sea is rho / (1 - rho/11.34), about 1.13 kg of lead."""
    for field in ("breath", "bc_gas", "suit_gas"):
        more = need({}, state=State(5.0, 50.0, **{field: 1.0})) - need({})
        assert more[0] == pytest.approx(1.127, abs=0.003)


def test_head_above_water_is_worth_the_water_it_would_displace():
    """Archimedes: a diver afloat at eye level, pushed under, is buoyed up by the water the head takes."""
    rig = rigs({})
    head, sd = emerged_head(rig, "eye")
    afloat = evaluate(rig, State(0.0, 50.0, head_out=head))
    under = evaluate(rig, State(0.0, 50.0))
    lead = afloat.need  # floats at eye level, at rest
    lift = (under.need - lead) * under.lead_factor
    assert_allclose(lift, under.water_density / 1000 * head, rtol=1e-12)
    assert head[0] == pytest.approx(1.7)
    assert sd[0] == pytest.approx(0.4)


def test_head_by_waterline_in_order_and_larger_with_a_hood():
    bare, hooded = rigs(*[{}] * 5), rigs(*[{"other": "hood"}] * 5)
    lines = np.array(["chin", "eye", "crown", "under", "unheard of"], object)
    head, sd = emerged_head(bare, lines)
    assert np.all(np.diff(head[:4]) < 0)
    assert head[3] == sd[3] == head[4] == 0
    assert np.all(emerged_head(hooded, lines)[0][:2] > head[:2] + 0.1)


@pytest.mark.parametrize(
    ("words", "kilograms", "imperial"),
    [
        ("6.5 kg", 6.48, False),
        ("0.0 kg", 0.0, False),
        ("0.0 kg", -0.04, False),
        ("none: already heavy by 1.2 kg", -1.17, False),
        ("none: already heavy by 2.6 lb", -1.17, True),
        ("14.3 lb", 6.48, True),
        ("unknown", np.nan, False),
    ],
)
def test_need_in_words(words, kilograms, imperial):
    assert describe_need(kilograms, imperial=imperial) == words


def test_negative_need_is_not_clipped():
    """A lean diver with a heavy steel cylinder in fresh water and little foam needs none."""
    ledger = evaluate(rigs({"suit": "vest", "water": "fresh", "salinity_gkg": 0, "cylinder": "s10h"}), STOP)
    assert ledger.need[0] < -4
    assert ledger.describe_need(0).startswith("none: already heavy by ")


def test_swing_of_an_aluminium_cylinder():
    """Kind: common practice, no source: 2 to 2.25 kg for the air of 11.1 L from 207 to 35 bar."""
    rig = rigs({"cylinder": "a11", "water_temp_c": 20})
    full, reserve = evaluate(rig, State(5.0, 207.0)), evaluate(rig, State(5.0, 35.0))
    assert 2.0 <= (reserve.net_buoyancy("gas") - full.net_buoyancy("gas"))[0] <= 2.25


def test_cylinder_handed_off_takes_metal_and_gas_along():
    row = {"cylinder": "s12;stage", "gas": "air;50", "start_bar": "200;180", "end_bar": "50;-"}
    rig = rigs({**row, "other": "boots;regs"}, {"other": "boots;regs"})
    assert rig.carried.tolist() == [[True, False], [True, False]]
    one = evaluate(rig, State(5.0, np.array([[50.0, np.nan]] * 2), carried=rig.carried))
    assert one.need[0] == pytest.approx(one.need[1], abs=1e-9)
    both = evaluate(rig, State(5.0, np.array([[50.0, 120.0], [50.0, np.nan]])))
    metal = 1.02519 * (5.7 + 6.9 / 2.70 + 0.85 / 8.45) - 7.75
    oxygen_rich = PropsSI("D", "T", 291.15, "P", 121.5e5, "Air") * 1.046 * 5.7 / 1000  # 50 % is 4.6 % heavier
    assert (both.need - one.need)[0] * both.lead_factor[0] == pytest.approx(metal - oxygen_rich, abs=0.03)


def test_each_further_cylinder_brings_a_regulator_unless_listed():
    pair, single = rigs({"cylinder": "s12;s12 b"}), rigs({"cylinder": "s12"})
    extra = evaluate(pair, STOP).items["regulator"].mass - evaluate(single, STOP).items["regulator"].mass
    assert extra[0] == pytest.approx(1.4)
    left = evaluate(pair, State(5.0, 50.0, carried=np.array([[True, False]])))
    assert left.need[0] == pytest.approx(evaluate(single, STOP).need[0])
    listed = evaluate(rigs({"cylinder": "s12;s12 b", "other": "regs"}), STOP)
    assert listed.items["regulator"].mass[0] == pytest.approx(2.5)


def test_further_regulator_may_be_that_of_a_stage_or_a_second_complete_set():
    """Kind: common practice, no source. Neither is further from what is assumed than two sd.

    Of a stage: first and second stage, a hose, a gauge, 1.3 kg, 0.9 to 1.0 of it under water. A complete set,
    2.55 kg and 0.65 L, weighs 1.9 kg in the sea.
    """
    needs = [evaluate(rigs({"cylinder": kit}), STOP) for kit in ("s12", "s12;stage", "s12;stage;s12 b")]
    one, two, three = (
        [ledger.net_buoyancy("regulator")[0], ledger.items["regulator"].sd[0]] for ledger in needs
    )
    weight, sd = one[0] - two[0], np.sqrt(two[1] ** 2 - one[1] ** 2)
    assert 0.9 <= weight <= 1.1
    assert sd == pytest.approx(0.447, abs=0.001)  # 0.40 of its own, 0.20 with all others
    assert weight + 2 * sd > 1.88 > 0.9 > weight - 2 * sd
    # Two of them: 0.40 each, and 0.20 twice over, in one direction.
    assert three[1] ** 2 - one[1] ** 2 == pytest.approx(2 * 0.40**2 + (2 * 0.20) ** 2)


def test_no_cylinder_listed_is_a_usual_one_always_carried():
    rig = rigs({"cylinder": "", "gas": ""})
    assert rig.carried.all()
    ledger = evaluate(rig, State(5.0, 50.0, carried=np.zeros((1, 1), bool)))
    assert 12 < ledger.items["cylinder"].mass[0] < 17
    assert ledger.items["gas"].mass[0] > 0.5
    assert ledger.items["cylinder"].sd[0] > 1.0


def test_weighed_kit_gives_its_weighing_back_in_that_water():
    """At the surface, in the water of the weighing, a measured piece shows its measured buoyancy."""
    pool = {"water": "fresh", "salinity_gkg": 0.2, "water_temp_c": 20}
    sea = {"salinity_gkg": 35, "water_temp_c": 18}
    surface = State(0.0, 0.0)
    fresh = evaluate(
        rigs({**pool, "suit": "weighed five", "cylinder": "weighed steel", "other": "lamp"}), surface
    )
    assert fresh.net_buoyancy("suit")[0] == pytest.approx(5.0, abs=1e-3)
    assert fresh.net_buoyancy("cylinder")[0] == pytest.approx(-1.1, abs=1e-3)
    small = fresh.water_density[0] / 1000 * 0.80 - 1.3
    assert fresh.net_buoyancy("other")[0] - small == pytest.approx(-0.6, abs=1e-3)
    dry = evaluate(rigs({**sea, "suit": "weighed membrane", "undersuit": "medium"}), surface)
    assert dry.net_buoyancy("suit")[0] == pytest.approx(-1.5, abs=1e-3)
    assert dry.net_buoyancy("suit_gas")[0] == pytest.approx(6.0 * 1.0252, rel=0.01)
    # Its foam shrinks with depth all the same.
    deep = evaluate(rigs({**pool, "suit": "weighed five"}), State(5.0, 50.0))
    assert 2.4 < deep.net_buoyancy("suit")[0] < 3.8


def test_undersuits_in_order_and_only_in_a_dry_suit():
    rows = [{"suit": "membrane", "undersuit": word} for word in ("thin", "medium", "thick", "")]
    ledger = evaluate(rigs(*rows, {"suit": "five", "undersuit": "thick"}), STOP)
    gas = ledger.items["suit_gas"].volume
    # From memory, not measured: 3.5, 6 and 9 L on a body surface of 2 m².
    assert_allclose(gas, [3.5, 6.0, 9.0, 5.5, 0.0], rtol=1e-9)
    foam = evaluate(rigs({"suit": "crushed", "undersuit": "thick"}), STOP)
    assert 0 < foam.items["suit_gas"].volume[0] < 9
    assert foam.items["suit"].volume[0] > ledger.items["suit"].volume[0]


def test_suits_worn_together_add():
    ledger = evaluate(rigs({"suit": "five"}, {"suit": "vest"}, {"suit": "five;vest"}), STOP)
    five, vest, both = ledger.net_buoyancy("suit")
    assert both == pytest.approx(five + vest)


def test_styles_cover_more_and_more():
    ledger = evaluate(rigs({"suit": "vest"}, {"suit": "shorty"}, {"suit": "five"}, {"suit": "two"}), STOP)
    assert np.all(np.diff(ledger.items["suit"].volume) > 0)


def test_foam_swells_at_altitude():
    rig = rigs({"altitude_m": 0}, {"altitude_m": 2000})
    surface = evaluate(rig, State(0.0, 50.0)).items["suit"].volume
    assert surface[1] > surface[0] * 1.1
    stop = evaluate(rig, STOP).items["suit"].volume
    assert stop[1] > stop[0]


def test_beginners_breathe_high():
    people = [
        {"diver": f"n{k}", "mass_kg": 70, "height_cm": 175, "sex": "m", "dives_before": k}
        for k in (0, 25, 500)
    ]
    rig = rigs(*[{"diver": f"n{k}"} for k in (0, 25, 500)], divers=people)
    lift = evaluate(rig, STOP).net_buoyancy("beginner")
    # Common practice, no source: 0.4 kg of lead for the first dives, decaying over 25.
    assert_allclose(lift / 0.9096, [0.406, 0.149, 0.0], atol=0.005)


def test_breath_words_move_the_need():
    rig = rigs({})
    levels = [breath_volume([word], rig.lungs)[0] for word in ("out", "", "normal", "full")]
    needs = [evaluate(rig, State(0.0, 50.0, breath=litres)).need[0] for litres in levels]
    assert np.all(np.diff(needs) > 0)


def test_take_keeps_the_rows():
    rig = rigs({}, {"suit": "membrane", "undersuit": "thick"}, {"cylinder": "a11;stage", "gas": "32;80"})
    pressure = np.array([[50.0, np.nan], [60.0, np.nan], [70.0, 90.0]])
    state = State(np.array([5.0, 6.0, 3.0]), pressure, bc_gas=1.0)
    whole = evaluate(rig, state)
    for rows in ([2, 0], np.array([False, True, True]), slice(1, 3)):
        part = evaluate(rig.take(rows), state.take(rows))
        assert_allclose(part.need, whole.need[rows], rtol=1e-13)
        for name in ITEMS:
            assert_allclose(part.items[name].volume, whole.items[name].volume[rows], rtol=1e-13)


def test_many_rows_agree_with_one():
    """Shape and rows at a size where blocks would show; a million rows are left to the benchmarks."""
    rig = rigs({}, {"diver": "Bea", "suit": "three", "cylinder": "a11"})
    many = rig.take(np.arange(20_000) % 2)
    ledger = evaluate(many, STOP)
    assert ledger.need.shape == (20_000,)
    assert_allclose(ledger.need.reshape(-1, 2), np.broadcast_to(evaluate(rig, STOP).need, (10_000, 2)))


def test_no_rows_no_answer():
    empty = rigs({}).take(slice(0, 0))
    assert evaluate(empty, STOP).need.shape == (0,)


def test_missing_depth_gives_missing_need():
    ledger = evaluate(rigs({}, {}), State(np.array([np.nan, 5.0]), 50.0))
    assert np.isnan(ledger.need).tolist() == [True, False]


@pytest.mark.parametrize(
    ("state", "message"),
    [
        (State(-5, 50), r"depth must lie in \[0, 300\] m, got -5"),
        (State(5, 3000), r"cylinder_pressure must lie in \[0, 330\] bar, got 3000"),
        (State(5, np.nan), r"cylinder_pressure is unknown at row 0; use the planned reserve"),
        (State(5, np.full((1, 3), 50.0)), r"cylinder_pressure has shape \(1, 3\)"),
        (State(5, 50, breath=20), r"breath must lie in \[-8, 8\] L, got 20"),
        (State(5, 50, bc_gas=-1), r"bc_gas must lie in \[0, 100\] L, got -1"),
        (State(5, 50, suit_gas=-1), r"suit_gas must lie in \[0, 100\] L, got -1"),
        (State(5, 50, head_out=-1), r"head_out must lie in \[0, 8\] L, got -1"),
    ],
)
def test_state_errors_name_the_value(state, message):
    with pytest.raises(OutOfRangeError, match=message):
        evaluate(rigs({}), state)


def test_impossible_salinity_is_refused():
    with pytest.raises(OutOfRangeError, match=r"salinity must lie in \[0, 42\] g/kg, got 350 at position 1"):
        rigs({}, {"salinity_gkg": 350})
