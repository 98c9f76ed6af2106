"""The sheets in a browser: phone and desk, light, dark and on paper, by keyboard and by rule.

Kind of expected values: independent, measured by the browser. Paper: A4 (ISO 216) and US letter (ANSI
Y14.1), less the margins of the style sheet, at 96 CSS pixels an inch. Widths of 390, 820 and 1280 CSS pixels
stand for a phone, a tablet and a desk (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from leadline.reports import boat, rental

from . import sample

pytestmark = pytest.mark.browser

PHONE, TABLET, DESK = 390, 820, 1280
MARGINS = (15 + 15, 14 + 16)  # mm across and down
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # mm

PAGES = {
    "rental": lambda folder: rental.write(sample.rental_data(), folder / "rental.html"),
    "rental-lb": lambda folder: rental.write(sample.rental_data("imperial"), folder / "rental-lb.html"),
    "rental-unbroken": lambda folder: rental.write(
        sample.rental_data(name=sample.UNBROKEN), folder / "rental-unbroken.html"
    ),
    "rental-script": lambda folder: rental.write(
        sample.rental_data(name=sample.SCRIPT), folder / "rental-script.html"
    ),
    "boat": lambda folder: boat.write(sample.boat_data(), folder / "boat.html"),
    "boat-lb": lambda folder: boat.write(sample.boat_data("imperial"), folder / "boat-lb.html"),
    "boat-unbroken": lambda folder: boat.write(
        sample.boat_data(name=sample.UNBROKEN), folder / "boat-unbroken.html"
    ),
    "boat-script": lambda folder: boat.write(
        sample.boat_data(name=sample.SCRIPT), folder / "boat-script.html"
    ),
}

# 320 px: W3C, WCAG 2.1 (2018), success criterion 1.4.10, reflow (published, from memory). The others lie on
# both sides of the widths where the pages change.
WIDTHS = (320, PHONE, 767, 768, TABLET, 1087, 1088, DESK)

BEYOND = """() => [...document.querySelectorAll('body *')]
    .filter(e => e.checkVisibility() && !e.closest('.hidden, .stack thead'))
    .map(e => [e.tagName, e.className, e.getBoundingClientRect()])
    .filter(([name, kind, box]) => box.width && (box.right > innerWidth + 0.5 || box.left < -0.5))
    .map(([name, kind, box]) => `${name} ${kind} ${box.left} ${box.right}`)"""

# Text that its own box cannot hold would run over its neighbour.
SPILT = """() => [...document.querySelectorAll('td, th, dd, li')]
    .filter(e => e.checkVisibility() && !e.closest('.hidden') && e.scrollWidth > e.clientWidth + 1
        && getComputedStyle(e).display !== 'inline' && !e.closest('.stack thead'))
    .map(e => `${e.tagName} ${e.className} ${e.textContent.slice(0, 40)}`)"""


@pytest.mark.parametrize("kind", PAGES)
def test_page_fits_its_window_at_every_width(kind, visit, tmp_path) -> None:
    page = visit(PAGES[kind](tmp_path), PHONE)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") == width
        assert page.evaluate(BEYOND) == []
        assert page.evaluate(SPILT) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE, TABLET, DESK])
@pytest.mark.parametrize("kind", ["rental", "rental-script", "boat", "boat-script"])
def test_page_asks_for_nothing_and_keeps_quiet(kind, width, scheme, visit, tmp_path) -> None:
    path = PAGES[kind](tmp_path)
    page = visit(path, width, scheme)
    assert len(page.screenshot(full_page=True)) > 10_000
    assert page.said == []
    assert page.asked == [path.as_uri()]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["rental", "rental-lb"])
def test_the_card_of_one_water_fits_on_one_sheet_of_paper(kind, paper, visit, tmp_path) -> None:
    page = visit(PAGES[kind](tmp_path), DESK)
    page.emulate_media(media="print")
    across, down = (round((p - m) / 25.4 * 96) for p, m in zip(PAPERS[paper], MARGINS, strict=True))
    page.set_viewport_size({"width": across, "height": down})
    boxes = page.evaluate(
        "() => [...document.querySelectorAll('.sheet')].map(e => e.getBoundingClientRect())"
        ".map(b => [b.top, b.bottom])"
    )
    assert len(boxes) == 2
    assert boxes[0][1] <= down  # with the heading and the caution above it
    assert boxes[1][1] - boxes[1][0] <= down
    begins = "() => [...document.querySelectorAll('.sheet')].map(e => getComputedStyle(e).breakBefore)"
    assert page.evaluate(begins) == ["auto", "page"]  # not below the bands of the first
    smallest = page.evaluate(
        "() => Math.min(...[...document.querySelectorAll('.card td *')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize)))"
    )
    assert smallest >= 9.3  # 7 points, readable under a laminate (common practice, no source)
    assert page.evaluate(SPILT) == []


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["rental", "boat", "boat-unbroken"])
def test_print_is_light_whole_and_cuts_no_row(kind, paper, visit, tmp_path) -> None:
    page = visit(PAGES[kind](tmp_path), PHONE, "dark")
    pdf = page.pdf(format=paper, print_background=False)
    assert pdf.startswith(b"%PDF")
    assert 1 < len(re.findall(rb"/Type\s*/Page\b", pdf)) < 16
    page.emulate_media(media="print")
    across = round((PAPERS[paper][0] - MARGINS[0]) / 25.4 * 96)
    page.set_viewport_size({"width": across, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") == across
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    broken = page.evaluate(
        "() => [...document.querySelectorAll('tr')].filter(e => getComputedStyle(e).breakInside !== 'avoid')"
    )
    assert broken == []
    assert page.evaluate(SPILT) == []


def test_boxes_are_ticked_by_keyboard(visit, tmp_path) -> None:
    page = visit(PAGES["boat"](tmp_path), PHONE)
    boxes = page.get_by_role("checkbox")
    assert boxes.count() == 7
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    assert boxes.first.is_checked()
    assert page.get_by_role("checkbox", name="Ines: done").count() == 2  # on both dives


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_rows_are_rows_to_a_screen_reader(width, visit, tmp_path) -> None:
    data = sample.rental_data()
    page = visit(PAGES["rental"](tmp_path), width)
    card = page.get_by_role("table", name=re.compile("Lead by body mass and suit: Salt water"))
    assert card.get_by_role("rowheader").count() == len(data.classes)
    assert card.get_by_role("cell").count() == len(data.classes) * len(data.outfits)
    assert card.get_by_role("columnheader").count() == len(data.outfits) + 1


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_what_is_to_be_borrowed_is_one_running_sentence(width, visit, tmp_path) -> None:
    """A block within the sentence would part "12 there:" from "borrow 12". The heading stays one."""
    data = replace(sample.boat_data(), there=((2.0, 12), (0.5, 2)))
    page = visit(boat.write(data, tmp_path / "boat.html"), width)
    box = page.locator("[data-name='lacking']")
    shown = "all => all.map(e => getComputedStyle(e).display)"
    assert box.locator("b").evaluate_all(shown) == ["block", "inline", "inline"]
    heading, sentence = box.inner_text().strip().split("\n")
    assert heading == "More than there is."
    told = [
        f"{wanted} × {size:g} kg to load, {there} there: borrow {wanted - there}"
        for size, wanted, there in data.lacking
    ]
    assert len(told) == 2
    assert " ".join(sentence.split()).endswith("; ".join(told) + ".")


def test_on_paper_the_heading_of_a_box_runs_on_in_its_line(visit, tmp_path) -> None:
    page = visit(boat.write(sample.boat_data(), tmp_path / "boat.html"), DESK)
    page.emulate_media(media="print")
    assert page.eval_on_selector(".standing > b", "e => getComputedStyle(e).display") == "inline"
