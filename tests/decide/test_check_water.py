"""The water of a surface check against that of the diver's records, in numbers and in words."""

from __future__ import annotations

import re
from typing import Any

import pytest

from leadline.decide.advice import advise
from leadline.decide.check import CheckAnswer, check
from leadline.decide.check_look import Look
from leadline.decide.check_water import OtherWater
from leadline.model.population import prior_fit

from .club import assess, dives, learned, plan_row, records
from .test_check import DIVES, columns_from_rows, look, read


def lake(*, bar: str = "50", lead: float = 4.0, line: str = "eye", rows=None, **cells: Any) -> CheckAnswer:
    """A check of Ines, who dives in the sea."""
    plan = columns_from_rows(DIVES, [plan_row("Ines", start_bar=bar, **({"water": "fresh"} | cells))])
    held = records(dives=dives() if rows is None else rows)
    return check(held, learned(), plan, [Look(lead, bar, line)])


def moved(**cells: Any) -> list[dict]:
    return [row | cells if row["diver"] == "Ines" else row for row in dives()]


def test_the_lead_of_a_lake_is_named_with_it_and_with_what_the_sea_takes_more() -> None:
    """By the ledger's needs of both dives as `suggest` has them; by hand 2.5 % of some 90 kg."""
    there, here = advise(assess([plan_row("Ines"), plan_row("Ines", water="fresh")]))
    more = there.prior_mean_kg - here.prior_mean_kg
    assert 1.5 < more < 3.0
    found = lake()
    wear = f"{found.lead_kg:g} kg" if found.lead_kg else "no lead"
    assert found.instruction.startswith(f"The next dive in this kit in fresh water with {wear}, and note")
    (told,) = re.findall(
        r"Salt water takes about (\S+) kg more: ask again before a dive there\.", found.instruction
    )
    assert float(told) == pytest.approx(more, abs=0.06)
    assert found.other_water.more_kg == pytest.approx(more, abs=0.03)  # warmer gas


def test_a_look_to_be_made_again_names_the_water_of_the_dive_too() -> None:
    found = lake(lead=9.0, line="chin")
    assert found.again
    assert re.search(r"the dive in fresh water takes \S+ kg\. Salt water takes about", found.instruction)
    full = lake(bar="200", lead=3.0)
    assert re.search(r"(Dive|the dive) in fresh water", full.instruction)


def test_the_sea_goes_without_saying_unless_there_was_other_water() -> None:
    """By hand: fresh water asks for less lead, so that nothing is to be warned of."""
    assert lake(water="salt").other_water == OtherWater()
    assert "water" not in lake(water="salt").instruction.split("Look again")[0]
    found = lake(water="salt", rows=moved(water="fresh"))
    assert found.other_water == OtherWater("salt water")
    assert "in salt water" in found.instruction


@pytest.mark.parametrize(
    ("rows", "cells", "said"),
    [
        ({"water": "brackish"}, {"water": "brackish", "salinity_gkg": 20}, ("brackish water", "")),
        ({"water": "brackish"}, {"water": "fresh"}, ("fresh water", "Brackish water")),
        ({"water": "", "salinity_gkg": 36}, {"water": "fresh"}, ("fresh water", "Water of about 36 g/kg")),
        ({"water": "brackish", "salinity_gkg": 22}, {"water": "brackish", "salinity_gkg": 4},
         ("brackish water", "Water of about 22 g/kg")),
        # Another Sea of 38 g/kg is the sea: less than 0.5 kg.
        ({"water": "salt", "salinity_gkg": 38}, {"water": "salt"}, ("", "")),
        ({"water": ""}, {"water": "fresh"}, ("fresh water", "")),
        ({}, {"water": "", "salinity_gkg": 3}, ("water of about 3 g/kg", "Salt water")),
    ],
)  # fmt: skip
def test_waters_are_told_apart_by_salinity(rows, cells, said) -> None:
    found = lake(rows=moved(**rows), **cells)
    here, denser = said
    assert found.other_water.here == here
    assert (f"in {here}" in found.instruction) or not here
    assert ("takes about" in found.instruction) is bool(denser)
    assert denser in found.instruction


def test_whoever_has_no_records_reads_of_the_lake_and_of_no_sea() -> None:
    assert read(look()).other_water == OtherWater()
    found = read(look(), water="fresh", salinity_gkg="0.2")
    assert found.other_water == OtherWater("fresh water")
    assert "in fresh water" in found.instruction
    assert read(look(), water="", salinity_gkg="").other_water == OtherWater()


def test_pounds_in_the_words_of_other_water() -> None:
    plan = columns_from_rows(DIVES, [plan_row("Ines", start_bar="50", water="fresh")])
    found = check(records(), prior_fit(), plan, [Look(4.0, "50", "eye")], imperial=True)
    assert " kg" not in found.instruction
    (told,) = re.findall(r"Salt water takes about (\S+) lb more", found.instruction)
    assert float(told) * 0.45359237 == pytest.approx(found.other_water.more_kg, abs=0.03)
