"""`leadline backtest`: what it prints and writes, and what bad input gets."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from leadline.book import Book
from leadline.cli import app
from leadline.decide import forecast

from ..decide.club import make_book  # noqa: TID252 (tests are on no path)
from ..decide.known_world import world  # noqa: TID252

TABLES = ("divers", "gear", "dives")
MISSING = ("scoringrules", "statsmodels")


def rows(columns) -> list[dict[str, object]]:
    """Rows of a column set, missing cells left out."""
    names = list(columns)
    cells = zip(*(columns[name].tolist() for name in names), strict=True)
    return [
        {n: v for n, v in zip(names, row, strict=True) if v is not None and v == v and v != ""}
        for row in cells
    ]


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book of 96 watched stops of twelve divers."""
    path = tmp_path_factory.mktemp("book") / "<b>world.duckdb"
    made = world(3, divers=12).records
    with Book.open(path, write=True, create=True) as opened:
        for name in TABLES:
            opened.upsert(name, rows(getattr(made, name)))
    return path


@pytest.fixture(scope="module")
def ran(book: Path, tmp_path_factory: pytest.TempPathFactory):
    """The command once, with JSON and page."""
    page = tmp_path_factory.mktemp("page") / "backtest.html"
    done = CliRunner().invoke(
        app, ["backtest", "--book", str(book), "--cuts", "2", "--json", "--out", str(page)]
    )
    assert done.exit_code == 0, done.output
    return done, json.loads(done.stdout), page.read_text(encoding="utf-8")


def test_json_holds_every_score(ran) -> None:
    done, document, _ = ran
    assert done.stderr == ""
    assert document["trusted"] in {"yes", "careful", "no", "not_yet"}
    assert document["levels"] == [0.5, 0.8, 0.95]
    # By hand: 12 divers with 8 watched stops each, one of them the first.
    assert document["overall"]["results"] == 96
    assert [group["name"] for group in document["by_earlier_dives"]] == ["0", "1-3", "4-10", ">10"]
    assert [group["results"] for group in document["by_earlier_dives"]] == [12, 36, 48, 0]
    assert document["by_earlier_dives"][3]["log_score"] is None
    assert sum(kind["readings"] for kind in document["by_kind"]) == document["overall"]["readings"] > 20
    assert sum(word["seen"] for word in document["stop_results"]) == 96
    assert sum(word["foretold"] for word in document["stop_results"]) == pytest.approx(96)
    assert [cut["dives"] for cut in document["cuts"]] == [24, 60]
    for share in document["overall"]["coverage"]:
        assert 0 <= share["low"] <= share["share"] <= share["high"] <= 1
        assert share["clusters"] <= 12
    parts = document["brier_parts"]
    whole = parts["reliability"] - parts["resolution"] + parts["uncertainty"]
    # Equal but for how chances differ within a bin.
    assert whole == pytest.approx(document["overall"]["brier"], abs=0.05)


def test_rivals_are_scored_on_the_same_outcomes(ran) -> None:
    _, document, _ = ran
    rivals = {score["name"]: score for score in document["rivals"]}
    assert list(rivals) == ["model", "prior", "last_lead", "mixed_model", "ridge"]
    assert len({score["readings"] for score in rivals.values()}) == 1
    assert rivals["model"]["readings"] > 10
    assert rivals["model"]["crps_kg"] < min(rivals[name]["crps_kg"] for name in list(rivals)[1:])


def test_page_stands_by_itself_and_shows_the_plots(ran) -> None:
    _, document, page = ran
    assert document["sentence"] in page
    assert f'data-trusted="{document["trusted"]}"' in page
    assert not re.search(r"<script|<link|https?://|@import|\bsrc=", page)
    assert "&lt;b&gt;world.duckdb" in page
    assert "<b>world" not in page
    assert page.count("<svg") == 4
    for word in document["stop_results"]:
        # One mark a bin, in the wide and in the narrow drawing.
        assert page.count(f'data-part="{word["word"]}"') == 2 * len(word["bins"])
    assert "in-water check overrules" in page
    assert "instructor" in page


def test_people_read_the_same(book: Path) -> None:
    done = CliRunner().invoke(app, ["backtest", "--book", str(book), "--cuts", "1", "--since", "2026-05-04"])
    text = " ".join(done.stdout.split())
    assert done.exit_code == 0
    assert re.search(r"readings? of need from \d+ divers", text)
    assert re.search(r"all 60 \d\.\d{3} \d\.\d{3}", text)  # 12 divers, 5 days from the fourth on
    for line in ("over 10 earlier", "1 to 3 earlier", "these bands", "physics alone", "mixed model", "noise"):
        assert (line in text) == (line != "over 10 earlier")
    assert "a check in the water overrules it" in text
    assert max(len(line.rstrip()) for line in done.stdout.splitlines()) <= 80


def test_pounds_are_pounds(book: Path) -> None:
    arguments = ["backtest", "--book", str(book), "--cuts", "1", "--since", "2026-05-06"]
    metric, imperial = (
        CliRunner().invoke(app, [*arguments, "--units", units]).stdout for units in ("metric", "imperial")
    )

    def off(text: str) -> float:
        return float(re.search(r"^ these bands +(\S+)", text, re.M)[1])  # type: ignore[index]  # None would fail too

    assert off(imperial) == pytest.approx(off(metric) / 0.45359237, abs=0.02)
    assert "CRPS, lb" in imperial
    assert " kg" not in imperial


def test_club_whose_stops_all_hovered(tmp_path: Path) -> None:
    book = make_book(tmp_path / "club.duckdb", fitted=False)
    done = CliRunner().invoke(app, ["backtest", "--book", str(book), "--cuts", "2", "--json"])
    document = json.loads(done.stdout)
    assert done.exit_code == 0
    assert document["trusted"] == "not_yet"
    assert "cannot be told yet: only 16 readings of need from 5 divers" in document["sentence"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--since", "2030-01-01"], "the book has 0 dives with a date from that day on; a backtest needs at"),
        (["--out", "nowhere/page.html"], "nowhere/page.html: there is no folder nowhere; make it"),
    ],
)
def test_what_cannot_be_met_is_one_line(run, tmp_path: Path, arguments: list[str], said: str) -> None:
    book = make_book(tmp_path / "club.duckdb", fitted=False)
    done = run("backtest", "--book", book, *arguments)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith(f"Error: {said}")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("arguments", [["--since", "May"], ["--cuts", "0"], ["--cuts", "many"]])
def test_wrong_usage_is_status_2(arguments: list[str]) -> None:
    assert CliRunner().invoke(app, ["backtest", *arguments]).exit_code == 2


def test_small_book_is_one_line(run, tmp_path: Path) -> None:
    small = tmp_path / "small.duckdb"
    with Book.open(small, write=True, create=True) as opened:
        opened.upsert("divers", [{"diver": "Noa"}])
        opened.upsert("dives", [{"dive": 1, "diver": "Noa", "date": "2026-05-01"}])
    done = run("backtest", "--book", small)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("Error: the book has 1 dive with a date; a backtest needs at least 20")
    assert done.stderr.count("\n") == 1


def test_missing_extra_is_one_line(book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = forecast.find_spec
    monkeypatch.setattr(forecast, "find_spec", lambda name: None if name in MISSING else found(name))
    done = CliRunner().invoke(app, ["backtest", "--book", str(book)])
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr.startswith("Error: the backtest needs scoringrules and statsmodels, not installed")
    assert "pip install '.[backtest]'" in done.stderr
