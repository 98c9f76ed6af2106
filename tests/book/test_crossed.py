"""Surface checks whose two halves contradict each other."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.book import Book

HEAD = "check,diver,date,lead_kg,bar,waterline,exhale_sinks,breath\n"


def notes(folder: Path, rows: str) -> list[str]:
    """What `load` says of them; all come in."""
    (folder / "divers.csv").write_text("diver\nIda\n", encoding="utf-8")
    (folder / "checks.csv").write_text(HEAD + rows, encoding="utf-8")
    with Book.open(folder / "b.duckdb", write=True, create=True) as book:
        report = book.load(divers=folder / "divers.csv", checks=folder / "checks.csv")
    assert report.rejected == 0
    return [text.partition("csv: ")[2] for text in report.notes]


# By hand: breathing out loses about a litre, a head is four: who is out to the chin does not sink by it, and
# who is under with breath in does not come up without it.
@pytest.mark.parametrize(
    ("line", "sinks", "breath", "odd"),
    [
        ("chin", "yes", "", True),
        ("chin", "no", "", False),
        ("under", "no", "normal", True),
        ("under", "yes", "normal", False),
        ("crown", "no", "normal", True),
        ("eye", "yes", "", False),
        ("eye", "yes", "out", True),
        ("chin", "yes", "full", False),
        ("chin", "", "", False),
        ("", "yes", "", False),
    ],
)
def test_a_check_that_contradicts_itself_is_noted_and_kept(tmp_path: Path, line, sinks, breath, odd) -> None:
    found = notes(tmp_path, f"1,Ida,2026-05-01,6,50,{line},{sinks},{breath}\n")
    said = (
        f"row 2: waterline {line} and exhale_sinks {sinks} contradict each other; kept, and says nothing of "
        "the need: which is the slip?"
    )
    assert found == [said] * odd


def test_many_are_counted(tmp_path: Path) -> None:
    found = notes(tmp_path, "".join(f"{n},Ida,2026-05-{n:02d},6,50,chin,yes,\n" for n in range(1, 9)))
    assert len(found) == 4
    assert found[-1] == "5 more checks that contradict themselves"


def test_a_file_without_such_columns_is_not_asked(tmp_path: Path) -> None:
    (tmp_path / "divers.csv").write_text("diver\nIda\n", encoding="utf-8")
    (tmp_path / "checks.csv").write_text(
        "check,diver,date,lead_kg,bar,waterline\n1,Ida,2026-05-01,6,50,chin\n", encoding="utf-8"
    )
    with Book.open(tmp_path / "b.duckdb", write=True, create=True) as book:
        report = book.load(divers=tmp_path / "divers.csv", checks=tmp_path / "checks.csv")
    assert not report.notes
