"""Rules of accessibility on every kind of page, light on a phone and dark on a desk.

Kind: independent. axe-core by Deque Systems (MPL 2.0): the rules of WCAG 2.0 to 2.2, A and AA, and its best
practices. It judges contrast in the colours that the browser has reckoned.
"""

import importlib.util
from pathlib import Path

import pytest

from leadline.reports import boat, contents, rental, roster
from leadline.reports import season as season_page

from . import sample

pytestmark = pytest.mark.browser

TESTS = Path(__file__).parents[1]


def _module(name, path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


SEASON = _module("accessible_season", TESTS / "reports" / "conftest.py").make_season
ROSTER = _module("accessible_roster", TESTS / "reports" / "test_roster_page.py").make_roster

PAGES = {
    "season": lambda folder: season_page.write(SEASON(34), folder / "season.html"),
    "season-none": lambda folder: season_page.write(
        SEASON(0, checks=0, suggestion=None, prior=None, learned=(), ledger=None), folder / "season.html"
    ),
    "rental": lambda folder: rental.write(sample.rental_data(), folder / "rental.html"),
    "rental-hostile": lambda folder: rental.write(
        sample.rental_data(name=sample.SCRIPT), folder / "rental.html"
    ),
    "boat": lambda folder: boat.write(sample.boat_data(), folder / "boat.html"),
    "roster": lambda folder: roster.write(ROSTER(), folder / "roster.html"),
    "roster-none": lambda folder: roster.write(ROSTER([]), folder / "roster.html"),
}


def index(folder):
    """An index that leads to a page of each kind."""
    for kind in ("season", "rental", "boat", "roster"):
        PAGES[kind](folder)
    return contents.refresh(folder)


PAGES["index"] = index


def broken(page, axe):
    """Rules that are broken, with the first place of each."""
    page.evaluate(axe)
    found = page.evaluate("axe.run(document)")
    assert len(found["passes"]) > 15
    return [(v["id"], v["impact"], v["nodes"][0]["html"][:200]) for v in found["violations"]]


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (1280, "dark")])
@pytest.mark.parametrize("kind", PAGES)
def test_no_rule_of_accessibility_is_broken(kind, width, scheme, axe, visit, tmp_path):
    page = visit(PAGES[kind](tmp_path), width, scheme)
    page.evaluate("document.querySelectorAll('details').forEach(e => e.open = true)")
    assert broken(page, axe) == []


SAMPLES = sorted((TESTS.parent / "reports" / "demo").glob("*.html"))


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_no_rule_is_broken_by_the_pages_of_the_demo(path, axe, visit):
    assert broken(visit(path, 820), axe) == []


def test_a_broken_rule_is_seen(axe, visit, tmp_path):
    """The rules are at work: pale text on white and a picture without words are found."""
    bad = tmp_path / "bad.html"
    image = "data:image/gif;base64,R0lGODlhAQABAAAAACwAAAAAAQABAAA="
    text = "<main><h1>A</h1>" + "<p style='color:#bbb'>pale</p>" + f"<img src='{image}'></main>"
    bad.write_text(f"<!DOCTYPE html><html lang=en><title>A</title>{text}")
    page = visit(bad, 390)
    page.evaluate(axe)
    found = {v["id"] for v in page.evaluate("axe.run(document)")["violations"]}
    assert {"color-contrast", "image-alt"} <= found
