"""Blocks of lead that the book lists: what is sound, what is kept, what comes back."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.book import Book
from leadline.errors import RecordError


def kept(path: Path, **files: Path) -> dict[str, int]:
    with Book.open(path, write=True, create=True) as book:
        book.load(**files)
        return book.blocks()


def listed(folder: Path, text: str, name: str = "blocks.csv") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def test_a_book_lists_none_until_told(tmp_path: Path) -> None:
    with Book.open(tmp_path / "b.duckdb", write=True, create=True) as book:
        assert book.blocks() == {}


def test_sizes_and_counts_are_kept_in_the_order_of_the_file(tmp_path: Path) -> None:
    file = listed(tmp_path, "block,pieces\n2 kg,10\n0.5kg,6\n1 LB,4\n")
    assert kept(tmp_path / "b.duckdb", blocks=file) == {"2 kg": 10, "0.5kg": 6, "1 LB": 4}


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_sizes_with_a_decimal_comma_are_read_as_numbers_are(tmp_path: Path, delimiter: str) -> None:
    file = listed(tmp_path, "block;pieces\n0,5 kg;20\n1 kg;40\n2,2 lb;4\n".replace(";", delimiter))
    assert kept(tmp_path / "b.duckdb", blocks=file) == {"0.5 kg": 20, "1 kg": 40, "2.2 lb": 4}


def test_a_later_file_changes_what_it_names(tmp_path: Path) -> None:
    path = tmp_path / "b.duckdb"
    kept(path, blocks=listed(tmp_path, "block,pieces\n2 kg,10\n1 kg,6\n"))
    assert kept(path, blocks=listed(tmp_path, "block,pieces\n1 kg,0\n")) == {"2 kg": 10}


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 0, 2)])
def test_one_size_however_it_is_written_adds_up(tmp_path: Path, order) -> None:
    """By hand: 30 + 40 + 5 = 75."""
    lines = ["2 kg,30", "2.0 kg,40", "2kg,5"]
    file = listed(tmp_path, "\n".join(["block,pieces", *(lines[i] for i in order), "2 lb,9", "0.5 kg,3"]))
    path = tmp_path / "b.duckdb"
    with Book.open(path, write=True, create=True) as book:
        report = book.load(blocks=file)
        assert list(book.blocks().values()) == [75, 9, 3]
        first = lines[order[0]].partition(",")[0]
        assert report.notes == (f"{file}: rows 2, 3 and 4 are all {first}: added up to 75 pieces",)
        counts = report.tables["blocks"]
        assert (counts.read, counts.loaded, counts.rejected) == (5, 3, 0)
        again = book.load(blocks=file).tables["blocks"]
        assert (again.loaded, again.updated) == (0, 0)
        # Another spelling in a later file is the same size; what there are 0 of is no longer used.
        book.load(blocks=listed(tmp_path, "block,pieces\n2.00 KG,7\n0.50kg,0\n", "later.csv"))
        assert list(book.blocks().values()) == [7, 9]
        book.upsert("blocks", [{"block": "2000e-3 kg", "pieces": 8}])
        assert book.blocks()[first] == 8


def test_an_unsound_row_is_not_added(tmp_path: Path) -> None:
    file = listed(tmp_path, "block;pieces\n0,5 kg;20\n0.5kg;many\n0,50 kg;2\n")
    assert kept(tmp_path / "b.duckdb", blocks=file) == {"0.5 kg": 22}


def test_sizes_that_an_older_book_keeps_apart_are_one(tmp_path: Path) -> None:
    path = tmp_path / "b.duckdb"
    kept(path, blocks=listed(tmp_path, "block,pieces\n2 kg,30\n"))
    with Book.open(path, write=True) as book:
        book._writable.execute(
            "INSERT INTO blocks (block, pieces, seq, version) VALUES ('2.0 kg', 40, 2, 1), ('2kg', 5, 3, 1)"
        )
        assert book.blocks() == {"2 kg": 75}
        book.load(blocks=listed(tmp_path, "block,pieces\n1 kg,3\n"))
        assert (book.blocks(), book.counts()["blocks"]) == ({"2 kg": 75, "1 kg": 3}, 2)
        book.load(blocks=listed(tmp_path, "block,pieces\n2 kg,4\n"))
        assert book.blocks() == {"2 kg": 4, "1 kg": 3}


@pytest.mark.parametrize("size", ["3", "0.05 kg", "6 kg", "12 lb", "two kg", "1 st", "-1 kg", "1e9 kg", ""])
def test_what_is_no_block_is_refused(tmp_path: Path, size: str) -> None:
    """Common practice, no source: blocks weigh from 0.1 to 5 kg."""
    with Book.open(tmp_path / "b.duckdb", write=True, create=True) as book:
        with pytest.raises(RecordError, match="block"):
            book.upsert("blocks", [{"block": size, "pieces": 1}])
        assert book.blocks() == {}


@pytest.mark.parametrize("pieces", ["", "-1", "2.5", "20000", "many"])
def test_a_count_is_a_whole_number(tmp_path: Path, pieces: str) -> None:
    with (
        Book.open(tmp_path / "b.duckdb", write=True, create=True) as book,
        pytest.raises(RecordError, match="pieces"),
    ):
        book.upsert("blocks", [{"block": "1 kg", "pieces": pieces}])


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_export_and_load_lose_nothing(tmp_path: Path, form: str) -> None:
    path = tmp_path / "b.duckdb"
    before = kept(path, blocks=listed(tmp_path, "block,pieces,shelf\n0.5 kg,30,left\n4 lb,2,\n"))
    with Book.open(path) as book:
        book.export(tmp_path / "out", format=form)  # type: ignore[arg-type]  (pytest's parameter is a plain str)
    assert kept(tmp_path / "again.duckdb", blocks=tmp_path / "out" / f"blocks.{form}") == before
    with Book.open(tmp_path / "again.duckdb") as book:
        book.export(tmp_path / "twice", format="csv")
    assert "left" in (tmp_path / "twice" / "blocks.csv").read_text()
