"""Kit whose row was changed after a fit that has seen dives in it."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from leadline.arrays import occasions
from leadline.book import Book
from leadline.book.changed_kit import UNREAD
from leadline.physics.ledger import State, assemble, evaluate, exposures
from leadline.records import GEAR as DECLARED

from .conftest import CHECKS, DIVERS, DIVES, GEAR

GLOVES = "G,gloves,,,5,,\n"


def test_only_what_was_worn_before_and_changed_since_is_named(tmp_path, write) -> None:
    # By hand: of the pieces changed in the second file W5 and H were worn, D never; S12 is as it was.
    # V is new, though its first dive is in the same load. G stands beside H in one cell, A7 in a check only.
    with Book.open(tmp_path / "b.duckdb", write=True, create=True) as book:
        book.load(
            divers=write("v.csv", DIVERS),
            gear=write("g.csv", GEAR + GLOVES),
            dives=write("d.csv", DIVES.replace(",H,6,", ",G;H,6,")),
            checks=write(
                "c.csv", CHECKS.replace("waterline\n", "waterline,cylinder\n").replace("eye", "eye,A7")
            ),
        )
        then = book.data_version
        assert book.changed_kit(then) == ()
        gear = (
            (GEAR + GLOVES).replace("W5,suit,full,,5", "W5,suit,full,,7").replace("H,hood,,,5", "H,hood,,,7")
        )
        gear = gear.replace("A7,cylinder,,aluminium,,7", "A7,cylinder,,aluminium,,8")
        gear = gear.replace("D,suit,dry_membrane", "D,suit,dry_foam").replace("G,gloves,,,5", "G,gloves,,,3")
        new = "dive,diver,date,suit\n9,Ivo,2026-05-09,V\n"
        changed = book.load(gear=write("g2.csv", gear + "V,suit,vest,,3,,\n"), dives=write("d2.csv", new))
        assert changed.tables["gear"].as_dict() == {
            "read": 9, "loaded": 1, "updated": 5, "unchanged": 3, "rejected": 0,
        }  # fmt: skip
        assert book.changed_kit(then) == ("W5", "A7", "H", "G")
        assert book.changed_kit(book.data_version) == ()


IN_POUNDS = (
    "item,kind,style,material,thickness_in,mass_lb,water_capacity_l,rated_psi,lift_l\n"
    "W5,suit,full,,0.276,,,,\nJ,bc,jacket,,,,,,13\nS12,cylinder,,steel,,37,12,2640,\n"
    "A7,cylinder,,aluminium,,,7,3000,\nH,hood,,,0.197,,,,\n"
)


@pytest.fixture
def known(tmp_path, write) -> Path:
    """A book whose kit is entered in pounds, all of it worn."""
    path = tmp_path / "pounds.duckdb"
    with Book.open(path, write=True, create=True) as book:
        book.load(
            divers=write("v.csv", DIVERS),
            gear=write("lb.csv", IN_POUNDS),
            dives=write("d.csv", DIVES.replace("Ivo,2026-05-01,W5,J,S12", "Ivo,2026-05-01,W5,J,A7")),
        )
    return path


def _counts(read: int, updated: int) -> dict[str, int]:
    return {"read": read, "loaded": 0, "updated": updated, "unchanged": read - updated, "rejected": 0}


def test_kit_in_kilograms_that_was_in_pounds_is_unchanged(known: Path, write) -> None:
    # By hand: 0.276 in * 25.4 = 7.0104 mm; 37 lb * 0.45359237 = 16.78291769 kg; 2640 psi * 0.0689475729 =
    # 182.02159 bar and 3000 psi 206.84272 bar: to eight or nine digits they are the same.
    metric = (
        IN_POUNDS.replace("_in,mass_lb", "_mm,mass_kg").replace("_psi", "_bar").replace("0.276", "7.0104")
    )
    for pounds, kilograms in ((",37,", ",16.782918,"), ("2640", "182.021592"), ("3000", "206.84272")):
        metric = metric.replace(pounds, kilograms)
    metric = metric.replace("0.197", "5.0038")
    with Book.open(known, write=True) as book:
        then = book.data_version
        again = book.load(gear=write("kg.csv", metric))
        assert again.tables["gear"].as_dict() == _counts(5, 0)
        assert again.notes == ()
        assert book.data_version == then
        assert book.changed_kit(then) == ()


def test_kit_that_a_spreadsheet_wrote_with_fifteen_digits_is_unchanged(known: Path, tmp_path, write) -> None:
    with Book.open(known, write=True) as book:
        then = book.data_version
        book.export(tmp_path / "out")
        with (tmp_path / "out" / "gear.csv").open(encoding="utf-8", newline="") as file:
            head, *lines = csv.reader(file)
        place = head.index("thickness_mm")
        exported = [line[place] for line in lines]
        assert exported[0] == "7.010400000000001"
        # By hand: fifteen digits leave 7.0104; a share of 9e-7 is still taken for rounding, 2e-6 is not.
        for share, updated in ((0, 0), (-9e-7, 0), (2e-6, 2)):
            for line, number in zip(lines, exported, strict=True):
                line[place] = f"{float(number) * (1 + share):.15g}" if number else ""
            text = "\n".join(",".join(line) for line in [head, *lines]) + "\n"
            assert book.load(gear=write("sheet.csv", text)).tables["gear"].as_dict() == _counts(5, updated)
            assert book.changed_kit(then) == (("W5", "H") if updated else ())


def test_what_no_need_hangs_on_is_written_and_is_no_changed_kit(known: Path, write) -> None:
    with Book.open(known, write=True) as book:
        then = book.data_version
        serviced = book.load(gear=write("s.csv", "item,serviced\nS12,2026-01-02\nW5,2026-02-02\n"))
        assert serviced.tables["gear"].as_dict() == _counts(2, 2)
        lift = book.load(gear=write("l.csv", "item,lift_l\nJ,14\n"))
        assert lift.tables["gear"].as_dict() == _counts(1, 1)
        assert not any("changed" in note for note in (*serviced.notes, *lift.notes))
        gear = book.records().gear
        assert gear["lift_l"][gear["item"] == "J"] == 14
        assert book.data_version == then + 2
        assert book.changed_kit(then) == ()
        # What was changed before in what counts stays so, whatever is noted of it then.
        (told,) = book.load(gear=write("t.csv", "item,thickness_mm\nW5,5\n")).notes
        assert "W5 was changed, and dives in it" in told
        book.load(gear=write("s2.csv", "item,serviced\nW5,2026-03-03\n"))
        assert book.changed_kit(then) == ("W5",)


@pytest.mark.parametrize(
    ("item", "column", "value"),
    [
        ("W5", "thickness_mm", 5),
        ("W5", "type", "rental 7"),
        ("W5", "style", "two_piece"),
        ("W5", "dives_before", 100),
        ("W5", "mass_kg", 2),
        ("A7", "rated_bar", 230),
        ("A7", "water_capacity_l", 7.1),
        ("S12", "material", "aluminium"),
        ("S12", "buoyancy_kg", -1),
        ("J", "style", "wing"),
        ("H", "kind", "gloves"),
    ],
)
def test_all_that_need_may_read_is_changed_kit(known: Path, item: str, column: str, value: object) -> None:
    with Book.open(known, write=True) as book:
        then = book.data_version
        book.upsert("gear", [{"item": item, column: value}])
        assert book.changed_kit(then) == (item,)


def test_a_weighing_given_closer_is_changed_kit(known: Path) -> None:
    with Book.open(known, write=True) as book:
        weighed = {"item": "W5", "buoyancy_kg": 4}
        book.upsert("gear", [weighed | {"buoyancy_sd_kg": 0.5}])
        for closer in ({"buoyancy_sd_kg": 0.2}, {"buoyancy_in": "salt"}):
            then = book.data_version
            book.upsert("gear", [weighed | closer])
            assert book.changed_kit(then) == ("W5",)


def test_need_does_not_read_what_is_said_not_to_matter(known: Path) -> None:
    with Book.open(known) as book:
        records = book.records()
    for column in set(UNREAD) & set(DECLARED.by_name):
        del records.gear[column]  # a reader of it would stop here
    rigs = assemble(records, occasions(records, records.dives))
    stop = State(depth=5.0, cylinder_pressure=35.0)
    assert (evaluate(rigs, stop).need > 0).all()
    assert exposures(rigs, stop).names
