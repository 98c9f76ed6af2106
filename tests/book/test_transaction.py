"""All or nothing: every write verb, failing or killed half-way, leaves the book as it was."""

# Table names in these statements are the declared ones.
# ruff: noqa: S608

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from leadline.book import Book, fit_store, forgetting, loading, migration

BAD_THEN_GOOD = "diver,mass_kg\nNoa,70\nIvo,83\nMia,7\n"


def everything(path: Path) -> dict[str, list[Any]]:
    """All rows of all tables."""
    with duckdb.connect(str(path), read_only=True) as raw:
        tables = [name for (name,) in raw.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
        return {name: sorted(map(str, raw.execute(f"SELECT * FROM {name}").fetchall())) for name in tables}


def _load(book: Book) -> None:
    book.load(divers=book.path.with_name("bad.csv"))


def _upsert(book: Book) -> None:
    book.upsert("divers", [{"diver": "Noa"}, {"diver": "Ivo", "mass_kg": 99}])


def _save_fit(book: Book) -> None:
    book.save_fit(b"fit", book.data_version, {})


def _forget(book: Book) -> None:
    book.forget("Ivo")


# The last step of each verb inside its transaction, made to fail.
VERBS: dict[str, tuple[Callable[[Book], None], Any, str]] = {
    "load": (_load, loading, "_record"),
    "load, keeping rows set aside": (_load, loading.set_aside, "keep"),
    "upsert": (_upsert, loading, "_record"),
    "save_fit": (_save_fit, fit_store, "rows"),
    "forget": (_forget, forgetting, "_about"),
    "forget, copying": (_forget, forgetting, "_copy"),
}


@pytest.mark.parametrize("verb", VERBS)
def test_failure_inside_a_write_rolls_everything_back(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, verb: str
) -> None:
    act, module, step = VERBS[verb]
    (tmp_path / "bad.csv").write_text("diver\n\n,\n")
    with Book.open(path, write=True) as book:
        rejects = tmp_path / "bad.csv"
        rejects.write_text(BAD_THEN_GOOD.replace("Noa,70\nIvo,83\n", ""))
        book.load(divers=rejects)
    rejects.write_text(BAD_THEN_GOOD)
    before = everything(path)

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("power cut")

    monkeypatch.setattr(module, step, broken)
    with pytest.raises(RuntimeError, match="power cut"), Book.open(path, write=True) as book:
        act(book)
    monkeypatch.undo()
    after = everything(path)
    if verb == "forget, copying":  # the rows are deleted by then, and stay deleted: asking again finishes
        assert after["divers"] == [row for row in before["divers"] if "Ivo" not in row]
    else:
        assert after == before
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".new")] == []
    with Book.open(path, write=True) as book:
        _upsert(book)


KILL = """
    import os, signal, sys
    from leadline.book import Book, loading

    def killed(*args, **kwargs):
        os.kill(os.getpid(), signal.SIGKILL)

    setattr(loading, sys.argv[3], killed)
    with Book.open(sys.argv[1], write=True) as book:
        book.load(divers=sys.argv[2])
"""


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
@pytest.mark.parametrize("step", ["_settle_repeats", "_faults", "_record"])
def test_killed_load_leaves_the_book_as_it_was(path: Path, tmp_path: Path, step: str) -> None:
    before = everything(path)
    many = tmp_path / "many.csv"
    many.write_text("diver,mass_kg\nIvo,83\n" + "".join(f"D{i},{60 + i % 40}\n" for i in range(20_000)))
    command = [sys.executable, "-c", textwrap.dedent(KILL), str(path), str(many), step]
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode == -signal.SIGKILL
    with Book.open(path) as book:
        assert book.data_version == 1
    assert everything(path) == before
    with Book.open(path, write=True) as book:
        assert book.load(divers=many).tables["divers"].loaded == 20_000


FULL = """
    import resource, sys
    from leadline.book import Book
    from leadline.errors import BookError

    resource.setrlimit(resource.RLIMIT_FSIZE, (2 << 20, 2 << 20))
    try:
        with Book.open(sys.argv[1], write=True) as book:
            book.load(divers=sys.argv[2])
    except BookError as error:
        sys.exit(str(error))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="needs a limit on file sizes that fails like a full disk")
def test_full_disk_is_one_line_and_leaves_the_book_as_it_was(path: Path, tmp_path: Path) -> None:
    before = everything(path)
    many = tmp_path / "many.csv"
    many.write_text(
        "diver,mass_kg\n" + "".join(f"Diver number {i},{20 + i / 2000}\n" for i in range(400_000))
    )
    command = [sys.executable, "-c", textwrap.dedent(FULL), str(path), str(many)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert "nothing was changed" in done.stderr
    assert everything(path) == before


INTERRUPT = """
    import os, signal, sys, threading
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a runner in the background may have it ignored
    from leadline.book import loading
    from leadline.cli import main

    def endless(connection, *_):
        threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGINT)).start()
        while True:
            connection.execute("CREATE OR REPLACE TEMP TABLE busy AS SELECT max(range) FROM range(2000000)")

    loading._record = endless
    main()
"""


@pytest.mark.skipif(os.name != "posix", reason="needs SIGINT")
def test_interrupted_load_ends_quietly_and_leaves_the_book_as_it_was(path: Path, tmp_path: Path) -> None:
    before = everything(path)
    many = tmp_path / "many.csv"
    many.write_text("diver\nNoa\n")
    command = [
        sys.executable,
        "-c",
        textwrap.dedent(INTERRUPT),
        "--book",
        str(path),
        "load",
        "--divers",
        str(many),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")
    assert everything(path) == before


def test_interrupt_inside_a_query_is_the_usual_one(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pinned: DuckDB 2.0.1 raises RuntimeError("Query interrupted") when Ctrl-C stops a running query."""

    def interrupted(*_: object) -> None:
        raise RuntimeError("Query interrupted")

    monkeypatch.setattr(loading, "_record", interrupted)
    with pytest.raises(KeyboardInterrupt), Book.open(path, write=True) as book:
        _upsert(book)
    monkeypatch.undo()
    # So it is while a new book is made.
    new = path.with_name("new.duckdb")
    monkeypatch.setattr(migration, "apply", interrupted)
    with pytest.raises(KeyboardInterrupt), Book.open(new, write=True, create=True) as book:
        _upsert(book)
    monkeypatch.undo()
    assert not list(new.parent.glob("*new*"))
    with Book.open(path) as book:
        assert book.names("divers") == ["Ines", "Ivo"]
