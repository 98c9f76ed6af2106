"""The roster in a browser: phone, tablet and desk, light, dark and on paper.

Kind of expected values: independent, measured by the browser; widths of 390, 820 and 1280 CSS pixels stand
for a phone, a tablet and a desk (common practice, no source).
"""

import importlib.util
import re
from pathlib import Path

import numpy as np
import pytest

from leadline.reports.roster import write

pytestmark = pytest.mark.browser

WIDTHS = (320, 390, 767, 768, 820, 1087, 1088, 1280)

BEYOND = """() => [...document.querySelectorAll('body *')]
    .filter(e => e.checkVisibility() && !e.closest('.hidden, thead'))
    .map(e => [e.tagName, e.getBoundingClientRect()])
    .filter(([_, box]) => box.width && (box.right > innerWidth + 0.5 || box.left < -0.5))
    .map(([name, box]) => `${name} ${box.left} ${box.right}`)"""


def _sample():
    """The invented rosters of the report tests."""
    path = Path(__file__).parents[1] / "reports" / "test_roster_page.py"
    spec = importlib.util.spec_from_file_location("roster_sample", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


SAMPLE = _sample()
LONG = "Ø" * 300


def unbroken():
    """Names that offer no place to break a line."""
    one = SAMPLE.make_student(LONG, group=LONG, suit=LONG, leader=LONG, next_step=LONG)
    change = SAMPLE.make_change(LONG)
    return SAMPLE.make_roster(
        [one], groups=(LONG,), book=LONG, groups_change=(change,), leaders_change=(change,)
    )


def far():
    """Students far off the scale, in pounds."""
    students = [
        SAMPLE.make_student(f"Nr {i}", lead_kg=30.0, margin=np.array([-31, -25, 2.0, 28, 40]) * (i / 4))
        for i in range(5)
    ]
    return SAMPLE.make_roster(students, units="imperial")


ROSTERS = {"typical": SAMPLE.make_roster, "unbroken": unbroken, "far": far}


@pytest.mark.parametrize("kind", ROSTERS)
def test_page_fits_its_window_at_every_width(visit, tmp_path, kind):
    page = visit(write(ROSTERS[kind](), tmp_path / f"{kind}.html"), 390)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") == width
        assert page.evaluate(BEYOND) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 820, 1280])
def test_page_asks_for_nothing_and_keeps_quiet(visit, tmp_path, width, scheme):
    path = write(SAMPLE.make_roster(), tmp_path / "a.html")
    page = visit(path, width, scheme)
    assert len(page.screenshot(path=tmp_path / "a.png", full_page=True)) > 10_000
    assert page.said == []
    assert page.asked == [path.as_uri()]
    assert page.locator("svg:visible").count() == 1


def test_cards_are_still_rows_to_a_screen_reader(visit, tmp_path):
    page = visit(write(SAMPLE.make_roster(), tmp_path / "a.html"), 390)
    table = page.get_by_role("table", name=re.compile("Near too light: lead, margin"))
    assert table.get_by_role("row").count() == 2
    assert table.get_by_role("rowheader").count() == 1
    assert table.get_by_role("cell").count() == 6
    page.get_by_role("link", name="carrying too much").click()
    assert page.evaluate("location.hash") == "#heavy"


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_print_is_light_and_whole(visit, tmp_path, paper):
    students = [SAMPLE.make_student(f"Nr {i:03d}") for i in range(80)]
    page = visit(write(SAMPLE.make_roster(students), tmp_path / "a.html"), 390, "dark")
    pdf = page.pdf(path=tmp_path / "a.pdf", format=paper, print_background=False)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) >= 4
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 960})
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    shown = page.evaluate(
        """() => [...document.querySelectorAll('tr[data-diver]')]
            .map(e => e.checkVisibility() && e.getBoundingClientRect().height > 5)"""
    )
    assert shown == [True] * 80  # the folded ones too
    assert page.evaluate("document.documentElement.scrollWidth") == 680
