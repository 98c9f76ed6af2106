"""`leadline report rental`: the page, its numbers as JSON and CSV, and the index that leads to it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from leadline.book import Book

from ..decide.club import make_book  # noqa: TID252 (tests are on no path)
from ..reports.conftest import parse_page  # noqa: TID252

SMALL = ("--suit", "full 5", "--classes", "55,65,85")


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("club") / "club.duckdb")


def leads(path: Path) -> list[float]:
    card = parse_page(path.read_text(encoding="utf-8")).one("table", data_table="card-0")
    return [float(d.attributes["value"]) for d in card.all("data", data_field="lead_kg")]


def test_page_json_and_csv_say_the_same(run, club: Path, tmp_path: Path) -> None:
    out, rows = tmp_path / "pages", tmp_path / "rental.csv"
    done = run("report", "rental", "--book", club, *SMALL, "--out", out, "--csv", rows, "--json")
    assert done.returncode == 0
    document = json.loads(done.stdout)
    assert document["page"] == str(out / "rental.html")
    assert document["learned"]
    assert document["latest_dive"] == "2026-05-08"
    assert 'latest dive <time datetime="2026-05-08">' in (out / "rental.html").read_text(encoding="utf-8")
    assert document["at_bar"] == 35
    assert [(c["body_mass_from_kg"], c["body_mass_to_kg"]) for c in document["cells"]] == [(55, 65), (65, 85)]
    assert leads(out / "rental.html") == [c["lead_kg"] for c in document["cells"]]
    with rows.open(encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    for row, cell in zip(table, document["cells"], strict=True):
        assert row["check_first"] == ("yes" if cell["check_first"] else "no")
        for name in ("lead_kg", "bring_kg", "p_too_light", "p_too_heavy", "need_q10_kg", "need_q90_kg"):
            assert float(row[name]) == cell[name]
    with (tmp_path / "rental-pieces.csv").open(encoding="utf-8", newline="") as file:
        pieces = [{name: float(value) for name, value in row.items()} for row in csv.DictReader(file)]
    assert pieces == document["stock"]["pieces"]
    assert document["stock"]["total_kg"] == sum(p["piece_kg"] * p["pieces"] for p in pieces)
    assert "masses in kg" in done.stderr


def test_table_for_people(run, club: Path, tmp_path: Path) -> None:
    done = run("report", "rental", "--book", club, *SMALL, "--out", tmp_path / "a", "--renters", 6)
    assert (done.returncode, done.stderr) == (0, "")
    assert "55 to 65\u00a0kg" in done.stdout
    assert "To have ready for 6 renters" in done.stdout
    assert "a check in the water overrules it" in done.stdout


def test_every_table_is_shown_and_what_to_have_ready_names_its_own(run, club: Path, tmp_path: Path) -> None:
    two = ("--water", "salt", "--water", "fresh", "--renters", 25)
    done = run("report", "rental", "--book", club, *SMALL, *two, "--out", tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    told = " ".join(done.stdout.replace("\u00a0", " ").split())
    assert told.count("lead in kg") == told.count("55 to 65 kg") == 2
    assert told.index("Salt water, ") < told.index("Fresh water, ") < told.index("To have ready")
    assert "To have ready for 25 renters, salt water, " in told


def test_pounds(run, club: Path, tmp_path: Path) -> None:
    given = ("--suit", "full 5", "--classes", "120,150", "--units", "imperial")
    done = run("report", "rental", "--book", club, *given, "--out", tmp_path / "lb", "--json")
    document = json.loads(done.stdout)
    assert document["cells"][0]["body_mass_from_kg"] == pytest.approx(120 * 0.45359237, abs=1e-4)
    assert "psi" in (tmp_path / "lb" / "rental.html").read_text(encoding="utf-8")


def test_another_place_is_named_in_the_reader_s_unit(run, club: Path, tmp_path: Path) -> None:
    """Independent: 1,560 m is 5,118.11 ft, 3 m is 9.8425 ft; water of 18 g/kg is denser than of 8."""
    metric = ("--water", "brackish", "--altitude", 1560, "--stop-depth", 3, "--salinity", 18)
    imperial = ("--water", "brackish", "--altitude", 5118.11, "--stop-depth", 9.8425, "--salinity", 18)
    found = []
    for options in (metric, (*imperial, "--units", "imperial"), ("--water", "brackish")):
        classes = "121.25,187.4" if "imperial" in options else "55,85"
        kit = ("--suit", "full 5", "--classes", classes)
        done = run("report", "rental", "--book", club, *kit, *options, "--out", tmp_path, "--json")
        assert done.returncode == 0
        found.append(json.loads(done.stdout)["cells"][0])
    here, same, plain = found
    assert (here["altitude_m"], here["stop_depth_m"], here["salinity_gkg"]) == (1560, 3, 18)
    assert same["need_q50_kg"] == pytest.approx(here["need_q50_kg"], abs=0.05)
    assert here["need_q50_kg"] > plain["need_q50_kg"] + 0.5
    assert (plain["altitude_m"], plain["stop_depth_m"], plain["salinity_gkg"]) == (0, 5, None)


def test_index_links_what_is_there(run, club: Path, tmp_path: Path) -> None:
    out = tmp_path / "pages"
    run("report", "season", "--book", club, "--diver", "Ines", "--diver", "Ivo", "--out", out)
    before = (out / "index.html").read_text(encoding="utf-8")
    assert "rental.html" not in before
    run("report", "rental", "--book", club, *SMALL, "--out", out)
    after = (out / "index.html").read_text(encoding="utf-8")
    assert 'href="rental.html"' in after
    assert 'href="season-ines.html"' in after
    run("report", "season", "--book", club, "--diver", "Ines", "--diver", "Ivo", "--out", out)
    assert 'href="rental.html"' in (out / "index.html").read_text(encoding="utf-8")


def test_an_unlearned_book_says_so(run, tmp_path: Path) -> None:
    book = make_book(tmp_path / "new.duckdb", fitted=False)
    done = run("report", "rental", "--book", book, *SMALL, "--out", tmp_path / "a", "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["learned"] is None
    assert "nothing has been learned" in done.stderr
    assert "all numbers are physics alone" in (tmp_path / "a" / "rental.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("options", "status", "message"),
    [
        (["--suit", "rubber"], 1, "known types"),
        (["--classes", "80,60"], 2, "rising edges"),
        (["--cylinder", "jacket"], 1, "no such cylinder"),
        (["--water", "sea"], 2, "fresh, brackish, salt"),
        (["--water", "salt", "--salinity", "3.5"], 1, "contradicts water salt, which has 15 or more"),
        (["--salinity", "3.5"], 1, "contradicts water salt, which has 15 or more"),
        (["--stop-depth", "40"], 2, "must lie in [1, 15] m"),
        (["--altitude", "9000"], 2, "must lie in [-430, 5000] m"),
        (["--block", "1", "--block", "1lb"], 2, "all sizes in kg or all in lb"),
        (["--since", "yesterday"], 2, "is no day"),
        (["--risk", "0.9"], 2, "--risk"),
        (["--out", "file/pages"], 1, "file"),
        (["--group", "nobody's"], 1, "no dive of the book in group"),
        (["--since", "2090-01-01"], 1, "no dive of the book since 2090-01-01"),
    ],
)
def test_refusals(run, club: Path, tmp_path: Path, options, status, message) -> None:
    (tmp_path / "file").write_text("")
    done = run("report", "rental", "--book", club, *options)
    assert (done.returncode, done.stdout) == (status, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_a_book_without_suits(run, tmp_path: Path) -> None:
    with Book.open(tmp_path / "bare.duckdb", write=True, create=True) as opened:
        opened.upsert("gear", [{"item": "jacket", "kind": "bc"}])
    done = run("report", "rental", "--book", tmp_path / "bare.duckdb")
    assert done.returncode == 1
    assert "no suits in the book" in done.stderr


# Kind: arithmetic; 12 ft are 3.66 m.
def test_stop_depth_that_looks_like_feet_is_noted(run, club: Path, tmp_path: Path) -> None:
    done = run("report", "rental", "--book", club, *SMALL, "--out", tmp_path, "--stop-depth", "12")
    assert (done.returncode, done.stderr) == (
        0,
        "note: --stop-depth 12: a stop is usually at 3 to 6 m: feet? (12 ft are 3.7 m; --units imperial); "
        "kept as it is\n",
    )
    feet = ("--stop-depth", "12", "--units", "imperial", "--classes", "120,150")
    done = run("report", "rental", "--book", club, "--suit", "full 5", *feet, "--out", tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
