"""The boat sheet on paper: what is needed while loading stands on one sheet.

Kind of expected values: independent, measured by the browser on paper of ISO 216 A4 (210 x 297 mm) and ANSI
letter (8.5 x 11 in), at the 96 CSS pixels an inch of the CSS Values module.
"""

import re
from datetime import datetime

import pytest
from tests.decide import club

from leadline.decide.boat import boat
from leadline.reports.boat import write

pytestmark = pytest.mark.browser

ABOARD = ("Ines", "Uma", "Noa", club.HOSTILE, "Zed")
PAPER = {"A4": (210 / 25.4 * 96, 297 / 25.4 * 96), "Letter": (8.5 * 96, 11 * 96)}
BESIDE, ABOVE = 11 / 25.4 * 96, 9 / 25.4 * 96
"""Margins of the sheet, as its style has them. [px]"""


def sheet_of(number):
    """A boat of `number` divers, several of them unknown, on one dive."""
    plan = [club.plan_row(ABOARD[i % len(ABOARD)], dive="1", group="boat") for i in range(number)]
    return boat(club.assess(plan), generated=datetime(2026, 5, 19), plan="plan.csv")


@pytest.mark.parametrize("paper", PAPER)
def test_a_boat_of_thirteen_is_loaded_from_one_sheet(visit, tmp_path, paper):
    data = sheet_of(13)
    page = visit(write(data, tmp_path / "a.html"), 1280)
    pdf = page.pdf(path=tmp_path / "a.pdf", format=paper, print_background=False)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 2
    width, height = PAPER[paper]
    page.emulate_media(media="print")
    page.set_viewport_size({"width": int(width - 2 * BESIDE), "height": int(height - 2 * ABOVE)})
    ends = "e => e.getBoundingClientRect().bottom"
    assert page.locator("#load").evaluate(ends) <= height - 2 * ABOVE
    assert page.locator("[data-table=dive] tbody tr").count() == 14
    assert page.locator("#first li").count() == len(data.checks) >= 4
    assert page.evaluate("document.documentElement.scrollWidth") <= width - 2 * BESIDE
    # Small print of 6 pt is the least that is read (common practice, no source).
    small = page.locator("#first *, .boat *").evaluate_all(
        "all => all.map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(small) >= 6 / 72 * 96


def test_water_that_all_share_is_said_once(visit, tmp_path):
    page = visit(write(sheet_of(3), tmp_path / "a.html"), 820)
    said = page.locator("[data-table=dive]").inner_text()
    assert said.count("salt water") == 1


def test_dives_are_named_again_on_paper_alone(visit, tmp_path):
    plan = [club.plan_row(diver, dive=dive) for dive in ("first", "second") for diver in ABOARD[:3]]
    data = boat(club.assess(plan), generated=datetime(2026, 5, 19), plan="plan.csv")
    page = visit(write(data, tmp_path / "a.html"), 390)
    again = page.locator(".boat thead .again")
    assert [again.nth(i).is_visible() for i in range(again.count())] == [False, False]
    page.emulate_media(media="print")
    assert [again.nth(i).is_visible() for i in range(again.count())] == [True, True]
    heads = page.locator(".boat thead")
    assert heads.evaluate_all("all => all.map(e => getComputedStyle(e).breakInside)") == ["avoid"] * 2
    assert (
        heads.evaluate_all("all => all.map(e => getComputedStyle(e).display)") == ["table-header-group"] * 2
    )


def test_plan_and_divers_are_parted_on_paper(visit, tmp_path):
    """On one line `plan.csv 13 rows` ran together: the rule for it met no two neighbours."""
    page = visit(write(sheet_of(3), tmp_path / "a.html"), 1280)
    page.emulate_media(media="print")
    marks = page.locator(".for dd").evaluate_all(
        "all => all.map(e => getComputedStyle(e, '::after').content)"
    )
    assert marks == ['";"', "none"]


def test_the_total_of_a_dive_is_one_line_on_a_phone(visit, tmp_path):
    page = visit(write(sheet_of(3), tmp_path / "a.html"), 390)
    line, tall = page.locator(".boat tr.total th").evaluate(
        "e => [parseFloat(getComputedStyle(e).lineHeight), e.getBoundingClientRect().height]"
    )
    assert tall < 1.5 * line
