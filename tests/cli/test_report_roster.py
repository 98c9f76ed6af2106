"""`leadline report roster`, run as a user runs it."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from leadline.book import Book
from leadline.cli import output, report_roster
from leadline.cli.holding import read
from leadline.cli.report_roster import roster_data
from tests.decide.club import DIVERS, GEAR, HOSTILE, dives, learned, make_book


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The club's book, its dives in a course and a trip."""
    path = tmp_path_factory.mktemp("club") / "club.duckdb"
    with Book.open(path, write=True, create=True) as book:
        book.upsert("divers", DIVERS)
        book.upsert("gear", GEAR)
        grouped = [
            row | {"group": "Course A" if row["diver"] in ("Ines", HOSTILE) else "Trip; =B", "leader": "Ivo"}
            for row in dives()
        ]
        book.upsert("dives", grouped)
        book.save_fit(learned().to_bytes(), book.data_version, {})
    return path


def test_page_json_and_csv_say_the_same(run, club: Path, tmp_path: Path) -> None:
    out, table = tmp_path / "pages", tmp_path / "made" / "on the way" / "roster.csv"
    done = run("report", "roster", "--book", club, "--out", out, "--csv", table, "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    students = {row["diver"]: row for row in document["students"]}
    assert sorted(students) == sorted(["Ines", HOSTILE, "Noa", "Ole"])  # Ivo led; Uma and Zed did not dive
    page = Path(document["page"]).read_text(encoding="utf-8")
    assert Path(document["page"]) == out / "roster.html"
    assert HOSTILE not in page
    for row in students.values():
        assert f'<data value="{row["margin_q50_kg"]:.12g}" data-field="margin.q50">' in page
    with table.open(encoding="utf-8", newline="") as file:
        written = list(csv.DictReader(file))
    assert [row["diver"] for row in written] == [row["diver"] for row in document["students"]]
    for row in written:
        assert float(row["margin_q50_kg"]) == students[row["diver"]]["margin_q50_kg"]
        assert row["flagged"] in ("yes", "no")
    assert str(table) in done.stderr


def test_one_group_since_a_day(run, club: Path, tmp_path: Path) -> None:
    done = run(
        "report", "roster", "--book", club, "--group", "Course A", "--since", "2026-05-05", "--json",
        "--out", tmp_path / "one",
    )  # fmt: skip
    document = json.loads(done.stdout)
    assert sorted(row["diver"] for row in document["students"]) == sorted(["Ines", HOSTILE])
    assert {row["dives"] for row in document["students"]} == {4}
    assert (document["groups"], document["since"]) == (["Course A"], "2026-05-05")
    both = run(
        "report", "roster", "--book", club, "--group", "Course A", "--group", "Trip; =B", "--json",
        "--out", tmp_path / "both",
    )  # fmt: skip
    assert len(json.loads(both.stdout)["students"]) == 4


def test_for_people(run, club: Path, tmp_path: Path) -> None:
    done = run("report", "roster", "--book", club, "--out", tmp_path, "--units", "imperial")
    assert done.returncode == 0, done.stderr
    assert re.search(r"Noa .* lb ", done.stdout)
    said = " ".join(done.stdout.split())
    assert re.search(
        r"\d of \d never looked at\. Looked at: BC empty at the stop or its litres estimated", said
    )
    assert "looked at with" not in said.lower()
    assert "a check in the water overrules it" in done.stdout.replace("\n", " ")
    page = (tmp_path / "roster.html").read_text(encoding="utf-8")
    assert "Lead, lb" in page
    # Rounded once: over need is the number of the page.
    over = re.findall(r'margin\.q50">([+−]?)([\d.]+)', page)
    printed = re.findall(r"\d lb\s+(-|−)?([\d.]+) lb\s+[<>\d]", done.stdout)
    assert [float(number) for _, number in over] == [float(number) for _, number in printed]


def test_a_long_roster_is_printed_in_part(
    club: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(output, "MOST_SHOWN", 1)
    holding, _ = read(club)
    data = roster_data(holding)
    assert len(data.students) > 1
    console = Console(width=120, record=True, file=io.StringIO())
    console.print(report_roster._view(data, tmp_path / "roster.html", "metric"))
    shown = console.export_text()
    assert data.students[0].diver in shown
    assert data.students[-1].diver not in shown
    assert f"Above are the first 1 of {len(data.students)}; the page has them all." in shown
    assert f"Expected of {len(data.students)}:" in shown


def test_flagged_students_are_all_to_be_found(club: Path, tmp_path: Path) -> None:
    """Of two that are flagged one stands under another heading: the count says where."""
    holding, _ = read(club)
    data = roster_data(holding)

    def shown(*status: str) -> str:
        given = [*status, *["settled"] * (len(data.students) - len(status))]
        students = tuple(
            replace(one, diver=f"S{i}", status=word, flagged=i < len(status))
            for i, (one, word) in enumerate(zip(data.students, given, strict=True))
        )
        chosen = np.array([one.flagged for one in students])
        rates = replace(data.flags, flagged=chosen, expected_false=0.1, false_share=0.05)
        console = Console(width=400, record=True, file=io.StringIO())
        made = replace(data, students=students, flags=rates)
        console.print(report_roster._view(made, tmp_path / "roster.html", "metric"))
        return console.export_text()

    both = shown("short", "heavy")
    assert "2 flagged as too heavy, of which 0.1 are expected to be false" in both
    assert ("Of these under another heading, by the lead of the latest dive: S0 (a little short).") in both
    assert "under another heading" not in shown("heavy", "heavy")


def test_index_of_the_folder_leads_to_it(run, tmp_path: Path) -> None:
    book, out = make_book(tmp_path / "club.duckdb"), tmp_path / "pages"
    run("report", "season", "--book", book, "--diver", "Ines", "--diver", "Noa", "--out", out)
    run("report", "roster", "--book", book, "--out", out)
    assert 'href="roster.html"' in (out / "index.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("options", "status", "message"),
    [
        (["--group", "Course B"], 1, "no dive is in group 'Course B'"),
        (["--since", "May"], 2, "2026-05-31"),
        (["--since", "2027-01-01"], 1, "Error: no dive of a student since 2027-01-01 in the book\n"),
        (
            ["--group", "Course A", "--since", "2026-05-09"],
            1,
            "Error: no dive of a student in group 'Course A' since 2026-05-09 in the book\n",
        ),
        (["--out", "file/pages"], 1, "file"),
        (["--risk", "0.9"], 2, "--risk"),
        (["--csv", "."], 2, "is a folder; name a file"),
        (["--csv", "file/deep/roster.csv"], 2, "file is no folder"),
    ],
)
def test_refusals(run, club: Path, tmp_path: Path, options, status, message) -> None:
    (tmp_path / "file").write_text("")
    done = run("report", "roster", "--book", club, *options)
    assert (done.returncode, done.stdout) == (status, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "reports").exists()


def test_nobody_has_dived(run, tmp_path: Path) -> None:
    book = tmp_path / "new.duckdb"
    with Book.open(book, write=True, create=True) as opened:
        opened.upsert("divers", DIVERS)
    done = run("report", "roster", "--book", book, "--out", tmp_path, "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["students"] == []
    assert "no dives of students in the book" in done.stderr
