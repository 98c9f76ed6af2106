"""Leads in half pounds: kilograms that stand under pounds."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.book import Book

# Common practice, no source: blocks weigh whole pounds. Kind: arithmetic; 5.5 kg are 12.1 lb.
SAID = (
    "lead_lb {}: {} of {} leads are in half pounds, and blocks weigh whole ones: kilograms? "
    "({} kg are {} lb; kg go under lead_kg); kept as it is"
)


def notes(folder: Path, leads: list[str], header: str = "lead_lb") -> list[str]:
    """What `load` says of dives with these leads; all come in."""
    (folder / "divers.csv").write_text("diver\nIda\n", encoding="utf-8")
    rows = "".join(f"{n},Ida,2026-05-{n:02d},{lead}\n" for n, lead in enumerate(leads, 1))
    (folder / "dives.csv").write_text(f"dive,diver,date,{header}\n{rows}", encoding="utf-8")
    with Book.open(folder / "b.duckdb", write=True, create=True) as book:
        report = book.load(divers=folder / "divers.csv", dives=folder / "dives.csv")
    assert report.rejected == 0
    return [text.partition("csv: ")[2] for text in report.notes]


@pytest.mark.parametrize(
    ("leads", "said"),
    [
        (["5", "5.5", "6.5", "6", "7.5"], "row 3: " + SAID.format("5.5", 3, 5, "5.5", "12.1")),
        # Two may be chance, and so is one lead in six.
        (["12", "12.5", "13.5", "14"], ""),
        (["12", "13", "14", "15"] * 4 + ["12.5", "13.5", "14.5"], ""),
        # Kilograms that somebody turned into pounds: 5, 5.5, 6, 6.5 kg and what a tenth makes half a pound.
        (["11.02", "12.13", "13.23", "14.33", "11.5", "15.5", "13.5"], ""),
        (["12", "14", "", "16"], ""),
    ],
)
def test_leads_in_half_pounds_are_noted_and_kept(tmp_path: Path, leads: list[str], said: str) -> None:
    assert notes(tmp_path, leads) == ([said] if said else [])


def test_half_kilograms_are_usual(tmp_path: Path) -> None:
    assert notes(tmp_path, ["5.5", "6.5", "7.5"], "lead_kg") == []


def test_leads_of_checks_are_looked_at_too(tmp_path: Path) -> None:
    (tmp_path / "divers.csv").write_text("diver\nIda\n", encoding="utf-8")
    rows = "".join(f"{n},Ida,2026-05-{n:02d},{n}.5,60,eye\n" for n in range(4, 8))
    head = "check,diver,date,lead_lb,bar,waterline\n"
    (tmp_path / "checks.csv").write_text(head + rows, encoding="utf-8")
    with Book.open(tmp_path / "b.duckdb", write=True, create=True) as book:
        report = book.load(divers=tmp_path / "divers.csv", checks=tmp_path / "checks.csv")
    # Kind: arithmetic; 4.5 kg are 9.92 lb.
    (said,) = report.notes
    assert said.endswith("checks.csv: row 2: " + SAID.format("4.5", 4, 4, "4.5", "9.92"))
