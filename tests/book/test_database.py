"""The book as a file: whose it is, who may open it, what it refuses, what it forgets."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from hashlib import sha256
from pathlib import Path

import duckdb
import pytest

from leadline.book import Book, connection, default_path
from leadline.errors import BookBusyError, BookError, RecordError, UnknownNameError

HOLD = """
    import sys
    from leadline.book import Book
    with Book.open(sys.argv[1], write=sys.argv[2] == "write"):
        print("open", flush=True)
        sys.stdin.readline()
"""


class Holder:
    """Another process that holds the book until it is let go."""

    def __init__(self, path: Path, how: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(HOLD), str(path), how],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "open\n"

    def __enter__(self) -> Holder:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.communicate("\n")


def digest(path: Path) -> str:
    return sha256(path.read_bytes()).hexdigest()


def test_book_belongs_to_its_owner(path: Path, tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        new = tmp_path / "new.duckdb"
        with Book.open(new, write=True, create=True) as book:
            book.upsert("divers", [{"diver": "Ines"}])
            log = tmp_path / "new.duckdb.wal"
            assert log.stat().st_mode & 0o777 == 0o600
        assert new.stat().st_mode & 0o777 == 0o600
        (tmp_path / "mine").touch()
        assert (tmp_path / "mine").stat().st_mode & 0o777 == 0o644  # the process's own mask is back
    finally:
        os.umask(before)


@pytest.mark.parametrize("how", ["read", "write"])
def test_writer_says_who_holds_the_book(path: Path, how: str) -> None:
    with (
        Holder(path, how) as holder,
        pytest.raises(BookBusyError, match=rf"in use by process {holder.process.pid} \(python"),
        Book.open(path, write=True, patience=0.1),
    ):
        pass


def test_readers_share_the_book(path: Path) -> None:
    with Holder(path, "read"), Book.open(path, patience=0.0) as book:
        assert book.counts()["divers"] == 2


def test_writer_waits_for_the_book(path: Path) -> None:
    holder = Holder(path, "write")
    assert holder.process.stdin is not None
    holder.process.stdin.write("\n")
    holder.process.stdin.flush()  # the holder is about to let go
    with Book.open(path, write=True, patience=30.0) as book:
        assert book.data_version == 1
    holder.process.communicate()


def test_same_process_cannot_open_it_twice_in_two_ways(path: Path) -> None:
    with (
        Book.open(path, write=True),
        pytest.raises(BookBusyError, match="this process has the book open already"),
        Book.open(path, patience=0.0),
    ):
        pass


@pytest.mark.parametrize("content", [b"", b"diver,mass_kg\nInes,64\n", b"\0" * 20000])
@pytest.mark.parametrize("write", [False, True])
def test_file_that_is_no_book_is_left_unchanged(tmp_path: Path, content: bytes, write: bool) -> None:
    file = tmp_path / "dives.csv"
    file.write_bytes(content)
    with (
        pytest.raises(BookError, match=r"not a leadline book; it is left unchanged"),
        Book.open(file, write=write, create=True),
    ):
        pass
    assert file.read_bytes() == content


def test_other_database_is_left_unchanged(tmp_path: Path) -> None:
    file = tmp_path / "other.duckdb"
    with duckdb.connect(str(file)) as other:
        other.execute("CREATE TABLE dives (x INTEGER)")
    before = digest(file)
    with (
        pytest.raises(BookError, match="a DuckDB file, but not a leadline book"),
        Book.open(file, write=True),
    ):
        pass
    assert digest(file) == before


def test_damaged_book_is_one_line(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096:12288] = os.urandom(8192)
    path.write_bytes(content)
    with pytest.raises(BookError, match="restore it from an export or a copy") as caught, Book.open(path):
        pass
    assert "\n" not in str(caught.value)


def test_one_changed_byte_anywhere_is_one_line(path: Path, tmp_path: Path) -> None:
    """DuckDB keeps a checksum of each of its blocks and compares it when one is read, which may be late."""
    content, told = path.read_bytes(), []
    for place in range(0, len(content), 1 << 16):
        turned = bytearray(content)
        turned[place + 600] ^= 255
        path.write_bytes(turned)
        try:
            with Book.open(path) as book:
                book.records()
                book.export(tmp_path / "out", overwrite=True)
        except BookError as error:
            told.append(str(error))
    assert any("does not match stored checksum" in text for text in told)
    for text in told:
        assert text.startswith(f"{path}: ")
        assert text.endswith("restore it from an export or a copy")
        assert "\n" not in text


def test_missing_book_and_folder(tmp_path: Path) -> None:
    with (
        pytest.raises(BookError, match="no book here; make one with `leadline load`"),
        Book.open(tmp_path / "none.duckdb"),
    ):
        pass
    with (
        pytest.raises(BookError, match=r"the folder .* does not exist"),
        Book.open(tmp_path / "no" / "b.duckdb", write=True, create=True),
    ):
        pass
    with pytest.raises(BookError, match="a folder, not a book"), Book.open(tmp_path):
        pass
    assert list(tmp_path.iterdir()) == []


def test_closed_and_read_only_books_say_so(path: Path) -> None:
    book = Book.open(path)
    with pytest.raises(BookError, match=r"the book is closed; use it inside `with Book\.open"):
        book.counts()
    with book, pytest.raises(BookError, match=r"opened for reading; use Book\.open\(\.\.\., write=True\)"):
        book.upsert("divers", [{"diver": "Noa"}])
    with Book.open(path, write=True) as writer:
        with pytest.raises(BookError, match="no table 'boats'; there are divers, gear, dives, checks"):
            writer.upsert("boats", [{"boat": "x"}])
        with pytest.raises(BookError, match="no rows for divers"):
            writer.upsert("divers", [])


def test_create_keeps_a_book_that_another_process_made(path: Path) -> None:
    before = digest(path)
    assert connection.create(path) is False
    assert digest(path) == before


@pytest.mark.parametrize("quicker", [False, True])
def test_create_where_the_disk_knows_no_links(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quicker: bool
) -> None:
    path = tmp_path / "card.duckdb"

    def refused(*_: object) -> None:
        if quicker:
            path.write_text("another book")
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refused)
    assert connection.create(path) is not quicker
    if quicker:
        assert path.read_text() == "another book"
    else:
        with Book.open(path) as book:
            assert book.data_version == 0
    assert [p.name for p in tmp_path.iterdir()] == ["card.duckdb"]


def test_default_path(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LEADLINE_BOOK", str(tmp_path / "named.duckdb"))
    assert default_path() == tmp_path / "named.duckdb"
    monkeypatch.setenv("LEADLINE_BOOK", "")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("HOME", str(tmp_path))
    path = default_path()
    assert (path.name, path.is_relative_to(tmp_path)) == ("leadline.duckdb", True)
    with Book.open(write=True, create=True) as book:  # the default's folder is made
        assert book.path == path
    assert path.exists()


def test_fit_is_kept_with_what_it_saw(path: Path) -> None:
    with Book.open(path, write=True) as book:
        assert book.latest_fit() is None
        book.save_fit(b"\0first", book.data_version, {"evidence_hash": "abc", "draws": 3})
        number = book.save_fit(b"second", book.data_version, {})
    with Book.open(path) as book:
        found = book.latest_fit()
    assert found is not None
    payload, info = found
    assert (payload, info["id"], info["data_version"]) == (b"second", number, 1)
    assert info["counts"] == {"divers": 2, "gear": 7, "dives": 3, "checks": 1}


def test_fit_for_records_that_have_changed_is_refused(path: Path) -> None:
    with Book.open(path, write=True) as book:
        seen = book.data_version
        book.upsert("divers", [{"diver": "Noa"}])
        with pytest.raises(BookError, match=r"data version 1, now 2\); run `leadline learn` again"):
            book.save_fit(b"old", seen, {})
        assert book.latest_fit() is None


def test_last_dive_and_next_number(path: Path) -> None:
    with Book.open(path, write=True) as book:
        assert book.last_dive("Ines")["dive"] == "2"  # later on the same day
        assert book.last_dive("Ines")["date"] == "2026-05-01T15:30:00"
        assert book.last_dive("nobody") == {}
        assert (book.next_dive("Ines"), book.next_dive("nobody")) == ("3", "1")
        book.upsert("dives", [{"dive": "A", "diver": "Ivo"}, {"dive": "41", "diver": "Ines"}])
        assert (book.next_dive("Ivo"), book.next_dive("Ines")) == ("3", "42")
        assert book.has_dive("41", "Ines")
        assert not book.has_dive("41", "Ivo")
        assert book.names("gear", styles=["dry_membrane"]) == ["D"]


def test_forgotten_diver_leaves_no_bytes(tmp_path: Path, path: Path) -> None:
    name = "Quirinus Unverwechselbar"
    with Book.open(path, write=True) as book:
        book.upsert("divers", [{"diver": name, "notes": "secret-of-quirinus"}])
        book.upsert("dives", [{"dive": str(i), "diver": name, "lead_kg": 5} for i in range(500)])
        book.upsert("dives", [{"dive": "9", "diver": "Ines", "leader": name}])
        book.upsert("checks", [{"check": "q", "diver": name}])
        bad = tmp_path / "bad.csv"
        bad.write_text(f"dive,diver,lead_kg\n77,{name},500\n78,Ivo,500\n")
        rejects = book.load(dives=bad).rejects
        book.save_fit(name.encode(), book.data_version, {})
        version = book.data_version
    assert rejects is not None
    assert name.encode() in path.read_bytes()
    with Book.open(path, write=True) as book:
        assert book.forget(name) == {}
        assert book.data_version == version + 1
        left = {"divers": 2, "gear": 7, "dives": 4, "checks": 1, "blocks": 0, "rejects": 1, "fits": 0}
        assert book.counts() == left
        assert book.records().dives["leader"].tolist() == ["", "", "", ""]
        book.upsert("divers", [{"diver": "Noa"}])  # the rewritten book is still a book
        book.save_fit(b"new", book.data_version, {})
    for file in (path, rejects):
        assert b"Quirinus" not in file.read_bytes()
        assert b"secret-of-quirinus" not in file.read_bytes()
        assert file.stat().st_mode & 0o777 == 0o600
    assert sorted(p.name for p in tmp_path.iterdir() if "duckdb" in p.name) == ["club.duckdb"]


@pytest.mark.parametrize("absolute", [True, False])
def test_forgetting_by_way_of_a_link_leaves_no_bytes_and_one_book(
    tmp_path: Path, path: Path, absolute: bool
) -> None:
    name = "Quirinus Unverwechselbar"
    shared = tmp_path / "shared"
    shared.mkdir()
    real = path.rename(shared / "season.duckdb")
    path.symlink_to(real if absolute else Path("shared") / "season.duckdb")
    older = tmp_path / "club-set-aside.csv"  # beside the link, where they went before
    older.write_text(
        f"table,row,reasons,file,header,diver\ndivers,2,no,,diver,{name}\ndivers,3,no,,diver,Noa\n"
    )
    elsewhere = tmp_path / "elsewhere.csv"
    with Book.open(path, write=True) as book:
        book.upsert("divers", [{"diver": name, "notes": "secret-of-quirinus"}])
        bad = tmp_path / "bad.csv"
        bad.write_text(f"dive,diver,lead_kg\n77,{name},500\n")
        rejects = book.load(dives=bad).rejects
    bad.unlink()
    assert rejects == shared / "season-set-aside.csv"
    rejects.rename(elsewhere)
    rejects.symlink_to(elsewhere)
    with Book.open(path, write=True) as book:
        assert book.forget(name) == {}
        book.upsert("divers", [{"diver": "Noa"}])
    assert path.is_symlink()
    with Book.open(real) as book:
        assert book.names("divers") == ["Ines", "Ivo", "Noa"]
    files = [file for file in tmp_path.rglob("*") if file.is_file()]
    assert {file.name for file in files} == {"club.duckdb", "season.duckdb", older.name}
    for file in files:
        assert b"uirinus" not in file.read_bytes()
    assert "Noa" in older.read_text()


def test_a_book_is_made_where_a_link_leads(tmp_path: Path) -> None:
    (tmp_path / "club.duckdb").symlink_to("season.duckdb")
    with Book.open(tmp_path / "club.duckdb", write=True, create=True) as book:
        book.upsert("divers", [{"diver": "Noa"}])
    assert (tmp_path / "club.duckdb").is_symlink()
    with Book.open(tmp_path / "season.duckdb") as book:
        assert book.names("divers") == ["Noa"]


def test_forgetting_tells_where_the_name_still_stands(path: Path, tmp_path: Path) -> None:
    name = "Bruno St"
    sheet = tmp_path / "bruno st.csv"
    sheet.write_text(
        "dive,diver,group,notes,suit\n1,Bruno St,course of Bruno St,,\n8,Ines,course with BRUNO ST,helped by "
        "Bruno St,suit of Bruno St\n9,Ivo,course with Bruno St,Bruno Stein came too,\n"
    )
    with Book.open(path, write=True) as book:
        book.upsert("gear", [{"item": "suit of Bruno St", "kind": "suit"}])
        book.upsert("divers", [{"diver": name}, {"diver": "Bruno St junior"}])
        book.upsert("dives", [{"dive": "3", "diver": "Bruno St junior"}])
        assert book.load(dives=sheet).tables["dives"].loaded == 3
        assert book.forget(name) == {
            "gear.item": 1,
            "dives.group": 2,
            "dives.suit": 1,
            "dives.notes": 1,
            "history.what": 1,
        }
        dives = book.records().dives
    assert dives["group"].tolist()[-2:] == [
        "course with BRUNO ST",
        "course with Bruno St",
    ]  # nothing is replaced


def test_unknown_diver_cannot_be_forgotten(path: Path) -> None:
    with Book.open(path, write=True) as book:
        with pytest.raises(UnknownNameError, match="no diver 'Inez' in the book; closest: Ines"):
            book.forget("Inez")
        assert book.counts()["divers"] == 2


def test_folder_that_takes_no_log_is_one_line(path: Path) -> None:
    """A folder at the log's place stands in for a folder that may not be written, which root always may."""
    with Book.open(path, write=True) as book:
        before = book.counts()
        path.with_name(path.name + ".wal").mkdir()
        with pytest.raises(BookError, match=r"nothing was changed: .*wal cannot be written .*folder"):
            book.upsert("divers", [{"diver": "Newcomer"}])
        path.with_name(path.name + ".wal").rmdir()
    with Book.open(path) as book:
        assert book.counts() == before


def test_book_needs_no_pandas() -> None:
    code = (
        "import sys, tempfile, pathlib\n"
        "from leadline.book import Book\n"
        "path = pathlib.Path(tempfile.mkdtemp()) / 'b.duckdb'\n"
        "with Book.open(path, write=True, create=True) as book:\n"
        "    book.upsert('divers', [{'diver': 'Ines', 'sex': 'f'}])\n"
        "    book.records(); book.export(path.parent / 'out')\n"
        "heavy = {'pandas', 'pyarrow', 'scipy', 'matplotlib', 'gsw'} & set(sys.modules)\n"
        "sys.exit(str(heavy) if heavy else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_scratch_book_judges_and_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with Book.scratch() as book:
        book.upsert("divers", [{"diver": "Zed"}])
        with pytest.raises(RecordError, match="mass_kg 7"):
            book.upsert("divers", [{"diver": "Mia", "mass_kg": 7}])
        assert book.records().divers["diver"].tolist() == ["Zed"]
        assert book.data_version == 1
    with Book.scratch() as book:
        assert book.counts()["divers"] == 0
    assert list(tmp_path.iterdir()) == []
