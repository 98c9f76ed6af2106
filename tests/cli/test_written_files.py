"""What commands write: no option writes over a book, whatever its name."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.book import Book

PLAN = "dive,diver,date,water,suit,bc,cylinder\nnext,Ines,2026-05-20,salt,W5,J,S12\n"
CASES = {
    "suggest": "suggest --plan plan.csv --out",
    "boat": "report boat --plan plan.csv --csv",
    "rental": "report rental --csv",
    "roster": "report roster --csv",
    "season": "report season --diver Ines --csv",
    "backtest": "backtest --out",
}


def stands(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("words", CASES.values(), ids=CASES)
def test_no_output_is_written_over_the_book(run, book: Path, tmp_path: Path, words: str) -> None:
    (tmp_path / "plan.csv").write_text(PLAN, encoding="utf-8")
    (tmp_path / "leads.csv").symlink_to(book.name)
    before = stands(tmp_path)
    done = run("--book", book.name, *words.split(), "leads.csv")
    assert done.returncode == 1
    assert done.stderr == "Error: leads.csv: a book, which nothing is written over; give another name\n"
    assert done.stdout == ""
    assert stands(tmp_path) == before


def test_nor_over_a_book_beside_the_numbers_of_a_report(run, book: Path, tmp_path: Path) -> None:
    other = tmp_path / "numbers-pieces.csv"
    with Book.open(other, write=True, create=True) as opened:
        opened.upsert("divers", [{"diver": "Noa"}])
    before = other.read_bytes()
    done = run("--book", book.name, "report", "rental", "--csv", "numbers.csv")
    assert done.returncode == 1
    assert "numbers-pieces.csv: a book" in done.stderr
    assert other.read_bytes() == before
    assert not (tmp_path / "numbers.csv").exists()


def test_nor_over_a_book_in_the_folder_of_the_demo(run, book: Path, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    folder.mkdir()
    (folder / "plan.csv").symlink_to(book)
    before = stands(tmp_path)
    done = run("demo", folder)
    assert done.returncode == 1
    assert "plan.csv: a book" in done.stderr
    assert stands(tmp_path) == before
