"""`leadline load` and `leadline export`, run as programs."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from shutil import copy2

import pytest

from leadline.book import Book

COUNTS = {"read", "loaded", "updated", "unchanged", "rejected"}


@pytest.fixture
def divers(tmp_path: Path) -> Path:
    file = tmp_path / "divers.csv"
    file.write_text("diver,mass_kg,notes\nNoa,70,calm\nMia,7,\n")
    return file


def test_json_is_one_document_of_the_promised_shape(run, tmp_path: Path, divers: Path) -> None:
    done = run("--book", tmp_path / "b.duckdb", "load", "--divers", divers, "--json")
    document = json.loads(done.stdout)
    assert done.returncode == 0
    assert list(document) == ["divers", "gear", "dives", "checks", "rejects"]
    assert all(set(document[name]) == COUNTS for name in ("divers", "gear", "dives", "checks"))
    assert document["divers"] == {"read": 2, "loaded": 1, "updated": 0, "unchanged": 0, "rejected": 1}
    assert document["rejects"] == str(tmp_path / "b-set-aside.csv")
    assert Path(document["rejects"]).exists()


def test_rejects_is_null_where_none_is_set_aside(run, tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text("diver\nNoa\n")
    assert json.loads(run("load", "--book", "b.duckdb", "--divers", file, "--json").stdout)["rejects"] is None


def test_people_get_counts_and_reasons_apart(run, divers: Path) -> None:
    done = run("load", "--divers", divers, "--book", "b.duckdb")
    assert done.returncode == 0
    assert done.stdout.split()[:5] == ["read", "loaded", "updated", "unchanged", "rejected"]
    assert done.stdout.split()[-6:] == ["divers", "2", "1", "0", "0", "1"]
    lines = done.stderr.splitlines()
    assert lines == [
        f"note: {divers}: columns unknown to leadline, kept as they are: notes",
        f"set aside: {divers} row 3: mass_kg 7: must lie in [20, 250] kg",
        "1 row set aside in b-set-aside.csv; repair it there, then "
        "`leadline --book b.duckdb load --divers b-set-aside.csv`",
    ]


def test_what_is_printed_for_rows_set_aside_works_as_it_stands(run, tmp_path: Path) -> None:
    """The table without a fault has no part in it; named all the same, and from an export, it has no rows."""
    (tmp_path / "d.csv").write_text("diver,mass_kg\nNoa,70\n")
    (tmp_path / "g.csv").write_text("item,kind,thickness_mm\nW5,suit,5x\n")
    done = run("load", "--divers", "d.csv", "--gear", "g.csv", "--book", "b c.duckdb")
    printed = done.stderr.split("`")[1]
    assert printed == "leadline --book 'b c.duckdb' load --gear 'b c-set-aside.csv'"
    file = tmp_path / "b c-set-aside.csv"
    file.write_text(file.read_text().replace("5x", "5"))
    options = [x for n in ("divers", "gear", "dives", "checks", "blocks") for x in (f"--{n}", file.name)]
    whole = run("load", "--book", "b c.duckdb", *options, "--json")
    assert (whole.returncode, json.loads(whole.stdout)["gear"]["loaded"]) == (0, 1)
    assert f"note: {file.name}: no rows of dives in it" in whole.stderr
    run("export", "out", "--book", "b c.duckdb")
    none = run("load", "--book", "b c.duckdb", "--divers", "out/rejects.csv", "--dives", "out/rejects.csv")
    assert (none.returncode, none.stdout) == (0, "nothing to load: the files have no rows\n")

    file.write_text((tmp_path / "g.csv").read_text())  # one of no such file: it lacks what names a diver
    other = run("load", "--book", "b c.duckdb", "--divers", file.name)
    assert "no column diver in the header row, so these are no divers" in other.stderr


def test_what_was_changed_by_hand_goes_in_by_the_line_that_is_printed(run, tmp_path: Path) -> None:
    """Both in the book that was named, which is not the one of the environment."""
    other = {"LEADLINE_BOOK": "other.duckdb"}
    (tmp_path / "d.csv").write_text("diver,mass_kg\nNoa,7x\n")
    run("--book", "b c.duckdb", "load", "--divers", "d.csv")
    file = tmp_path / "b c-set-aside.csv"
    file.write_text(file.read_text().replace("7x", "70"))
    (tmp_path / "d.csv").write_text("diver,mass_kg\nIda,6x\n")
    done = run("--book", "b c.duckdb", "load", "--divers", "d.csv", env=other)
    assert "b c-set-aside-1.csv now; what was repaired there goes in with `leadline --book " in done.stderr
    _, repaired, _, later, _ = done.stderr.split("`")
    file.write_text(file.read_text().replace("6x", "60"))
    for line in (repaired, later):
        program, *words = shlex.split(line)
        assert (program, run(*words, env=other).returncode) == ("leadline", 0)
    with Book.open(tmp_path / "b c.duckdb") as book:
        assert book.names("divers") == ["Ida", "Noa"]
    assert not (tmp_path / "other.duckdb").exists()
    file.write_text("diver,mass_kg\nNoa,7x\n")
    asked = run("load", "--divers", file.name, env=other).stderr.split("`")[1]
    assert asked == "leadline load --divers other-set-aside.csv"  # where that is the book a paste takes too


def test_what_may_stand_twice_comes_out_of_the_book_that_was_named(run, book: Path) -> None:
    other = {"LEADLINE_BOOK": "other.duckdb"}
    folder = book.parent
    copy2(book, folder / "other.duckdb")
    (folder / "d.csv").write_text("dive,diver,date\n8,Ines,2026-05-02T10:00\n9,Ines,2026-05-02T10:00\n")
    seen = ",Ines,7,2026-05-01,6,50,eye\n"
    (folder / "c.csv").write_text(f"check,diver,dive,date,lead_kg,bar,waterline\n1{seen}2{seen}")
    done = run("--book", book.name, "load", "--dives", "d.csv", "--checks", "c.csv", env=other)
    run("load", "--dives", "d.csv", "--checks", "c.csv", env=other)
    assert done.stderr.count("twice; ") == 2
    printed = done.stderr.split("`")[1::2]
    assert printed == [
        "leadline --book club.duckdb log --remove --diver Ines --dive 9",
        "leadline --book club.duckdb check --remove 2",
    ]
    for line in printed:
        out = run(*shlex.split(line)[1:], env=other)
        assert (out.returncode, "the book that was changed" in out.stderr) == (0, False)
    found = []
    for path in (book, folder / "other.duckdb"):
        with Book.open(path) as opened:
            records = opened.records()
        found.append((records.dives["dive"].tolist(), records.checks["check"].tolist()))
    assert found == [(["7", "8"], ["1"]), (["7", "8", "9"], ["1", "2"])]
    # Without --book it is said which one that was, once.
    said = "the book that was changed is other.duckdb, for --book was not given"
    for line in (("log", "--remove", "--diver", "Ines", "--dive", "9"), ("check", "--remove", "2")):
        assert run(*line, env=other).stderr.splitlines().count(said) == 1


def test_at_most_ten_reasons_are_printed(run, tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text("diver,mass_kg\n" + "".join(f"D{i},7\n" for i in range(40)))
    done = run("load", "--divers", file, "--book", "b.duckdb")
    assert done.stderr.count("set aside: ") == 10
    assert "and more than these 10; the file named next has the reason of each row\n40 rows" in done.stderr
    assert "40 rows set aside in b-set-aside.csv" in done.stderr
    file.write_text("diver,mass_kg\n" + "".join(f"D{i},7\n" for i in range(10)))
    assert "and more" not in run("load", "--divers", file, "--book", "b.duckdb").stderr


def test_a_load_that_brings_nothing_in_says_so_by_its_status(run, tmp_path: Path) -> None:
    # The contract: status 1 where the request cannot be met. The facts are printed all the same.
    file = tmp_path / "d.csv"
    file.write_text("diver,mass_kg\nNoa,7\n")
    bad = run("load", "--divers", file, "--book", "b.duckdb", "--json")
    assert (bad.returncode, json.loads(bad.stdout)["divers"]["rejected"]) == (1, 1)
    file.write_text("diver,mass_kg\nNoa,70\nIda,7\n")
    assert run("load", "--divers", file, "--book", "b.duckdb").returncode == 0
    # A row that stands in the book already is no row refused.
    file.write_text("diver,mass_kg\nNoa,70\n")
    assert run("load", "--divers", file, "--book", "b.duckdb").returncode == 0
    file.write_text("diver\n")
    assert run("load", "--divers", file, "--book", "b.duckdb").returncode == 0


def test_book_from_the_data_folder_when_none_is_named(run, tmp_path: Path, divers: Path) -> None:
    assert run("load", "--divers", divers).returncode == 0
    assert (tmp_path / "data" / "leadline" / "leadline.duckdb").exists()


@pytest.mark.parametrize(
    ("arguments", "status", "message"),
    [
        (["load"], 2, "give at least one of --divers"),
        (["load", "--boats", "x"], 2, "No such option"),
        (["load", "--divers", "none.csv"], 1, "Error: none.csv: no such file; give a CSV or Parquet file\n"),
        (["export"], 2, "Missing argument"),
        (["export", "out", "--book", "none.duckdb"], 1, "Error: none.duckdb: no book here; make one with"),
        (["sing"], 2, "No such command"),
    ],
)
def test_failures_have_their_status_and_leave_standard_output_empty(
    run, arguments: list[str], status: int, message: str
) -> None:
    done = run(*arguments)
    assert (done.returncode, done.stdout) == (status, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    if status == 1:
        assert done.stderr.count("\n") == 1


def test_export_and_back(run, book: Path, tmp_path: Path) -> None:
    done = run("export", "out", "--book", book, "--json")
    document = json.loads(done.stdout)
    assert document["rows"] == {"divers": 2, "gear": 4, "dives": 1, "checks": 0, "blocks": 0}
    assert set(document["files"]) == {"divers", "gear", "dives", "checks", "blocks", "rejects"}
    tables = ("divers", "gear", "dives", "checks", "blocks")
    options = [x for n in tables for x in (f"--{n}", document["files"][n])]
    back = json.loads(run("load", "--book", book, *options, "--json").stdout)
    assert [back[n]["unchanged"] for n in ("divers", "gear", "dives", "checks")] == [2, 4, 1, 0]
    again = run("export", "out", "--book", book)
    assert (again.returncode, again.stdout) == (1, "")
    assert "--overwrite" in again.stderr
    assert run("export", "out", "--book", book, "--overwrite", "--format", "csv").returncode == 0
    assert run("export", "out", "--book", book, "--format", "parquet").returncode == 0
    assert (tmp_path / "out" / "dives.parquet").exists()


def test_unwritable_folder_is_one_line(run, book: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = run("export", "file/out", "--book", book)
    assert done.returncode == 1
    assert done.stderr.startswith("Error: file/out: cannot be written")
    assert done.stderr.count("\n") == 1


def test_a_book_cut_short_is_one_line(run, book: Path, tmp_path: Path) -> None:
    """Half a download or a full disk: what helps is a copy, not more room."""
    whole = book.read_bytes()
    told = []
    for share in (0.3, 0.5, 0.7, 0.9):
        cut = tmp_path / "cut.duckdb"
        cut.write_bytes(whole[: int(share * len(whole))])
        done = run("export", tmp_path / f"out{share}", "--book", cut)
        if done.returncode:
            told.append(done.stderr)
    assert told
    for line in told:
        assert line.count("\n") == 1
        assert "restore it from an export or a copy" in line
