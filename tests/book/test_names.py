"""A name is the same in whichever Unicode form its letters are written; kind: by hand, NFC and NFD."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from leadline.book import Book

Write = Callable[[str, str], Path]
# One sign each, or a letter with the accent after it.
ZOE, APART = "Zo\u00eb", "Zoe\u0308"
SUIT, SUIT_APART = "H\u00fclle 5", "Hu\u0308lle 5"


def test_second_spelling_of_a_name_is_the_same_diver_and_item(path: Path, write: Write) -> None:
    divers = write("divers.csv", f"diver,mass_kg\n{APART},60\n{ZOE},60\n")
    gear = write("gear.csv", f"item,kind,style,thickness_mm\n{SUIT_APART},suit,full,5\n")
    dives = write("dives.csv", f"dive,diver,suit,cylinder\n1,{ZOE},{SUIT},S12\n2,{APART},{SUIT_APART},S12\n")
    with Book.open(path, write=True) as book:
        report = book.load(divers=divers, gear=gear, dives=dives)
        assert report.faults == ()
        assert (report.tables["divers"].loaded, report.tables["divers"].unchanged) == (1, 1)
        again = book.load(divers=write("d.csv", f"diver,mass_kg\n{APART},61\n")).tables["divers"]
        assert (again.loaded, again.updated) == (0, 1)
        records = book.records()
        plan = book.read_plan(write("plan.csv", f"diver,suit,other\n{APART},{SUIT_APART};W5,\n"))
    assert records.divers["diver"].tolist() == ["Ines", "Ivo", ZOE]
    assert records.dives["diver"].tolist()[3:] == [ZOE, ZOE]
    assert records.dives["suit"].tolist()[3:] == [SUIT, SUIT]
    assert (plan["diver"][0], plan["suit"][0]) == (ZOE, f"{SUIT};W5")


@pytest.fixture
def older(path: Path) -> Path:
    """A book from before names had one form."""
    with duckdb.connect(str(path)) as raw:
        raw.execute("DELETE FROM migrations WHERE name = 'composed'")
        raw.execute("INSERT INTO divers (diver, seq, version) VALUES (?, 9, 1)", [APART])
        raw.execute(
            "INSERT INTO gear (item, kind, type, seq, version) VALUES (?, 'suit', 'Hu\u0308', 9, 1)",
            [SUIT_APART],
        )
        raw.execute(
            "INSERT INTO dives (dive, diver, suit, leader, seq, version) VALUES ('o\u0308', ?, ?, ?, 9, 1)",
            [APART, f"W5;{SUIT_APART}", APART],
        )
        raw.execute(
            "INSERT INTO checks (\"check\", diver, dive, seq, version) VALUES (?, ?, 'o\u0308', 9, 1)",
            ["u\u0308", APART],
        )
    return path


def test_names_of_an_older_book_are_brought_into_that_form(older: Path) -> None:
    with Book.open(older) as book:
        records = book.records()
        assert book.data_version == 2  # a fit by the old names is out of date
    assert records.divers["diver"].tolist() == ["Ines", "Ivo", ZOE]
    assert (records.gear["item"][-1], records.gear["type"][-1]) == (SUIT, "H\u00fc")
    assert [records.dives[name][-1] for name in ("diver", "suit", "leader")] == [ZOE, f"W5;{SUIT}", ZOE]
    assert [records.checks[name][-1] for name in ("check", "diver", "dive")] == ["\u00fc", ZOE, "\u00f6"]
    assert records.dives["dive"][-1] == "\u00f6"


def test_two_that_stand_in_an_older_book_in_both_forms_stay_two(older: Path) -> None:
    with duckdb.connect(str(older)) as raw:
        raw.execute("INSERT INTO divers (diver, seq, version) VALUES (?, 10, 1)", [ZOE])
    with Book.open(older) as book:
        records = book.records()
    assert records.divers["diver"].tolist() == ["Ines", "Ivo", APART, ZOE]
    assert records.dives["diver"][-1] == records.checks["diver"][-1] == APART
    assert records.gear["item"][-1] == SUIT


def test_what_follows_a_null_character_is_not_lost(path: Path) -> None:
    name = f"{APART}\0b"
    with Book.open(path, write=True) as book:
        book.upsert("divers", [{"diver": name}])
        assert name in book.records().divers["diver"].tolist()
