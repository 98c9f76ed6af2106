"""What stands beside an answer: kit taken over, a dive that ends late, records newer than the fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from leadline.decide.advice import advise
from leadline.decide.answering import late_leads, lateness, newer_than_fit, taken_over
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block, BlockSet
from leadline.decide.block_sentence import late_short
from leadline.decide.roster_scope import roster_plan
from leadline.decide.season_card import card_cells
from leadline.errors import RecordError
from leadline.model.population import prior_fit
from leadline.timeline import PLAN

from .club import assess, checks, dives, plan_row, records


def in_dry_suit(**changed):
    kit = {"dive": "dry", "date": "2026-04-01", "suit": "membrane", "undersuit": "warm", "cylinder": "alu 11"}
    return plan_row("Ines", lead_kg=9, end_bar=60, stop_result="hovered", bc_state="gas") | kit | changed


def test_everything_comes_from_the_last_dive() -> None:
    taken = taken_over(records(), {"diver": "Ines", "date": "2026-05-20"})
    assert (taken.source, taken.date) == ("In-8", "2026-05-08")
    expected = {"suit": "full 5", "bc": "jacket", "cylinder": "steel 12", "gas": "air", "water": "salt"}
    assert taken.taken == expected
    assert taken.cells == expected | {"diver": "Ines", "date": "2026-05-20"}


def test_a_dive_of_which_no_kit_was_noted_takes_none_away() -> None:
    bare = {"dive": "bare", "diver": "Ines", "date": "2026-05-15", "lead_kg": 7, "stop_result": "hovered"}
    taken = taken_over(records(dives=[*dives(), bare]), {"diver": "Ines"})
    assert taken.source == "In-8"
    assert taken.cells["suit"] == "full 5"


def test_last_dive_in_that_suit_comes_before_the_last_dive() -> None:
    held = records(dives=[*dives(), in_dry_suit()])
    taken = taken_over(held, {"diver": "Ines", "suit": "membrane"})
    assert taken.source == "dry"
    assert taken.cells["undersuit"] == "warm"
    assert taken.cells["cylinder"] == "alu 11"


def test_undersuit_stays_with_its_dry_suit() -> None:
    held = records(dives=[in_dry_suit()])
    assert "undersuit" not in taken_over(held, {"diver": "Ines", "suit": "full 5"}).cells


def test_what_was_named_is_kept_and_a_dash_says_none() -> None:
    given = {"diver": "Ines", "bc": "-", "water": "fresh", "cylinder": "alu 11"}
    held = records(dives=[row | {"altitude_m": 1200, "gas": "32"} for row in dives()])
    taken = taken_over(held, given)
    assert taken.cells["bc"] == ""
    assert taken.cells["water"] == "fresh"
    assert "altitude_m" not in taken.cells  # it went with the other water
    assert "gas" not in taken.cells  # it was in the other cylinder
    assert taken_over(held, {"diver": "Ines", "altitude_ft": "10"}).taken.get("altitude_m") is None


def test_the_same_water_and_the_same_cylinder_named_again_keep_what_belongs_to_them() -> None:
    """A lake 1200 m up is that high when its word is named, and trimix does not become air."""
    cells = {"altitude_m": 1200, "cylinder": "steel 12;alu 11", "gas": "18/45;50", "end_bar": "50;-"}
    held = records(dives=[row | cells for row in dives()])
    water = taken_over(held, {"diver": "Ines", "water": held.dives["water"][0]})
    assert water.taken["altitude_m"] == "1200"
    both = taken_over(held, {"diver": "Ines", "cylinder": "Steel 12; alu 11"})
    assert (both.taken["gas"], both.taken["stop_bar"]) == ("18/45;50", "35;-")
    one = taken_over(held, {"diver": "Ines", "cylinder": "steel 12"})
    assert one.taken["gas"] == "18/45"
    assert "stop_bar" not in one.taken
    assert "gas" not in taken_over(held, {"diver": "Ines", "cylinder": "steel 12;steel 10"}).taken


def test_how_salt_the_water_was_goes_with_the_water_of_that_place() -> None:
    """From 'brackish' alone need is not known to a kilogram; a dive at 20 g/kg is like the one before."""
    held = records(dives=[row | {"water": "brackish", "salinity_gkg": 20, "site": "Weir"} for row in dives()])
    assert taken_over(held, {"diver": "Ines"}).taken["salinity_gkg"] == "20"
    assert taken_over(held, {"diver": "Ines", "site": "Weir"}).taken["salinity_gkg"] == "20"
    assert "salinity_gkg" not in taken_over(held, {"diver": "Ines", "site": "Quay"}).cells
    assert "salinity_gkg" not in taken_over(held, {"diver": "Ines", "water": "salt"}).cells
    assert taken_over(held, {"diver": "Ines", "salinity_gkg": "7"}).cells["salinity_gkg"] == "7"
    rows = card_cells(held, "Ines", date="2026-06-01")
    assert [row.get("salinity_gkg") for row in rows if row.get("water") == "brackish"][:1] == ["20"]
    assert not any("salinity_gkg" in row for row in rows if row.get("water") != "brackish")
    assert roster_plan(held, date="2026-06-01")["salinity_gkg"].tolist() == [20.0] * 5


def test_stage_left_before_the_stop_is_left_again() -> None:
    row = plan_row("Uma", cylinder="steel 12;stage 7", gas="air;50", end_bar="60;-", date="2026-05-01")
    held = records(dives=[row])
    assert taken_over(held, {"diver": "Uma"}).cells["stop_bar"] == "35;-"
    assert "stop_bar" not in taken_over(held, {"diver": "Uma", "end_bar": "50;20"}).cells
    assert "stop_bar" not in taken_over(held, {"diver": "Uma", "cylinder": "steel 12"}).cells


def test_a_check_before_the_dive_takes_no_stage_back_on() -> None:
    """At the surface all cylinders hang there; which of them reach the stop is as it was on the last dive."""
    both = {"cylinder": "steel 12;stage 7", "gas": "air;50"}
    row = plan_row("Uma", end_bar="60;-", date="2026-05-01", **both)
    looked = {"check": "now", "diver": "Uma", "suit": "full 5", "date": "2026-06-01T09:00", **both}
    held = records(dives=[row], checks=[looked])
    found = taken_over(held, {"diver": "Uma"})
    assert (found.word, found.cells["stop_bar"]) == ("check", "35;-")
    # Another dive since, with one cylinder alone, says nothing of the two.
    later = plan_row("Uma", cylinder="steel 12", end_bar="50", date="2026-05-02")
    assert (
        taken_over(records(dives=[row, later], checks=[looked]), {"diver": "Uma"}).cells["stop_bar"] == "35;-"
    )
    assert "stop_bar" not in taken_over(records(dives=[later], checks=[looked]), {"diver": "Uma"}).cells


def test_a_dive_with_its_day_alone_is_later_than_the_checks_of_that_day() -> None:
    looked = {
        "check": "now",
        "diver": "Uma",
        "suit": "full 5",
        "cylinder": "alu 11",
        "date": "2026-06-01T09:00",
    }

    def source(date: str) -> str:
        dived = plan_row("Uma", cylinder="steel 12", lead_kg=6, date=date)
        return taken_over(records(dives=[dived], checks=[looked]), {"diver": "Uma"}).cells["cylinder"]

    assert [source(f"2026-06-01{time}") for time in ("", "T08:00", "T10:00")] == [
        "steel 12",
        "alu 11",
        "steel 12",
    ]
    assert source("2026-05-31") == "alu 11"


def test_a_dive_with_its_day_alone_is_later_than_the_timed_ones_of_that_day() -> None:
    """`log` keeps the day: after a dive with a time all others of that day would be passed over."""
    morning = plan_row("Uma", dive="1", cylinder="steel 12", date="2026-06-01T09:00")
    later = plan_row("Uma", dive="2", cylinder="alu 11", date="2026-06-01")
    assert taken_over(records(dives=[morning, later]), {"diver": "Uma"}).source == "2"
    evening = plan_row("Uma", dive="3", cylinder="alu 11", date="2026-06-02T19:00")
    assert taken_over(records(dives=[morning, later, evening]), {"diver": "Uma"}).source == "3"


def test_a_dive_on_which_nothing_was_carried_leaves_nothing_behind() -> None:
    """Books may hold such a row from before it was set aside: it fails no answer and no report."""
    for cells in ({"end_bar": "-"}, {"cylinder": "steel 12;stage 7", "gas": "air;50", "end_bar": "-;-"}):
        held = records(dives=[plan_row("Uma", date="2026-05-01", lead_kg=6, **cells)])
        assert "stop_bar" not in taken_over(held, {"diver": "Uma"}).cells
        plan = roster_plan(held, date="2026-06-01")
        assert plan["stop_bar"].tolist() == [""]
        assert advise(Assessment.of(held, prior_fit(), plan=plan))[0].need_at_bar == 35


def test_nobody_dives_in_a_guess() -> None:
    with pytest.raises(RecordError, match="no dive of Uma in the book to take a suit from; give --suit"):
        taken_over(records(), {"diver": "Uma"})
    assert taken_over(records(), {"diver": "Uma", "suit": "-"}).cells["suit"] == ""


@pytest.mark.parametrize(("planned", "late"), [(50, 35), (35, 20), (20, 10), (24, 10)])
def test_late_end_costs_the_gas_breathed(planned, late) -> None:
    """Independent: an ideal gas of 1.205 g/L at 1 atm and 20 °C (dry air, standard handbooks, from memory);
    a kilogram of lead weighs 0.91 kg in the sea."""
    assessment = assess([plan_row("Ines", stop_bar=planned)])
    found = lateness(assessment, int(assessment.line.at(PLAN)[0]))
    assert found.bar == late
    assert found.more_kg == pytest.approx(12 * (planned - late) * 1.205e-3 / 0.91, rel=0.06)


@pytest.mark.parametrize("planned", [10, 6])
def test_no_word_of_a_pressure_below_ten(planned) -> None:
    assessment = assess([plan_row("Ines", stop_bar=planned)])
    assert np.isnan(lateness(assessment, int(assessment.line.at(PLAN)[0])).bar)


def test_records_newer_than_the_fit_are_counted_for_that_diver() -> None:
    assert newer_than_fit(assess(), "Ines") == (0, 0)
    new = assess(checks=checks())
    assert newer_than_fit(new, "Ines") == (0, 1)
    assert newer_than_fit(new, "Ivo") == (0, 0)
    assert newer_than_fit(assess(dives=dives()), "Ivo") == (8, 0)


LATER = {"check": "later", "diver": "Ines", "suit": "membrane", "undersuit": "warm", "cylinder": "alu 11"}


@pytest.mark.parametrize(
    ("changed", "given", "source"),
    [
        ({"date": "2026-05-20T09:00"}, {}, "later"),
        ({"date": "2026-05-20T09:00"}, {"suit": "full 5"}, "In-8"),  # a dive in that suit counts for more
        ({"date": "2026-05-20T09:00"}, {"suit": "vest"}, "later"),
        ({"date": "2026-05-07"}, {}, "In-8"),  # earlier than the last dive
        ({"date": ""}, {}, "In-8"),
        ({"date": "2026-05-20", "cylinder": ""}, {}, "In-8"),  # half a kit is none
        ({"date": "2026-05-20", "diver": "Ivo"}, {}, "In-8"),
    ],
)
def test_kit_of_a_later_check_is_taken_over_too(changed, given, source) -> None:
    held = records(checks=[*checks(), LATER | changed])
    taken = taken_over(held, {"diver": "Ines", **given})
    assert taken.source == source
    assert taken.word == ("check" if source == "later" else "dive")
    if source == "later":
        assert taken.cells["cylinder"] == "alu 11"
        assert taken.cells.get("undersuit") == (None if given else "warm")


def test_who_has_only_been_checked_has_kit() -> None:
    held = records(checks=[{**LATER, "diver": "Zed", "water": "fresh", "date": "2026-05-20"}])
    taken = taken_over(held, {"diver": "Zed"})
    assert taken.cells == {
        "suit": "membrane",
        "undersuit": "warm",
        "cylinder": "alu 11",
        "water": "fresh",
        "diver": "Zed",
    }


@pytest.mark.parametrize(
    ("noted", "named", "expected"),
    [
        (3.0, {}, "3"),
        (5.0, {}, None),
        (9.0, {}, None),  # less lead would do there, if that is where it is
        (3.0, {"stop_depth_m": "4"}, "4"),
        (3.0, {"stop_depth_ft": "15"}, None),
        (3.0, {"max_depth_m": "12"}, "3"),
        (3.0, {"max_depth_m": "2.5"}, None),
        (3.0, {"max_depth_ft": "8"}, None),
        (3.0, {"max_depth_ft": "30"}, "3"),
    ],
)
def test_a_shallow_stop_is_taken_over(noted: float, named: dict[str, str], expected: str | None) -> None:
    held = records(dives=[row | {"stop_depth_m": noted} for row in dives()])
    cells = taken_over(held, {"diver": "Ines", **named}).cells
    assert cells.get("stop_depth_m") == expected


def test_a_check_later_than_the_last_dive_does_not_lose_its_shallow_stop() -> None:
    looked = {
        "check": "late",
        "diver": "Ines",
        "date": "2026-05-18",
        "suit": "full 5",
        "cylinder": "steel 12",
    }
    held = records(dives=[row | {"stop_depth_m": 3.0} for row in dives()], checks=[*checks(), looked])
    taken = taken_over(held, {"diver": "Ines"})
    assert taken.word == "check"
    assert taken.cells["stop_depth_m"] == "3"


def test_lead_of_a_late_end_is_made_of_the_blocks_or_said_to_be_lacking() -> None:
    """By hand: 1 + 2 + 2 kg make 5 kg; of 1 and 2 kg any number makes 6."""
    few = BlockSet(1.0, stock=((1.0, 1), (2.0, 2)))
    assert late_leads(Block(1.0), 5.3, 5.0) == (6.0, pytest.approx(np.nan, nan_ok=True))
    assert late_leads(few, 4.4, 4.0) == (5.0, pytest.approx(np.nan, nan_ok=True))
    assert late_leads(few, 5.3, 5.0) == (pytest.approx(np.nan, nan_ok=True), 6.0)
    assert late_leads(replace(few, more=True), 5.3, 5.0) == (6.0, 6.0)  # to be borrowed
    assert late_leads(few, np.nan, 5.0) == pytest.approx((np.nan, np.nan), nan_ok=True)
    assert late_short(few, np.nan, 5.0) == ()
    assert len(late_short(few, 6.0, 5.0)) == 1
    assert late_short(replace(few, more=True), 8.0, 6.0) == ()  # too few as planned, which is said
