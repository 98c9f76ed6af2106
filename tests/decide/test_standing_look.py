"""Looks at the surface that a later dive goes by: those that no stop was held after."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from leadline.arrays import columns_from_rows
from leadline.decide.advice import Advice, advise, answers
from leadline.decide.assessment import Assessment
from leadline.decide.checked_dive import CheckedDive
from leadline.decide.checked_need import checked_dives
from leadline.decide.trigger import Trigger
from leadline.model.population import prior_fit
from leadline.records import DIVES
from leadline.timeline import PLAN

from .club import checks, dives, learned, plan_row, records

Row = dict[str, Any]


def looks(
    *leads: float, day: str = "2026-05-20", line: str = "eye", bar: float = 50, **more: Any
) -> list[Row]:
    """Looks of Ole, an hour apart."""
    return [
        plan_row("Ole")
        | {
            "check": f"l{day}{n}",
            "dive": "",
            "date": f"{day}T{9 + n:02d}:00",
            "lead_kg": lead,
            "bar": bar,
            "waterline": line,
        }
        | more
        for n, lead in enumerate(leads)
    ]


def assessment(looked: list[Row], dived: list[Row] | None = None, **plan: Any) -> Assessment:
    held = records(checks=[*checks(), *looked], dives=[*dives(), *(dived or [])])
    seen = {
        name: np.isin(getattr(held, name)[name[:-1]], [row[name[:-1]] for row in rows])
        for name, rows in (("dives", dives()), ("checks", checks()))
    }
    return Assessment.of(
        held,
        learned(),
        plan=columns_from_rows(DIVES, [plan_row("Ole", start_bar="200") | plan]),
        dives_in_fit=seen["dives"],
        checks_in_fit=seen["checks"],
    )


def goes_by(looked: list[Row], dived: list[Row] | None = None, **plan: Any) -> CheckedDive | None:
    made = assessment(looked, dived, **plan)
    return checked_dives(made, made.line.at(PLAN)).gone_by[0]


def advice(looked: list[Row], dived: list[Row] | None = None, **plan: Any) -> Advice:
    return advise(assessment(looked, dived, **plan))[0]


def dive(when: str, **more: Any) -> Row:
    row = {"dive": f"d{when}", "date": when, "lead_kg": 7, "start_bar": 200, "end_bar": 50}
    return plan_row("Ole") | row | {"stop_result": "hovered", "bc_state": "empty"} | more


# --- which looks ---


@pytest.mark.parametrize(
    ("dived", "plan", "own_day", "count"),
    [
        ([], {}, True, 2),
        ([], {"date": "2026-05-21"}, False, 2),
        ([], {"date": "2026-06-19"}, False, 2),
        ([], {"date": "2026-06-20"}, None, 0),  # more than 30 days later (judged)
        ([dive("2026-05-21")], {"date": "2026-05-22"}, None, 0),
        # Not watched.
        ([dive("2026-05-21", stop_result="", bc_state="")], {"date": "2026-05-22"}, False, 2),
        (
            [dive("2026-05-21", stop_result="sank", handed_off_kg=1, handed_off_result="hovered")],
            {"date": "2026-05-22"},
            None,
            0,
        ),
        ([dive("2026-05-21", suit="vest")], {"date": "2026-05-22"}, False, 2),
        ([dive("2026-05-20T11:00")], {"date": "2026-05-21"}, None, 0),
        ([dive("2026-05-20T08:00")], {"date": "2026-05-21"}, False, 2),
        # Of that day without a time: 50 bar are left after a dive.
        ([dive("2026-05-20")], {"date": "2026-05-21"}, False, 2),
        ([], {"date": "2026-05-21", "suit": "vest"}, None, 0),
    ],
)
def test_looks_stand_until_a_stop_is_held_in_that_suit(dived, plan, own_day, count) -> None:
    found = goes_by(looks(6.0, 6.0), dived, **plan)
    assert (found is not None) == (count > 0)
    if found is not None:
        assert found.own_day == own_day
        assert len(set(found.evidence.statements.row[found.looks].tolist())) == count


@pytest.mark.parametrize(("result", "stands"), [("rose", (False, True)), ("sank", (True, False))])
def test_a_stop_since_leaves_looks_that_say_the_same(result, stands) -> None:
    """Records call for some 6.4 kg at the stop: of these looks one asks for less, the other for more."""
    since = [dive("2026-05-21", lead_kg=6, stop_result=result)]
    asked = [goes_by(looks(kg, kg), since, date="2026-05-22") is not None for kg in (4.0, 10.5)]
    assert tuple(asked) == stands
    both = [*since, dive("2026-05-22", stop_result={"rose": "sank", "sank": "rose"}[result])]
    assert not any(goes_by(looks(kg, kg), both, date="2026-05-23") for kg in (4.0, 10.5))


def test_a_full_cylinder_does_not_say_that_the_dive_of_that_day_is_over() -> None:
    morning = looks(6.0, bar=200)
    assert goes_by(morning, [dive("2026-05-20")], date="2026-05-21") is None
    assert goes_by(morning, [], date="2026-05-21") is not None


def test_a_single_look_that_nothing_bears_out_is_a_record_like_others_on_a_later_day() -> None:
    """Fifteen kilograms typed for five: on its own day another look is asked for, and a month of answers does
    not hang on it."""
    slip = looks(15.0)
    assert goes_by(slip) is not None
    assert goes_by(slip, date="2026-05-21") is None
    assert goes_by(looks(15.0, 15.0), date="2026-05-21") is not None
    assert goes_by(looks(4.0, 15.0), date="2026-05-21") is None  # at odds


@pytest.mark.parametrize(
    ("lead", "line"), [(1.0, "chin"), (3.5, "eye"), (4.5, "crown"), (4.0, "under"), (8.0, "under")]
)
def test_a_second_look_that_was_asked_for_is_asked_for_on_a_later_day_too(lead, line) -> None:
    """In a suit that no stop tells of a night answers nothing. A second look that agrees does, or a stop."""
    one = looks(lead, line=line, suit="vest")
    two = [*one, one[0] | {"check": "second", "date": "2026-05-20T10:00"}]
    for day in ("2026-05-20", "2026-05-21", "2026-06-19"):
        found = advice(one, suit="vest", date=day)
        assert found.check_first
        assert "look again before the dive" in " ".join(found.cautions)
        assert "look again" not in " ".join(advice(two, suit="vest", date=day).cautions)
    held = dive("2026-05-21", suit="vest", lead_kg=3)
    assert not advice(one, [held], suit="vest", date="2026-05-22").check_first


@pytest.mark.parametrize("lead", [0.0, 2.0, 9.0])
def test_a_look_with_another_lead_takes_nothing_from_what_stops_have_proven(lead) -> None:
    """At the chin with none, or under water with too much: so it should be, of a diver who is known."""
    one = looks(lead, line="chin" if lead < 6 else "under", bar=200)
    assert advice(one).check_first
    assert not advice(one, date="2026-05-21").check_first


def test_looks_made_on_a_dive_whose_stop_was_held_are_records_like_others() -> None:
    made = dive("2026-05-20")
    on_it = [look | {"dive": made["dive"]} for look in looks(6.0, 6.0)]
    assert goes_by(on_it, [made], date="2026-05-21") is None
    assert goes_by(on_it, [made | {"stop_result": "rose"}], date="2026-05-21") is not None


def test_of_several_days_the_latest_is_gone_by() -> None:
    both = [*looks(6.0, day="2026-05-18"), *looks(5.0, 5.5, day="2026-05-20")]
    found = goes_by(both, date="2026-05-22")
    assert found is not None
    assert len(set(found.evidence.statements.row[found.looks].tolist())) == 2


# --- what they say ---


def test_need_of_a_later_day_shares_all_but_the_scatter() -> None:
    """Arithmetic: of the way from what was known to what was seen a later day goes less far, by the share of
    scatter in what is not known of a day; and its band is the wider for it."""
    seen = looks(8.5, 8.5)
    today, later = goes_by(seen), goes_by(seen, date="2026-05-21")
    assert today is not None
    assert later is not None
    rows = np.array([today.position])
    (one,), (two,) = (about.marginals(rows, about.state(rows)) for about in (today, later))
    (known,) = today.before.marginals(rows, today.state(rows))
    assert known.mean < two.mean < one.mean
    assert two.sd > one.sd
    here, scatter = today.expected.expected_sd**2, known.scatter**2
    # What the state of the check shares with the stop is at most all that is not known there.
    part = (two.mean - known.mean) / (one.mean - known.mean)
    assert 0.3 < part < here / (here + scatter) + 0.05


def test_three_looks_that_agree_are_not_forgotten_overnight() -> None:
    """Records point to 7 kg, and the water says three times that it takes more."""
    seen = looks(10.0, 10.0, 10.0)
    today, tomorrow = advice(seen), advice(seen, date="2026-05-21")
    after = advice(seen, [dive("2026-05-21")], date="2026-05-22")
    assert today.lead_kg > advice([]).lead_kg + 0.9
    assert tomorrow.bring_kg >= today.lead_kg - 0.5
    assert tomorrow.need_q90_kg - tomorrow.need_q10_kg > today.need_q90_kg - today.need_q10_kg
    # A stop held with less than they asked for speaks for the records.
    assert after.bring_kg < tomorrow.bring_kg


@pytest.mark.parametrize("shown", [5.0, 7.5, 10.0])
@pytest.mark.parametrize("lead", [5.5, 7.0, 9.0])
def test_a_rise_since_never_lowers_what_looks_asked_for_nor_sinking_raises_it(shown, lead) -> None:
    """Of records at odds the band holds both: then a check comes first, and what is at hand may be more."""
    seen = looks(shown, shown)
    plain = advice(seen, date="2026-05-22")
    rose, sank = (
        advice(seen, [dive("2026-05-21", lead_kg=lead, stop_result=result)], date="2026-05-22")
        for result in ("rose", "sank")
    )
    assert rose.bring_kg >= plain.bring_kg
    assert sank.lead_kg <= plain.lead_kg


@pytest.fixture(scope="module")
def heavy() -> list[Row]:
    """All that is proven is eleven kilograms, gas in the BC."""
    return [dive(f"2026-05-1{n}", lead_kg=11, bc_state="gas") for n in (1, 2, 3)]


def alone(looked: list[Row], dived: list[Row], **plan: Any) -> Advice:
    """Of a diver with no other record."""
    row = columns_from_rows(DIVES, [plan_row("Ole", start_bar="200") | plan])
    return advise(Assessment.of(records(checks=looked, dives=dived), learned(), plan=row))[0]


@pytest.mark.parametrize(("leads", "bar"), [((6.0,), 45), ((4.0, 4.5), 200)])
def test_a_step_down_by_a_check_is_taken_that_day_and_confirmed_on_a_later_one(heavy, leads, bar) -> None:
    """By the contract it is held back but on the day of the check; and the answer says how to take it."""
    seen = looks(*leads, bar=bar)
    today, tomorrow = alone(seen, heavy), alone(seen, heavy, date="2026-05-21")
    assert not today.check_first
    assert today.lead_kg == today.bring_kg < 9.0
    assert tomorrow.lead_kg >= 10.0
    assert abs(tomorrow.bring_kg - today.lead_kg) <= 0.5
    said = f"By the last check {tomorrow.bring_kg:g} kg is enough"
    assert any(caution.startswith(said) for caution in tomorrow.cautions)


@pytest.mark.parametrize(
    ("there", "words"),
    [
        ({"cylinder": "alu 11"}, ", made with another type of cylinder,"),
        ({"water": "fresh"}, ", made in other water,"),
        (
            {"cylinder": "alu 11", "water": "fresh"},
            ", made in other water and with another type of cylinder,",
        ),
    ],
)
def test_an_answer_names_where_the_check_was_made_and_what_need_rests_on(heavy, there, words) -> None:
    found = alone(looks(4.0, 4.5, **there), heavy, date="2026-05-21")
    assert any(c.startswith(f"By the last check{words}") for c in found.cautions)
    usual = [c for c in found.cautions if "over the likely need" in c]
    if "cylinder" in there:
        # Not of like kit, but it is what moved the need: nobody is to look first.
        assert usual[0].endswith("a surface check in this suit puts it there")
    assert not any("until somebody looks" in c for c in usual)


def test_one_look_with_full_cylinders_lifts_no_step_on_a_later_day(heavy) -> None:
    found = alone(looks(6.0, bar=200), heavy, date="2026-05-21")
    assert found.check_first or found.lead_kg >= 10.0


@pytest.mark.parametrize("day", ["2026-05-20T14:00", "2026-05-21"])
def test_two_looks_after_a_rise_that_say_how_much_more_it_takes_are_the_check(day) -> None:
    """On their day the rise asked for a third look, by whose block it was a hair; on the next it did not."""
    looked = looks(8.0, 8.0, bar=60)
    after = advice(looked, [dive("2026-05-20T08:00", lead_kg=7, stop_result="rose", end_bar=60)], date=day)
    assert not after.check_first
    assert after.lead_kg > 7
    # Looks that the rise came after have not answered it.
    before = advice(looked, [dive("2026-05-20T12:00", lead_kg=7, stop_result="rose", end_bar=60)], date=day)
    assert before.check_first
    assert before.bring_kg > 7


# --- what they have seen is not new any more ---

NEW: dict[str, Row] = {
    "cylinder": {"cylinder": "alu 11"},
    "water": {"water": "fresh"},
    "other": {"other": "heavy plate"},
    "body": {"body_mass_kg": 99},
}
"""What Ole has on no dive; his mass was 90 kg."""


def new(looked: list[Row], dived: list[Row] | None = None, **plan: Any) -> dict[str, Trigger]:
    made = answers(assessment(looked, dived, **plan))[0]
    said = [text for text in made.advice.cautions if ": check again (" in text]
    assert len(said) == sum(not trigger.looked for trigger in made.triggers)
    return {trigger.name: trigger for trigger in made.triggers}


@pytest.mark.parametrize("name", list(NEW))
def test_what_a_look_that_stands_has_seen_is_not_new(name) -> None:
    """By definition: looks are gone by for a month, and so is what they looked at."""
    kit, tomorrow = NEW[name], {"date": "2026-05-21"}
    first, later = advice([], **kit), advice([], **kit, **tomorrow)
    lead = {"other": 1.0}.get(name, 6.0)
    seen = looks(lead, lead, **kit)
    assert set(new([], **kit)) == {name}
    assert set(new(seen, **kit, **tomorrow)) == set()
    assert later.lead_kg == first.lead_kg
    # Seen that day: it says so, and asks for nothing.
    assert new(seen, **kit)[name].looked
    # Another one than was looked at is as new as before, that day too.
    plain = looks(6.0, 6.0, body_mass_kg=90)
    assert not new(plain, **kit)[name].looked
    assert set(new(plain, **kit, **tomorrow)) == {name}


def test_what_a_look_has_seen_that_does_not_stand_is_new() -> None:
    seen = looks(6.0, 6.0, body_mass_kg=99)
    assert set(new(seen, date="2026-06-19")) == set()
    assert set(new(seen, date="2026-06-20")) == {"body"}  # more than 30 days later (judged)
    assert set(new(looks(4.0, 15.0, body_mass_kg=99), date="2026-05-21")) == {"body"}  # at odds
    held = [dive("2026-05-21", cylinder="alu 11", other="heavy plate", body_mass_kg=90)]
    kit = {"water": "fresh", "body_mass_kg": 99}
    assert set(new(looks(6.0, 6.0, **kit), held, date="2026-05-22", **kit)) == {"water", "body"}


def test_a_body_is_compared_with_the_last_record_of_it() -> None:
    """Of a look that stands, or of a dive since; by hand: 99 - 90, 95 - 99 and 93 - 94 kg."""
    seen = looks(6.0, 6.0, body_mass_kg=99)
    down = new(seen, date="2026-05-21", body_mass_kg=95)["body"]
    assert (down.amount, down.since_check) == (-4, True)
    said = [text for text in advice(seen, date="2026-05-21", body_mass_kg=95).cautions if "Body mass" in text]
    assert said[0].startswith("Body mass down 4 kg since the last surface check: check again (")
    assert new(seen, date="2026-05-21", body_mass_kg=97) == {}
    not_watched = [dive("2026-05-21", stop_result="", bc_state="", body_mass_kg=94)]
    assert new(seen, not_watched, date="2026-05-22", body_mass_kg=93) == {}
    assert new(seen, not_watched, date="2026-05-22", body_mass_kg=90)["body"].amount == -4


@pytest.mark.parametrize(
    ("plan", "expected"),
    [
        ({}, set()),
        ({"water": "salt"}, {"water"}),
        ({"water": "salt", "salinity_gkg": 0}, set()),  # as salty as where the look was made
        ({"water": ""}, set()),  # what is not named is not new
        ({"body_mass_kg": 94}, {"body"}),
        ({"body_mass_kg": 92}, set()),
    ],
)
def test_of_a_diver_without_a_dive_what_no_check_has_seen_is_new(plan, expected) -> None:
    """As of one with a dive: a look in a lake has not seen the sea."""
    seen = looks(5.0, 5.0, water="fresh", body_mass_kg=90)
    row = columns_from_rows(
        DIVES, [plan_row("Ole", start_bar="200", date="2026-05-21", water="fresh") | plan]
    )
    made = Assessment.of(records(checks=seen, dives=[]), learned(), plan=row)
    (found,) = answers(made)
    assert {trigger.name for trigger in found.triggers} == expected
    assert all(trigger.amount == 4 for trigger in found.triggers if trigger.name == "body")


def test_a_break_ends_with_a_look_that_stands() -> None:
    seen = looks(6.0, 6.0, day="2027-03-01")
    assert set(new([], date="2027-03-02")) == {"break"}
    assert set(new(seen, date="2027-03-02")) == set()
    assert new(seen, date="2027-03-01T18:00")["break"].looked


@pytest.mark.parametrize("day", ["2026-05-20", "2026-06-25"])
def test_named_is_what_the_change_adds_to_this_band(day) -> None:
    """Independent: the engine's own answers to the same records with the old body mass.

    Looks at the new mass say as much of need as looks at the old one would: little is left of what it adds.
    """
    when, seen = f"{day}T20:00", (6.5, 6.5, 6.0)
    one, other = (
        answers(assessment(looks(*seen, body_mass_kg=mass), date=when))[0].need.sd for mass in (90, 104)
    )
    named = new(looks(*seen, body_mass_kg=104), date=when)["body"].widens_kg
    plain = new([], date=day, body_mass_kg=104)["body"].widens_kg
    assert named == pytest.approx(2.5631 * (other - one), abs=0.15)
    assert named < 0.7 * plain


def test_a_rise_that_looks_foretold_is_believed() -> None:
    """By the records it was unlikely, by the looks of the day before it was what had to come."""
    looked = looks(7.5, 9.0, line="chin", bar=200)
    rise = dive("2026-05-21", lead_kg=8, stop_result="rose")
    alone = advice([], [rise], date="2026-05-22")
    found = advice(looked, [rise], date="2026-05-22")
    assert any("Not believed here" in text or "slip of the pen" in text for text in alone.cautions)
    assert not any("Not believed here" in text or "slip of the pen" in text for text in found.cautions)
    assert found.bring_kg > 8


@pytest.mark.parametrize("lead", [7.0, 8.0, 9.5])
def test_a_rise_that_looks_foretold_takes_no_lead_off(lead) -> None:
    """What was known came nearer to the looks by it, and the two were met half way: 0.5 kg less at hand."""

    def asked(*since: Row) -> Advice:
        looked = [*looks(6.0, line="chin", day="2026-05-02", bar=200), *looks(8.0, day="2026-05-02", bar=200)]
        for n, row in enumerate(looked):
            row |= {"check": f"k{n}", "date": f"2026-05-02T09:{n}0"}
        before = dive("2026-05-01", lead_kg=6)
        held = records(checks=looked, dives=[before, *since])
        plan = columns_from_rows(DIVES, [plan_row("Ole", start_bar="200", date="2026-05-04")])
        return advise(Assessment.of(held, prior_fit(), plan=plan))[0]

    plain, found = asked(), asked(dive("2026-05-03", lead_kg=lead, stop_result="rose"))
    assert found.bring_kg >= plain.bring_kg
    assert found.lead_kg >= plain.lead_kg
