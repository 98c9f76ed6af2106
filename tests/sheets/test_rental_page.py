"""The rental page says what the data say, in either unit, whatever the suits are called.

Kind of every expected value: independent: numbers are read back from the page and compared with the data it
was made from; imperial text is compared with pint's conversion.
"""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import pint
import pytest

from leadline.reports import rental as report

from ..reports.conftest import parse_page  # noqa: TID252 (tests are on no path)
from . import sample

UNITS = pint.UnitRegistry()


def values(element):
    return [float(d.attributes["value"]) for d in element.all("data")]


def field(element, name):
    return float(element.all("data", data_field=name)[0].attributes["value"])


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_shifts_for_women_and_men_equal_the_data(units) -> None:
    data = sample.rental_data(units)
    text = report.render(data)
    for name in ("woman_kg", "man_kg"):
        shown = [float(v) for v in re.findall(rf'<data value="([^"]*)" data-field="{name}">', text)]
        both = [n for n in data.nearer if n.woman_kg == n.woman_kg and n.man_kg == n.man_kg]
        known = [round(getattr(one, name), 4) for one in both]
        assert shown == known * (len(shown) // max(len(known), 1))
        assert len(shown) >= len(known) > 0
    assert "a woman handed the lead of her class alone may be too light" in text


def test_the_page_says_why_suggest_has_other_numbers_for_the_same_stranger() -> None:
    told = parse_page(report.render(sample.rental_data("metric"))).one("li", data_name="sex").text()
    assert (
        "for a heavy body it names more lead than this table, for a light one it may begin with less" in told
    )
    assert "Ask and note the sex" in told


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_every_cell_of_the_card_equals_the_data(units) -> None:
    data = sample.rental_data(units)
    page = parse_page(report.render(data))
    for k, table in enumerate(data.tables):
        cells = page.one("table", data_table=f"card-{k}").all("td")
        assert len(cells) == len(data.classes) * len(data.outfits)
        for td in cells:
            i, j = map(int, td.attributes["data-cell"].split(","))
            cell = table.cells[i][j]
            assert td.attributes["data-name"] == data.outfits[j].label
            assert td.attributes["class"] == cell.evidence
            expected = [cell.lead_kg]
            expected += [cell.after_check_kg, cell.bring_kg] if cell.check_first else []
            assert values(td) == pytest.approx(expected, abs=5.1e-5)
            assert ("check" in td.text()) == cell.check_first


# "Dive with the +" is what is enough at eye level: by a head, some 2 kg, too much under water.
@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_under_water_without_lead_a_head_is_taken_off_the_card(units) -> None:
    """Independent: the least that the cells allow, 1.8 L of head or more of them all but for a block."""
    data = sample.rental_data(units)
    shown = parse_page(report.render(data)).all("data", data_field="bare_less_kg")
    for table, less in zip(data.tables, shown, strict=True):
        cells = [cell for row in table.cells for cell in row if cell.check_first]
        assert all(cell.bare_kg <= min(cell.after_check_kg, cell.bring_kg) for cell in cells)
        found = min(cell.after_check_kg - cell.bare_kg for cell in cells if cell.bare_kg > 0)
        assert values(less) == pytest.approx([found], abs=5.1e-5)
        assert 1.5 <= found <= 3.5
        assert all(cell.after_check_kg - found >= cell.bare_kg - 1e-9 for cell in cells if cell.bare_kg)


# A card hangs at the counter by itself, away from the foot of the page and from the first sheet.
def test_every_card_says_when_it_was_made_and_that_a_check_overrules_it() -> None:
    data = sample.rental_data()
    made = parse_page(report.render(data)).all("p", data_name="made")
    assert len(made) == len(data.tables) > 1
    for number, line in enumerate(made):
        assert [time.attributes["datetime"] for time in line.all("time")] == [
            str(data.generated.date()),
            str(data.latest.astype("datetime64[D]")),
        ]
        assert line.text().startswith("A check in the water overrules these numbers") == (number > 0)


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_every_row_of_bands_equals_the_data(units) -> None:
    data = sample.rental_data(units)
    page = parse_page(report.render(data))
    for k, table in enumerate(data.tables):
        for j in range(len(data.outfits)):
            rows = page.one("table", data_table=f"detail-{k}-{j}").all("tr")[1:]
            for i, row in enumerate(rows):
                cell = table.cells[i][j]
                lead, _, need, light, heavy, proof = row.all("td")
                leads = [cell.lead_kg, cell.bring_kg] if cell.check_first else [cell.lead_kg]
                assert values(lead) == pytest.approx(leads, abs=5.1e-5)
                assert values(need) == pytest.approx([cell.need_q10_kg, cell.need_q90_kg], abs=5.1e-5)
                assert values(light) == pytest.approx([cell.p_too_light], abs=5.1e-5)
                assert values(heavy) == pytest.approx([cell.p_too_heavy], abs=5.1e-5)
                words = proof.text().replace("\u00a0", " ")
                assert words.startswith(
                    {"none": "no dives", "little": "only ", "some": str(cell.dives)}[cell.evidence]
                )
                if cell.dives:
                    assert f"{cell.dives} dive" in words
                    assert f"{cell.divers} diver" in words


def test_stock_seen_and_foot_equal_the_data() -> None:
    data = sample.rental_data()
    page = parse_page(report.render(data))
    stock = data.stock.stock
    rows = page.one("table", data_table="stock").all("tr")[1:]
    for row, size, count in zip(rows, stock.sizes, stock.counts, strict=False):
        assert values(row) == pytest.approx([size, count, size * count])
    assert values(rows[-1]) == pytest.approx([sum(stock.counts), stock.total_kg])
    for row, seen in zip(page.one("table", data_table="seen").all("tr")[1:], data.seen, strict=True):
        expected = [seen.rose.of]
        for share in (seen.rose, seen.sank):
            expected += [share.share, share.low, share.high] if share.of else []
        assert values(row) == pytest.approx(expected, abs=5.1e-5)
    for name in ("at_bar", "observations", "observed_divers", "dives", "divers"):
        assert field(page, name) == getattr(data, name)
    assert field(page, "stock.renters") == data.stock.renters
    assert field(page, "stock.usual_kg") == pytest.approx(stock.usual_kg)


def test_pounds_by_pint() -> None:
    data = sample.rental_data("imperial")
    page = parse_page(report.render(data))
    head = [th.text() for th in page.one("table", data_table="card-0").all("th", role="rowheader")]
    assert head[0].startswith("90 to 110\u00a0lb ")
    for td in page.one("table", data_table="card-0").all("td"):
        i, j = map(int, td.attributes["data-cell"].split(","))
        pounds = UNITS.Quantity(data.tables[0].cells[i][j].lead_kg, "kg").to("lb").magnitude
        assert td.one("b").text() == f"{pounds:.1f}".removesuffix(".0")
    assert "\u00a0kg" not in page.text()
    assert "508\u00a0psi" in page.text()


@pytest.mark.parametrize("name", sample.NAMES.values(), ids=list(sample.NAMES))
def test_names_are_text_and_nothing_else(name) -> None:
    data = sample.rental_data(name=name)
    text = report.render(data)
    assert "<script" not in text
    page = parse_page(text)
    named = [e for e in page.all("bdi") if e.text() == name]
    assert len(named) >= 4
    assert {e.tag for e in page.walk()}.isdisjoint({"script", "b1", "iframe", "object", "form"})
    assert page.one("table", data_table="card-0").all("th", role="columnheader")[-1].text() == name


def test_words_of_a_cell() -> None:
    cell = sample.rental_data().tables[0].cells[0][0]
    said = {
        (0, 0, "none"): "no dives: physics, and what others taught",
        (1, 1, "little"): "only 1 dive, 1 diver",
        (31, 6, "some"): "31 dives, 6 divers",
    }
    for (dives, divers, evidence), words in said.items():
        other = replace(cell, dives=dives, divers=divers, evidence=evidence)
        assert report.proof(other).replace("\u00a0", " ") == words


# "few: 12 dives" beside "12 dives" of another cell would read as a slip.
@pytest.mark.parametrize(
    ("dives", "divers", "words"), [(12, 2, "few: 12 dives by 2"), (9, 2, "few: 9 dives")]
)
def test_many_dives_of_few_divers_name_the_divers(dives, divers, words) -> None:
    data = sample.rental_data()
    first, *rest = data.tables[0].cells
    cells = ((replace(first[0], dives=dives, divers=divers, evidence="little"), *first[1:]), *rest)
    page = parse_page(report.render(replace(data, tables=(replace(data.tables[0], cells=cells),))))
    cell = page.one("table", data_table="card-0").one("td", data_cell="0,0")
    assert cell.all("small", _class="proofs")[0].text().replace("\u00a0", " ") == words


def test_many_suits_are_parted_evenly() -> None:
    data = sample.rental_data()
    nine = replace(
        data,
        outfits=(*data.outfits, *data.outfits[:2]),
        tables=tuple(replace(t, cells=tuple((*r, *r[:2]) for r in t.cells)) for t in data.tables),
        seen=(*data.seen, *data.seen[:2]),
    )
    cards = parse_page(report.render(nine)).all("table", data_table="card-0")
    assert [len(card.all("th", role="columnheader")) - 1 for card in cards] == [4, 5]


def test_page_is_whole_small_and_the_same_again(tmp_path) -> None:
    data = sample.rental_data()
    text = report.render(data)
    assert text == report.render(data)
    assert len(text.encode()) < 400_000
    assert "http" not in text.replace("http-equiv", "")
    path = report.write(data, tmp_path / "rental.html")
    assert path.read_text(encoding="utf-8") == text
    assert [p.name for p in tmp_path.iterdir()] == ["rental.html"]


class Headings(HTMLParser):
    """Levels of the headings, in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.levels: list[int] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if len(tag) == 2 and tag[0] == "h" and tag[1].isdigit():
            self.levels.append(int(tag[1]))


def test_headings_step_down_by_one() -> None:
    levels = Headings(report.render(sample.rental_data())).levels
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_an_end_of_the_scale_that_rounds_to_nothing_has_no_sign(monkeypatch) -> None:
    monkeypatch.setattr(report, "_scale", lambda data, reading: report.Scale(-0.4, 34.2))
    text = parse_page(report.render(sample.rental_data("imperial"))).text().replace("\u00a0", " ")
    assert "the scale is about 0 to 34 lb" in text
    monkeypatch.setattr(report, "_scale", lambda data, reading: report.Scale(-1.6, 34.2))
    text = parse_page(report.render(sample.rental_data("imperial"))).text().replace("\u00a0", " ")
    assert "the scale is about −2 to 34 lb" in text
