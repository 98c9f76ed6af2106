"""The index of a folder: it links to every report in it, and leaves other people's pages alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.decide.sentence import DANGERS
from leadline.reports import contents, index

from ..reports.conftest import make_season, make_suggestion, parse_page  # noqa: TID252 (tests are on no path)
from . import sample


def put(folder: Path, name: str, title: str = "A title") -> None:
    (folder / name).write_text(f"<!DOCTYPE html><title>{title}</title>", encoding="utf-8")


def hrefs(path: Path) -> list[str]:
    return [a.attributes["href"] for a in parse_page(path.read_text(encoding="utf-8")).all("a")]


def test_one_page_needs_no_index(tmp_path: Path) -> None:
    put(tmp_path, "boat.html")
    assert contents.refresh(tmp_path) is None
    assert [p.name for p in tmp_path.iterdir()] == ["boat.html"]


def test_a_plain_list_grows_and_shrinks_with_the_folder(tmp_path: Path) -> None:
    put(tmp_path, "boat.html")
    put(tmp_path, "rental.html")
    path = contents.refresh(tmp_path)
    assert hrefs(path) == ["boat.html", "rental.html"]
    put(tmp_path, "season-x.html", "&lt;b&gt; of Ines")
    put(tmp_path, "roster.html")
    contents.refresh(tmp_path)
    assert hrefs(path) == ["boat.html", "rental.html", "roster.html", "season-x.html"]
    assert "<b> of Ines" in parse_page(path.read_text(encoding="utf-8")).text()
    (tmp_path / "boat.html").unlink()
    contents.refresh(tmp_path)
    assert hrefs(path) == ["rental.html", "roster.html", "season-x.html"]


def test_index_of_seasons_keeps_its_table_and_gains_links(tmp_path: Path) -> None:
    path = tmp_path / "index.html"
    path.write_text(
        index.render([], units="metric", book="b", generated=sample.WHEN, others=[]), encoding="utf-8"
    )
    before = path.read_text(encoding="utf-8")
    put(tmp_path, "rental.html")
    contents.refresh(tmp_path)
    assert hrefs(path) == ["rental.html"]
    contents.refresh(tmp_path)
    assert hrefs(path) == ["rental.html"]
    (tmp_path / "rental.html").unlink()
    contents.refresh(tmp_path)
    assert path.read_text(encoding="utf-8") == before


@pytest.mark.parametrize("text", ["<p>my own page</p>", "", "<!-- other reports: begin --> cut short"])
def test_an_index_of_somebody_else_is_left_alone(tmp_path: Path, text: str) -> None:
    (tmp_path / "index.html").write_text(text, encoding="utf-8")
    put(tmp_path, "boat.html")
    put(tmp_path, "rental.html")
    assert contents.refresh(tmp_path) is None
    assert (tmp_path / "index.html").read_text(encoding="utf-8") == text


def test_new_index_of_seasons_knows_what_is_there(tmp_path: Path) -> None:
    put(tmp_path, "boat.html")
    text = index.render([], units="metric", book="b", generated=sample.WHEN, others=contents.found(tmp_path))
    assert [a.attributes["href"] for a in parse_page(text).all("a")] == ["boat.html"]


# A reader of the index alone must see what the lead is for and what each page says first.
def test_index_names_the_water_and_the_danger_that_a_page_begins_with() -> None:
    lakes = make_suggestion(water="fresh water, 1200 m up", cautions=("Danger of an ascent, so never.",))
    calm = make_suggestion(water="brackish water", cautions=("No BC named.",))
    entries = [
        index.Entry("a.html", make_season(suggestion=lakes)),
        index.Entry("b.html", make_season(suggestion=calm)),
        index.Entry("c.html", make_season(suggestion=None, prior=None, learned=(), ledger=None)),
    ]
    page = parse_page(index.render(entries, units="metric", book="b", generated=sample.WHEN))
    first, second, third = (row.text() for row in page.all("tr", data_row="diver"))
    assert "fresh water, 1200 m up" in first
    assert "danger: too light with the lead carried last" in first
    assert "brackish water" in second
    assert "danger" not in second + third


def test_each_danger_has_words_on_the_index() -> None:
    assert set(index.DANGER_WORDS) == set(DANGERS)
