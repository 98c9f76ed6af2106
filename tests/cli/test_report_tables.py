"""`--csv` of every report: each number of the page's document lies in one of its files."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from leadline.decide.report_tables import boat_tables
from leadline.decide.table_text import csv_text

from ..decide.club import HOSTILE, make_book  # noqa: TID252 (tests are on no path)

DATASETS = Path(__file__).parents[2] / "datasets"
KINDS = {
    "season": ["--diver", "Beate U", "--diver", "Mireille V"],  # the second has had a long break
    "rental": ["--water", "fresh", "--water", "salt"],
    "roster": [],
    "boat": ["--plan", str(DATASETS / "plan.csv")],
}
FURTHER = {
    "season": {"summary", "checks", "learned", "ledger", "ledger-totals", "card", "seasons"},
    "rental": {"summary", "pieces", "nearer", "outfits", "seen", "lacking", "left-out"},
    "roster": {"summary", "dives", "courses", "leaders", "curve"},
    "boat": {"summary", "pieces", "dives", "checks", "lacking", "left-out"},
}


def leaves(value: Any) -> Iterator[Any]:
    """Everything in a document that is neither a list nor a document."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for one in value:
            yield from leaves(one)
    elif value is not None:
        yield value


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def number(cell: str) -> float | None:
    try:
        return float(cell)
    except ValueError:
        return None


def files(folder: Path) -> dict[str, list[dict[str, str]]]:
    """All tables of a folder; the main one is called ''."""
    return {path.stem.partition("-")[2]: read(path) for path in folder.glob("*.csv")}


UNIT = re.compile(r"(_kg|_bar|_l|_m|_days)$|^p_|_share$|_q(025|975)$")
"""Ends of the names of quantities; or probabilities and shares."""
RATE = re.compile(r"^(heavy|light)_(expected|level)$|looked_(low|high)$|^flags_|^risk$|^level$")
"""Numbers of people, shares and levels: no unit."""


@pytest.fixture
def book(run, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo records, learned from; once for all."""
    folder = tmp_path_factory.getbasetemp() / "demo-tables"
    path, blocks = folder / "demo.duckdb", folder / "blocks.csv"
    if not folder.exists():
        folder.mkdir()
        blocks.write_text("block,pieces\n2 kg,3\n1 kg,9\n0.5 kg,9\n4 lb,7\n")  # fewer than the boat asks for
        tables = [("--" + name, DATASETS / f"{name}.csv") for name in ("divers", "gear", "dives", "checks")]
        given = [part for pair in [*tables, ("--blocks", blocks)] for part in pair]
        assert run("load", "--book", path, *given).returncode == 0
        assert run("learn", "--book", path).returncode == 0
    return path


@pytest.mark.parametrize("kind", KINDS)
def test_every_number_and_word_of_the_document_is_in_a_file(run, book: Path, tmp_path: Path, kind) -> None:
    folder, pages = tmp_path / "numbers", tmp_path / "pages"
    folder.mkdir()
    main = folder / f"{kind}.csv"
    done = run("report", kind, "--book", book, "--json", "--out", pages, "--csv", main, *KINDS[kind])
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    for page in document if isinstance(document, list) else [document]:
        del page["page"]
    told = list(leaves(document))
    tables = files(folder)
    cells = [cell for rows in tables.values() for row in rows for cell in row.values()]

    wanted = Counter(float(v) for v in told if isinstance(v, (int, float)) and not isinstance(v, bool))
    there = Counter(found for cell in cells if (found := number(cell)) is not None)
    assert len(wanted) > 50
    assert wanted - there == Counter()
    text = "\n".join(cells)
    assert [word for word in told if isinstance(word, str) and word not in text] == []

    assert tables.keys() - {""} == FURTHER[kind]
    noted = set(re.findall(rf"{kind}-[a-z-]+\.csv", done.stderr))
    assert noted == {f"{kind}-{name}.csv" for name in FURTHER[kind]}
    for name, rows in tables.items():
        assert all(None not in row and None not in row.values() for row in rows), (
            name
        )  # as wide as the header
        for column in rows[0]:
            broken = [row[column] for row in rows if (number(row[column]) or 0) % 1]
            assert not broken or UNIT.search(column) or RATE.search(column), (name, column, broken[:3])


def test_a_table_that_is_no_longer_there_leaves_no_old_file(run, tmp_path: Path) -> None:
    club, folder = make_book(tmp_path / "club.duckdb"), tmp_path / "numbers"
    folder.mkdir()
    old = folder / "one-seasons.csv"
    old.write_text("from another day")
    other = folder / "one-else.csv"
    other.write_text("somebody's own")
    done = run(
        "report", "season", "--book", club, "--diver", HOSTILE, "--diver", "Uma", "--out", tmp_path,
        "--csv", folder / "one.csv",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert not old.exists()  # nobody here has had two seasons
    assert other.read_text() == "somebody's own"
    summary = read(folder / "one-summary.csv")
    assert [row["diver"] for row in summary] == [HOSTILE, "Uma"]
    assert summary[0]["prior_mean_kg"]
    assert summary[1]["lead_kg"] == ""  # Uma has not dived: no kit to answer for
    assert {row["diver"] for row in read(folder / "one-ledger.csv")} == {HOSTILE}
    assert sorted(path.name for path in folder.iterdir() if "part" in path.name) == []


def test_cells_keep_their_digits_and_rows_their_columns() -> None:
    rows = [{"lead_kg": 0.453592, "p": float("nan"), "check_first": True, "kit": ["a", "b"]}]
    assert csv_text(rows) == "lead_kg,p,check_first,kit\n0.453592,,yes,a; b\n"


def test_checks_stand_in_the_order_in_which_they_are_made() -> None:
    names = ("diver", "dive", "lead_kg", "bring_kg", "after_check_kg", "dive_at_least_kg",
             "after_check_bar", "bare_kg", "need_q10_kg", "need_q90_kg", "check_reasons")  # fmt: skip
    rows = [{"check_place": place, **dict.fromkeys(names)} for place in (2, None, 1)]
    tables = boat_tables({"rows": rows, "load": {"pieces": []}, "dives": [], "lacking": [], "left_out": []})
    assert [row["check_place"] for row in tables["checks"]] == [1, 2]
