"""Surface checks take kit and water from their dive, but not what belongs to a cell of their own."""

from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from leadline.arrays import Records, columns_from_rows, empty
from leadline.decide.assessment import Assessment
from leadline.evidence.gather import suit_keys
from leadline.model.population import prior_fit
from leadline.records import CHECKS, DIVERS, DIVES, GEAR
from leadline.timeline import resolve_checks, timeline

DIVE = {
    "dive": "7",
    "diver": "Ines",
    "date": "2026-05-01",
    "site": "Reef",
    "water": "salt",
    "salinity_gkg": 38.0,
    "altitude_m": 3.0,
    "suit": "membrane;vest",
    "undersuit": "warm",
    "cylinder": "steel 12;alu 6",
    "gas": "18/45;50",
}
GEAR_ROWS = [
    {"item": "membrane", "kind": "suit", "style": "dry_membrane"},
    {"item": "foam", "kind": "suit", "style": "dry_foam", "thickness_mm": 4},
    {"item": "vest", "kind": "suit", "style": "vest", "thickness_mm": 5},
    {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 5},
    {"item": "warm", "kind": "undersuit", "style": "thick"},
    {"item": "steel 12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12},
    {"item": "alu 6", "kind": "cylinder", "material": "aluminium", "water_capacity_l": 5.7},
]
CHECK = {"check": "1", "diver": "Ines", "dive": "7", "lead_kg": 6.0, "bar": "50", "waterline": "eye"}


def records(**named: object) -> Records:
    return Records(
        columns_from_rows(DIVERS, [{"diver": "Ines", "mass_kg": 64, "height_cm": 168, "sex": "f"}]),
        columns_from_rows(GEAR, GEAR_ROWS),
        columns_from_rows(DIVES, [DIVE]),
        columns_from_rows(CHECKS, [{**CHECK, **named}]),
    )


@pytest.mark.parametrize(
    ("named", "missing"),
    [
        ({}, set()),
        ({"water": "salt"}, set()),
        ({"water": "fresh"}, {"salinity_gkg", "altitude_m"}),
        ({"water": "fresh", "salinity_gkg": 0.3}, {"altitude_m"}),
        ({"site": "Harbour"}, {"salinity_gkg"}),
        ({"site": "Reef"}, set()),
        ({"cylinder": "steel 15"}, {"gas"}),
        ({"cylinder": "steel 12;steel 15"}, {"gas"}),
        ({"cylinder": "Steel 12; alu 6"}, set()),
        ({"suit": "full 5"}, {"undersuit"}),
        ({"suit": "foam"}, set()),
        ({"suit": "vest; membrane"}, set()),
    ],
)
def test_what_belongs_to_a_cell_goes_with_it(named: dict[str, object], missing: set[str]) -> None:
    found = resolve_checks(records(**named))
    for name in ("site", "water", "salinity_gkg", "altitude_m", "suit", "undersuit", "cylinder", "gas"):
        wanted = named.get(name, "" if name in missing else DIVE[name])
        value = found[name][0]
        assert value == wanted or (wanted == "" and value != value), name


@pytest.mark.parametrize(
    ("named", "gas"), [("steel 12", "18/45"), ("alu 6;steel 12", "50;18/45"), ("alu 6;alu 6", "50;50")]
)
def test_each_cylinder_keeps_its_gas(named: str, gas: str) -> None:
    """The back gas of a dive with a stage is the same without it; as air it weighs 0.4 kg more at reserve."""
    assert resolve_checks(records(cylinder=named))["gas"].tolist() == [gas]


def test_a_check_in_fresh_water_is_none_in_the_sea_of_its_dive() -> None:
    """Archimedes: about 100 L of diver and kit in water lighter by 2.9 % take some 3 kg less lead.

    With the dive's 38 g/kg the check read as one in the sea: 3 kg too little lead for the next dive there.
    """
    fresh, sea = (
        Assessment.of(records(**named), prior_fit()).evidence.observations.prior[0]
        for named in ({"water": "fresh"}, {"water": "salt"})
    )
    assert_allclose(sea - fresh, 3.0, atol=0.8)


def test_checks_without_a_dive_stay_as_they_are() -> None:
    alone = records(dive="", water="fresh")
    assert resolve_checks(alone)["suit"][0] == ""
    assert (
        len(resolve_checks(Records(*(empty(n) for n in ("divers", "gear", "dives", "checks"))))["check"]) == 0
    )


def test_undersuit_under_a_wet_suit_is_none() -> None:
    """It holds no gas there, and is no other outfit: proofs in the suit alone hold with it as well."""
    held = timeline(
        Records(
            columns_from_rows(DIVERS, [{"diver": "Ines"}]),
            columns_from_rows(GEAR, GEAR_ROWS_OF_TWO_SUITS),
            columns_from_rows(
                DIVES,
                [
                    {"dive": f"{i}", "diver": "Ines", "suit": suit, "undersuit": under}
                    for i, (suit, under) in enumerate(
                        [("wet", ""), ("wet", "warm"), ("dry", ""), ("dry", "warm"), ("", "warm")]
                    )
                ],
            ),
            empty("checks"),
        )
    )
    worn = (held.occasions.undersuit >= 0).any(axis=1)
    assert worn.tolist() == [False, False, False, True, False]
    key = suit_keys(held)
    assert key[0] == key[1]
    assert len(set(key.tolist())) == 4


GEAR_ROWS_OF_TWO_SUITS = [
    {"item": "wet", "kind": "suit", "style": "full", "thickness_mm": 5},
    {"item": "dry", "kind": "suit", "style": "dry_membrane"},
    {"item": "warm", "kind": "undersuit", "style": "thick"},
]
