"""The demo records through the book and the ledger: what loads, what is set aside, and a plausible truth."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.arrays import Records, occasions
from leadline.book import Book, LoadReport
from leadline.physics.ledger import State, assemble, evaluate, exposures, prior_sd

DATASETS = Path(__file__).resolve().parents[2] / "datasets"
TABLES = ("divers", "gear", "dives", "checks")
RESERVE = 35.0


def listed() -> set[tuple[str, int, str]]:
    """File, row and column of every row that the README says is set aside."""
    text = (DATASETS / "README.md").read_text(encoding="utf-8")
    table = text.split("<!-- rows set aside: begin -->\n")[1].split("<!-- rows set aside: end -->")[0]
    rows = [[cell.strip() for cell in line.split("|")[1:4]] for line in table.splitlines()[2:]]
    return {(file, int(row), column) for file, row, column in rows}


def load(book: Book, folder: Path) -> LoadReport:
    return book.load(**{name: folder / f"{name}.csv" for name in TABLES})


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo") / "demo.duckdb"


@pytest.fixture(scope="module")
def report(path: Path) -> LoadReport:
    with Book.open(path, write=True, create=True) as book:
        return load(book, DATASETS)


@pytest.fixture(scope="module")
def records(path: Path, report: LoadReport) -> Records:
    with Book.open(path) as book:
        return book.records()


def test_exactly_the_listed_rows_are_set_aside(report: LoadReport) -> None:
    found = {(Path(fault.file).name, fault.row, fault.column) for fault in report.faults}
    assert found == listed()
    assert 12 <= len(found) == report.rejected <= 20


def test_everything_else_loads(report: LoadReport) -> None:
    for name, table in report.tables.items():
        aside = sum(file == f"{name}.csv" for file, _, _ in listed())
        copies = 1 if name == "dives" else 0  # one dive stands twice, word for word
        assert (table.rejected, table.unchanged, table.updated) == (aside, copies, 0), name
        assert table.loaded == table.read - aside - copies, name
    assert any("notes" in note for note in report.notes)


def test_forgivable_slips_are_forgiven(records: Records) -> None:
    raw = (DATASETS / "dives.csv").read_text(encoding="utf-8")
    for slip in (r",(Hovered|Rose|Sank) ,", r"^26-\d+, \w", r",2026-\d\d-\d\d \d\d:\d\d,"):
        assert re.search(slip, raw, re.MULTILINE), slip
    assert set(records.dives["stop_result"]) == {"", "hovered", "rose", "sank"}
    assert all(name == name.strip() for name in records.dives["diver"])


def test_the_plan_reads(path: Path, report: LoadReport) -> None:
    with Book.open(path) as book:
        plan = book.read_plan(DATASETS / "plan.csv")
    assert len(plan["diver"]) >= 12
    assert np.isnan(plan["lead_kg"]).all()


# Source: 1 lb = 0.45359237 kg and 1 ft = 0.3048 m exactly, 1 psi = 6894.757293168 Pa: NIST SP 811,
# appendix B.8. 78 cu ft of free air (1 atm, 20 °C) at 3000 psi fill 11.1 L: CoolProp's pseudo-pure air
# (Lemmon et al. 2000, doi:10.1063/1.1285884), to the rounding of 78. Kind: published, independent.
def test_the_imperial_set_loads_alone_in_house_units(tmp_path: Path) -> None:
    with Book.open(tmp_path / "visitors.duckdb", write=True, create=True) as book:
        report = load(book, DATASETS / "imperial")
        records = book.records()
    assert report.rejected == 0
    assert len(records.divers["diver"]) == 5
    with (DATASETS / "imperial" / "dives.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 20
    assert_allclose(records.dives["lead_kg"], [float(row["lead_lb"]) * 0.45359237 for row in rows])
    feet = [float(row["max_depth_ft"] or "nan") * 0.3048 for row in rows]
    assert_allclose(records.dives["max_depth_m"], feet)
    start = [float(row["start_psi"] or "nan") * 0.06894757293168 for row in rows]
    noted = [float(text or "nan") for text in records.dives["start_bar"]]
    assert_allclose(noted, start, rtol=1e-6)
    capacity = dict(zip(records.gear["item"], records.gear["water_capacity_l"], strict=True))
    assert_allclose(capacity["alu 11 v"], 11.1, rtol=0.5 / 78)


def test_the_imperial_set_loads_beside_the_season(path: Path, report: LoadReport, tmp_path: Path) -> None:
    copy = tmp_path / "both.duckdb"
    copy.write_bytes(path.read_bytes())
    with Book.open(copy, write=True) as book:
        visitors = load(book, DATASETS / "imperial")
    assert visitors.rejected == 0
    assert all(table.updated == table.unchanged == 0 for table in visitors.tables.values())


# The truth is another world than the ledger's, but within reason: were the prior's sd perfect, the standard
# score would have rms 1 and 95 % within 2. Kind: independent (the truth is never shown to the package).
def test_truth_is_plausible_against_the_prior(records: Records) -> None:
    with (DATASETS / "truth.csv").open(encoding="utf-8", newline="") as file:
        known = {(row["dive"], row["diver"]): float(row["need_at_35_bar_kg"]) for row in csv.DictReader(file)}
    dives = records.dives
    truth = np.array([known[key] for key in zip(dives["dive"], dives["diver"], strict=True)])
    where = occasions(records, dives)
    rigs = assemble(records, where)
    depth = np.where(np.isnan(dives["stop_depth_m"]), 5.0, dives["stop_depth_m"])
    pressure = np.full(where.stop.shape, RESERVE)
    state = State(depth=depth, cylinder_pressure=pressure, carried=where.carried)
    prior = evaluate(rigs, state).need
    score = (truth - prior) / prior_sd(exposures(rigs, state))
    assert 0.6 < np.sqrt(np.mean(score**2)) < 1.25
    assert np.mean(np.abs(score) < 2) > 0.88
    assert np.corrcoef(truth, prior)[0, 1] > 0.85
    assert np.std(truth - prior) > 0.8  # there is something to learn
