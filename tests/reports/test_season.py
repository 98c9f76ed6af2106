"""The page says what the data say, whoever the diver is.

Kind of every expected value here: independent. Numbers are read back from the page and compared with the
data it was made from; imperial text is compared with pint's conversion, not with the package's own.
"""

import hashlib
import math
import os
import re
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pint
import pytest

from leadline.decide.season_data import SeasonDives
from leadline.reports import index
from leadline.reports import season as report

CONFTEST = Path(__file__).with_name("conftest.py")
UNITS = pint.UnitRegistry()
MINUS = "−"

# Figures that belong to the sentences of the page: shares of the bands, the zero of the scale.
WORDS_OF_THE_PAGE = {"80", "95", "100", "0"}


def number(element):
    """The exact value of a `<data>` element; NaN where it is empty."""
    value = element.attributes["value"]
    return float(value) if value else math.nan


def shown(value, units, decimals=1):
    """Text of a mass in kg as the reader should see it, by way of pint."""
    if math.isnan(value):
        return "–"
    if units == "imperial":
        value = UNITS.Quantity(value, "kg").to("lb").magnitude
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if not text.strip("-0.") else text.replace("-", MINUS)


def figures(element):
    return [number(d) for d in element.all("data")]


def assert_same(found, expected):
    np.testing.assert_allclose(found, expected, rtol=0, atol=5.1e-5)


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_answer_equals_the_data(season, parse, units):
    data = season(units=units)
    page = parse(report.render(data))
    s = data.suggestion
    expected = {
        "suggestion.lead_kg": s.lead_kg,
        "suggestion.p_too_light": s.p_too_light,
        "suggestion.p_too_heavy": s.p_too_heavy,
        "suggestion.need_at_bar": s.need_at_bar,
        "suggestion.need.q10": s.need[1],
        "suggestion.need.q50": s.need[2],
        "suggestion.need.q90": s.need[3],
        "suggestion.low_need.q50": s.low_need[2],
        "suggestion.need_mean_kg": s.need_mean_kg,
        "suggestion.need_sd_kg": s.need_sd_kg,
        "prior.mean": data.prior.mean,
        "prior.sd": data.prior.sd,
        "prior.band.q10": data.prior.band[1],
        "prior.band.q90": data.prior.band[3],
        "learned.need.q10": s.need[1],
        "learned.need.q90": s.need[3],
        "ledger.depth": data.ledger.depth[0],
        "ledger.pressure": data.ledger.pressure[0],
        "dives": len(data.dives),
        "dives_used": data.dives_used,
        "checks": len(data.checks),
        "checks_used": data.checks_used,
    }
    fields = {d.attributes["data-field"]: number(d) for d in page.all("data") if "data-field" in d.attributes}
    found = {name: v for name, v in fields.items() if not name.startswith(("card.", "change."))}
    assert found.keys() == expected.keys()
    assert_same(list(found.values()), [expected[name] for name in found])
    mass = "lb" if units == "imperial" else "kg"
    need = page.all("data", data_field="suggestion.need.q50")[0]
    assert need.text() == f"{shown(s.need[2], units)}\u00a0{mass}"


def bounds(row) -> list[float]:
    """Least lead of a dive after its check, if it is told."""
    return [] if np.isnan(row.dive_at_least_kg) else [row.dive_at_least_kg]


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_card_and_change_equal_the_data(season, parse, units):
    data = season(units=units)
    page = parse(report.render(data))
    for i, row in enumerate(data.card):
        cells = page.one("tr", data_card=str(i)).all("td")
        bring = [row.after_check_kg, *bounds(row), row.bring_kg] if row.check_first else []
        shift = [row.need[2] - data.card[0].need[2]] if row.changed else []
        expected = [row.lead_kg, *bring, row.need[2], row.need[1], row.need[3], *shift]
        assert_same([v for cell in cells for v in figures(cell)], expected)
        assert cells[2].text() == shown(row.need[2], units)
    for name, part in (("before", data.change.before), ("now", data.change.now)):
        for field in ("dives", "looks", "rose", "sank", "margin_kg", "body_mass_kg"):
            (found,) = page.all("data", data_field=f"change.{name}.{field}")
            assert_same([number(found)], [getattr(part, field)])
        need = [number(page.one("data", data_field=f"change.{name}.need.{q}")) for q in ("q10", "q50", "q90")]
        assert_same(need, part.need[1:4].tolist())
    assert number(page.one("data", data_field="change.break_days")) == data.change.break_days
    # Dives with estimated litres or a hand-off count too, surface checks do not.
    section = page.one("section", id="change").text()
    assert "with an empty BC" not in section
    assert (
        "Looked at: BC empty at the stop or its litres estimated (in a dry suit: vented as well), or lead "
        "handed off." in section
    )


def test_imperial_units_by_pint(season, parse, suggestion):
    answer = suggestion(
        lead_kg=UNITS.Quantity(14, "lb").to("kg").magnitude, need_at_bar=34.4738, low_bar=20.6843
    )
    page = parse(report.render(season(units="imperial", suggestion=answer)))
    assert page.one("p", _class="lead").text() == "14\u00a0lb"
    assert page.one("data", data_field="suggestion.need_at_bar").text() == "500\u00a0psi"
    assert "Need at 300\u00a0psi" in page.text()
    assert page.one("data", data_field="ledger.depth").text() == "16\u00a0ft"
    assert not re.search(r"\d\u00a0(kg|bar|m)\b", page.text())


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_every_dive_equals_the_data(season, parse, units):
    data = season(47, units=units)
    page = parse(report.render(data))
    d = data.dives
    rows = page.all("tr", role="row")
    rows = [row for row in rows if "data-dive" in row.attributes]
    assert [row.attributes["data-dive"] for row in rows] == d.dive.tolist()[::-1]
    for row, i in zip(rows, range(len(d) - 1, -1, -1), strict=True):
        lead, seen, _, need, margin, light, heavy = row.all("td")[1:]
        assert_same(figures(lead), [d.lead[i]])
        noted = [v for v in (d.bc_gas[i], d.end_pressure[i], abs(d.handed_off[i])) if not math.isnan(v)]
        assert_same(figures(seen), noted)
        known = not math.isnan(d.need[i, 2])
        assert_same(figures(need), [d.need[i, 2], d.need[i, 1], d.need[i, 3]] if known else [math.nan])
        assert_same(
            figures(margin) + figures(light) + figures(heavy),
            [d.margin[i], d.p_too_light[i], d.p_too_heavy[i]],
        )
        assert need.all("data")[0].text() == shown(d.need[i, 2], units)
        assert margin.text().lstrip("+") == shown(d.margin[i], units)
        assert row.one("time").attributes["datetime"] == str(d.date[i])[:10]


def test_words_of_a_dive(season, parse):
    data = season(6)
    d = replace(
        data.dives,
        stop_result=np.array(["hovered", "rose", "sank", "", "hovered", "hovered"], object),
        bc_state=np.array(["gas", "empty", "unknown", "", "", "empty"], object),
        handed_off=np.array([1.0, np.nan, np.nan, np.nan, -0.5, np.nan]),
        handed_off_result=np.array(["rose", "", "", "", "", ""], object),
        handed_off_bc=np.array(["gas", "", "", "", "", ""], object),
        descent=np.array(["easy", "effort", "no", "", "", ""], object),
        bc_gas=np.full(6, np.nan),
        end_pressure=np.full(6, np.nan),
    )
    page = parse(report.render(replace(data, dives=d)))
    seen = [row.all("td")[2].text() for row in page.all("tr") if "data-dive" in row.attributes][::-1]
    assert seen == [
        "Hovered, gas in BC; gave away 1\u00a0kg, then rose, gas in BC",
        "Rose, BC empty; effort to get under",
        "Sank, BC not known; could not get under",
        "Stop not watched",
        "Hovered, BC not noted; took on 0.5\u00a0kg, then not watched",
        "Hovered, BC empty",
    ]


def test_checks_learned_and_ledger_equal_the_data(season, parse):
    data = season(12, checks=5)
    page = parse(report.render(data))
    c = data.checks
    rows = [row for row in page.all("tr") if "data-check" in row.attributes]
    assert [row.attributes["data-check"] for row in rows] == c.check.tolist()[::-1]
    for row, i in zip(rows, range(len(c) - 1, -1, -1), strict=True):
        bound = math.isnan(c.need_sd[i])
        assert_same(figures(row), [c.lead[i], c.need[i]] + ([] if bound else [c.need_sd[i]]))
        assert ("at most" in row.text()) == bound
    parts = page.all("tr", data_row="learned")
    assert [row.one("bdi").text() for row in parts] == [part.label for part in data.learned]
    assert_same([figures(row) for row in parts], [[part.kg, part.sd] for part in data.learned])
    book = data.ledger
    items = page.all("tr", data_row="item")
    assert [row.one("bdi").text() for row in items] == list(book.item)
    first = np.stack([book.net_buoyancy[:, 0], book.sd[:, 0], book.mass[:, 0], book.volume[:, 0]], axis=1)
    assert_same([figures(row) for row in items], first)
    assert_same([figures(row) for row in page.all("tr", data_row="states")], book.net_buoyancy)
    assert_same(figures(page.one("tr", data_row="states-total")), book.total)
    assert_same(figures(page.one("tr", data_row="states-lead")), book.lead)
    assert_same(
        figures(page.one("tr", data_row="total")) + figures(page.one("tr", data_row="lead")),
        [book.total[0], book.lead[0]],
    )


@pytest.mark.parametrize("count", [0, 1, 34])
def test_no_figure_stands_outside_the_data(season, parse, count):
    page = parse(report.render(season(count, checks=min(count, 3))))
    for ticks in page.all("div", _class="ticks"):
        ticks.children.clear()  # the scale under the bars, checked by the places of its ticks
    text = page.text(without={"data", "time", "bdi", "style", "title", "svg"}).replace("leadline 0.1.0", "")
    assert set(re.findall(r"\d[\d.,]*", text)) <= WORDS_OF_THE_PAGE


def test_negative_need_reads_as_already_heavy(season, parse, suggestion):
    answer = suggestion(lead_kg=0.0, bring_kg=0.0, need=np.array([-3.0, -2.2, -1.2, -0.3, 0.2]))
    page = parse(report.render(season(suggestion=answer)))
    body = page.one("div", _class="answer")
    assert "Need with 35\u00a0bar left: already heavy by 1.2\u00a0kg" in body.text()
    assert number(page.all("data", data_field="suggestion.need.q50")[0]) == -1.2
    assert body.one("p", _class="lead").text() == "0\u00a0kg"
    assert "Below 0: already heavy with no lead on." in body.text()


def test_check_first_comes_with_the_lead_to_have_at_hand(season, parse, suggestion):
    answer = suggestion(check_first=True, lead_kg=6.5, bring_kg=9.0)
    text = parse(report.render(season(suggestion=answer))).one("div", _class="answer").text()
    assert "Begin a surface check with" in text
    assert "Have in all at hand: 9\u00a0kg" in text
    assert "Check first." in text
    plain = parse(report.render(season())).one("div", _class="answer").text()
    assert "Check first." not in plain
    assert "Surface check first: not asked for" in plain
    assert "not asked for" not in text
    assert "Lead to put on" in plain


def test_the_answer_comes_first_and_the_standing_caution_next(season):
    page = report.render(season())
    order = ["<h1", "Lead to put on", "Next step", "An in-water check overrules", "Legend of the charts"]
    order += [
        "Where the number comes from",
        "The forces behind it",
        "<h2>Dives",
        "<h2>Cautions",
        "Model fitted",
    ]
    places = [page.index(mark) for mark in order]
    assert places == sorted(places)
    for word in ("instructor", "training agency", "rules of the place"):
        assert word in page


def test_page_from_a_day_on_does_not_say_that_nothing_is_recorded(season):
    """Records before that day carry the number above it."""
    text = " ".join(report.render(season(0, checks=0, since=np.datetime64("2030-01-01", "D"))).split())
    assert "No dives and no surface checks are recorded from that day on. The next" in text
    assert "recorded yet" not in text
    assert "recorded yet. The first" in " ".join(report.render(season(0, checks=0)).split())


def test_a_diver_without_anything_still_has_a_page(season, parse):
    data = season(
        0, checks=0, suggestion=None, prior=None, learned=(), ledger=None, fitted=None, unlearned=True
    )
    page = parse(report.render(data))
    assert "No number yet" in page.text()
    assert not page.all("svg")
    assert "An in-water check overrules any number." in page.text()
    assert "never: all numbers are physics alone" in page.text()
    assert "Model fitted" not in report.render(season(0, checks=0, fitted=None))  # nobody said


# "Need was read at a surface check" beside "Check first" sounded as if it were known.
def test_a_check_of_the_past_is_not_the_need_of_the_next_dive(season, parse, suggestion):
    page = parse(report.render(season(suggestion=suggestion(evidence="measured", check_first=True))))
    rests = page.one("div", _class="answer").one("p", _class="key rests").text()
    assert rests == "A surface check in kit like this shows where need was on that day."


# A phone hides the heads of the columns: "lead 2" beside a check is not the lead to dive with.
@pytest.mark.parametrize(("first", "name"), [(True, "begin with"), (False, "lead")])
def test_the_lead_of_a_check_is_named_so_on_a_phone(season, parse, suggestion, first, name):
    data = season(suggestion=suggestion(check_first=first, lead_kg=2.0, bring_kg=3.5))
    entry = index.Entry("season-ines.html", data)
    listed = parse(index.render([entry], units="metric", book="club", generated=data.generated))
    row = listed.one("tr", data_row="diver")
    assert row.one("td", data_name=f"{name}, kg").text() == "2"
    assert ("have 3.5\u00a0kg in all at hand" in row.text()) == first
    card = parse(report.render(data))
    for i, line in enumerate(data.card):
        word = "begin with" if line.check_first else "lead"
        assert len(card.one("tr", data_card=str(i)).all("td", data_name=word)) == 1


def test_unknown_numbers_read_as_dashes(season, parse, suggestion):
    nothing = np.full(5, np.nan)
    answer = suggestion(
        lead_kg=math.nan,
        bring_kg=math.nan,
        p_too_light=math.nan,
        p_too_heavy=math.nan,
        need=nothing,
        low_need=nothing,
        low_bar=math.nan,
        need_mean_kg=math.nan,
        need_sd_kg=math.nan,
    )
    dives = season(5).dives
    blank = replace(
        dives,
        need=np.full((5, 5), np.nan),
        lead=np.full(5, np.nan),
        margin=np.full(5, np.nan),
        p_too_light=np.full(5, np.nan),
        date=np.full(5, np.datetime64("NaT", "s")),
    )
    page = report.render(season(5, dives=blank, suggestion=answer))
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL).lower()
    assert "nat" not in re.findall(r'datetime="([^"]*)"', page.lower())
    assert parse(page).one("p", _class="lead").text() == "–\u00a0kg"


HOSTILE = (
    "<script>alert('1')</script>\"&{{ 7*7 }} \u202e\u200f\u0644\u0645\u0649 \U0001f419 $x_1$ </style><!--"
)


def with_text(data, text):
    """The same season with `text` at the end of everything a user can write."""
    words = {"site", "suit", "kit", "dive"}
    dives = SeasonDives(
        **{
            f.name: np.array([v and v + text for v in getattr(data.dives, f.name)], object)
            if f.name in words
            else getattr(data.dives, f.name)
            for f in fields(SeasonDives)
        }
    )
    checks = replace(
        data.checks,
        check=np.array([v + text for v in data.checks.check], object),
        suit=np.array([v + text for v in data.checks.suit], object),
    )
    answer = replace(
        data.suggestion,
        kit=tuple(v + text for v in data.suggestion.kit),
        water=data.suggestion.water + text,
        next_step=data.suggestion.next_step + text,
        cautions=tuple(v + text for v in data.suggestion.cautions),
    )
    return replace(
        data,
        diver=data.diver + text,
        book=data.book + text,
        data_version=data.data_version + text,
        dives=dives,
        checks=checks,
        suggestion=answer,
        learned=tuple(replace(part, label=part.label + text) for part in data.learned),
        ledger=replace(data.ledger, item=tuple(v + text for v in data.ledger.item)),
    )


def test_what_users_write_stays_text(season, parse):
    plain = season(8)
    hostile = with_text(plain, HOSTILE)
    page = parse(report.render(hostile))
    structure = [(e.tag, sorted(e.attributes)) for e in page.walk() if e.tag != "h1"]
    expected = [(e.tag, sorted(e.attributes)) for e in parse(report.render(plain)).walk() if e.tag != "h1"]
    assert structure == expected
    assert not page.all("script")
    assert page.one("h1").text() == hostile.diver
    assert {s.text() for s in page.all("h3")} == set(hostile.dives.suit)
    assert [i.text() for i in page.one("dl", _class="for").all("bdi")] == [
        *hostile.suggestion.kit,
        hostile.suggestion.water,
    ]


def test_characters_no_page_may_hold_are_replaced(season, parse):
    page = report.render(season(1, diver="Ida\x00\x1b \ud800 B."))
    assert parse(page).one("h1").text() == "Ida\ufffd\ufffd \ufffd B."
    page.encode("utf-8")


def test_a_name_of_three_hundred_characters_is_shown_whole(season, parse):
    name = ("Anneliese-Margarethe von und zu " * 10)[:300]
    assert parse(report.render(season(1, diver=name))).one("h1").text() == name


def test_nothing_is_fetched_and_nothing_runs(season, parse):
    text = report.render(season(20))
    assert not re.search(r"https?:|//[a-z]|@import|url\((?!#)|javascript:|\ssrc=|\son[a-z]+=", text)
    page = parse(text)
    assert not page.all("script") + page.all("link") + page.all("img") + page.all("iframe")
    assert all(a.attributes["href"].startswith("#") for a in page.walk() if "href" in a.attributes)
    policy = [m.attributes["content"] for m in page.all("meta") if "http-equiv" in m.attributes]
    assert policy == ["default-src 'none'; style-src 'unsafe-inline'"]


def test_ids_are_unique_and_every_reference_has_its_target(season, parse):
    text = report.render(season(40))
    ids = [e.attributes["id"] for e in parse(text).walk() if "id" in e.attributes]
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'(?:href="|url\()#([^")]+)', text)) <= set(ids)


def test_page_can_be_read_without_seeing_it(season, parse):
    page = parse(report.render(season()))
    assert page.one("html").attributes["lang"] == "en"
    assert [h.tag for h in page.walk() if h.tag in ("h1", "h2", "h3")][:2] == ["h1", "h2"]
    for drawing in page.all("svg"):
        assert drawing.attributes.get("role") == "img" or drawing.attributes.get("aria-hidden") == "true"
        assert drawing.attributes.get("aria-label") or drawing.attributes.get("aria-hidden")
    for table in page.all("table"):
        assert table.all("caption")
        assert all("scope" in th.attributes for th in table.all("th"))
        width = len(table.one("thead").one("tr").all("th") + table.one("thead").one("tr").all("td"))
        for row in table.one("tbody").all("tr"):
            assert len(row.all("th") + row.all("td")) == width


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_size_of_a_long_season(season, units):
    text = report.render(season(200, checks=12, units=units, diver="Ø" * 300))
    assert len(text.encode()) <= 400_000


def test_of_a_longer_season_the_latest_dives_are_shown(season, parse):
    page = parse(report.render(season(report.MOST_DIVES + 75)))
    rows = [row.attributes["data-dive"] for row in page.all("tr") if "data-dive" in row.attributes]
    assert rows == [f"V{i:03d}" for i in range(275, 75, -1)]
    assert "The latest 200\u00a0dives of 275\u00a0dives are drawn and listed here" in page.text()
    assert number(page.one("data", data_field="dives")) == 275


def test_many_suits_share_the_last_chart(season, parse):
    data = season(30)
    suits = np.array([f"Suit {i % 7}" for i in range(30)], object)
    page = parse(report.render(replace(data, dives=replace(data.dives, suit=suits))))
    titles = [h.text() for h in page.all("h3")]
    assert len(titles) == report.MOST_PANELS
    assert sum(title.count("Suit") for title in titles) == 7


def test_same_data_same_bytes(season):
    first = report.render(season(30))
    with mpl.rc_context(
        {"font.size": 30, "svg.fonttype": "path", "svg.hashsalt": None, "axes.facecolor": "red"}
    ):
        assert report.render(season(30)) == first
    script = (
        "import hashlib, importlib.util as u\n"
        f"spec = u.spec_from_file_location('sample', {str(CONFTEST)!r})\n"
        "sample = u.module_from_spec(spec)\nspec.loader.exec_module(sample)\n"
        "from leadline.reports.season import render\n"
        "print(hashlib.sha256(render(sample.make_season(30)).encode()).hexdigest())"
    )
    other = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "PYTHONHASHSEED": "4711", "LC_ALL": "C"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert other.stdout.strip() == hashlib.sha256(first.encode()).hexdigest()


def test_importing_the_report_loads_neither_matplotlib_nor_jinja():
    script = (
        "import sys, leadline.reports.season; print(*{'matplotlib', 'jinja2', 'pandas'} & set(sys.modules))"
    )
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == ""


def test_ledger_on_a_phone_names_the_unit_of_mass_and_volume(season, parse):
    for units, mass in (("metric", "mass, kg"), ("imperial", "mass, lb")):
        rows = parse(report.render(season(units=units))).all("tr", data_row="item")
        told = {cell.attributes.get("data-name") for row in rows for cell in row.all("td")}
        assert {mass, "volume, L"} <= told


# "Too much lead" of a diver who had none on would send somebody looking for lead to take off.
def test_who_sank_without_lead_is_not_told_of_too_much(season, parse) -> None:
    data = season(n=3)
    some = replace(
        data.dives,
        lead=np.array([0.0, 4.0, np.nan]),
        evidence=np.array(["too_much", "too_much", "too_much"], object),
    )
    page = parse(report.render(replace(data, dives=some)))
    rows = [page.one("tr", data_dive=name).text() for name in some.dive.tolist()]
    assert ["heavy without any lead" in row for row in rows] == [True, False, False]
    assert ["too much lead" in row for row in rows] == [False, True, True]
