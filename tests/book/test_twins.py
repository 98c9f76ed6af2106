"""What loads and plans may have doubled, kit whose row changes under dives on record: said, and taken in."""

from __future__ import annotations

import pytest

from leadline.book import Book

from .conftest import DIVERS, DIVES, GEAR

HEAD = "dive,diver,date,suit,cylinder,start_bar,end_bar,lead_kg,max_depth_m,stop_result\n"
SEASON = HEAD + "".join(
    f"{number},Ines,2026-05-{number:02d},W5,S12,200,{40 + number},6,{17 + number / 10},hovered\n"
    for number in range(1, 5)
)


@pytest.fixture
def book(tmp_path, write):
    with Book.open(tmp_path / "b.duckdb", write=True, create=True) as opened:
        opened.load(divers=write("v.csv", DIVERS), gear=write("g.csv", GEAR))
        yield opened


def notes(book: Book, file) -> list[str]:
    return [text.partition("csv: ")[2] for text in book.load(dives=file).notes]


def test_a_dive_under_a_second_name_is_told(book: Book, write) -> None:
    assert notes(book, write("d.csv", SEASON)) == []
    (told,) = notes(book, write("e.csv", SEASON.replace("\n1,", "\n11,").replace("\n2,", "\n12,")))
    assert told.startswith(
        "2 new dives are at the time of another one of the same diver, or the same in every"
    )
    assert "(row 2: 11 of Ines, as 1): if they are one dive under two names it counts twice" in told
    assert told.endswith("it counts twice; `leadline log --remove --diver Ines --dive 11` takes it out")
    assert book.counts()["dives"] == 6
    # The same files again bring nothing new, and nothing is said.
    assert notes(book, write("d.csv", SEASON)) == []


def test_two_dives_of_a_day_are_two(book: Book, write) -> None:
    # Another pressure; nothing noted but the kit; another time. Then one time of day for two dives.
    row = "{},Ivo,2026-05-01{},W5,S12,200,{},6,{},hovered\n"
    plain = [
        row.format(1, "", 50, 18),
        row.format(2, "", 60, 18),
        row.format(3, "", "", ""),
        row.format(4, "", "", ""),
    ]
    timed = [row.format(5, "T09:30", 50, 18), row.format(6, "T11:30", 50, 18)]
    assert notes(book, write("d.csv", HEAD + "".join(plain + timed))) == []
    (told,) = notes(book, write("e.csv", HEAD + row.format(7, "T11:30", 40, 12)))
    assert "a new dive is at the time of another one" in told
    assert "(row 2: 7 of Ivo, as 6)" in told


LOOKS = "check,diver,date,suit,cylinder,lead_kg,bar,waterline,exhale_sinks\n"


def look_notes(book: Book, file) -> list[str]:
    return [text.partition("csv: ")[2] for text in book.load(checks=file).notes]


@pytest.mark.parametrize("times", [("", ""), ("T09:00", "T09:00"), ("T09:00", ""), ("", "T09:00")])
def test_a_check_under_a_second_name_is_told(book: Book, write, times) -> None:
    row = "{},Ines,2026-05-02{},W5,S12,5,200,eye,yes\n"
    first, again = (row.format(f"look {n}", time) for n, time in enumerate(times, 1))
    (told,) = look_notes(book, write("c.csv", LOOKS + first + again))
    assert told == (
        "a new check is the same in every cell as another one of that day (row 3: look 2 of Ines, as look "
        "1): if they are one look under two names it counts twice; `leadline check --remove 'look 2'` takes "
        "it out; if not, give each its time"
    )
    assert look_notes(book, write("c.csv", LOOKS + first + again)) == []


def test_two_looks_of_a_day_are_two(book: Book, write) -> None:
    # Another time, lead, pressure, waterline; another day; and what says nothing.
    row = "{},Ivo,2026-05-0{},W5,S12,{},{},{},\n"
    looks = [
        ("a", "1T09:00", 6, 200, "eye"),
        ("b", "1T09:10", 6, 200, "eye"),
        ("c", "1T09:10", 5, 200, "eye"),
        ("d", "1T09:10", 5, 190, "eye"),
        ("e", "1T09:10", 5, 190, "chin"),
        ("f", "2", 5, 190, "chin"),
        ("g", "3", 5, 190, ""),
        ("h", "3", 5, 190, ""),
    ]
    assert look_notes(book, write("c.csv", LOOKS + "".join(row.format(*one) for one in looks))) == []


def test_a_diver_under_a_second_name_is_told(book: Book, write) -> None:
    notes(book, write("d.csv", SEASON))
    book.load(divers=write("w.csv", "diver\nInes B\nMia\nOle\n"))
    renamed = SEASON.replace("Ines", "Ines B")
    (told,) = notes(book, write("e.csv", renamed))
    assert told.startswith(
        "all 4 dives of Ines B are those of Ines in every cell: if that is one person under two"
    )
    # Two dives alike, or one of four that is another: buddies.
    two = HEAD + "".join(SEASON.replace("Ines", "Mia").splitlines(keepends=True)[1:3])
    assert notes(book, write("f.csv", two)) == []
    assert notes(book, write("h.csv", SEASON.replace("Ines", "Ole").replace(",6,17.4", ",7,17.4"))) == []


def test_changed_kit_with_dives_on_record_is_told(book: Book, write) -> None:
    book.load(dives=write("d.csv", DIVES))
    changed = GEAR.replace("W5,suit,full,,5", "W5,suit,full,,7").replace(
        "A7,cylinder,,aluminium,,7", "A7,cylinder,,aluminium,,8"
    )
    (told,) = book.load(gear=write("h.csv", changed)).notes
    assert "csv: W5 was changed, and dives in it that are on record are read by the new row" in told
    assert "a piece that was mended or replaced gets a name of its own" in told
    assert book.load(gear=write("h.csv", changed)).notes == ()


def test_a_body_mass_that_is_another_for_old_dives_is_told(book: Book, write) -> None:
    book.load(dives=write("d.csv", SEASON))
    # Ines has dives, Ivo has none; a kilogram is how people differ from week to week.
    assert book.load(divers=write("w.csv", "diver,mass_kg\nInes,65\nIvo,90\n")).notes == ()
    (told,) = book.load(divers=write("w.csv", "diver,mass_kg\nInes,72\n")).notes
    assert "csv: row 2: mass_kg of Ines was 65 and is 72, for dives on record too" in told
    assert "a mass that has changed goes under body_mass_kg of a dive or check" in told
    (told,) = book.load(divers=write("lb.csv", "diver,mass_lb\nInes,150\n")).notes
    assert "mass_lb of Ines was 158.7 and is 150," in told  # by hand: 72 / 0.45359237


# Kind: by the words of the record: a dive has a key with its diver; a diver is in the water once at a time.
@pytest.mark.parametrize(
    ("rows", "named"),
    [
        (["1,Ines,2026-05-01T09:00", "1,Ines,2026-05-01T09:00"], "Ines (rows 2, 3);"),  # told once
        (["1,Ines,2026-05-01", "1,Ivo,2026-05-01", "1,Ines,2026-05-01"], "Ines (rows 2, 4);"),
        (["1,Ines,2026-05-01T09:00", "1,Ines,2026-05-01T12:00"], "Ines (rows 2, 3);"),
        (["1,Ines,2026-05-01T09:00", "2,Ines,2026-05-01T09:00"], "Ines (rows 2, 3);"),
        ([",Ines,2026-05-01T09:00", ",Ines,2026-05-01T09:00"], "Ines (rows 2, 3);"),
        (["1,Ines,", "1,Ines,"], "Ines (rows 2, 3);"),
        (["1,Ines,2026-05-01", "1,Ivo,2026-05-01"] * 2, "Ines (rows 2, 4), Ivo (rows 3, 5);"),
        (["1,Ines,2026-05-01T09:00", "2,Ines,2026-05-01T12:00"], ""),
        (["1,Ines,2026-05-01", "2,Ines,2026-05-01", "2,Ivo,2026-05-01"], ""),
        (["1,Ines,2026-05-01", "1,Ines,2026-05-02"], ""),
        ([",Ines,2026-05-01", ",Ines,2026-05-01"], ""),
    ],
)
def test_a_diver_twice_in_a_planned_dive_is_told(book: Book, write, rows, named) -> None:
    told: list[str] = []
    file = write("plan.csv", "dive,diver,date,suit\n" + "".join(f"{row},W5\n" for row in rows))
    assert len(book.read_plan(file, notify=told.append)["diver"]) == len(rows)
    found = [text for text in told if "more than once" in text]
    assert len(found) == bool(named)
    if named:
        assert found[0].startswith(
            f"{file}: the same diver more than once in one dive or at one time: {named}"
        )
