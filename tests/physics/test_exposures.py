"""Exposures: the right column moves with the right kit, measured pieces keep out, totals are honest."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.physics import suit
from leadline.physics.exposure import CATALOGUE
from leadline.physics.ledger import State, emerged_head, evaluate, exposures, prior_sd

from .kitbag import rigs

STOP = State(5.0, 35.0)


def doubts(*rows, state=STOP, **more):
    return exposures(rigs(*rows, **more), state)


def test_names_labels_and_shapes():
    found = doubts({}, {"suit": "membrane", "undersuit": "thick", "cylinder": "s12;s12 b"})
    assert found.names[: len(CATALOGUE)] == tuple(CATALOGUE)
    assert set(found.names[len(CATALOGUE) :]) == {
        "type:five", "type:membrane", "type:thick", "type:jacket", "type:boots", "type:steel 12"
    }  # fmt: skip
    assert len(found.labels) == len(found.names)
    assert found.values.shape == (2, len(found.names))
    for sd in (found.body_sd, found.suit_sd, found.rest_sd):
        assert sd.shape == (2,)
        assert np.all(sd > 0)


def test_catalogue_is_pinned():
    """Kind: pinned. Names are kept in fits; renaming one makes old fits unreadable."""
    assert tuple(CATALOGUE) == (
        "constant", "female", "male", "junior", "body_unknown", "lungs", "foam", "foam_compression",
        "foam_age", "dry_gas", "bc_jacket", "bc_wing", "cylinder_aluminium", "cylinder_steel", "hood",
        "gloves", "boots", "unlisted", "water_fresh", "water_brackish", "water_salt", "inexperience",
        "head_out",
    )  # fmt: skip


def test_each_doubt_needs_its_cause():
    rows = {
        "female": {"diver": "Bea"},
        "male": {"diver": "Aldo"},
        "junior": {"diver": "Dot"},
        "body_unknown": {"diver": "Nobody"},
        "dry_gas": {"suit": "membrane", "undersuit": "thin"},
        "bc_wing": {"bc": "wing"},
        "cylinder_aluminium": {"cylinder": "a11"},
        "hood": {"other": "hood"},
        "gloves": {"other": "gloves"},
        "water_fresh": {"water": "fresh", "salinity_gkg": None},
        "water_brackish": {"water": "brackish", "salinity_gkg": None},
        "water_salt": {"salinity_gkg": None},
        "inexperience": {"diver": "Dot"},
    }
    found = doubts(*rows.values())
    for i, name in enumerate(rows):
        assert found.column(name)[i] > 0, name
    bare = doubts({"diver": "Nobody", "suit": "", "cylinder": "", "bc": "wing", "other": "", "water": ""})
    silent = {
        "female",
        "male",
        "junior",
        "foam",
        "foam_age",
        "foam_compression",
        "dry_gas",
        "bc_jacket",
        "hood",
    }
    silent |= {"gloves", "boots", "cylinder_aluminium", "cylinder_steel", "head_out"}
    silent |= {"water_fresh", "water_brackish", "water_salt"}
    for name in silent:
        assert bare.column(name)[0] == 0, name


@pytest.mark.parametrize(
    ("name", "row", "low", "high"),
    [
        ("constant", {}, 0.35, 0.55),  # published body equations err by 0.3 to 0.9 kg on average
        ("foam", {}, 0.3, 0.5),  # 12 % of some 3.5 kg of lead
        ("dry_gas", {"suit": "membrane", "undersuit": "thick"}, 1.5, 2.1),  # 18 % of 9 L
        ("water_brackish", {"water": "brackish", "salinity_gkg": None}, 0.2, 0.5),
        ("water_fresh", {"water": "fresh", "salinity_gkg": None}, 0.0, 0.05),
        ("inexperience", {"diver": "Dot"}, 0.25, 0.42),  # 0.4 kg exp(-4/25)
    ],
)
def test_size_of_a_doubt(name, row, low, high):
    """Kind: common practice, no source, but for the body equations."""
    assert low <= doubts(row).column(name)[0] <= high


@pytest.mark.parametrize("mass", [22, 30, 39])
def test_a_child_by_the_mass_alone_is_as_wide_as_one_of_known_age(mass):
    """The needs of an adult as light, and of a child of any year, lie within one sd of the one reckoned."""
    years = [None, 2018, 2016, 2014, 2012, 2010, 1995]
    people = [{"diver": str(year), "mass_kg": mass, "birth_year": year} for year in years]
    rig = rigs(*[{"diver": row["diver"], "date": "2026-05-01"} for row in people], divers=people)
    sd, need = prior_sd(exposures(rig, STOP)), evaluate(rig, STOP).need
    assert np.all(sd[0] > sd[1:-1] - 0.03)
    assert sd[0] > sd[-1] + 0.3
    assert np.abs(need - need[0]).max() < sd[0]


def test_salinity_column_is_the_derivative():
    """One sd more salt must move the need by the column, the ledger evaluated anew.

    The column leaves out that denser water presses the foam a little more, 1 % of it.
    """
    word = doubts({"salinity_gkg": None})
    needs = evaluate(rigs({"salinity_gkg": 35.0}, {"salinity_gkg": 35.8}), STOP).need
    assert word.column("water_salt")[0] == pytest.approx(needs[1] - needs[0], rel=0.02)


def test_foam_compression_column_is_the_derivative(monkeypatch):
    rig = rigs({"other": "boots;hood"})
    column = exposures(rig, State(15.0, 35.0)).column("foam_compression")[0]
    before = evaluate(rig, State(15.0, 35.0)).need[0]
    mean, sd = suit.STIFFNESS
    monkeypatch.setattr(suit, "STIFFNESS", (mean + sd, sd))
    assert evaluate(rig, State(15.0, 35.0)).need[0] - before == pytest.approx(column, rel=1e-9)
    assert exposures(rig, State(0.0, 35.0)).column("foam_compression")[0] == pytest.approx(0.0, abs=1e-9)


def test_foam_counts_for_more_at_the_surface():
    rig = rigs({})
    surface, stop = exposures(rig, State(0.0, 35.0)), exposures(rig, STOP)
    for name in ("foam", "foam_age", "boots", "type:five"):
        assert surface.column(name)[0] > 1.1 * stop.column(name)[0]
    assert surface.suit_sd[0] > stop.suit_sd[0]


def test_measured_pieces_keep_out_of_the_catalogue():
    own = [
        {
            "item": "w",
            "kind": "bc",
            "style": "wing",
            "mass_kg": 3,
            "buoyancy_kg": -0.4,
            "buoyancy_sd_kg": 0.07,
        },
        {"item": "h", "kind": "hood", "buoyancy_kg": 0.5, "buoyancy_sd_kg": 0.05},
    ]
    row = {"suit": "weighed five", "cylinder": "weighed steel", "bc": "w", "other": "h;regs"}
    found = doubts(row, gear=own)
    for name in ("foam", "foam_age", "bc_jacket", "bc_wing", "cylinder_steel", "hood"):
        assert found.column(name)[0] == 0, name
    assert found.column("foam_compression")[0] > 0.05
    factor = evaluate(rigs(row, gear=own), STOP).lead_factor[0]
    for name, sd in (
        ("weighed five", 0.2),
        ("weighed steel", 0.05),
        ("w", 0.07),
        ("h", 0.05),
        ("regs", 0.05),
    ):
        assert found.column(f"type:{name}")[0] * factor == pytest.approx(sd), name
    dry = doubts({"suit": "weighed membrane", "undersuit": "medium"})
    assert dry.column("type:weighed membrane")[0] == pytest.approx(0.1 / factor, rel=1e-3)


def test_measuring_narrows():
    guess, weighed = (
        doubts({}),
        doubts({"suit": "weighed five", "cylinder": "weighed steel", "other": "boots;regs"}),
    )
    assert prior_sd(weighed)[0] < prior_sd(guess)[0]
    fat = [
        {"diver": "F", "mass_kg": 80, "height_cm": 180, "sex": "m", "birth_year": 1985.5, "body_fat_pct": 20}
    ]
    assert doubts({"diver": "F"}, divers=fat).body_sd[0] < guess.body_sd[0]


def test_two_cylinders_of_one_type_err_together():
    pair = doubts({"cylinder": "s12;s12 b"}).column("type:steel 12")
    single = doubts({"cylinder": "s12"}).column("type:steel 12")
    assert_allclose(pair, 2 * single)
    state = State(5.0, 35.0, carried=np.array([[True, False]]))
    assert_allclose(doubts({"cylinder": "s12;s12 b"}, state=state).column("type:steel 12"), single)


def test_doubt_about_a_further_regulator_is_in_the_total():
    """Kind: arithmetic: 0.447 kg under water are 0.491 kg of lead; of measured ones nothing is left open."""
    left = np.array([[True, False]])
    for other, sd in (("boots", 0.491), ("boots;regs", 0.0)):
        row = {"cylinder": "s12;weighed steel", "other": other}
        both, one = doubts(row), doubts(row, state=State(5.0, 35.0, carried=left))
        # What the gauges leave open is 0.005 kg of lead a litre, 12 or 24 of them.
        gauge = (24**2 - 12**2) * (4.0 * 1.2e-3 / 0.9096) ** 2
        assert both.rest_sd[0] ** 2 - one.rest_sd[0] ** 2 == pytest.approx(sd**2 + gauge, abs=0.005)


def test_head_out_counts_only_at_the_surface():
    rig = rigs({})
    head, _ = emerged_head(rig, "eye")
    column = exposures(rig, State(0.0, 35.0, head_out=head)).column("head_out")
    # 0.3 L in 1.7 L: a larger head above water needs less lead.
    assert column[0] == pytest.approx(-0.34, abs=0.02)


@pytest.mark.parametrize(
    ("row", "low", "high"),
    [
        ({}, 1.3, 1.8),  # wetsuit, mass, height, age and sex known: a Monte Carlo over the parts gave 1.4
        ({"diver": "Bea", "suit": "three", "cylinder": "a11"}, 1.2, 1.6),
        ({"suit": "membrane", "undersuit": "thick"}, 2.6, 3.4),  # the same: 2.9
        ({"diver": "Nobody"}, 1.8, 2.8),
        ({"diver": "Dot", "suit": "three"}, 1.6, 2.6),
        ({"water": "", "salinity_gkg": None, "water_temp_c": None}, 1.8, 2.8),
    ],
)
def test_total_is_honest(row, low, high):
    """Kind: independent for the two Monte Carlo values, else common practice."""
    assert low <= prior_sd(doubts(row))[0] <= high


def test_total_is_the_root_of_the_sum_of_squares():
    found = doubts({}, {"suit": "membrane"})
    by_hand = [
        sum(v**2 for v in found.values[i])
        + found.body_sd[i] ** 2
        + found.suit_sd[i] ** 2
        + found.rest_sd[i] ** 2
        for i in (0, 1)
    ]
    assert_allclose(prior_sd(found), np.sqrt(by_hand))


def test_suit_sd_by_kind_of_suit():
    found = doubts(
        {"suit": ""}, {"suit": "vest"}, {}, {"suit": "membrane", "undersuit": "thin"},
        {"suit": "membrane", "undersuit": "thick"}, {"suit": "membrane"},
    )  # fmt: skip
    bare, vest, five, thin, thick, unknown = found.suit_sd
    assert bare < vest < five < thin < thick < unknown
    assert_allclose([bare, vest], [0.11, 0.22], atol=0.03)
    assert 1.4 < thin < thick < 2.6


def test_rows_do_not_depend_on_their_company():
    rows = ({}, {"suit": "membrane", "undersuit": "thick", "cylinder": "s12;stage", "other": "regs"})
    together = doubts(*rows)
    for i, row in enumerate(rows):
        alone = doubts(row)
        for name in alone.names:
            assert alone.column(name)[0] == pytest.approx(together.column(name)[i], abs=1e-12), name
        assert prior_sd(alone)[0] == pytest.approx(prior_sd(together)[i])


def test_ledger_at_hand_changes_nothing():
    rig = rigs({}, {"suit": "crushed"})
    assert_allclose(exposures(rig, STOP, ledger=evaluate(rig, STOP)).values, exposures(rig, STOP).values)


def test_take_slices_rows_and_keeps_types():
    rig = rigs({}, {"suit": "membrane", "undersuit": "thick"}, {"cylinder": "a11"})
    whole, part = exposures(rig, STOP), exposures(rig.take(np.array([2, 0])), STOP)
    assert part.names == whole.names
    assert_allclose(part.values, whole.values[[2, 0]], atol=1e-12)
    assert_allclose(part.rest_sd, whole.rest_sd[[2, 0]])


def test_foam_matches_a_draw_from_its_parts():
    """The stated mean and sd of foam against a simulation of the suit itself. Kind: independent.

    Stretch, density and coverage drawn one by one; the lift's spread must be
    what the columns and `suit_sd` claim together.
    """
    rng = np.random.default_rng(7)
    n = 40_000
    found = doubts({"other": ""})
    lift = evaluate(rigs({"other": ""}), STOP).net_buoyancy("suit")[0]
    claimed = np.sqrt(sum(found.column(c)[0] ** 2 for c in ("foam", "type:five")) + found.suit_sd[0] ** 2)
    # Assumed: 0.85 ± 0.12 of the nominal thickness, 0.25 ± 0.03 kg/L, coverage 0.80 ± 0.04.
    pressure = 1.01325 + 1.0252 * 9.80665 * 5 / 100
    thickness = 5 * rng.normal(0.85, 0.12, n)
    density = rng.normal(0.25, 0.03, n)
    coverage = rng.normal(0.80, 0.04, n)
    gas = 1 - density / 1.25
    drawn = (
        2.0 * coverage * thickness * (1.0252 * (1 - gas + gas * (0.05 + 0.95 * 1.01325 / pressure)) - density)
    )
    assert lift == pytest.approx(drawn.mean(), rel=0.1)
    assert claimed * 0.91 == pytest.approx(drawn.std(), rel=0.25)
