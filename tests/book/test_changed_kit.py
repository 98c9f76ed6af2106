"""Kit whose row was changed after a fit that has seen dives in it."""

from __future__ import annotations

from leadline.book import Book

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
