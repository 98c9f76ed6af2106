"""`leadline report boat`: the sheet, and its numbers as JSON and CSV beside those of `suggest`."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from leadline.book import Book

from ..decide.club import HOSTILE, make_book  # noqa: TID252 (tests are on no path)
from ..reports.conftest import parse_page  # noqa: TID252

HEADER = "dive,diver,date,group,water,suit,bc,cylinder,gas"


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("club") / "club.duckdb")


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    quoted = '"' + HOSTILE.replace('"', '""') + '"'
    rows = [
        f"next,{who},2026-05-{day},{group},salt,full 5,jacket,steel 12,air"
        for who, day, group in (("Ines", 20, "red"), ("Uma", 20, "red"), (quoted, 21, "blue"))
    ]
    path = tmp_path / "plan.csv"
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(("table", "named"), [("plan.csv", "plan.csv"), ("boat.csv", "boat-dives.csv")])
def test_numbers_are_not_written_over_the_plan(
    run, club: Path, plan: Path, tmp_path: Path, table, named
) -> None:
    own = plan.rename(tmp_path / named)
    before = own.read_bytes()
    done = run("report", "boat", "--book", club, "--plan", own, "--out", tmp_path, "--csv", tmp_path / table)
    assert done.returncode == 1
    assert "would be written over; give --csv another name" in done.stderr
    assert own.read_bytes() == before
    assert {path.name for path in tmp_path.glob("*.csv")} == {named}


def test_sheet_json_csv_and_suggest_say_the_same(run, club: Path, plan: Path, tmp_path: Path) -> None:
    rows = tmp_path / "boat.csv"
    done = run("report", "boat", "--book", club, "--plan", plan, "--out", tmp_path, "--csv", rows, "--json")
    assert done.returncode == 0
    document = json.loads(done.stdout)
    asked = run("suggest", "--book", club, "--plan", plan, "--json")
    suggested = json.loads(asked.stdout)
    assert len(document["rows"]) == 3
    assert document["latest_dive"] == "2026-05-08"
    for row, answer in zip(document["rows"], suggested, strict=True):
        assert {name: row[name] for name in answer} == answer
        pieces = [part.split(":") for part in row["pieces"].split(";") if part]
        assert sum(float(size) * int(count) for size, count in pieces) == pytest.approx(row["lead_kg"])
    with rows.open(encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    for row, answer in zip(table, document["rows"], strict=True):
        assert float(row["lead_kg"]) == answer["lead_kg"]
        assert row["diver"] == answer["diver"]
        assert row["check_place"] == ("" if answer["check_place"] is None else str(answer["check_place"]))
        assert row["check_reasons"] == "; ".join(answer["check_reasons"])
    load = document["load"]
    with (tmp_path / "boat-pieces.csv").open(encoding="utf-8", newline="") as file:
        assert [int(r["pieces"]) for r in csv.DictReader(file)] == [p["pieces"] for p in load["pieces"]]
    page = parse_page((tmp_path / "boat.html").read_text(encoding="utf-8"))
    told = [
        float(row.one("td", _class="load").all("data")[0].attributes["value"])
        for row in page.all("tr", role="row")
        if row.attributes.get("data-row", "").isdigit()
    ]
    assert told == [row["lead_kg"] for row in document["rows"]]
    assert HOSTILE in [e.text() for e in page.all("bdi")]


def test_sheet_for_people(run, club: Path, plan: Path, tmp_path: Path) -> None:
    done = run("report", "boat", "--book", club, "--plan", plan, "--out", tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert "To load:" in done.stdout
    assert "a check in the water overrules it" in done.stdout


def test_group_and_day(run, club: Path, plan: Path, tmp_path: Path) -> None:
    def divers(*options: str) -> list[str]:
        done = run("report", "boat", "--book", club, "--plan", plan, "--out", tmp_path, "--json", *options)
        return [row["diver"] for row in json.loads(done.stdout)["rows"]]

    assert divers("--group", "red") == ["Ines", "Uma"]
    assert divers("--since", "2026-05-21") == [HOSTILE]


def test_pounds_and_coarse_pieces(run, club: Path, plan: Path, tmp_path: Path) -> None:
    given = ("--units", "imperial", "--block", "2lb", "--block", "4lb", "--json")
    done = run("report", "boat", "--book", club, "--plan", plan, "--out", tmp_path, *given)
    for row in json.loads(done.stdout)["rows"]:
        assert row["lead_kg"] / (2 * 0.45359237) == pytest.approx(round(row["lead_kg"] / (2 * 0.45359237)))


@pytest.mark.parametrize(
    ("options", "status", "message"),
    [
        ([], 2, "--plan"),
        (["--plan", "none.csv"], 1, "none.csv"),
        (["--plan", "PLAN", "--group", "green"], 1, "no row of the plan is in group 'green'; see"),
        (["--plan", "PLAN", "--since", "soon"], 2, "is no day"),
        (["--plan", "PLAN", "--block", "1", "--block", "1lb"], 2, "all sizes in kg or all in lb"),
    ],
)
def test_refusals(run, club: Path, plan: Path, options, status, message) -> None:
    given = [str(plan) if option == "PLAN" else option for option in options]
    done = run("report", "boat", "--book", club, *given)
    assert (done.returncode, done.stdout) == (status, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_every_page_names_kit_that_was_changed_since_the_fit(run, tmp_path: Path) -> None:
    """Beside the day on which the model was fitted; the terminal alone is not read on the boat."""
    book, out = make_book(tmp_path / "own.duckdb"), tmp_path / "pages"
    plan = tmp_path / "plan.csv"
    plan.write_text(f"{HEADER}\nnext,Ines,2026-05-20,red,salt,full 5,jacket,steel 12,air\n", encoding="utf-8")
    reports = {
        "boat": ("boat", "--plan", plan),
        "rental": ("rental", "--suit", "full 5", "--classes", "55,65"),
        "roster": ("roster",),
        "season-ines": ("season", "--diver", "Ines"),
    }

    def said(name: str) -> list[str]:
        done = run("report", *reports[name], "--book", book, "--out", out, "--json")
        assert done.returncode == 0
        document = json.loads(done.stdout)
        document = document[0] if isinstance(document, list) else document
        page = parse_page((out / f"{name}.html").read_text(encoding="utf-8"))
        assert document["changed_kit"] == (["full 5"] if changed else [])
        return [span.text().strip() for span in page.all("span", data_name="changed-kit")]

    changed = False
    assert [said(name) for name in reports] == [[]] * 4
    with Book.open(book, write=True) as opened:
        opened.upsert("gear", [{"item": "full 5", "thickness_mm": 7}])
    changed = True
    text = (
        "what was learned of full 5 is left out, for it was changed in the gear since: run leadline learn "
        "again"
    )
    assert [said(name) for name in reports] == [[text]] * 4
