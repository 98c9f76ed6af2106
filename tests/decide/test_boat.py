"""The boat sheet: everybody's answer as `suggest` gives it, and pieces that serve the day."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leadline.arrays import columns_from_rows
from leadline.decide.advice import advise, answers
from leadline.decide.boat import boat, plan_rows
from leadline.decide.boat_dives import at_once, dives
from leadline.decide.sheet_record import boat_rows
from leadline.decide.stock import Pieces
from leadline.errors import RecordError
from leadline.model.population import prior_fit
from leadline.records import DIVES
from leadline.reports.boat import render

from ..reports.conftest import parse_page  # noqa: TID252
from . import club

WHEN = datetime(2026, 5, 19)
ABOARD = ("Ines", "Uma", "Noa", club.HOSTILE, "Zed")
PLAN = [club.plan_row(diver, group="red" if diver == "Ines" else "blue") for diver in ABOARD]


def sheet(plan=PLAN, **options):
    return boat(club.assess(plan), generated=WHEN, plan="plan.csv", **options)


@pytest.fixture(scope="module")
def data():
    return sheet()


def test_rows_are_the_answers_of_suggest(data) -> None:
    answers = {a.diver: a for a in advise(club.assess(PLAN))}
    assert [d.answer.diver for d in data.divers] == list(ABOARD)
    for diver in data.divers:
        assert diver.answer == answers[diver.answer.diver]
        assert "full 5" not in diver.kit
        assert diver.suit == "full 5"
        assert {"jacket", "steel 12"} <= set(diver.kit)


def test_pieces_make_up_the_lead_and_what_is_at_hand(data) -> None:
    sizes = np.array(data.sizes)
    for diver in data.divers:
        a = diver.answer
        assert sizes @ diver.pieces == pytest.approx(a.lead_kg)
        assert sizes @ diver.more == pytest.approx(a.bring_kg - a.lead_kg if a.check_first else 0)
    for dive in data.dives:
        assert dive.lead_kg == pytest.approx(sum(d.answer.lead_kg for d in dive.divers))


def test_checks_come_in_order_of_what_may_be_missing_and_say_why(data) -> None:
    checks = data.checks
    assert [d.check_place for d in checks] == list(range(1, len(checks) + 1))
    missing = [d.answer.bring_kg - d.answer.lead_kg for d in checks]
    assert missing == sorted(missing, reverse=True)
    assert {d.answer.diver for d in checks} >= {"Uma", "Zed"}  # nothing is known of either
    missing = [d.answer.need_q90_kg - d.answer.lead_kg for d in checks]
    assert missing == sorted(missing, reverse=True)
    for diver in data.divers:
        assert bool(diver.reasons) == diver.answer.check_first == bool(diver.check_place)
        if diver.answer.evidence == "none":
            assert "No lead proven in this suit" in diver.reasons[0]


def test_a_check_for_stops_that_do_not_fit_says_so() -> None:
    last = [row for row in club.dives() if row["diver"] == "Ivo"][-1]
    rises = [
        last | {"dive": f"x{n}", "date": f"2026-05-1{n}", "lead_kg": 7.0, "stop_result": "rose",
                "bc_state": "empty"}
        for n in range(2)
    ]  # fmt: skip
    assessment = club.assess([club.plan_row("Ivo")], dives=[*club.dives(), *rises])
    found = boat(assessment, generated=WHEN, plan="plan.csv")
    (diver,) = found.divers
    assert diver.answer.check_first
    assert diver.reasons[-1] == "The latest stops or checks do not fit the records before"
    assert diver.reasons[-1] in render(found)


def test_load_is_enough_on_95_days_in_100_and_holds_a_spare(data) -> None:
    load = data.load
    assert load.served.share >= 0.95
    assert load.total_kg == pytest.approx(np.array(load.sizes) @ load.counts)
    listed = sum(d.answer.lead_kg for d in data.divers)
    assert load.total_kg > listed
    assert sheet().load == load  # the same seed, the same load


# One diver who needs no check wears what is listed on all but the few days it turns out too light.
def test_a_boat_of_one_who_needs_no_check(data) -> None:
    sure = next(d.answer for d in data.divers if not d.answer.check_first)
    found = sheet([club.plan_row(sure.diver)])
    assert found.divers[0].answer.lead_kg == sure.lead_kg
    assert found.load.usual_kg == sure.lead_kg
    assert sure.lead_kg <= found.load.total_kg <= sure.lead_kg + 3


def test_dives_follow_each_other_and_share_the_lead() -> None:
    morning = [club.plan_row(diver, dive="morning") for diver in ("Ines", "Noa")]
    both = [*morning, *(row | {"dive": "noon"} for row in morning)]
    twice = sheet(both)
    once = sheet(morning)
    assert [dive.dive for dive in twice.dives] == ["morning", "noon"]
    assert [len(dive.divers) for dive in twice.dives] == [2, 2]
    assert twice.load.total_kg < 1.5 * once.load.total_kg  # not two boats' worth
    assert twice.load.usual_kg >= once.load.usual_kg
    assert twice.moments == 2
    assert "when most of it is in the water at one time; pieces go on to later dives" in render(twice)


def moments(*rows):
    """Divers in the water at one time, by name."""
    plan = columns_from_rows(DIVES, [club.plan_row(who, dive=dive, **more) for who, dive, more in rows])
    found = at_once(plan, [dive.rows for dive in dives(plan)])
    return sorted("".join(sorted(plan["diver"][rows])) for rows in found)


DAY, NEXT_DAY = "2026-06-01", "2026-06-02"


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        # One dive in two groups, and groups that number their own dives: both may be down at once.
        ([("A", "am", {"group": "x"}), ("B", "am", {"group": "y"})], ["AB"]),
        ([("A", "1", {"group": "x"}), ("B", "2", {"group": "y"})], ["AB"]),
        ([("A", "am", {}), ("B", "am", {}), ("A", "pm", {}), ("B", "pm", {})], ["AB", "AB"]),
        (
            [
                (who, dive, {"group": group})
                for dive in ("am", "pm")
                for who, group in (("A", "x"), ("B", "y"))
            ],
            ["AB", "AB"],
        ),
        ([("A", "am", {"group": "x"}), ("B", "am", {"group": "y", "date": NEXT_DAY})], ["A", "B"]),
        # Nobody is back with lead after a quarter of an hour; after two hours they are.
        ([("A", "1", {"date": f"{DAY}T09:00"}), ("B", "2", {"date": f"{DAY}T09:15"})], ["AB"]),
        ([("A", "1", {"date": f"{DAY}T09:00"}), ("B", "2", {"date": f"{DAY}T11:00"})], ["A", "B"]),
        (
            [
                (who, who, {"date": f"{DAY}T{at}"})
                for who, at in (("A", "09:00"), ("B", "10:00"), ("C", "11:00"))
            ],
            ["AB", "BC"],
        ),
        # A day alone says nothing of when: whoever is not down already may be down with any dive of that day.
        ([("A", "am", {"group": "x", "date": f"{DAY}T09:00"}), ("B", "am", {"group": "y"})], ["AB"]),
        ([("A", "1", {"date": f"{DAY}T09:00"}), ("B", "2", {})], ["AB"]),
        ([("A", "1", {"date": f"{DAY}T09:00"}), ("B", "2", {"date": NEXT_DAY})], ["A", "B"]),
        ([("A", "1", {"date": f"{DAY}T09:00"}), ("B", "2", {"date": None})], ["AB"]),
        (
            [("A", "1", {"date": f"{DAY}T09:00"}), ("A", "2", {"date": f"{DAY}T14:00"}), ("B", "3", {})],
            ["AB", "AB"],
        ),
        # Nobody makes two dives at once; those who are still down with one of them may be.
        ([("A", "1", {"date": f"{DAY}T09:00"}), ("A", "2", {}), ("B", "2", {})], ["A", "AB"]),
        (
            [
                ("A", "1", {"date": f"{DAY}T09:00"}),
                ("B", "2", {"date": f"{DAY}T10:00"}),
                ("A", "3", {}),
                ("C", "3", {}),
            ],
            ["AB", "ABC"],
        ),
    ],
)
def test_who_is_in_the_water_at_one_time(rows, found) -> None:
    rows = [(who, dive, {"date": DAY} | more) for who, dive, more in rows]
    divers = {"A": "Ines", "B": "Noa", "C": "Ivo"}
    names = ["".join(sorted(divers[who] for who in one)) for one in found]
    assert moments(*((divers[who], dive, more) for who, dive, more in rows)) == sorted(names)


@settings(deadline=None, max_examples=100)
@given(
    st.lists(
        st.tuples(st.sampled_from("ABCD"), st.sampled_from("xy"), st.sampled_from([None, 9, 10, 11, 14])),
        min_size=1,
        max_size=6,
    )
)
def test_whatever_time_a_dive_without_one_has_its_lead_is_there(rows) -> None:
    """Independent: the dive is put at each quarter of an hour at which its divers are not in another one."""
    plan = columns_from_rows(
        DIVES,
        [
            club.plan_row(who, dive=str(i), group=group, date=DAY if at is None else f"{DAY}T{at:02}:00")
            for i, (who, group, at) in enumerate(rows)
        ],
    )
    groups = [dive.rows for dive in dives(plan)]
    known = [set(moment.tolist()) for moment in at_once(plan, groups)]
    assert set().union(*known) == set(range(len(rows)))
    assert not any(one < other for one in known for other in known)
    hours = [rows[one[0]][2] for one in groups]
    timed = [(hour, set(one.tolist())) for hour, one in zip(hours, groups, strict=True) if hour is not None]
    for hour, one in zip(hours, groups, strict=True):
        own = {rows[row][0] for row in one}
        for quarter in [hour * 4] if hour is not None else range(96):
            begun = quarter / 4
            busy = [at for at, other in timed if own & {rows[row][0] for row in other}]
            if hour is None and any(abs(begun - at) < 1.5 for at in busy):
                continue
            for now in (begun + quarter / 4 for quarter in range(6)):
                down = set(one.tolist()).union(*(other for at, other in timed if at <= now < at + 1.5))
                assert any(down <= moment for moment in known)


def test_lead_under_water_is_handed_to_nobody() -> None:
    """Two divers of one dive take the lead of both, whatever groups and minutes they are told apart by."""
    one = {"date": f"{DAY}T09:00", "dive": "am"}
    together = sheet([club.plan_row("Ines", **one), club.plan_row("Noa", **one)])
    for more in (
        {"group": "other"},
        {"date": f"{DAY}T09:20", "dive": "second"},
        {"date": DAY, "group": "other"},
    ):
        apart = sheet([club.plan_row("Ines", **one), club.plan_row("Noa", **(one | more))])
        assert len(apart.dives) == 2
        assert apart.load == together.load
        assert apart.moments == 1
        assert "on all dives, which are taken to be in the water at one time" in render(apart)


def test_what_is_loaded_makes_what_is_laid_out() -> None:
    """Forty who check first begin with the same lead: each of them needs the piece of 1 kg in it."""
    found = sheet([club.plan_row("Uma", cylinder="alu 11") for _ in range(40)])
    assert all(diver.answer.check_first for diver in found.divers)
    laid_out = np.sum([diver.pieces for diver in found.divers], axis=0)
    assert (laid_out <= found.load.counts).all()
    assert laid_out.max() >= 40


def test_group_and_day_choose_rows() -> None:
    plan = columns_from_rows(DIVES, [*PLAN, club.plan_row("Ivo", date="2026-06-30", group="blue")])
    assert plan_rows(plan, group="red")["diver"].tolist() == ["Ines"]
    assert plan_rows(plan, since="2026-06-01")["diver"].tolist() == ["Ivo"]
    assert plan_rows(plan, group="red", since="2026-06-01")["diver"].tolist() == []
    undated = columns_from_rows(DIVES, [club.plan_row("Ivo", date=None)])
    assert plan_rows(undated, since="2026-06-01")["diver"].tolist() == ["Ivo"]


def test_pounds() -> None:
    found = sheet(units="imperial")
    assert found.sizes == pytest.approx([4 * 0.45359237, 2 * 0.45359237, 0.45359237])
    pounds = [d.answer.lead_kg / 0.45359237 for d in found.divers]
    assert pounds == pytest.approx(np.round(pounds))
    assert all(" lb" in reason for d in found.checks for reason in d.reasons if "band" in reason)


def test_lower_risk_never_loads_less(data) -> None:
    careful = sheet(risk=0.01)
    pairs = zip(data.divers, careful.divers, strict=True)
    assert all(more.answer.bring_kg >= less.answer.bring_kg for less, more in pairs)


def test_coarser_pieces() -> None:
    found = sheet(pieces=Pieces.parse(["1"]))
    assert all(d.answer.lead_kg % 1 == 0 for d in found.divers)
    assert found.load.counts == (round(found.load.total_kg),)


def test_an_empty_plan_is_refused() -> None:
    with pytest.raises(RecordError, match="no rows for this boat"):
        sheet([])


def test_a_dive_that_ends_late_is_on_the_sheet_as_suggest_has_it() -> None:
    plan = [club.plan_row(diver, end_bar=end) for diver in ("Ines", "Ivo", "Noa") for end in (50, 80)]
    found = sheet(plan, risk=0.05).divers
    whole = answers(club.assess(plan))
    told = 0
    for row, answer in zip(found, whole, strict=True):
        more = answer.late_bring_kg > max(answer.advice.bring_kg, answer.advice.lead_kg) + 1e-3
        assert (row.late_kg == row.late_kg) == more
        if more:
            told += 1
            assert (row.late_bar, row.late_kg) == (answer.late_bar, answer.late_bring_kg)
    assert told


def test_what_to_put_on_after_a_check_is_on_the_sheet(data) -> None:
    for row in data.divers:
        assert (row.after is None) == (not row.answer.check_first)
        if row.after is not None:
            assert f"put on {row.after.more_kg:g} kg more" in row.answer.next_step
            least = row.after.at_least
            assert (f"at least {least:g} kg in all" in row.answer.next_step) == (not np.isnan(least))


def test_lead_for_whoever_is_deeper_without_any_is_on_the_sheet_and_in_the_rows() -> None:
    found = sheet([club.plan_row("Uma", dive="1", suit="vest", cylinder="steel 12"), *PLAN])
    rows = {row["check_place"]: row["bare_kg"] for row in boat_rows(found)}
    for diver in found.checks:
        bare = diver.after.bare_kg if diver.after.deep else None
        assert rows[diver.check_place] == bare
        # Under water without any lead: less than at eye level without any, by a head.
        assert bare is None or bare <= min(diver.answer.bring_kg, diver.after.lead(0.0))
    known = [bare for place, bare in sorted((p, b) for p, b in rows.items() if p) if bare is not None]
    shown = re.findall(r'<data value="([^"]*)" data-field="bare_kg">', render(found))
    assert [float(bare) for bare in shown] == pytest.approx(known)
    assert known


def test_checks_of_several_dives_name_their_dive() -> None:
    plan = [
        club.plan_row("Zed", dive="p1", date="2026-05-20"),
        club.plan_row("Zed", dive="p2", date="2026-05-21", suit="vest"),
    ]
    page = render(sheet(plan))
    for dive, day, suit in (("p1", "20 May 2026", "full 5"), ("p2", "21 May 2026", "vest")):
        assert f"{day}</time>, <bdi>{dive}</bdi>, <bdi>{suit}</bdi>)" in page


# Uma is unknown and checks first in either suit; the plan has the second day before the first.
def test_checks_come_in_order_of_time_and_one_holds_for_all_dives_in_the_same_kit() -> None:
    plan = [
        club.plan_row(diver, dive=dive, date=date, suit=suit)
        for dive, date, suit in (
            ("d3", "2026-05-21", "vest"),
            ("d4", "2026-05-21", "full 5"),
            ("d1", "2026-05-20", "full 5"),
            ("d2", "2026-05-20", "full 5"),
        )
        for diver in ("Uma", "Zed")
    ]
    found = sheet(plan)
    assert all(d.answer.check_first for d in found.divers)
    held = {
        (d.answer.diver, d.suit): [dive.dive for dive in found.holds_for(d.check_place)] for d in found.checks
    }
    assert held == {
        (diver, suit): dives
        for diver in ("Uma", "Zed")
        for suit, dives in (("full 5", ["d1", "d2", "d4"]), ("vest", ["d3"]))
    }
    assert [d.answer.dive for d in found.checks] == ["d1", "d1", "d3", "d3"]
    assert [d.check_place for d in found.checks] == [1, 2, 3, 4]
    page = render(found).partition('<section class="broad">')[0]
    assert page.count("data-check=") == 4
    days = "20 May 2026</time>, <bdi>d1</bdi>, <bdi>d2</bdi>; "
    assert page.count(days) == 2
    assert page.index("21 May 2026</time>, <bdi>d3</bdi>, <bdi>vest") > page.index('data-check="3"')


def test_another_lead_to_begin_with_is_another_check() -> None:
    plan = [
        club.plan_row("Uma", dive="1", date="2026-05-20"),
        club.plan_row("Uma", dive="2", date="2026-05-20", water="fresh"),
    ]
    assert [d.check_place for d in sheet(plan).divers] == [1, 2]


def test_words_about_a_diver_stand_once_below_with_the_dives_they_are_for() -> None:
    plan = [club.plan_row("Uma", dive=dive, date="2026-05-20") for dive in ("one", "two")]
    found = sheet(plan)
    said = ("Keep it droppable", "Eat first", "Sleep well")
    dives = [
        replace(
            dive,
            divers=tuple(
                replace(d, answer=replace(d.answer, cautions=said[: 3 - number])) for d in dive.divers
            ),
        )
        for number, dive in enumerate(found.dives)
    ]
    page = render(replace(found, dives=tuple(dives)))
    more = page[page.index('id="more"') :]
    assert more.count(said[1]) == more.count(said[2]) == 1
    assert more.index("<bdi>one</bdi>, <bdi>two</bdi>)") < more.index(said[1]) < more.index("<bdi>one</bdi>)")
    assert more.index("<bdi>one</bdi>)") < more.index(said[2])


# Numbers instead of names of dives are usual; as dives one after the other two divers were loaded for one.
def test_rows_with_numbers_of_their_own_are_one_dive() -> None:
    numbered = [row | {"dive": f"p{n}"} for n, row in enumerate(PLAN, 1)]
    one_group = [row | {"group": "red"} for row in numbered]
    found, named = sheet(one_group), sheet([row | {"dive": "boat", "group": "red"} for row in PLAN])
    assert [dive.dive for dive in found.dives] == ["p1 to p5"]
    assert found.load == named.load
    assert "are taken for one dive" in render(found)
    assert "are taken for one dive" not in render(named)
    again = sheet([*one_group, *(row | {"dive": row["dive"] + "b"} for row in one_group)])
    assert [(dive.dive, len(dive.divers)) for dive in again.dives] == [("p1 to p5", 5), ("p1b to p5b", 5)]
    apart = [row | {"site": row["dive"]} for row in one_group]
    assert len(sheet(apart).dives) == len(PLAN)


def test_dives_of_one_time_of_day_do_not_share_their_lead() -> None:
    def of(first: str, second: str) -> float:
        rows = [("one", first, "Ines"), ("one", first, "Noa"), ("two", second, "Uma"), ("two", second, "Zed")]
        found = sheet([club.plan_row(diver, dive=dive, date=date) for dive, date, diver in rows])
        return found.load.usual_kg

    day = "2026-05-20"
    assert of(f"{day}T09:00", f"{day}T09:00") > 1.3 * of(f"{day}T09:00", f"{day}T14:00")
    assert of(day, day) == of(f"{day}T09:00", f"{day}T14:00")


# They read as "never: all numbers are physics", though the fit was used, and as a book without a name.
def test_what_nobody_said_is_left_out() -> None:
    known, day = club.assess(PLAN[:1]), datetime(2026, 5, 18)
    changed = replace(known, changed_kit=("full 5",))
    before = replace(known, fit=prior_fit(known.fit.names))
    for assessment, options, said in (
        (known, {}, ""),
        (known, {"fitted": day}, "18 May 2026"),
        (
            changed,
            {},
            "no date; what was learned of full 5 is left out, for it was changed in the gear since",
        ),
        (before, {}, "never: all numbers are physics and each diver’s own records"),
    ):
        foot = parse_page(render(boat(assessment, generated=WHEN, plan="plan.csv", **options))).one("footer")
        words = " ".join(foot.text().split())
        assert ("Model fitted" in words) == bool(said)
        assert said in words
        assert "Book" not in words
    whole = render(boat(known, generated=WHEN, book="club.duckdb", data_version="7"))
    assert "<dt>Book</dt><dd><bdi>club.duckdb</bdi>, records version <bdi>7</bdi>, latest dive <time" in whole
