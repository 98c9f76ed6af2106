"""What bears on some divers, read alone, gives what the whole book gives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from leadline.book import Book, fetch
from leadline.records import TABLES
from leadline.timeline import DIVE, timeline

DIVERS = ("Ada", "Bo", "Cai", "Dot")
DAYS = ("2026-05-01", "2026-05-01", "2026-05-02", "2026-05-03", "2026-05-03", "2026-05-09")


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """Four divers who share two suits, worn alone or together, two of them on one day."""
    path = tmp_path / "shared.duckdb"
    rng = np.random.default_rng(8)
    suits = ("full 5", "vest 5", "full 5;vest 5", "full 3")
    dives = [
        {
            "dive": str(number),
            "diver": DIVERS[rng.integers(4)],
            "date": DAYS[number % len(DAYS)],
            "suit": suits[rng.integers(4)],
            "lead_kg": 6,
        }
        for number in range(60)
    ]
    checks = [{"check": name, "diver": name, "suit": "full 3", "lead_kg": 5} for name in DIVERS]
    with Book.open(path, write=True, create=True) as opened:
        opened.upsert("divers", [{"diver": name, "mass_kg": 70} for name in DIVERS])
        worn = [
            {"item": n, "kind": "suit", "style": "full", "dives_before": 10} for n in suits if ";" not in n
        ]
        opened.upsert("gear", worn)
        opened.upsert("dives", dives)
        opened.upsert("checks", checks)
    return path


@pytest.mark.parametrize("divers", [{"Bo"}, {"Ada", "Dot"}, set(DIVERS)])
def test_wear_is_that_of_the_whole_book(book: Path, divers: set[str]) -> None:
    """Independent: the same suits counted over all dives of all divers."""
    with Book.open(book) as opened:
        whole, part = opened.records(), opened.portion(divers)
        written = opened.versions("dives")
    line, near = timeline(whole), timeline(part.records)
    own = np.isin(whole.dives["diver"], list(divers))
    assert near.records.dives["dive"].tolist() == whole.dives["dive"][own].tolist()
    assert part.dives.tolist() == written[own].tolist()
    expected = line.occasions.suit_dives[line.at(DIVE)][own]
    found = near.occasions.suit_dives[near.at(DIVE)]
    np.testing.assert_array_equal(np.nan_to_num(found, nan=-1), np.nan_to_num(expected, nan=-1))


def test_others_count_only_as_wear(book: Path) -> None:
    with Book.open(book) as opened:
        part = opened.portion({"Cai"}, suits={"full 5"})
    assert set(part.records.divers["diver"]) == {"Cai"}
    assert set(part.records.dives["diver"]) <= {"Cai"}
    assert part.records.checks["check"].tolist() == ["Cai"]
    assert set(part.records.worn["diver"]) == {"Ada", "Bo", "Dot"}


def test_a_name_unknown_to_the_book_is_passed_over(book: Path) -> None:
    with Book.open(book) as opened:
        part = opened.portion({"Eve"}, suits={"vest 5"})
    assert not len(part.records.divers["diver"])
    assert not len(part.records.dives["dive"])
    assert all("vest 5" in cell for cell in part.records.worn["suit"])
    assert len(part.records.worn["suit"])


@pytest.mark.parametrize("name", ["divers", "gear", "dives", "checks"])
def test_columns_without_masks_are_those_with_them(book: Path, name: str) -> None:
    """Independent: DuckDB's own masked arrays; some rows lack nearly all, one has a time of day."""
    table = TABLES[name]
    some = {
        "dive": "late",
        "diver": "Bo",
        "date": "2026-05-10T08:30:15",
        "stop_bar": "50;-",
        "stop_depth_m": 5,
    }
    with Book.open(book, write=True) as opened:
        assert opened.upsert("dives", [some]).rejected == 0
        plain = opened._plain
        found = fetch.filled(plain, table.columns, f"FROM {name} ORDER BY seq", also=["version"])
        masked = plain.execute(f"SELECT * FROM {name} ORDER BY seq").fetchnumpy()  # noqa: S608
    assert any(np.ma.isMaskedArray(values) for values in masked.values())
    assert list(found) == [*(column.name for column in table.columns), "version"]
    for column in table.columns:
        expected = fetch.typed_array(column, masked[column.name])
        assert found[column.name].dtype == expected.dtype
        np.testing.assert_array_equal(found[column.name], expected)
