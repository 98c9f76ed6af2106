"""The order of a season page: a dive of which only the day is noted knows of the looks of that day."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.decide import seasons as together
from leadline.decide.ahead import foresee
from leadline.decide.assessment import Assessment
from leadline.decide.season import season
from leadline.decide.season_order import in_order
from leadline.timeline import CHECK, DIVE

from .club import assess, learned, plan_row, records

DAY = "2026-04-08"
KIT = {key: plan_row("Una")[key] for key in ("suit", "bc", "cylinder", "gas", "water")}
UNA = {"diver": "Una", "mass_kg": 70, "height_cm": 170, "birth_year": 1990, "sex": "f", "dives_before": 60}
GEAR = [
    {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 3},
    {"item": "thick", "kind": "suit", "style": "full", "thickness_mm": 7},
    {"item": "jacket", "kind": "bc", "style": "wing", "mass_kg": 3, "lift_l": 16},
    {"item": "steel 12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12, "mass_kg": 14},
]


def dive(name, date, **more):
    row = {
        "dive": name,
        "diver": "Una",
        "date": date,
        "start_bar": 210,
        "end_bar": 50,
        "stop_result": "hovered",
    }
    return KIT | row | more


def before():
    return [
        dive("1", "2026-04-01", lead_kg=7, bc_state="gas"),
        dive("2", "2026-04-03", suit="thick", lead_kg=11, bc_state="gas"),
    ]


def stop(time="", name="3", **more):
    seen = {"start_bar": 205, "end_bar": 40, "lead_kg": 10.5, "bc_state": "empty"}
    return dive(name, DAY + time, suit="thick", **seen | more)


def look(time, **more):
    row = {
        "check": f"k{time}",
        "diver": "Una",
        "date": DAY + time,
        "lead_kg": 7,
        "bar": 205,
        "waterline": "eye",
    }
    return KIT | {"suit": "thick"} | row | more


def held(dives, looks):
    return records(divers=[UNA], gear=GEAR, dives=before() + dives, checks=looks)


def alone(dives, looks):
    """The page of one diver; the rows of these dives, with the dives in order."""
    return season(Assessment.of(held(dives, looks), learned()), "Una").dives


def of_many(dives, looks, monkeypatch):
    """The same along with others, each need found ahead of being asked for."""
    monkeypatch.setattr(together, "foresee", lambda *a, **k: foresee(*a, **k | {"many": 1}))
    asked = held(dives, looks)
    made = together.seasons(
        asked, lambda plan: Assessment.of(asked, learned(), plan=plan), ["Una"], date="2026-05-20"
    )
    return next(iter(made)).dives


def same(found, expected, row=-1, *, atol=0.005):
    for name in ("need", "margin", "p_too_light", "p_too_heavy"):
        assert_allclose(getattr(found, name)[row], getattr(expected, name)[row], atol=atol)
    assert found.evidence[row] == expected.evidence[row]


@pytest.mark.parametrize("checked", ["T09:00", "T16:00", ""])
def test_a_dive_without_a_time_is_as_one_after_the_check(monkeypatch, checked) -> None:
    """Independent: the same dive with a time after the check."""
    looks = [look(checked)]
    timed = alone([stop("T18:00")], looks)
    assert timed.evidence[-1] != "doubted"
    unaware = alone([stop("")], [])
    assert abs(unaware.need[-1, 2] - timed.need[-1, 2]) > 0.3  # the look tells much
    same(alone([stop()], looks), timed)
    same(of_many([stop()], looks, monkeypatch), of_many([stop("T18:00")], looks, monkeypatch))
    same(of_many([stop()], looks, monkeypatch), timed, atol=0.05)


def test_a_dive_with_a_time_before_the_check_does_not_know_it() -> None:
    """Independent: the page before anybody looked, and the same dives with a time."""
    looks = [look("T09:00")]
    found = alone([stop(name="late"), stop("T08:00", name="early")], looks)
    assert found.dive.tolist() == ["1", "2", "early", "late"]
    same(found, alone([stop("T08:00", name="early")], []), row=2)
    same(found, alone([stop("T18:00", name="late"), stop("T08:00", name="early")], looks))


def test_dives_of_one_day_keep_the_order_of_the_file() -> None:
    """Independent: the same dives, each with a time after the check."""
    looks = [look("T09:00")]
    found = alone([stop(name="b"), stop(name="a", lead_kg=10)], looks)
    timed = alone([stop("T10:00", name="b"), stop("T12:00", name="a", lead_kg=10)], looks)
    assert found.dive.tolist() == timed.dive.tolist() == ["1", "2", "b", "a"]
    for row in (-2, -1):
        same(found, timed, row=row)


def test_a_rise_without_a_time_knows_itself_and_the_check() -> None:
    """Such a rise is after what has a time in the evidence too. Independent: the same with a time."""
    rise = {"lead_kg": 6, "stop_result": "rose"}
    looks = [look("T09:00")]
    same(alone([stop(**rise)], looks), alone([stop("T18:00", **rise)], looks))
    dives = [stop("T10:00", name="a"), stop(name="b", **rise)]
    same(alone(dives, []), alone([dives[0], stop("T18:00", name="b", **rise)], []))


@pytest.mark.parametrize(
    ("dives", "looks", "order"),
    [
        ([("a", "")], [("x", "T09:00", "")], "xa"),
        ([("a", "")], [("x", "", "")], "xa"),
        ([("a", "T08:00"), ("b", "")], [("x", "T09:00", "")], "axb"),
        ([("b", ""), ("a", "T08:00")], [("x", "T09:00", "")], "axb"),
        ([("b", ""), ("a", "T10:00")], [("x", "T09:00", "")], "xba"),
        ([("b", ""), ("a", "T10:00")], [("x", "T09:00", "a")], "xab"),  # a look on a dive is known with it
        ([("a", ""), ("b", "")], [("x", "T09:00", "b")], "abx"),
        ([("a", ""), ("b", "")], [("x", "T09:00", "a"), ("y", "T11:00", "")], "yabx"),
        ([("a", "")], [("x", "T09:00", ""), ("y", "T07:00", "")], "yxa"),
    ],
)
def test_order_within_a_day(dives, looks, order) -> None:
    """By hand."""
    asked = held(
        [stop(time, name=name) for name, time in dives],
        [look(time, check=name, dive=of) for name, time, of in looks],
    )
    assessment = Assessment.of(asked, learned())
    then, place = in_order(assessment)
    line = assessment.line
    assert sorted(place) == list(range(len(place)))
    names = np.empty(len(place), object)
    names[line.at(DIVE)], names[line.at(CHECK)] = line.records.dives["dive"], line.records.checks["check"]
    known = [name for name in names[np.argsort(place)] if name not in ("1", "2")]
    assert "".join(known) == order
    # Whatever is seen on a row is known at its place.
    seen = then.evidence.statements.row
    own = line.table[seen] == DIVE
    assert (then.evidence.order[own] == place[seen[own]]).all()


def test_an_order_that_is_that_of_the_evidence_is_left() -> None:
    assessment = assess()
    assert in_order(assessment)[0] is assessment
