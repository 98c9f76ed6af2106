"""The roster in a browser: phone, tablet and desk, light, dark and on paper.

Kind of expected values: independent, measured by the browser; widths of 390, 820 and 1280 CSS pixels stand
for a phone, a tablet and a desk (common practice, no source).
"""

import importlib.util
import re
from pathlib import Path

import numpy as np
import pytest

from leadline.decide.roster_data import Cost
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
    page.get_by_role("link", name="carrying too much", exact=True).click()
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


HAND_OVER = (
    "At the end of the stop, never at its start, with a line or bar in the hand and the leader in reach, "
    "empty the BC and see that you hover or sink; then hand 0.5 kg to your buddy, not from the belt or a "
    "ditchable pocket, breathe quietly on, and note whether you hover, rise or sink. If you rise, take it "
    "back. That should narrow the band by about 0.2 kg; on about 13 dives in 100 the diver goes up."
)
LOOK = (
    "Near the end of the stop, at a line or over a near bottom with the leader in reach, empty the BC, "
    "breathe quietly on without holding the breath, and note whether you hover, rise or sink. That should "
    "narrow the band by about 0.2 kg; on about 2 dives in 100 the diver goes up."
)
DANGER = (
    "Danger of an ascent that cannot be held: with the lead carried last, 5 kg, this stop fails on 42 dives "
    "in 100, so never with so little"
)


def course_of_thirty():
    """A school's roster: a third with a danger, half with an excess, words as `suggest` has them."""
    what = ("light", "light", "short", "heavy", "latest", "likely", "look", "settled")
    said = {"basis": "both", "looks": 3, "looks_ever": 3}
    right = {"cost": Cost(0.0, 0.0, 14.0, 2.6, 2.6, 0.0), "p_heavy_most": 0.02, "cautions": (DANGER,)}
    students = []
    for i in range(30):
        status = what[i * 8 // 30]
        known = (
            said
            | {"next_step": HAND_OVER if i % 2 else LOOK}
            | (right if status in ("light", "short") else {})
        )
        students.append(SAMPLE.make_student(f"Nr {i:02d}", status=status, **known))
    changes = tuple(SAMPLE.make_change(f"Course {i}") for i in range(6))
    return SAMPLE.make_roster(students, groups=(), groups_change=changes, leaders_change=changes)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_thirty_students_take_five_sheets_that_can_be_read(visit, tmp_path, paper):
    """What is below 8 pt is not read at arm's length (common practice, no source)."""
    page = visit(write(course_of_thirty(), tmp_path / "a.html"), 1280)
    pdf = page.pdf(path=tmp_path / "a.pdf", format=paper, print_background=False)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 5
    page.emulate_media(media="print")
    small = page.locator("main *:visible").evaluate_all(
        "all => all.filter(e => !e.closest('svg, .hidden') && e.innerText && e.innerText.trim())"
        ".map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(small) >= 7.7 / 72 * 96
    row = page.locator("tr[data-diver]").first
    assert row.evaluate("e => e.scrollWidth <= e.clientWidth")
    for name in ("lead, kg", "over need", "too light", "heavy on most"):  # there is no header row on paper
        cell = row.locator(f'[data-name="{name}"]')
        assert name in cell.evaluate("e => getComputedStyle(e, '::before').content")
