"""`leadline report season`: pages, their names, and the page that leads to them."""

from __future__ import annotations

import csv
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadline.book import Book
from leadline.cli.report_season import slugs

from ..decide.club import DIVERS, GEAR, HOSTILE, dives, make_book  # noqa: TID252 (tests are on no path)


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("club") / "club.duckdb")


class Links(HTMLParser):
    """Links of a page, and tags that stand open at its end."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag not in ("meta", "br"):
            self.open.append(tag)
        if tag == "a":
            self.found.append(dict(attrs)["href"])

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@given(st.lists(st.text(max_size=60), max_size=8, unique=True))
def test_any_names_make_different_safe_file_names(names) -> None:
    found = slugs(names)
    assert list(found) == names
    assert len({slug.lower() for slug in found.values()}) == len(names)
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9-]{0,50}", slug) for slug in found.values())


@pytest.mark.parametrize(
    ("names", "alike"),
    [(["Ines K", "ines k"], True), (["Ivo", "Ines"], False), (["../x", "x"], True), (["日本", "中国"], True)],
)
def test_names_that_look_alike_carry_a_digest(names, alike) -> None:
    found = slugs(names)
    assert all(bool(re.search(r"-[0-9a-f]{6}$", slug)) for slug in found.values()) == alike


def test_page_keeps_its_name_however_many_are_written() -> None:
    assert slugs(["a", "b", "c"])["b"] == slugs(["c", "b", "a"])["b"]


def test_all_divers_and_an_index(run, club: Path, tmp_path: Path) -> None:
    done = run("report", "season", "--book", club, "--out", tmp_path / "pages", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    pages = json.loads(done.stdout)
    assert [page["diver"] for page in pages] == ["Ines", "Ivo", HOSTILE, "Noa", "Ole", "Uma", "Zed"]
    assert {Path(page["page"]).name for page in pages} | {"index.html"} == {
        path.name for path in (tmp_path / "pages").iterdir()
    }
    index = (tmp_path / "pages" / "index.html").read_text(encoding="utf-8")
    links = Links(index)
    assert links.open == []
    assert links.found == [Path(page["page"]).name for page in pages]
    assert HOSTILE not in index
    evidence = sum(page["dives_used"] + page["checks_used"] for page in pages)
    assert f'<data value="{evidence}" data-field="evidence">' in index
    assert "Model fitted" in index
    assert "no kit known" in index  # Uma and Zed have not dived
    assert "An in-water check overrules" in index
    assert "<script" not in index


def test_one_diver_has_one_page(run, club: Path, tmp_path: Path) -> None:
    done = run("report", "season", "--book", club, "--diver", "Ines", "--out", tmp_path / "one")
    assert done.returncode == 0
    assert [path.name for path in (tmp_path / "one").iterdir()] == ["season-ines.html"]
    page = (tmp_path / "one" / "season-ines.html").read_text(encoding="utf-8")
    assert 'data-field="suggestion.lead_kg"' in page
    assert page.count('data-dive="In-') == 8
    again = run(
        "report", "season", "--book", club, "--diver", "Ines", "--diver", "Ines", "--out", tmp_path / "one"
    )
    assert again.returncode == 0


def test_imperial_pages(run, club: Path, tmp_path: Path) -> None:
    out = tmp_path / "lb"
    run(
        "report",
        "season",
        "--book",
        club,
        "--diver",
        "Ines",
        "--diver",
        "Ivo",
        "--out",
        out,
        "--units",
        "imperial",
    )
    assert "Lead, lb" in (out / "index.html").read_text(encoding="utf-8")
    assert "psi" in (out / "season-ines.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("options", "status", "message"),
    [
        (["--diver", "Inez"], 1, "closest: Ines"),
        (["--out", "file/pages"], 1, "file"),
        (["--units", "nautical"], 2, "nautical"),
    ],
)
def test_refusals(run, club: Path, tmp_path: Path, options, status, message) -> None:
    (tmp_path / "file").write_text("")
    done = run("report", "season", "--book", club, *options)
    assert (done.returncode, done.stdout) == (status, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_no_divers_no_pages(run, tmp_path: Path) -> None:
    book = tmp_path / "empty.duckdb"
    with Book.open(book, write=True, create=True) as opened:
        opened.upsert("gear", [{"item": "jacket", "kind": "bc"}])
    done = run("report", "season", "--book", book, "--out", tmp_path / "pages", "--json")
    assert (done.returncode, json.loads(done.stdout)) == (0, [])
    assert "no divers in the book" in done.stderr


def test_json_and_csv_say_what_the_page_says(run, club: Path, tmp_path: Path) -> None:
    out, csv_file = tmp_path / "pages", tmp_path / "season.csv"
    done = run("report", "season", "--book", club, "--out", out, "--csv", csv_file, "--json")
    assert done.returncode == 0, done.stderr
    documents = {document["diver"]: document for document in json.loads(done.stdout)}
    with csv_file.open(encoding="utf-8", newline="") as file:
        written = list(csv.DictReader(file))
    assert len(written) == sum(len(document["dives"]) for document in documents.values()) == 5 * 8
    page = Path(documents["Ines"]["page"]).read_text(encoding="utf-8")
    assert documents["Uma"]["suggestion"] is None
    suggestion = documents["Ines"]["suggestion"]
    for name in ("lead_kg", "p_too_light", "need_mean_kg"):
        assert f'<data value="{suggestion[name]:.12g}" data-field="suggestion.{name}">' in page
    for row in documents["Ines"]["card"]:
        assert f'<data value="{row["need_q50_kg"]:.12g}" data-field="card.need.q50">' in page
    mine = [row for row in written if row["diver"] == "Ines"]
    for row, dive in zip(mine, documents["Ines"]["dives"], strict=True):
        assert float(row["need_q90_kg"]) == dive["need_q90_kg"]
        assert row["dive"] == dive["dive"]
        assert f'<data value="{dive["margin_kg"]:.12g}"' in page


def test_divers_of_a_group_and_dives_since_a_day(run, tmp_path: Path) -> None:
    book = tmp_path / "club.duckdb"
    rows = [row | {"group": "Course" if row["diver"] in ("Noa", "Ole") else ""} for row in dives()]
    later = [row | {"dive": "Iv-9", "date": "2026-06-30"} for row in rows if row["dive"] == "Iv-8"]
    with Book.open(book, write=True, create=True) as opened:
        opened.upsert("divers", DIVERS)
        opened.upsert("gear", GEAR)
        opened.upsert("dives", [*rows, *later])
    done = run(
        "report", "season", "--book", book, "--group", "Course", "--since", "2026-05-05", "--json",
        "--out", tmp_path / "pages",
    )  # fmt: skip
    documents = json.loads(done.stdout)
    assert [document["diver"] for document in documents] == ["Noa", "Ole"]
    whole = json.loads(
        run(
            "report", "season", "--book", book, "--diver", "Noa", "--json", "--out", tmp_path / "whole"
        ).stdout
    )[0]
    assert len(whole["dives"]) == 8
    shown = documents[0]
    # What is not shown still counts; and a diver alone is answered as among others.
    assert [row["dive"] for row in shown["dives"]] == ["No-5", "No-6", "No-7", "No-8"]
    assert shown["suggestion"] == whole["suggestion"]
    assert (shown["dives_used"], shown["since"], whole["since"]) == (whole["dives_used"], "2026-05-05", None)
    page = (tmp_path / "pages" / "season-noa.html").read_text(encoding="utf-8")
    assert "dives before that count all the same" in page
    # The latest dive of the book is another diver's.
    assert (shown["latest_dive"], whole["latest_dive"]) == ("2026-06-30", "2026-06-30")
    index = (tmp_path / "pages" / "index.html").read_text(encoding="utf-8")
    told = [re.findall(r'latest dive <time datetime="(.+?)"', text) for text in (page, index)]
    assert told == [["2026-06-30"]] * 2
    assert shown["dives"] == whole["dives"][4:]
    missing = run("report", "season", "--book", book, "--group", "Nowhere", "--out", tmp_path / "none")
    assert missing.returncode == 1
    assert "no dive is in group 'Nowhere'" in missing.stderr


def test_leads_are_made_of_the_blocks_of_the_book(run, tmp_path: Path) -> None:
    book, listed = make_book(tmp_path / "club.duckdb"), tmp_path / "blocks.csv"
    listed.write_text("block,pieces\n3 kg,6\n")
    assert run("load", "--book", book, "--blocks", listed).returncode == 0
    done = run("report", "season", "--book", book, "--diver", "Ines", "--json", "--out", tmp_path / "pages")
    (document,) = json.loads(done.stdout)
    assert document["suggestion"]["lead_kg"] % 3 == 0
    assert {row["bring_kg"] % 3 for row in document["card"]} == {0}
