"""`leadline learn`: what it prints, what it stores, and when it stores nothing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from leadline.book import Book
from leadline.cli import app
from leadline.cli.learn import fit_book
from leadline.decide import learning
from leadline.errors import BookError, FitError

from ..decide.club import make_book  # noqa: TID252 (tests are on no path)


@pytest.fixture
def club(tmp_path: Path) -> Path:
    return make_book(tmp_path / "club.duckdb", fitted=False)


def fits(book: Path) -> int:
    with Book.open(book) as opened:
        return opened.counts()["fits"]


def test_json_gives_all_of_it_and_the_fit_is_stored(run, club: Path) -> None:
    done = run("learn", "--book", club, "--json")
    document = json.loads(done.stdout)
    assert (done.returncode, done.stderr) == (0, "")
    # By hand: 5 divers with 8 watched stops each, and three surface checks.
    assert document["counts"]["stop"] == 40
    assert document["counts"]["waterline"] == 3
    assert document["counts"]["observations"] == 43
    assert document["counts"]["divers"] == 5
    names = {spread["name"] for spread in document["spread"]}
    assert {"breath_out", "breath_in", "scatter", "diver_sd", "suit_factor", "habit"} <= names
    assert all(spread["low"] < spread["value"] < spread["high"] for spread in document["spread"])
    moved = [abs(effect["kg"]) for effect in document["effects"]]
    assert moved == sorted(moved, reverse=True)
    assert fits(club) == 1


def test_people_read_the_same(run, club: Path) -> None:
    text = " ".join(run("learn", "--book", club).stdout.split())
    assert "Learned from 43 observations of 5 divers on 40 dives and check days" in text
    assert "breath range, exhaling low" in text
    assert "Corrections of the physics that moved most" in text
    assert "No record stands out as wrong." in text
    assert " kg" not in run("learn", "--book", club, "--units", "imperial").stdout


def test_record_that_cannot_be_true_is_named(run, club: Path) -> None:
    kit = {"water": "salt", "suit": "full 5", "bc": "jacket", "cylinder": "steel 12", "end_bar": 50}
    odd = {"dive": "odd", "diver": "Ines", "date": "2026-05-09", "lead_kg": 11, "stop_result": "rose"}
    with Book.open(club, write=True) as opened:
        opened.upsert("dives", [kit | odd | {"bc_state": "empty"}])
    done = run("learn", "--book", club)
    text = " ".join(done.stdout.split())
    assert "Records that look wrong" in text
    assert "dives odd Ines stop" in text
    assert "correct it and load it again" in done.stderr


def test_nothing_to_learn_from_is_one_line(run, tmp_path: Path, book: Path) -> None:
    empty = tmp_path / "empty.duckdb"
    with Book.open(empty, write=True, create=True) as opened:
        opened.upsert("divers", [{"diver": "Noa"}])
    done = run("learn", "--book", empty)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("Error: no dives and no surface checks in the book")
    assert done.stderr.count("\n") == 1
    assert fits(empty) == 0
    # A book whose one dive was not watched says nothing about need either.
    with Book.open(book, write=True) as opened:
        opened.upsert("dives", [{"dive": 7, "diver": "Ines", "stop_result": None}])
    done = run("learn", "--book", book, "--json")
    assert (done.returncode, done.stdout) == (1, "")
    assert "no dive or check says anything about need yet" in done.stderr


def test_book_that_changed_meanwhile_keeps_its_old_fit(club: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = learning.learn

    def meanwhile(records, *, notify=None):
        with Book.open(club, write=True) as other:  # the book is free while the fit is made
            other.upsert("divers", [{"diver": "Latecomer"}])
        return found(records, notify=notify)

    monkeypatch.setattr(learning, "learn", meanwhile)
    with pytest.raises(BookError, match="the book changed while the fit was made"):
        fit_book(club)
    assert fits(club) == 0


def test_fit_that_does_not_converge_is_not_stored(club: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failed(records, *, notify=None):
        raise FitError("the fit did not settle: look for records that contradict each other")

    monkeypatch.setattr(learning, "learn", failed)
    done = CliRunner().invoke(app, ["learn", "--book", str(club)])
    assert done.exit_code == 1
    assert done.stdout == ""
    assert done.stderr == "Error: the fit did not settle: look for records that contradict each other\n"
    assert fits(club) == 0


def test_missing_book_is_one_line(run) -> None:
    done = run("learn", "--book", "none.duckdb")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1
