"""Words for what is worn, and for what tells one row of a plan from another."""

from __future__ import annotations

import pytest

from leadline.arrays import columns_from_rows
from leadline.decide.label import row_labels, water_label
from leadline.records import DIVES

MORNING = {"diver": "Ines", "dive": "", "date": "2026-05-20T09:30", "water": "salt", "suit": "full 5"}


@pytest.mark.parametrize(
    ("changes", "labels"),
    [
        ([{"dive": "a"}], [""]),
        ([{"dive": "a"}, {"dive": "a", "diver": "Ivo"}], ["", ""]),
        ([{"dive": "a"}, {"dive": "b", "water": "fresh"}], ["a", "b"]),
        ([{}, {"date": "2026-05-20T14:00"}], ["2026-05-20 09:30", "2026-05-20 14:00"]),
        ([{"date": "2026-05-20"}, {"date": "2026-05-21"}], ["2026-05-20", "2026-05-21"]),
        ([{"date": ""}, {"date": "", "water": "fresh"}], ["salt water", "fresh water"]),
        (
            [{"date": "", "dive": "a"}, {"date": "", "dive": "a", "suit": "dry"}],
            ["a, salt water, full 5", "a, salt water, dry"],
        ),
        (
            [{"date": "", "suit": ""}, {"date": "", "suit": ""}],
            ["salt water, row 1", "salt water, row 2"],
        ),
    ],
)
def test_rows_of_a_diver_are_told_apart_by_as_little_as_does(changes, labels) -> None:
    plan = columns_from_rows(DIVES, [MORNING | change for change in changes])
    assert row_labels(plan) == labels


@pytest.mark.parametrize(
    ("noted", "metric", "imperial"),
    [
        ({}, "salt water", "salt water"),
        ({"stop_depth_m": "5"}, "salt water", "salt water"),
        ({"stop_depth_m": "4.572"}, "salt water", "salt water"),
        ({"stop_depth_m": "3"}, "salt water, stop at 3 m", "salt water, stop at 10 ft"),
        (
            {"stop_depth_m": "3.048", "water_temp_c": "15.5556", "altitude_m": "1554.48"},
            "salt water, 15.6 °C, 1554 m up, stop at 3 m",
            "salt water, 60 °F, 5100 ft up, stop at 10 ft",
        ),
        (
            {"altitude_m": "1560", "stop_depth_m": "4", "water_temp_c": "8"},
            "salt water, 8 °C, 1560 m up, stop at 4 m",
            "salt water, 46 °F, 5118 ft up, stop at 13 ft",
        ),
    ],
)
def test_what_moves_need_at_the_site_is_named(noted, metric, imperial) -> None:
    plan = columns_from_rows(DIVES, [MORNING | noted])
    assert water_label(plan, 0) == metric
    assert water_label(plan, 0, imperial=True) == imperial
