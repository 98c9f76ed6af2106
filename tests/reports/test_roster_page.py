"""The roster page: every figure is the library's, names are text, and what is not known is said."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from leadline.decide.flag import flags
from leadline.decide.headcount import headcount
from leadline.decide.roster_data import BASES, STATUSES, Change, Cost, Curve, Roster, Student, Trend, unproven
from leadline.decide.roster_record import roster_document
from leadline.decide.share import jeffreys
from leadline.reports.roster import OPEN_ROWS, render, write
from leadline.reports.roster_reading import RosterReading
from leadline.reports.roster_words import basis, course, span, title
from leadline.units import POUND

HOSTILE = ("<script>alert(1)</script>\"'&", "\u202eeniL", "Ø" * 300, "🤿 Mia", "a\x00b", "")
NAN = float("nan")


def make_student(name="Mara K", *, number=0, status="look", **changes):
    margin = np.array([-0.6, 0.3, 1.9, 3.4, 4.1]) - 0.1 * number
    settings = {
        "diver": name, "group": "Course 9", "leader": "Ulf", "suit": "full 7 M",
        "date": np.datetime64("2026-05-03T10:00", "s"), "dives": 4, "lead_kg": 8.5, "margin": margin,
        "p_too_light": 0.021, "p_too_heavy": 0.47, "p_heavy_most": 0.43, "last_dives": 4, "flagged": False,
        "status": status, "evidence": "upper_only", "basis": "physics", "looks": 0, "looks_ever": 0,
        "dry": False, "unvented": 0,
        "look_kg": 8.5, "handed_kg": 0.0, "p_sinks": 0.66, "p_heavy_if_sinks": 0.6, "p_heavy_if_not": 0.1,
        "trend": Trend(
            np.array(["2026-05-01", "2026-05-02", "NaT", "2026-05-03"], "datetime64[s]"),
            np.array([10.0, 9.0, NAN, 8.5]), np.array([3.4, 2.4, NAN, 1.9]), -1.5,
        ),
        "cost": Cost(1.9, 1.68, 14.0, 4.3, 2.62, 4.06),
        "next_lead_kg": 8.0, "bring_kg": 8.0, "check_first": False,
        "next_step": "Empty the BC and look.", "cautions": (),
    }  # fmt: skip
    if "next_lead_kg" in changes:
        settings["bring_kg"] = changes["next_lead_kg"]
    return Student(**{**settings, **changes})


def make_change(name="", mean=-1.6):
    return Change(name, 5, 3.1, 1.5, mean, -1.4, -2.3, -0.5, jeffreys(7, 30))


def make_roster(students=None, **changes):
    if students is None:
        students = (
            make_student("Lia", status="light", p_too_light=0.3, p_heavy_most=0.01, basis="both", looks=2,
                         looks_ever=2, next_lead_kg=9.5),
            make_student("Sam", status="short", p_too_light=0.11, p_heavy_most=0.02, basis="both", looks=1,
                         looks_ever=1, next_lead_kg=9.0),
            make_student("Ben", status="heavy", p_heavy_most=0.96, flagged=True, basis="sank"),
            make_student("Pia", status="latest", p_heavy_most=0.03, p_too_heavy=0.98, basis="both", looks=3,
                         looks_ever=3, next_lead_kg=6.0),
            make_student("Gus", status="likely", p_heavy_most=0.7, basis="both", looks=2, looks_ever=2,
                         look_kg=7.5, handed_kg=1.0, p_sinks=0.8, p_heavy_if_sinks=0.85, p_heavy_if_not=0.1),
            make_student("Mara K"),
            make_student("Yul", status="righted", p_heavy_most=0.6, p_too_heavy=0.01, basis="both", looks=4,
                         looks_ever=4),
            make_student("Odd", status="settled", basis="measured", looks=1, looks_ever=3, next_lead_kg=8.5,
                         p_heavy_most=0.05),
        )  # fmt: skip
    chances = [one.p_heavy_most for one in students]
    found = flags(chances, eligible=[one.basis != "physics" for one in students])
    settings = {
        "units": "metric", "generated": datetime(2026, 5, 4, 9), "book": "school.duckdb", "data_version": "7",
        "latest": np.datetime64("2026-05-02", "s"),
        "fitted": datetime(2026, 5, 3, 20), "groups": ("Course 9",), "since": np.datetime64("2026-05-01"),
        "risk": 0.05, "students": tuple(students), "flags": found,
        "heavy": headcount(chances), "light": headcount([one.p_too_light for one in students]),
        "never_looked": jeffreys(sum(not one.looks_ever for one in students), len(students)),
        "overall": make_change(),
        "groups_change": (make_change("Course 9"),),
        "leaders_change": (make_change("Ulf", -1.9), make_change("Ea", -1.2)),
        "curve": Curve(
            np.arange(1, 9), np.full(8, 4), np.linspace(3.2, 1.4, 8), np.linspace(3.2, 1.4, 8)
        ),
        "leaders_left_out": 3, "evidence": 14,
    }  # fmt: skip
    return Roster(**{**settings, **changes})


def fields(element, name):
    return [float(e.attributes["value"] or "nan") for e in element.all("data", data_field=name)]


def rows(page, **attributes):
    return [e for e in page.all("tr") if all(key.replace("_", "-") in e.attributes for key in attributes)]


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_every_figure_of_a_student_is_the_library_s(parse, units) -> None:
    data = make_roster(units=units)
    page = parse(render(data))
    for one in data.students:
        row = page.one("tr", data_diver=one.diver)
        assert fields(row, "lead_kg") == [one.lead_kg]
        for name, at in (("margin.q50", 2), ("margin.q10", 1), ("margin.q90", 3)):
            assert fields(row, name) == [pytest.approx(one.margin[at], abs=1e-4)]
        assert fields(row, "p_too_light") == [one.p_too_light]
        assert fields(row, "p_heavy_most") == [one.p_heavy_most]
        assert fields(row, "next_lead_kg") == [one.next_lead_kg]
        assert one.next_step in row.text()
        assert basis(one) in row.text()
    assert ("lb" in page.text()) == (units == "imperial")


def test_rates_of_the_flags_stand_first(parse) -> None:
    data = make_roster()
    page = parse(render(data))
    for name in ("false_share", "expected_false", "threshold", "recall", "limit"):
        assert fields(page, f"flags.{name}") == [pytest.approx(getattr(data.flags, name), abs=1e-4)]
    assert fields(page, "flags.flagged") == [1]
    for field, found in (("heavy", data.heavy), ("light", data.light)):
        for name in ("expected", "low", "high"):
            assert fields(page, f"{field}.{name}") == [pytest.approx(getattr(found, name), abs=1e-4)]
    assert "About 3 (8 in 10: 1 to 4) of 8 are expected" in page.text().replace("\xa0", " ")
    assert fields(page, "never_looked") == [data.never_looked.count]
    assert fields(page, "never_looked.low") == [pytest.approx(data.never_looked.low, abs=1e-4)]
    assert [fields(page, f"count.{word}") for word in STATUSES] == [[1]] * len(STATUSES)


def test_flagged_students_under_another_heading_are_counted_and_named(parse) -> None:
    """Two are flagged, and one of them is short of lead on the next dive, which comes first."""
    chances = {"p_heavy_most": 0.96, "flagged": True, "basis": "sank"}
    both = (
        make_student("Emil & F", status="short", p_too_light=0.11, **chances),
        make_student("Ben", status="heavy", **chances),
    )
    page = parse(render(make_roster(both)))
    assert fields(page, "flags.flagged") == [2]
    assert (
        fields(page, "flags.elsewhere") == [roster_document(make_roster(both))["flags"]["elsewhere"]] == [1]
    )
    said = page.text().replace("\xa0", " ")
    assert (
        "1 flagged student stands under another heading, by the lead of the latest dive: "
        "Emil & F (a little short)."
    ) in said
    plain = parse(render(make_roster()))
    assert fields(plain, "flags.elsewhere") == []


def test_too_heavy_with_the_latest_lead_alone_is_counted_and_said_in_the_row(parse) -> None:
    page = parse(render(make_roster()))
    assert fields(page, "heavy_latest") == [2]
    said = page.text().replace("\xa0", " ")
    assert (
        "with the lead of the latest dive, 2 more are likely too heavy on the next, under too much on the "
        "latest dive and likely too much."
    ) in said
    row = page.one("tr", data_diver="Pia")
    assert fields(row, "p_too_heavy") == [0.98]
    assert "Lower to 6 kg, 2.5 kg less." in row.text().replace("\xa0", " ")
    assert fields(page.one("tr", data_diver="Yul"), "p_too_heavy") == [0.01]
    assert fields(page.one("tr", data_diver="Ben"), "p_too_heavy") == []
    none = parse(render(make_roster((make_student("Ben"),))))
    assert fields(none, "heavy_latest") == []


@pytest.mark.parametrize(
    ("status", "most", "following", "told"),
    [("likely", 0.85, 0.998, True), ("likely", 0.85, 0.9, False), ("look", 0.4, 0.998, True),
     ("settled", 0.05, 0.4, False)],
)  # fmt: skip
def test_much_surer_of_the_next_dive_is_said_in_the_row(parse, status, most, following, told) -> None:
    one = make_student("Kim", status=status, p_heavy_most=most, p_too_heavy=following, looks_ever=1)
    page = parse(render(make_roster([one])))
    row = page.one("tr", data_diver="Kim")
    assert fields(row, "p_too_heavy") == ([following] if told else [])
    assert ("next dive >99 %" in row.text().replace("\xa0", " ")) == told
    assert fields(page, "heavy_latest") == ([1] if status == "likely" else [])


@pytest.mark.parametrize(
    ("chance", "risk", "shown"), [(0.1972, 0.05, "<20 %"), (0.204, 0.05, "20 %"), (0.297, 0.3, "<30 %")]
)
def test_a_chance_short_of_near_too_light_is_not_rounded_to_it(parse, chance, risk, shown) -> None:
    """Arithmetic: 19.72 % is less than the 20 from which on the page calls somebody near too light."""
    one = make_student("Sam", status="short", p_too_light=chance, looks_ever=1)
    row = parse(render(make_roster([one], risk=risk))).one("tr", data_diver="Sam")
    (cell,) = [e for e in row.all("td") if e.attributes.get("data-name") == "too light"]
    assert cell.text().replace("\xa0", " ") == shown


def test_dives_that_are_not_believed_are_counted_where_others_are_left_out(parse) -> None:
    page = parse(render(make_roster(doubted_left_out=2)))
    assert fields(page, "doubted_left_out") == [2]
    assert "2 dives whose record all else makes unlikely" in page.text().replace("\xa0", " ")
    assert fields(parse(render(make_roster())), "doubted_left_out") == []


def test_what_is_not_believed_stands_in_the_row(parse) -> None:
    named = "Not believed here: dive d7 of 2026-05-03 (hovered with 15 kg), since all else makes it unlikely"
    told = (make_student("Cia", doubted=True, cautions=(named, "Usually carried 9 kg")),
            make_student("Eva", doubted=True), make_student("Lou", cautions=(named,)),
            make_student("Ben"))  # fmt: skip
    page = parse(render(make_roster(told)))
    said = [
        [
            e.text()
            for e in page.one("tr", data_diver=name).all("small")
            if "danger" in e.attributes.get("class", "")
        ]
        for name in ("Cia", "Eva", "Lou", "Ben")
    ]
    latest = (
        "Not believed here: the record of the latest dive. Correct it if it is a slip, and if not, check "
    )
    assert said == [[f"{named}."], [f"{latest}first."], [f"{named}."], []]


def test_change_says_whether_it_is_of_this_course_or_of_courses_in_general(parse) -> None:
    def said(**changes) -> str:
        page = parse(render(make_roster(**changes)))
        course = page.one("section", id="course")
        return course.text().replace("\xa0", " ")

    alone = said()
    assert "From a student’s first dive in Course 9 to the last" in alone
    assert "in general" not in alone
    one_leader = said(leaders_change=())
    assert "nothing to draw it towards" in one_leader
    several = said(groups=(), groups_change=(make_change("Course 9"), make_change("Course 10")))
    assert "In courses in general, as far as these 2 tell, from a student’s first dive" in several
    assert "(95 % interval of the mean change of such courses" in several
    assert "drawn towards the mean of all" in several


def test_kinds_stand_in_the_order_of_what_needs_doing(parse) -> None:
    page = parse(render(make_roster()))
    assert [e.attributes["data-kind"] for e in page.all("table") if "data-kind" in e.attributes] == [
        *STATUSES
    ]  # fmt: skip
    links = [e.attributes["href"] for e in page.all("a") if e.attributes["href"].startswith("#")]
    ids = {e.attributes["id"] for e in page.walk() if "id" in e.attributes}
    assert links
    assert {link[1:] for link in links} <= ids


def test_the_likeliest_stand_with_what_a_look_would_settle(parse) -> None:
    """Not those flagged, nor those in order; whoever was never looked at is there whatever the chance."""
    data = make_roster()
    page = parse(render(data))
    table = page.one("table", data_table="looks")
    assert [e.attributes["data-look"] for e in rows(table, data_look=True)] == ["Gus", "Yul", "Mara K"]
    for one in (one for one in data.students if one.diver in ("Gus", "Yul", "Mara K")):
        row = table.one("tr", data_look=one.diver)
        for name in ("p_heavy_most", "p_sinks", "p_heavy_if_sinks", "p_heavy_if_not", "looks_ever"):
            assert fields(row, name) == [getattr(one, name)]
    assert "7.5 kg 1 kg handed over" in table.text().replace("\xa0", " ")
    assert "from physics only" in table.text()
    assert page.text().count("From physics only: never looked at") == 1


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"look_kg": 8.5, "handed_kg": 0.0}, "8.5 kg"),
        ({"look_kg": 5.0, "handed_kg": 0.0}, "5 kg as for the next dive"),
        ({"look_kg": NAN, "handed_kg": NAN, "check_first": True}, "a surface check first"),
        ({"look_kg": NAN, "handed_kg": NAN}, "none: sinking is all but sure"),
    ],
)
def test_a_look_is_named_with_its_lead_or_what_comes_before_it(parse, changes, words) -> None:
    chances = {} if changes["look_kg"] > 0 else dict.fromkeys(("p_sinks", "p_heavy_if_sinks"), NAN)
    one = make_student("Gus", status="likely", looks=2, looks_ever=2, **changes, **chances)
    row = parse(render(make_roster([one]))).one("tr", data_look="Gus")
    (cell,) = [e for e in row.all("td") if e.attributes.get("data-name") == "look with"]
    assert cell.text().replace("\xa0", " ") == words


def test_dangers_stand_in_the_row_and_before_the_next_step(parse) -> None:
    told = (
        "Danger of an ascent that cannot be held: so",
        "Under 18: check in the water",
        "Usually carried 9 kg",
    )
    one = make_student("Lia", status="light", p_too_light=0.3, looks_ever=0, cautions=told)
    page = parse(render(make_roster([one, make_student("Mara K")])))
    row = page.one("tr", data_diver="Lia").text()
    assert row.index(told[0]) < row.index(told[1]) < row.index(one.next_step)
    assert told[2] not in page.text()
    # Who is short of lead gets lead before a look, looked at or not.
    assert [
        e.attributes["data-look"] for e in rows(page.one("table", data_table="looks"), data_look=True)
    ] == ["Mara K"]


def test_of_several_groups_each_row_names_its_own(parse) -> None:
    several, single = (
        parse(render(make_roster([make_student()], groups=groups)))
        for groups in (("Course 8", "Course 9"), ("Course 9",))
    )
    assert "Course 9" in several.one("tr", data_diver="Mara K").text()
    assert "Course 9" not in single.one("tr", data_diver="Mara K").text()


def test_class_never_looked_at_is_from_physics_only(parse) -> None:
    students = [make_student(f"Nr {i}", number=i) for i in range(4)]
    page = parse(render(make_roster(students)))
    assert "Nobody is flagged" in page.text()
    assert "none from physics alone" in page.text()
    assert page.text().count("From physics only: never looked at") == 4
    assert fields(page, "never_looked") == [4]
    assert "of 4 (100\xa0%;" in page.text()
    assert "corrected by what other divers have shown" in page.text()
    unfitted = parse(render(make_roster(students, fitted=None)))
    assert "from physics only: the formulas." in unfitted.text()


# A student who sank was never looked at either, but may be flagged, and "none rests on physics alone".
def test_who_sank_is_not_counted_as_from_physics_only(parse) -> None:
    students = [make_student("Mara K"), make_student("Lia", basis="sank", number=1)]
    page = parse(render(make_roster(students)))
    assert fields(page, "never_looked") == [2]
    assert fields(page, "from_physics") == [1]
    assert "What stands here of 1\xa0student is from physics only" in page.text()


def test_the_ends_of_the_scale_are_those_drawn(parse) -> None:
    margin = np.array([-3.2, -2.4, -0.9, 0.6, 9.3])
    page = parse(render(make_roster([make_student("Mara K", margin=margin)])))
    low, high = map(
        int, re.search(r"runs from about (\S+) to (\S+)\s", page.text().replace("−", "-")).groups()
    )
    assert low <= margin[0]
    assert high >= margin[-1]


# "With the lead carried last, 0 kg" beside a row of 2.5 kg: the last dive was one of another group.
@pytest.mark.parametrize(("groups", "said"), [(("Course 9",), True), ((), False)])
def test_dangers_may_be_of_dives_outside_the_groups(parse, groups, said) -> None:
    page = parse(render(make_roster(groups=groups)))
    assert ("from later dives outside these groups too" in page.text()) == said


def test_costs_and_their_sum(parse) -> None:
    data = make_roster()
    page = parse(render(data))
    costs = rows(page, data_cost=True)
    assert len(costs) == 8
    assert fields(costs[0], "extra_mass_kg") == [1.9]
    assert [fields(costs[0], name)[0] for name in ("stop_l", "depth_l", "depth_right_l", "free_gas_l")] == [
        1.68, 4.3, 2.62, 4.06,
    ]  # fmt: skip
    assert fields(page, "total.extra_mass_kg") == [pytest.approx(8 * 1.9)]


def test_more_gas_than_the_bc_holds_asks_whether_the_lead_is_a_slip(parse) -> None:
    """Arithmetic: 11.5 L at the stop do not go into a BC of 9 L; in a dry suit gas may be in the suit."""
    much = replace(make_student().cost, extra_mass_kg=13.0, stop_l=11.5)
    told = {
        "Kid": {"cost": replace(much, lift_l=9.0)}, "Big": {"cost": replace(much, lift_l=15.0)},
        "Dry": {"cost": replace(much, lift_l=9.0), "dry": True}, "Any": {"cost": much},
    }  # fmt: skip
    page = parse(render(make_roster([make_student(name, **cells) for name, cells in told.items()])))
    said = {name: page.one("tr", data_cost=name).text().replace("\xa0", " ") for name in told}
    assert "11.5 the BC holds 9.0 L: is the lead a slip?" in said["Kid"]
    assert not any("slip" in said[name] for name in ("Big", "Dry", "Any"))


def test_courses_by_group_and_leader(parse) -> None:
    data = make_roster()
    page = parse(render(data))
    for name, changes in (("group", data.groups_change), ("leader", data.leaders_change)):
        table = page.one("table", data_table=name)
        for change in changes:
            row = table.one("tr", data_name=change.name)
            for field in ("mean_kg", "pooled_kg", "low_kg", "high_kg"):
                assert fields(row, field) == [pytest.approx(getattr(change, field), abs=1e-4)]
            assert fields(row, "looked") == [pytest.approx(change.looked.share, abs=1e-4)]
    curve = page.one("table", data_table="curve")
    assert len(curve.all("tr")) == 9
    assert len(page.all("svg")) == 2


@pytest.mark.parametrize("name", HOSTILE)
def test_names_are_text(parse, name) -> None:
    students = [make_student(name, group=name, suit=name, leader=name)]
    data = make_roster(
        students, groups=(name or "x",), book=name, groups_change=(make_change(name),),
        leaders_change=(make_change(name),),
    )  # fmt: skip
    text = render(data)
    page = parse(text)
    assert "<script" not in text
    assert "\x00" not in text
    assert page.all("script") == []
    shown = name.replace("\x00", "\ufffd") or "Student without a name"
    assert any(shown in e.text() for e in page.all("bdi"))


def test_nothing_known_says_so(parse) -> None:
    none = Trend(np.array([], "datetime64[s]"), np.zeros(0), np.zeros(0), NAN)
    one = make_student(
        lead_kg=NAN, margin=np.full(5, NAN), p_too_light=NAN, p_too_heavy=NAN, p_heavy_most=NAN, last_dives=0,
        look_kg=NAN, handed_kg=NAN, p_sinks=NAN, p_heavy_if_sinks=NAN, p_heavy_if_not=NAN, trend=none,
        cost=Cost(*[NAN] * 6), date=np.datetime64("NaT"), next_lead_kg=7.0,
    )  # fmt: skip
    page = parse(render(make_roster([one])))
    assert "No lead noted" in page.text()
    assert "note the lead first" in page.text()
    assert "nan" not in page.text().lower()
    assert "Next: 7" in page.text()


def test_empty_roster(parse) -> None:
    data = make_roster(
        [], overall=None, groups_change=(), leaders_change=(), groups=(), since=np.datetime64("NaT"),
        curve=Curve(np.zeros(0, int), np.zeros(0, int), np.zeros(0), np.zeros(0)), fitted=None,
    )  # fmt: skip
    page = parse(render(data))
    assert "No dive of a student is recorded here yet" in page.text()
    assert "All students" in page.text()


def test_long_roster_unfolds_and_holds_everybody(parse) -> None:
    students = [make_student(f"Nr {i:03d}") for i in range(OPEN_ROWS + 7)]
    page = parse(render(make_roster(students)))
    assert len(rows(page, data_diver=True)) == OPEN_ROWS + 7
    folded = [e for e in page.all("details") if rows(e, data_diver=True)]
    assert [len(rows(e, data_diver=True)) for e in folded] == [7]


def test_cautions_and_where_it_comes_from(parse) -> None:
    page = parse(render(make_roster()))
    text = page.text()
    assert "An in-water check overrules these numbers" in text
    assert "training agency" in text
    assert "below the planned reserve" in text
    assert "school.duckdb" in text
    assert fields(page, "evidence") == [14]
    assert fields(page, "leaders_left_out") == [3]


def test_page_needs_nothing_else_and_is_the_same_each_time(tmp_path) -> None:
    data = make_roster()
    text = render(data)
    assert text == render(data)
    assert "http" not in text.replace("http-equiv", "")
    assert "<script" not in text
    path = write(data, tmp_path / "roster.html")
    assert path.read_text(encoding="utf-8") == text


def test_units_are_two() -> None:
    with pytest.raises(ValueError, match="metric or imperial, got 'stone'"):
        make_roster(units="stone")


@pytest.mark.parametrize(
    ("next_lead", "check", "words"),
    [
        (8.5, False, "Keep 8.5 kg."),
        (9.5, False, "Raise to 9.5 kg, 1 kg more."),
        (8.0, False, "Lower to 8 kg, 0.5 kg less."),
        (8.0, True, ""),
        (NAN, False, ""),
    ],
)
def test_lead_for_the_next_dive_in_words(next_lead, check, words) -> None:
    one = make_student(next_lead_kg=next_lead, bring_kg=next_lead, check_first=check)
    text = RosterReading("metric").next_lead(one, 0.05, 0.5).striptags().replace("\xa0", " ")
    assert text.strip() == words


@pytest.mark.parametrize(
    ("carried", "pounds", "light", "words"),
    [
        (5.0, 11, 0.01, "Keep 11 lb."),  # 11.02 lb
        (0.5, 1, 0.01, "Keep 1.1 lb."),
        (6.0, 13, 0.01, "Keep 13.2 lb."),
        (8.0, 17, 0.01, "Lower to 17 lb, 0.6 lb less."),
        (4.0, 9, 0.02, "Keep 8.8 lb."),
        (4.0, 9, 0.06, "Raise to 9 lb, 0.2 lb more."),  # too light for the risk: that little is to be added
    ],
)
def test_who_carries_what_is_called_for_but_for_rounding_stays_with_it(carried, pounds, light, words) -> None:
    """By hand: 1 kg is 2.2046 lb. "Lower to 11 lb, 0 lb less" told nobody what to do."""
    one = make_student(
        lead_kg=carried, next_lead_kg=pounds * POUND, bring_kg=pounds * POUND, p_too_light=light
    )
    text = RosterReading("imperial").next_lead(one, 0.05, POUND).striptags().replace("\xa0", " ")
    assert text.strip() == words


def test_lead_that_no_record_has_proven_is_not_called_too_little() -> None:
    one = make_student(next_lead_kg=11.0, bring_kg=8.0, p_too_light=0.03)
    text = RosterReading("metric").next_lead(one, 0.05, 0.5).striptags().replace("\xa0", " ")
    assert text.strip() == "8.5 kg seems right, but no stop with so little is proven."


def test_blocks_of_another_unit_do_not_change_whether_a_lead_is_proven() -> None:
    """17.6 lb were carried: 18 lb are called for, rounded up to pounds, and the step is held at 19."""
    pound = 0.45359237
    held = make_student(lead_kg=8.0, next_lead_kg=19 * pound, bring_kg=18 * pound, p_too_light=0.034)
    assert unproven(held, 0.05)
    # 26.5 lb are proven; blocks of 2 lb make 28 of them, which nothing holds up.
    rounded = make_student(lead_kg=12.0, next_lead_kg=28 * pound, bring_kg=28 * pound, p_too_light=0.01)
    assert not unproven(rounded, 0.05)
    short = make_student(lead_kg=8.0, next_lead_kg=19 * pound, bring_kg=18 * pound, p_too_light=0.08)
    assert not unproven(short, 0.05)


@pytest.mark.parametrize(
    ("change", "words"),
    [(-1.5, "down by 1.5 kg over 3 dives"), (0.8, "up by 0.8 kg over 3 dives"), (0.1, "steady over 3 dives"),
     (NAN, "3 dives")],
)  # fmt: skip
def test_way_in_words(change, words) -> None:
    one = make_student()
    one = replace(one, trend=replace(one.trend, change_kg=change))
    assert RosterReading("metric").way(one).striptags().replace("\xa0", " ") == words


def test_words_of_what_it_rests_on() -> None:
    for word in BASES:
        assert basis(make_student(basis=word))
    assert basis(make_student(basis="both", looks=1)).endswith("1 look in this suit")
    assert basis(make_student(basis="sank", looks=0, lead_kg=0.0)).startswith(
        "Sank at a stop without any lead;"
    )


def test_of_a_dry_suit_is_said_what_a_look_lacks(parse) -> None:
    """A BC noted empty is no look in a suit that may be full of gas: what is missing is the note of that."""
    wanted = "no look with the suit vented"
    for word in ("physics", "sank"):
        said = basis(make_student(basis=word, dry=True, unvented=3))
        assert wanted in said
        assert "looked at" not in said
        assert said.endswith("BC empty at 3 stops in a dry suit, without a note that it was vented")
    assert basis(make_student(dry=True)).endswith(wanted)
    assert "1 stop in a dry suit" in basis(make_student(basis="elsewhere", unvented=1))
    assert "vented" not in basis(make_student(basis="both", looks=2, dry=True, unvented=1))
    for dry in (True, False):
        text = parse(render(make_roster([make_student(dry=dry)]))).text()
        assert text.count("(in a dry suit: vented as well)") == (1 if dry else 0)
    assert (span(1), span(4)) == ("on the last dive", "of the last 4")
    assert course(NAN) == ""
    assert title(["A", "B"]) == "A, B"


def test_no_word_of_a_smooth_line_where_there_is_none(parse) -> None:
    bare = Curve(np.arange(1, 5), np.full(4, 3), np.linspace(2.0, 1.0, 4), np.full(4, np.nan))
    text = render(make_roster(curve=bare))
    assert "mooth" not in text.partition('<section class="broad" id="course">')[2].partition("</section>")[0]
    assert len(parse(text).one("table", data_table="curve").all("th")) == 3 + 4
    assert "Smooth line" in render(make_roster())


# Estimated litres of gas in the BC, hand-offs and surface checks are looks too (`roster_scope.looks`): of a
# diver whose BC never was empty, "looked at with an empty BC" would not be true.
@pytest.mark.parametrize("looks", [0, 2])
def test_looked_at_is_said_once_as_it_is_counted(parse, looks) -> None:
    one = make_student(looks_ever=looks, looks=looks, basis="both" if looks else "physics", status="look")
    text = parse(render(make_roster([one]))).text().replace("\xa0", " ")
    assert "looked at with" not in text.lower()
    meaning = "BC empty at the stop or its litres estimated, lead handed off, or a surface check"
    assert text.count(f"Looked at: {meaning}.") == 1
    assert text.count("Looked at:") == 1
    assert ("Everybody has been looked at once or more." in text) == bool(looks)
    assert ("1 student has never been looked at, of 1" in text) == (not looks)
    assert "A hover with an unknown amount of gas in the BC proves that the lead was enough" in text
