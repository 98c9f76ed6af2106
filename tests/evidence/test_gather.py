"""Surface checks, descents and pressures: each observation in a state of its own."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import ndtr

from leadline.arrays import Records, columns_from_rows
from leadline.decide.assessment import Assessment
from leadline.model.population import prior_fit
from leadline.records import CHECKS, DIVERS, DIVES, GEAR

KIT = {"suit": "full 5", "cylinder": "alu 11", "water": "salt", "water_temp_c": 18.0}


def assessed(*, checks=(), dives=()):
    divers = [
        {
            "diver": "Ines",
            "mass_kg": 64,
            "height_cm": 168,
            "birth_year": 1991,
            "sex": "f",
            "dives_before": 200,
        }
    ]
    gear = [
        {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 5},
        {
            "item": "alu 11",
            "kind": "cylinder",
            "material": "aluminium",
            "water_capacity_l": 11.1,
            "mass_kg": 14.3,
        },
    ]
    return Assessment.of(
        Records(
            columns_from_rows(DIVERS, divers),
            columns_from_rows(GEAR, gear),
            columns_from_rows(
                DIVES, [{"diver": "Ines", "date": "2026-05-01", **KIT, **row} for row in dives]
            ),
            columns_from_rows(
                CHECKS, [{"diver": "Ines", "date": "2026-05-01", **KIT, **row} for row in checks]
            ),
        ),
        prior_fit(),
    ).evidence


def check(**row):
    return assessed(checks=[{"check": "1", "lead_kg": 6.0, "bar": "50", **row}])


def test_eye_level_needs_less_by_the_water_that_the_head_would_displace():
    # Archimedes, by hand: 1.7 L of head out of sea water of 1.0254 kg/L weigh as much as 1.743 kg of water;
    # in lead that is 1.743 / (1 - 1.0254 / 11.34) = 1.917 kg. 1.7 L: common practice, no source.
    eye, under = check(waterline="eye"), check(waterline="under")
    assert_allclose(under.observations.prior[0] - eye.observations.prior[0], 1.917, atol=0.01)


def test_a_full_cylinder_needs_less_lead_by_the_gas_in_it():
    # Independent: 2.18 kg of air between 207 and 35 bar in 11.1 L (reference equation, 20 °C), in lead
    # 2.18 / 0.9096; common practice, no source, says 2 to 2.25 kg (4 to 5 lb).
    full, low = check(waterline="under", bar="207"), check(waterline="under", bar="35")
    assert_allclose(low.observations.prior[0] - full.observations.prior[0], 2.18 / 0.9096, rtol=0.02)


@pytest.mark.parametrize(
    ("word", "fit", "bounded"),
    [
        ("chin", [1, 0, 0], (False, True)),
        ("eye", [0, 1, 0], (True, True)),
        ("crown", [0, 1, 0], (True, True)),
        ("under", [0, 1, 1], (False, True)),
    ],
)
def test_waterlines_are_zones_side_by_side(word, fit, bounded):
    found = check(waterline=word)
    assert found.statements.fit[0].tolist() == fit
    ends = np.isfinite([found.observations.lower[0], found.observations.upper[0]])
    assert tuple(ends) == bounded


def test_neighbouring_waterlines_share_their_limit():
    # The same water: where eye ends, crown begins, each seen from its own state.
    eye, crown, chin = (check(waterline=word).observations for word in ("eye", "crown", "chin"))
    assert_allclose(eye.lower[0] - eye.prior[0], crown.upper[0] - crown.prior[0], atol=1e-6)
    assert_allclose(chin.upper[0] - chin.prior[0], eye.upper[0] - eye.prior[0], atol=1e-6)


@pytest.mark.parametrize("effect", [-2.0, 0.0, 1.5])
def test_whatever_is_learned_of_heads_the_four_words_are_all_there_is(effect):
    """By arithmetic: the chances of chin, eye, crown and under add up to one at every effect of the head,
    so that no word is likelier than another for having more of the head out."""
    whole = 0.0
    for word in ("chin", "eye", "crown", "under"):
        found = check(waterline=word)
        o, at = found.observations, found.observations.names.index("head_out")
        expected = o.prior[0] + effect * o.exposure[0, at]
        light = 1 - ndtr((o.upper[0] - expected) / 0.5)
        heavy = ndtr((o.lower[0] - expected) / 0.5)
        chance = np.array([light, 1 - light - heavy, heavy])
        whole += found.statements.fit[0] @ chance
        assert o.exposure[0, at] != 0
    assert_allclose(whole, 1.0, atol=1e-6)


@pytest.mark.parametrize(("word", "fit"), [("yes", [0, 1, 1]), ("no", [1, 0, 0])])
def test_breathing_out_bounds_need_from_one_side(word, fit):
    found = check(waterline="eye", exhale_sinks=word)
    assert found.statements.kind.tolist() == ["waterline", "exhale"]
    assert found.statements.fit[1].tolist() == fit
    # Breathed out the diver is smaller: less lead would do, head under.
    assert found.observations.prior[1] < check(waterline="under").observations.prior[0]


def test_readings_of_one_check_share_their_occasion():
    assert check(waterline="eye", exhale_sinks="yes").observations.occasion.tolist() == [0, 0]


def test_a_check_made_on_a_dive_shares_that_dive():
    dive = {"dive": "7", "lead_kg": 6.0, "end_bar": "50", "stop_result": "hovered", "bc_state": "empty"}
    found = assessed(dives=[dive], checks=[{"check": "1", "dive": "7", "lead_kg": 6.0, "waterline": "eye"}])
    seen = found.statements.kind != "habit"
    assert len(set(found.observations.occasion[seen])) == 1


@pytest.mark.parametrize(
    ("rows", "times", "checked", "order"),
    [
        # The rise of which only the day is noted, after the check; whatever else is, in file order.
        (["rose"], [""], "T09:00", ["check", "rose"]),
        (["rose"], ["T08:00"], "T09:00", ["rose", "check"]),
        (["rose"], ["T10:00"], "T09:00", ["check", "rose"]),
        (["rose"], [""], "", ["rose", "check"]),
        (["hovered"], [""], "T09:00", ["hovered", "check"]),
        (["hovered", "rose"], ["", ""], "T09:00", ["hovered", "check", "rose"]),
        (["rose", "hovered"], ["", ""], "T09:00", ["check", "rose", "hovered"]),
        (["rose", "hovered"], ["", "T10:00"], "", ["check", "hovered", "rose"]),
    ],
)
def test_a_rise_without_a_time_is_not_answered_by_the_check_of_that_day(rows, times, checked, order):
    day = "2026-05-01"
    made = [
        {"dive": f"{i}", "date": day + time, "lead_kg": 5.0, "stop_result": word, "bc_state": "empty"}
        for i, (word, time) in enumerate(zip(rows, times, strict=True))
    ]
    look = {"check": "1", "date": day + checked, "lead_kg": 6.0, "bar": "50", "waterline": "eye"}
    found = assessed(dives=made, checks=[look])
    seen = np.isin(found.statements.kind, ("stop", "waterline"))
    names = [*rows, "check"]
    rank = {
        names[row]: place for row, place in zip(found.statements.row[seen], found.order[seen], strict=True)
    }
    assert sorted(rank, key=rank.__getitem__) == order


@pytest.mark.parametrize(("word", "more"), [("effort", 0.35), ("no", 0.15)])
def test_a_hard_descent_is_a_hint_for_light(word, more):
    found = assessed(dives=[{"dive": "1", "lead_kg": 4.0, "start_bar": "200", "descent": word}])
    at = np.flatnonzero(found.statements.kind == "descent")
    light, _, heavy = found.statements.fit[at[0]]
    assert light > heavy == more
    assert (
        len(assessed(dives=[{"dive": "1", "lead_kg": 4.0, "descent": "easy"}])) == 1
    )  # the chosen lead alone


def test_an_unknown_pressure_widens_the_evidence():
    stop = {"dive": "1", "lead_kg": 5.0, "stop_result": "hovered", "bc_state": "empty"}
    known, started, unknown = (
        assessed(dives=[{**stop, **cells}]) for cells in ({"end_bar": "50"}, {"start_bar": "200"}, {})
    )
    sds = [e.observations.reading_sd[e.statements.kind == "stop"][0] for e in (known, started, unknown)]
    assert sds[0] < sds[1] < sds[2]
    # By hand: 35 bar of air in 11.1 L is about 0.46 kg, in lead 0.5 kg.
    assert_allclose(np.sqrt(sds[2] ** 2 - sds[0] ** 2), 0.5, atol=0.06)


def test_estimated_litres_take_off_what_they_lift():
    stop = {"dive": "1", "lead_kg": 8.0, "end_bar": "50", "stop_result": "hovered", "bc_state": "gas"}
    found = assessed(dives=[{**stop, "bc_gas_l": 2.0}])
    at = np.flatnonzero(found.statements.kind == "stop")[0]
    # 1 L of gas in the sea is worth 1.0254 / (1 - 1.0254 / 11.34) = 1.127 kg of lead (by hand).
    assert_allclose(found.observations.upper[at], 8.0 - 2 * 1.127, atol=0.01)
    assert found.observations.reading_sd[at] > 0.8 * 1.1
