"""The season report in a browser: phone and desk, light, dark and on paper.

Kind of expected values: independent, measured by the browser; widths of 390, 820 and 1280 CSS pixels stand
for a phone, a tablet and a desk (common practice, no source).
"""

import itertools
import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest

from leadline.reports import page as pages
from leadline.reports.season import RECENT_DIVES, write

pytestmark = pytest.mark.browser

PHONE, TABLET, DESK = 390, 820, 1280


def unbroken(data):
    """The same season with names that offer no place to break a line."""
    long = "Ø" * 300
    dives = replace(
        data.dives,
        site=np.array([long] * len(data.dives), object),
        suit=np.array([long] * len(data.dives), object),
        kit=np.array([long] * len(data.dives), object),
        dive=np.array([f"{i}{long}" for i in range(len(data.dives))], object),
    )
    answer = replace(data.suggestion, kit=(long,), water=long, next_step=long, cautions=(long,))
    ledger = replace(data.ledger, item=(long,) * len(data.ledger.item))
    learned = tuple(replace(part, label=long) for part in data.learned)
    card = tuple(replace(row, label=long) for row in data.card)
    change = replace(data.change, new_kit=(long, long))
    return replace(
        data, diver=long, book=long, dives=dives, suggestion=answer, ledger=ledger, learned=learned,
        card=card, change=change,
    )  # fmt: skip


SEASONS = {
    "none": lambda season: season(0, checks=0),
    "kitless": lambda season: season(0, checks=0, suggestion=None, prior=None, learned=(), ledger=None),
    "one": lambda season: season(1, checks=0),
    "typical": lambda season: season(34),
    "long": lambda season: season(200, checks=6, units="imperial"),
    "unbroken": lambda season: unbroken(season(9)),
}


BEYOND = """() => [...document.querySelectorAll('body *')]
    .filter(e => e.checkVisibility() && !e.closest('.hidden, thead'))
    .map(e => [e.tagName, e.getBoundingClientRect()])
    .filter(([_, box]) => box.width && (box.right > innerWidth + 0.5 || box.left < -0.5))
    .map(([name, box]) => `${name} ${box.left} ${box.right}`)"""

# 320 px: W3C, WCAG 2.1 (2018), success criterion 1.4.10, reflow (published, from memory). The others lie on
# both sides of the widths where the page changes.
WIDTHS = (320, PHONE, 767, 768, TABLET, 1087, 1088, DESK)


@pytest.mark.parametrize("kind", SEASONS)
def test_page_fits_its_window_at_every_width(season, visit, tmp_path, kind):
    page = visit(write(SEASONS[kind](season), tmp_path / f"{kind}.html"), PHONE)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") == width
        assert page.evaluate(BEYOND) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE, TABLET, DESK])
@pytest.mark.parametrize("kind", ["kitless", "typical"])
def test_page_asks_for_nothing_and_keeps_quiet(season, visit, tmp_path, kind, width, scheme):
    path = write(SEASONS[kind](season), tmp_path / f"{kind}.html")
    page = visit(path, width, scheme)
    picture = page.screenshot(path=tmp_path / f"{kind}-{width}-{scheme}.png", full_page=True)
    assert len(picture) > 10_000
    assert page.said == []
    assert page.asked == [path.as_uri()]


@pytest.mark.parametrize(("width", "seen", "unseen"), [(PHONE, "narrow", "wide"), (DESK, "wide", "narrow")])
def test_one_chart_for_each_width_with_legible_labels(season, visit, tmp_path, width, seen, unseen):
    page = visit(write(season(34), tmp_path / "a.html"), width)
    assert page.locator(f"svg.{seen}:visible").count() == 2
    assert page.locator(f"svg.{unseen}:visible").count() == 0
    sizes = page.evaluate(
        f"""() => [...document.querySelectorAll('svg.{seen} text')].map(t =>
            parseFloat(getComputedStyle(t).fontSize) * t.getScreenCTM().a)"""
    )
    assert len(sizes) > 8
    assert min(sizes) >= 11
    boxes = page.evaluate(
        f"""() => [...document.querySelectorAll('svg.{seen}')].map(svg => [...svg.querySelectorAll('text')]
            .map(t => t.getBoundingClientRect()).map(b => [b.left, b.right, b.top + 2, b.bottom]))"""
    )
    for chart in boxes:
        for one, other in itertools.combinations(chart, 2):
            apart = one[1] <= other[0] or other[1] <= one[0] or one[3] <= other[2] or other[3] <= one[2]
            assert apart


@pytest.mark.parametrize("width", [PHONE, TABLET, DESK])
def test_the_lead_is_read_without_scrolling_and_is_the_largest_thing(season, visit, tmp_path, width):
    page = visit(write(season(34), tmp_path / "a.html"), width)
    box = page.locator(".answer .lead").bounding_box()
    assert box["y"] + box["height"] < 844  # px; height of a phone's window
    sizes = page.evaluate(
        """() => [...document.querySelectorAll('main *, header *')].map(e =>
            [parseFloat(getComputedStyle(e).fontSize), e.closest('.lead') !== null])"""
    )
    assert max(sizes)[1]
    assert max(size for size, _ in sizes) > 1.5 * max(size for size, inside in sizes if not inside)


def brightness(colour):
    return sum(map(int, re.findall(r"\d+", colour)[:3])) / 765


@pytest.mark.parametrize(("scheme", "ground_is_light"), [("light", True), ("dark", False)])
def test_light_and_dark(season, visit, tmp_path, scheme, ground_is_light):
    page = visit(write(season(5), tmp_path / "a.html"), DESK, scheme)
    ground = brightness(page.evaluate("getComputedStyle(document.body).backgroundColor"))
    text = brightness(page.evaluate("getComputedStyle(document.body).color"))
    label = brightness(page.evaluate("getComputedStyle(document.querySelector('svg.wide text')).fill"))
    assert (ground > 0.9) == ground_is_light
    assert (ground < 0.15) != ground_is_light
    assert (text < ground) == ground_is_light
    assert (label < ground) == ground_is_light


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_print_is_light_whole_and_not_empty(season, visit, tmp_path, paper):
    data = season(60)
    page = visit(write(data, tmp_path / "a.html"), PHONE, "dark")
    pdf = page.pdf(path=tmp_path / "a.pdf", format=paper, print_background=False)
    assert pdf.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) >= 3
    assert len(pdf) > 20_000
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 960})
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.locator("svg.wide:visible").count() == 2
    assert page.locator("svg.narrow:visible").count() == 0
    shown = page.evaluate(
        """() => [...document.querySelectorAll('tr[data-dive]')]
            .map(e => e.checkVisibility() && e.getBoundingClientRect().height > 5)"""
    )
    assert shown == [True] * 60  # the folded ones too
    assert page.evaluate("document.documentElement.scrollWidth") == 680
    page.screenshot(path=tmp_path / "print.png", full_page=True)


def test_earlier_dives_unfold_by_keyboard(season, visit, tmp_path):
    page = visit(write(season(60), tmp_path / "a.html"), PHONE)
    rows = page.locator("tr[data-dive]:visible")
    assert rows.count() == RECENT_DIVES
    page.locator("summary").focus()
    page.keyboard.press("Enter")
    assert rows.count() == 60


def test_narrow_rows_are_still_rows_to_a_screen_reader(season, visit, tmp_path):
    page = visit(write(season(5), tmp_path / "a.html"), PHONE)
    table = page.get_by_role("table", name=re.compile("Newest first. Need with"))
    assert table.get_by_role("row").count() == 6
    assert table.get_by_role("rowheader").count() == 5
    assert table.get_by_role("cell").count() == 40
    page.get_by_role("link", name=re.compile("cautions for this diver")).click()
    assert page.evaluate("location.hash") == "#cautions"


# A heading at the foot of a sheet, its table overleaf, or one row of it there, cannot be read by.
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs pdftotext (poppler-utils)")
def test_on_paper_a_heading_stands_with_its_caption_and_rows(visit, tmp_path):
    rows = "".join(f"<tr><td>Zrow{{n}}x{i}</td><td>a<br>b</td></tr>" for i in range(6))
    caption = "Zcap{n} " + "Need with its band in brackets, as known after the dive. " * 4 + "Zend{n}"
    head = "<thead><tr><th>a</th><th>b</th></tr></thead>"
    table = f"<table class='dives'><caption>{caption}</caption>{head}<tbody>{rows}</tbody></table>"
    spaces = range(640, 980, 12)  # px from the top of a sheet
    sections = "".join(
        f"<div style='break-before: page; height: {height}px'></div><section class='broad'><h2>Zhead{n}</h2>"
        f"<div class='body'>{table.replace('{n}', str(n))}</div></section>"
        for n, height in enumerate(spaces, 100)
    )
    style = pages.render("style.css", {})
    (tmp_path / "a.html").write_text(f"<!DOCTYPE html><style>{style}</style><main>{sections}</main>")
    visit(tmp_path / "a.html", DESK, "light").pdf(path=tmp_path / "a.pdf", format="A4")
    done = subprocess.run(
        ["pdftotext", "a.pdf", "-"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    sheets = done.stdout.split("\f")
    place = {word: i for i, sheet in enumerate(sheets) for word in re.findall(r"Z[a-z]+\d+(?:x\d)?", sheet)}
    for n in range(100, 100 + len(spaces)):
        assert len({place[f"Z{word}{n}"] for word in ("head", "cap", "end")} | {place[f"Zrow{n}x2"]}) == 1, n
