"""The boat sheet says what the data say, in either unit, whoever is aboard.

Kind of every expected value: independent: numbers are read back from the page and compared with the data it
was made from; imperial text is compared with pint's conversion.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pint
import pytest

from leadline.decide.boat import boat
from leadline.reports import boat as report

from ..decide import club  # noqa: TID252 (tests are on no path)
from ..reports.conftest import parse_page  # noqa: TID252 (tests are on no path)
from . import sample

UNITS = pint.UnitRegistry()


def values(element):
    return [float(d.attributes["value"]) for d in element.all("data")]


def rows_of(page, number):
    return [r for r in page.all("table", data_table="dive")[number].all("tr") if r.attributes.get("data-row")]


def after_check(after) -> list[float]:
    """What to put on after a check, and the least lead if it is told."""
    return [after.more_kg] if math.isnan(after.at_least) else [after.more_kg, after.at_least]


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_every_row_equals_the_data(units) -> None:
    data = sample.boat_data(units)
    page = parse_page(report.render(data))
    assert len(page.all("table", data_table="dive")) == len(data.dives) == 2
    for number, dive in enumerate(data.dives):
        *rows, total = rows_of(page, number)
        for row, diver in zip(rows, dive.divers, strict=True):
            a = diver.answer
            tick, load, light, heavy, mind = row.all("td")
            box = tick.one("input", type="checkbox")
            assert box.attributes["aria-label"] == f"{a.diver}: done"
            pairs = zip(data.sizes, diver.pieces, strict=True)
            expected = [a.lead_kg, *(v for size, n in pairs if n for v in (n, size))]
            expected += [a.bring_kg] if a.check_first and a.bring_kg > a.lead_kg else []
            expected += [diver.after.more_kg] if diver.after is not None else []
            # Its least is named once, in the list of checks.
            told = diver.after is not None and len(after_check(diver.after)) > 1
            assert ("as above" in load.text()) == told
            assert values(load) == pytest.approx(expected, abs=5.1e-5)
            assert ("first" in load.text()) == a.check_first
            assert values(light) + values(heavy) == pytest.approx([a.p_too_light, a.p_too_heavy], abs=5.1e-5)
            who = row.one("th")
            assert who.all("b")[0].text() == a.diver
            late = [diver.late_kg, diver.late_bar] if diver.late_kg == diver.late_kg else []
            assert values(who) == pytest.approx([a.need_at_bar, *late], abs=5.1e-5)
            if a.cautions:
                assert mind.text().startswith(a.cautions[0])
        assert values(total) == pytest.approx([dive.lead_kg], abs=5.1e-5)


def test_checks_first_are_listed_in_order_with_their_reasons() -> None:
    data = sample.boat_data()
    items = parse_page(report.render(data)).one("ol").all("li")
    assert [item.all("b")[0].text() for item in items] == [d.answer.diver for d in data.checks]
    for item, diver in zip(items, data.checks, strict=True):
        assert all(reason in item.text() for reason in diver.reasons)
        leads = [diver.answer.lead_kg] if diver.answer.lead_kg else []
        leads += [diver.answer.bring_kg] if diver.answer.bring_kg > diver.answer.lead_kg else []
        leads += after_check(diver.after)
        leads += [diver.after.bare_kg] if diver.after.deep else []
        assert values(item) == pytest.approx(leads)


def test_how_full_the_cylinder_is_at_a_check_is_told() -> None:
    """By hand: steel 12 is rated for 232 bar, stage 7 for nothing, so 200; one start is planned."""
    data = sample.boat_data()
    assert {diver.full_bar for diver in data.checks} == {(232.0,)}
    page = parse_page(report.render(data)).one("section", id="first")
    assert "the cylinder as full as planned (232 bar): add or take off" in page.text()
    assert "at eye level, +" in page.text()
    twin = [club.plan_row("Uma"), club.plan_row("Zed", cylinder="steel 12;steel 12")]
    same = parse_page(report.render(boat(club.assess(twin, fit=club.learned()))))
    assert "the cylinder as full as planned (232 bar): add" in same.one("section", id="first").text()

    plan = [
        club.plan_row("Uma"),
        club.plan_row("Zed", cylinder="steel 12;stage 7"),
        club.plan_row(club.HOSTILE, suit="membrane", start_bar="180"),
    ]
    other = boat(club.assess(plan, fit=club.learned()), units="imperial")
    assert [diver.full_bar for diver in other.divers] == [(232.0,), (232.0, 200.0), (180.0,)]
    section = parse_page(report.render(other)).one("section", id="first")
    items = {item.all("b")[0].text(): item.text() for item in section.one("ol").all("li")}
    assert "at eye level with 3365 psi, +" in items["Uma"]
    assert "at eye level with 3365 and 2901 psi, +" in items["Zed"]
    assert "at eye level with 2611 psi, +" in items[club.HOSTILE]
    assert "the cylinder as full as planned (at each stands how full): add" in section.text()


def test_a_check_that_may_not_be_read_says_what_to_dive_with() -> None:
    data = sample.boat_data()
    one = data.checks[0]

    def said(bare):
        dives = [
            replace(
                d,
                divers=tuple(
                    replace(x, after=replace(x.after, bare_kg=bare)) if x is one else x for x in d.divers
                ),
            )
            for d in data.dives
        ]
        return parse_page(report.render(replace(data, dives=tuple(dives)))).one("ol").all("li")[0]

    assert values(said(bare=1.5))[-1] == pytest.approx(1.5)
    assert "if under water even without lead, dive with" in said(bare=1.5).text()
    assert "under water" not in said(bare=float("nan")).text()


def test_every_caution_is_somewhere_on_the_sheet() -> None:
    data = sample.boat_data()
    text = parse_page(report.render(data)).text()
    said = [caution for diver in data.divers for caution in diver.answer.cautions]
    assert said
    assert all(caution in text for caution in said)
    assert "An in-water check overrules" in text


def test_a_sheet_on_which_nobody_checks_first_has_no_list() -> None:
    data = sample.boat_data()
    calm = replace(
        data,
        dives=tuple(
            replace(d, divers=tuple(replace(x, check_place=0, reasons=()) for x in d.divers))
            for d in data.dives
        ),
    )
    assert parse_page(report.render(calm)).all("ol") == []


def test_load_equals_the_data() -> None:
    data = sample.boat_data()
    page = parse_page(report.render(data))
    rows = page.one("table", data_table="stock").all("tr")[1:]
    for row, size, count in zip(rows, data.load.sizes, data.load.counts, strict=False):
        assert values(row) == pytest.approx([size, count, size * count])
    assert values(rows[-1]) == pytest.approx([sum(data.load.counts), data.load.total_kg])
    found = {
        d.attributes["data-field"]: values_of(d) for d in page.all("data") if "data-field" in d.attributes
    }
    assert found["rows"] == 7
    assert found["checks"] == len(data.checks)
    assert found["observations"] == data.observations
    assert found["observed_divers"] == data.observed_divers


def values_of(element):
    return float(element.attributes["value"])


def test_pounds_by_pint() -> None:
    data = sample.boat_data("imperial")
    page = parse_page(report.render(data))
    for row, diver in zip(rows_of(page, 0)[:-1], data.dives[0].divers, strict=True):
        pounds = UNITS.Quantity(diver.answer.lead_kg, "kg").to("lb").magnitude
        assert row.all("td")[1].one("b").text() == f"{pounds:.0f}"
    assert not re.search(r"\d\u00a0(kg|bar)\b", page.text())


@pytest.mark.parametrize("name", sample.NAMES.values(), ids=list(sample.NAMES))
def test_names_are_text_and_nothing_else(name) -> None:
    text = report.render(sample.boat_data(name=name))
    assert "<script" not in text
    page = parse_page(text)
    assert len([e for e in page.all("bdi") if e.text() == name]) >= 3
    assert {e.tag for e in page.walk()}.isdisjoint({"script", "iframe", "object", "form"})
    assert [b.attributes["aria-label"] for b in page.all("input")].count(f"{name}: done") == 1


def test_sheet_is_whole_small_and_the_same_again(tmp_path) -> None:
    data = sample.boat_data()
    text = report.render(data)
    assert text == report.render(data)
    assert len(text.encode()) < 400_000
    assert "http" not in text.replace("http-equiv", "")
    assert report.write(data, tmp_path / "boat.html").read_text(encoding="utf-8") == text


def test_lead_to_load_comes_before_several_dives_and_each_table_says_which_dive_it_is() -> None:
    data = sample.boat_data()
    text = report.render(data)
    assert 0 < text.index('id="load"') < text.index('data-table="dive"')
    for dive, table in zip(data.dives, parse_page(text).all("table", data_table="dive"), strict=True):
        again = table.one("tr", _class="again")
        assert again.attributes["aria-hidden"] == "true"
        assert dive.dive in again.text()
    one = report.render(replace(data, dives=data.dives[:1]))
    assert one.index('data-table="dive"') < one.index('id="load"')
    assert 'class="again"' not in one
