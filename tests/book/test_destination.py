"""Where files are written: to where links lead, into pipes, and never over a book by whatever name."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path
from shutil import copy2
from threading import Thread

import pytest

from leadline.book import Book
from leadline.book.destination import draft, must_be_writable
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
    must_be_writable(path.with_name("other.wal"), path.with_name("other.duckdb.wal"))


def piped(fifo: Path) -> Thread:
    """Read a pipe to its end in the background; what came stands in the file `got` beside it."""
    os.mkfifo(fifo)
    reader = Thread(target=lambda: fifo.with_name("got").write_bytes(fifo.read_bytes()), daemon=True)
    reader.start()
    return reader


@pytest.mark.parametrize("absolute", [True, False])
def test_a_link_stays_and_what_it_leads_to_is_replaced(tmp_path: Path, absolute: bool) -> None:
    (tmp_path / "shared").mkdir()
    real = tmp_path / "shared" / "today.csv"
    real.write_text("yesterday")
    link = tmp_path / "leads.csv"
    link.symlink_to(real if absolute else Path("shared") / "today.csv")
    assert write_text("today", link) == link
    assert (link.is_symlink(), real.read_text()) == (True, "today")
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["leads.csv", "shared", "today.csv"]


def test_a_link_to_what_is_not_there_yet_makes_it(tmp_path: Path) -> None:
    link = tmp_path / "leads.csv"
    link.symlink_to("today.csv")
    write_text("today", link)
    assert (link.is_symlink(), (tmp_path / "today.csv").read_text()) == (True, "today")


def test_a_pipe_is_written_to(tmp_path: Path) -> None:
    fifo = tmp_path / "leads.csv"
    reader = piped(fifo)
    write_text("today\n", fifo)
    reader.join(10)
    assert (tmp_path / "got").read_text() == "today\n"
    assert fifo.is_fifo()


def test_what_is_neither_file_nor_pipe_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # names of sockets are short
    with socket.socket(socket.AF_UNIX) as made:
        made.bind("leads.csv")
        with pytest.raises(BookError, match="neither a file nor a pipe; give another name"):
            write_text("today", "leads.csv")
    assert Path("leads.csv").is_socket()


def test_no_file_goes_where_none_can_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("folder").mkdir()
    Path("one").symlink_to("two")
    Path("two").symlink_to("one")
    Path("lost").symlink_to("nowhere/leads.csv")
    said = {
        **dict.fromkeys([".", "", "/", "folder/..", "folder"], "a folder, and a file is needed"),
        **dict.fromkeys(["one", "one/leads.csv"], "a link that leads to itself"),
        "lost": f"a link into {tmp_path / 'nowhere'}, where no folder is",
    }
    before = sorted(tmp_path.rglob("*"))
    for name, why in said.items():
        with pytest.raises(BookError, match=f"^{Path(name)}: {why}; give another name$"):
            write_text("today", name)
    assert sorted(tmp_path.rglob("*")) == before


def test_a_file_that_may_not_be_written_to_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    old = tmp_path / "leads.csv"
    old.write_text("yesterday")
    old.chmod(0o444)
    (tmp_path / "link.csv").symlink_to(old)
    # Root may write to any.
    monkeypatch.setattr(os, "access", lambda path, wanted: bool(Path(path).stat().st_mode & (wanted << 6)))
    for name in ("leads.csv", "link.csv"):
        with pytest.raises(BookError, match=f"{name}: may not be written to; give another name"):
            write_text("today", tmp_path / name)
    assert old.read_text() == "yesterday"
    old.chmod(0o644)
    write_text("today", tmp_path / "link.csv")
    assert old.read_text() == "today"


@pytest.mark.parametrize("mode", [0o600, 0o664])
def test_who_may_read_a_file_and_write_to_it_does_not_change(tmp_path: Path, mode: int) -> None:
    old = tmp_path / "leads.csv"
    old.write_text("yesterday")
    old.chmod(mode)
    (tmp_path / "link.csv").symlink_to(old)
    for text in ("today", "tomorrow"):
        write_text(text, tmp_path / "link.csv")
        assert (old.read_bytes(), old.stat().st_mode & 0o777) == (text.encode(), mode)


def test_a_private_file_is_made_so_in_place_of_one_that_was_not(path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "dives.csv").touch(0o644)
    with Book.open(path) as book:
        book.export(folder, overwrite=True)
    assert (folder / "dives.csv").stat().st_mode & 0o777 == 0o600


def test_a_writing_that_fails_leaves_what_a_link_leads_to(tmp_path: Path) -> None:
    (tmp_path / "today.csv").write_text("yesterday")
    (tmp_path / "leads.csv").symlink_to("today.csv")

    def half(path: Path) -> None:
        with draft(path) as part:
            part.write_text("half")
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        half(tmp_path / "leads.csv")
    assert (tmp_path / "leads.csv").read_text() == "yesterday"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["leads.csv", "today.csv"]


def test_an_export_keeps_links_and_writes_to_pipes(path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "dives.csv").symlink_to("../shared.csv")
    (tmp_path / "shared.csv").write_text("older")
    reader = piped(folder / "divers.csv")
    with Book.open(path) as book:
        book.export(folder, overwrite=True)
        reader.join(10)
        book.export(tmp_path / "plain")
    assert (folder / "dives.csv").is_symlink()
    assert (tmp_path / "shared.csv").read_bytes() == (tmp_path / "plain" / "dives.csv").read_bytes()
    assert (folder / "divers.csv").is_fifo()
    assert (folder / "got").read_bytes() == (tmp_path / "plain" / "divers.csv").read_bytes()


def test_records_in_parts_go_where_a_link_leads(path: Path, tmp_path: Path) -> None:
    (tmp_path / "shared").mkdir()
    (tmp_path / "parts").symlink_to("shared")
    with Book.open(path) as book:
        book.export_parts(tmp_path / "parts", parts=1)
    assert (tmp_path / "parts").is_symlink()
    assert (tmp_path / "shared" / "book.json").is_file()


def test_what_may_not_be_read_may_be_a_book(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(BookError, match="so it may be a book; give another name"):
        must_be_writable(path)


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


@pytest.mark.parametrize("kind", ["a folder", "a link that leads to itself", "a link into .*nowhere"])
def test_load_and_forget_change_nothing_where_rows_set_aside_cannot_go(
    path: Path, write: Callable[[str, str], Path], kind: str
) -> None:
    aside = path.with_name("club-set-aside.csv")
    if kind == "a folder":
        aside.mkdir()
    else:
        aside.symlink_to(aside.name if "itself" in kind else "nowhere/aside.csv")
    bad = write("bad.csv", "diver,mass_kg\nNoa,-3\nIna,60\n")
    names = sorted(path.parent.iterdir())
    refused = rf"{aside.name}: {kind}.*; rows set aside go there, so move it away$"
    with Book.open(path, write=True) as book:
        version = book.data_version
        with pytest.raises(BookError, match=refused):
            book.load(divers=bad)
        with pytest.raises(BookError, match=refused):
            book.forget("Ivo")
    with Book.open(path) as book:
        assert (book.data_version, book.names("divers")) == (version, ["Ines", "Ivo"])
    assert sorted(path.parent.iterdir()) == names


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
