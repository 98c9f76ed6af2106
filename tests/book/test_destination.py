"""Where files are written: a book is never written over, by whatever name it is reached."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from shutil import copy2

import pytest

from leadline.book import Book
from leadline.book.destination import spare_books
from leadline.errors import BookError
from leadline.reports.page import write_text


def named(path: Path, kind: str) -> Path:
    """Another way to say the file at `path`."""
    other = path.with_name("leads.csv")
    if kind == "link":
        other.symlink_to(path.name)
    elif kind == "link to a link":
        path.with_name("first").symlink_to(path)
        other.symlink_to("first")
    elif kind == "hard link":
        other.hardlink_to(path)
    elif kind == "moved":
        path.rename(other)
    elif kind == "way round":
        (path.parent / "below").mkdir()
        other = path.parent / "below" / ".." / path.name
    else:
        other = path
    return other


@pytest.mark.parametrize("kind", ["itself", "way round", "link", "link to a link", "hard link", "moved"])
def test_a_book_is_not_written_over(path: Path, kind: str) -> None:
    before, other = path.read_bytes(), named(path, kind)
    with pytest.raises(BookError, match="a book, which nothing is written over; give another name"):
        write_text("diver,lead_kg\n", other)
    assert other.read_bytes() == before
    assert list(path.parent.glob(".*")) == []


@pytest.mark.parametrize("kind", ["itself", "link"])
def test_nor_is_the_log_beside_a_book(path: Path, kind: str) -> None:
    log = named(path.with_name("club.duckdb.wal"), kind)
    with pytest.raises(BookError, match="the log of a book"):
        write_text("diver,lead_kg\n", log)
    assert not log.exists()
    spare_books(path.with_name("other.wal"), path.with_name("other.duckdb.wal"))


def test_what_may_not_be_read_may_be_a_book(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(BookError, match="so it may be a book; give another name"):
        spare_books(path)


@pytest.mark.parametrize("kind", ["link", "hard link"])
def test_an_export_writes_over_no_book_and_not_in_part(path: Path, tmp_path: Path, kind: str) -> None:
    folder = tmp_path / "out"
    with Book.open(path) as book:
        book.export(folder)
    for file in folder.iterdir():
        file.write_text("older")
    dives = folder / "dives.csv"
    dives.unlink()
    dives.hardlink_to(path) if kind == "hard link" else dives.symlink_to(path)
    before = path.read_bytes()
    with Book.open(path) as book, pytest.raises(BookError, match=r"dives\.csv: a book"):
        book.export(folder, overwrite=True)
    assert path.read_bytes() == before
    assert {file.read_text() for file in folder.iterdir() if file != dives} == {"older"}


def test_load_and_forget_leave_a_book_that_lies_where_rows_set_aside_go(
    path: Path, write: Callable[[str, str], Path]
) -> None:
    aside = path.with_name("club-set-aside.csv")
    copy2(path, aside)
    before = aside.read_bytes()
    bad = write("bad.csv", "diver,mass_kg\nNoa,-3\n")
    with Book.open(path, write=True) as book:
        with pytest.raises(BookError, match=r"set-aside\.csv: a book"):
            book.load(divers=bad)
        assert book.counts()["rejects"] == 0
        assert book.forget("Ivo") == {}
    assert aside.read_bytes() == before
    assert not path.with_name("club-set-aside-1.csv").exists()
