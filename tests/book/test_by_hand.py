"""Rows repaired by hand in the file of rows set aside outlive loads that do not read them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from leadline.book import Book, LoadReport

Write = Callable[[str, str], Path]


def load(path: Path, **files: Path) -> LoadReport:
    with Book.open(path, write=True) as book:
        return book.load(**files)


@pytest.fixture
def aside(path: Path, write: Write) -> Path:
    """A diver and a suit set aside, both repaired in the file and not loaded yet."""
    rejects = load(
        path,
        divers=write("d.csv", "diver,mass_kg,mass_lb\nNoa,80,150\n"),
        gear=write("g.csv", "item,kind,thickness_mm\nW6,suit,6x\n"),
    ).rejects
    assert rejects is not None
    rejects.write_text(rejects.read_text().replace("Noa,80,150", "Noa,80,").replace("suit,6x", "suit,6"))
    return rejects


def test_a_load_with_nothing_new_to_set_aside_leaves_the_file_as_it_is(
    path: Path, write: Write, aside: Path
) -> None:
    before = aside.read_bytes()
    sound = load(path, gear=write("new.csv", "item,kind,thickness_mm\nW7,suit,7\n"))
    again = load(path, divers=path.parent / "d.csv")  # the same row once more
    assert (sound.rejects, sound.notes, again.rejects, again.notes) == (None, (), aside, ())
    assert aside.read_bytes() == before
    report = load(path, divers=aside, gear=aside)
    assert [report.tables[name].loaded for name in ("divers", "gear")] == [1, 1]
    assert not aside.exists()


def test_what_was_repaired_goes_to_a_copy_where_there_is_something_new(
    path: Path, write: Write, aside: Path
) -> None:
    before = aside.read_bytes()
    report = load(path, gear=write("new.csv", "item,kind,thickness_mm\nW7,suit,7x\n"))
    copy = aside.with_name("club-set-aside-1.csv")
    assert report.notes == (
        f"{aside} was changed by hand and not loaded since: it is {copy} now; what was repaired there goes "
        f"in with `leadline load --divers {copy} --gear {copy}`",
    )
    assert (copy.read_bytes(), copy.stat().st_mode & 0o777) == (before, 0o600)
    assert [line.split(",")[-3:] for line in aside.read_text().splitlines()[1:]] == [["W7", "suit", "7x"]]
    report = load(path, divers=copy, gear=copy)
    assert [report.tables[name].loaded for name in ("divers", "gear")] == [1, 1]
    with Book.open(path) as book:
        assert book.counts()["rejects"] == 1

    aside.write_text(aside.read_text().replace("7x", "7"))
    load(path, gear=write("newer.csv", "item,kind,thickness_mm\nW8,suit,8x\n"))
    assert aside.with_name("club-set-aside-2.csv").exists()  # the first copy stays


def test_a_load_of_one_of_its_tables_keeps_what_was_repaired_of_the_other(path: Path, aside: Path) -> None:
    report = load(path, gear=aside)
    copy = aside.with_name("club-set-aside-1.csv")
    assert report.tables["gear"].loaded == 1
    assert report.notes[-1].endswith(f"goes in with `leadline load --divers {copy}`")
    assert not aside.exists()
    assert load(path, divers=copy).tables["divers"].loaded == 1


def test_a_load_of_what_was_changed_writes_the_file_anew(path: Path, aside: Path) -> None:
    aside.write_text(aside.read_text().replace("Noa,80,", "Noa,80,150"))  # only the suit is repaired
    assert load(path, gear=aside).notes == ()
    assert [line.split(",")[0] for line in aside.read_text().splitlines()[1:]] == ["divers"]
    assert [*path.parent.glob("*-set-aside-*.csv")] == []


@pytest.mark.parametrize("text", ["PK\x03\x04a workbook", "set_aside_table,item,kind\n,W9,suit\n"])
def test_a_file_that_is_no_table_any_more_or_has_rows_of_none_is_kept(
    path: Path, write: Write, aside: Path, text: str
) -> None:
    aside.write_text(text)
    report = load(path, gear=write("new.csv", "item,kind,thickness_mm\nW7,suit,7x\n"))
    copy = aside.with_name("club-set-aside-1.csv")
    assert copy.read_text() == text
    assert report.notes == (f"{aside} was changed by hand and not loaded since: it is {copy} now",)
    with Book.open(path) as book:
        assert book.counts()["rejects"] == 3  # nobody knows which of them stand in the copy


def test_forgetting_takes_a_diver_out_of_what_was_changed_and_leaves_the_others(
    path: Path, write: Write, aside: Path
) -> None:
    load(path, gear=write("new.csv", "item,kind,thickness_mm\nW7,suit,7x\n"))
    aside.write_text(aside.read_text().replace("7x", "7") + "divers,9,,,,Noa,81,,\n")
    with Book.open(path, write=True) as book:
        book.upsert("divers", [{"diver": "Noa"}])
        book.forget("Noa")
    copy = aside.with_name("club-set-aside-1.csv")
    assert b"Noa" not in aside.read_bytes() + copy.read_bytes()
    assert "W6,suit,6" in copy.read_text()
    assert "W7,suit,7" in aside.read_text()
