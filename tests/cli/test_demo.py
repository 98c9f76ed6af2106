"""`leadline demo`: it makes what it says, says what was set aside, and can be run again."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from leadline.book import Book
from leadline.cli import app, demo
from leadline.decide.plan_file import COLUMNS
from leadline.errors import BookError

from ..test_docs import README, SET_UP, SET_UP_AND_RUN, blocks, run, section  # noqa: TID252 (tests are on no path)

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory):
    """The demo as a newcomer runs it, by the line of the README, in a folder with a space in its name."""
    assert SET_UP_AND_RUN.startswith(SET_UP)
    home = tmp_path_factory.mktemp("try it")
    return home / "leadline-demo", run(SET_UP_AND_RUN.removeprefix(SET_UP), home)


def form(text: str) -> list[str]:
    """Lines without the width of their gaps; a number stands for any, since a fit may move the last digit."""
    return [re.sub(r"(?<!\w)-?\d+(\.\d+)?", "0", " ".join(line.split())) for line in text.splitlines()]


def test_demo_does_what_the_readme_shows(made) -> None:
    folder, first = made
    shown = blocks(section(README, "Run it"), "text")[0]
    printed = form(first.stdout)
    assert [line for line in form(shown) if line not in ("…", *printed)] == []
    counts = [line for line in shown.splitlines() if line.startswith(("Read", "Set", "Learned"))]
    assert counts == first.stdout.splitlines()[: len(counts)]
    # Leads stand on blocks, which no last digit moves.
    leads = re.findall(r"^ ([A-Z]\w+ [A-Z]) +([\d.]+) ", shown, re.M)
    assert len(leads) == 3
    assert set(leads) <= set(re.findall(r"^ ([A-Z]\w+ [A-Z]) +([\d.]+) ", first.stdout, re.M))
    named = re.findall(r"leadline-demo[\w./-]*\w", section(README, "Run it"))
    assert len(named) > 3
    assert [name for name in named if not (folder.parent / name).exists()] == []


def test_demo_makes_all_it_names(made) -> None:
    folder, first = made
    assert (first.returncode, first.stderr) == (0, "")
    names = re.findall(r"leadline-demo/([\w.-]+)", " ".join(first.stdout.split()))
    assert {"index.html", "plan.csv", "leads.csv", "demo-set-aside.csv"} <= set(names)
    assert [name for name in names if not (folder / name).exists()] == []


def test_demo_writes_every_report_and_an_index_that_leads_to_each(made) -> None:
    folder, _ = made
    kinds = {"boat.html", "rental.html", "roster.html"}
    with (ROOT / "datasets" / "plan.csv").open(encoding="utf-8", newline="") as file:
        planned = {row["diver"] for row in csv.DictReader(file)}
    pages = {path.name for path in folder.glob("*.html")} - {"index.html"}
    assert kinds < pages
    assert len(pages - kinds) == len(planned)
    assert {name.partition("-")[0] for name in pages - kinds} == {"season"}
    linked = set(re.findall(r'href="([^"#:]+)"', (folder / "index.html").read_text(encoding="utf-8")))
    assert linked == pages


def test_demo_knows_its_reports_of_many_divers() -> None:
    """A report that is added to the command is added to the demo too."""
    group = typer.main.get_command(app).commands["report"]  # type: ignore[attr-defined]  # a group, typed as a command
    assert set(group.commands) == {"season", *demo._PAGES}


def test_demo_says_what_it_did_and_what_comes_next(made) -> None:
    folder, first = made
    with (ROOT / "datasets" / "README.md").open(encoding="utf-8") as file:
        aside = sum(1 for line in file if re.match(r"\| (divers|gear|dives|checks)\.csv \| \d", line))
    assert f"Set {aside} faulty rows aside" in first.stdout
    for command in ("leadline load", "leadline learn", "leadline suggest", "leadline report season"):
        assert command in first.stdout
    assert first.stdout.count("An estimate, not an instruction") == 1
    with Book.open(folder / "demo.duckdb") as book:
        assert book.counts()["dives"] > 1000


def test_plan_of_the_demo_is_in_the_order_of_the_plan(made) -> None:
    folder, _ = made
    assert (folder / "plan.csv").read_bytes() == (ROOT / "datasets" / "plan.csv").read_bytes()
    with (folder / "leads.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with (ROOT / "datasets" / "plan.csv").open(encoding="utf-8", newline="") as file:
        planned = [row["diver"] for row in csv.DictReader(file)]
    assert [row["diver"] for row in rows] == planned
    assert list(rows[0]) == list(COLUMNS)
    assert {row["check_first"] for row in rows} == {"yes", "no"}


def test_second_run_changes_nothing_but_the_fit(made, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, _ = made
    leads = (folder / "leads.csv").read_bytes()
    season = {"Odile R": folder / "index.html"}
    monkeypatch.setattr(demo, "_pages", lambda *_, **__: ({}, season))
    done = CliRunner().invoke(app, ["demo", str(folder), "--json"])
    assert (done.exit_code, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert document["load"]["dives"]["read"] > 1000
    assert (folder / "leads.csv").read_bytes() == leads
    with Book.open(folder / "demo.duckdb") as book:
        assert book.data_version == 1
        assert book.counts()["fits"] == 2


def test_missing_records_are_one_line(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(demo, "__file__", str(tmp_path / "a" / "b" / "c" / "d" / "demo.py"))
    with pytest.raises(BookError, match="install leadline again"):
        demo.records_folder()
