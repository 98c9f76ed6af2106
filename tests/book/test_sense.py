"""Rows whose cells are each allowed and together make no sense: set aside with a reason, or noted."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from leadline.book import Book
from leadline.errors import RecordError

Write = Callable[[str, str], Path]


def reasons(path: Path, table: str, row: dict[str, str]) -> list[str]:
    with Book.open(path) as book:
        return [fault.reason for fault in book.judge(table, [row])]


BANK = {"item": "bank", "kind": "cylinder", "material": "steel", "rated_bar": "200"}


# Kind: arithmetic. 36 L of steel for 300 bar by the usual mass: 36 x 1.165 x 1.293^1.35 + 2.9 = 62.2 kg.
@pytest.mark.parametrize(("litres", "bar"), [("50", "200"), ("40.5", "232"), ("36", "300")])
def test_cylinder_beyond_all_usual_ones_is_asked_for_its_mass(path: Path, litres: str, bar: str) -> None:
    row = BANK | {"water_capacity_l": litres, "rated_bar": bar}
    assert reasons(path, "gear", row) == [
        f"mass_kg is empty; a cylinder of {litres} L for {bar} bar is beyond all usual ones: give its mass, "
        "empty, with valve"
    ]
    assert reasons(path, "gear", row | {"mass_kg": "58"}) == []
    assert reasons(path, "gear", row | {"buoyancy_kg": "-12"}) == []
    assert reasons(path, "gear", row | {"water_capacity_l": "24"}) == []


def test_its_mass_is_asked_for_in_the_units_of_the_file(path: Path, write: Write) -> None:
    file = write("gear.csv", "item,kind,mass_lb,water_capacity_l\nbank,cylinder,,50\n")
    with Book.open(path, write=True) as book:
        (fault,) = book.load(gear=file).faults
    assert fault.reason.startswith("mass_lb is empty; a cylinder of 50 L is beyond")


def test_among_rows_set_aside_each_is_asked_in_the_units_of_its_own_file(path: Path, write: Write) -> None:
    pounds = write("lb.csv", "item,kind,mass_lb,water_capacity_l\nbank,cylinder,,50\n")
    kilograms = write("kg.csv", "item,kind,mass_kg,water_capacity_l\nbank 2,cylinder,,50\n")
    with Book.open(path, write=True) as book:
        book.load(gear=pounds)
        aside = book.load(gear=kilograms).rejects
        again = book.load(gear=aside)
    assert [(fault.column, fault.value) for fault in again.faults] == [("mass_kg", ""), ("mass_lb", "")]


DIVE = {"dive": "9", "diver": "Ines", "suit": "W5", "bc": "J", "cylinder": "S12"}


# Kind: arithmetic; the numbers and headers are those of the row.
@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        (
            {"lead_lb": "13", "lead_places_lb": "belt:5;pockets:4"},
            "lead_places_lb 'belt:5;pockets:4': adds up to 9 lb, but lead_lb is 13",
        ),
        (
            {"lead_kg": "6", "lead_places_lb": "belt:5;pockets:4"},
            "lead_places_lb 'belt:5;pockets:4': adds up to 9 lb, but lead_kg is 6",
        ),
        ({"stop_depth_ft": "15", "max_depth_ft": "10"}, "stop_depth_ft 15: lies below max_depth_ft 10"),
        ({"stop_depth_ft": "15", "max_depth_m": "3"}, "stop_depth_ft 15: lies below max_depth_m 3"),
        ({"lead_lb": "13", "lead_ditchable_lb": "18"}, "lead_ditchable_lb 18: is more than lead_lb 13"),
        ({"handed_off_lb": "18", "lead_kg": "6"}, "handed_off_lb 18: is more than lead_kg 6"),
        (
            {"handed_off_lb": "", "handed_off_result": "hovered"},
            "handed_off_result 'hovered': needs handed_off_lb: how much lead was given away",
        ),
        ({"start_psi": "3000;2900"}, "start_psi 3000;2900: has 2 values for 1 cylinder"),
        (
            {"start_bar": "60", "end_psi": "3000;2900", "cylinder": "S12;A7"},
            "end_psi 3000;2900: lies more than 73 psi above start_bar 60",
        ),
    ],
)
def test_reason_has_the_column_and_the_number_of_the_file(
    path: Path, cells: dict[str, str], reason: str
) -> None:
    assert reasons(path, "dives", DIVE | cells) == [reason]


def test_fault_of_a_cell_in_pounds_is_not_told_twice(path: Path) -> None:
    (reason,) = reasons(path, "dives", DIVE | {"lead_lb": "lots", "lead_places": "belt:4"})
    assert reason == "lead_lb lots: is no number"


def test_unit_is_that_of_the_row_where_a_file_has_both(path: Path, write: Write) -> None:
    file = write(
        "dives.csv",
        "dive,diver,lead_kg,lead_lb,lead_ditchable_kg,lead_ditchable_lb\n"
        "9,Ines,6,,,18\n10,Ines,,13,8,\n11,Ines,,13,,\n",
    )
    with Book.open(path, write=True) as book:
        faults = book.load(dives=file).faults
    assert [(fault.column, fault.value, fault.reason) for fault in faults] == [
        ("lead_ditchable_lb", "18", "lead_ditchable_lb 18: is more than lead_kg 6"),
        ("lead_ditchable_kg", "8", "lead_ditchable_kg 8: is more than lead_lb 13"),
    ]


def test_plan_below_the_reserve_in_psi(path: Path, write: Write) -> None:
    """Kind: arithmetic; 35 bar x 14.5038 psi/bar = 508 psi."""
    file = write("plan.csv", "diver,suit,start_psi\nInes,W5,300\n")
    with (
        Book.open(path) as book,
        pytest.raises(RecordError, match=r"row 2: start_psi 300: .* 35 bar \(508 psi\)"),
    ):
        book.read_plan(file)


# Kind: judged limits (5 and 15 g/kg, brackish between 0.5 and 30); 3.5 is the sea in per cent.
CONTRADICTION = [
    ("salt", "3.5", "15 or more"),
    ("salt", "14.9", "15 or more"),
    ("fresh", "35", "at most 5"),
    ("fresh", "5.1", "at most 5"),
    ("brackish", "0.2", "0.5 to 30"),
    ("brackish", "35", "0.5 to 30"),
]


@pytest.mark.parametrize(("table", "key"), [("dives", "dive"), ("checks", "check")])
@pytest.mark.parametrize(("water", "salinity", "allowed"), CONTRADICTION)
def test_word_for_the_water_and_salinity_contradict(
    path: Path, table: str, key: str, water: str, salinity: str, allowed: str
) -> None:
    row = {key: "9", "diver": "Ines", "water": water, "salinity_gkg": salinity}
    assert reasons(path, table, row) == [
        f"salinity_gkg {salinity}: contradicts water {water}, which has {allowed} (g/kg: per mille, not per "
        "cent); correct one of them, or leave it empty"
    ]


@pytest.mark.parametrize(
    ("water", "salinity"),
    [
        ("salt", "15"),
        ("salt", "39"),
        ("fresh", "0.3"),
        ("fresh", "5"),
        ("brackish", "7"),
        ("", "3.5"),
        ("salt", ""),
    ],
)
def test_word_for_the_water_and_salinity_agree(path: Path, water: str, salinity: str) -> None:
    assert reasons(path, "dives", DIVE | {"water": water, "salinity_gkg": salinity}) == []


def test_salinity_contradicts_the_water_that_the_book_has(path: Path, write: Write) -> None:
    with Book.open(path, write=True) as book:
        book.upsert("dives", [{"dive": "1", "diver": "Ines", "water": "salt"}])
        (fault,) = book.load(dives=write("s.csv", "dive,diver,salinity_gkg\n1,Ines,3.5\n")).faults
    assert fault.reason.startswith("salinity_gkg 3.5: contradicts water salt")


def test_plan_with_a_salinity_that_contradicts(path: Path, write: Write) -> None:
    file = write("plan.csv", "diver,suit,water,salinity_gkg\nInes,W5,salt,3.5\n")
    with (
        Book.open(path) as book,
        pytest.raises(RecordError, match=r"row 2: salinity_gkg 3\.5: contradicts water"),
    ):
        book.read_plan(file)


BODY = {"diver": "Noa"}


# Kind: arithmetic. 250 / 0.95² = 277.01; 30 / 1.78² = 9.47; 400 lb at 60 in: 181.44 / 1.524² = 78.1.
@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        (
            {"mass_kg": "250", "height_cm": "95"},
            "mass_kg 250: makes with height_cm 95 a body mass index of 277, beyond 10 to 60; kilograms go "
            "under mass_kg, pounds under mass_lb",
        ),
        (
            {"mass_kg": "30", "height_cm": "178"},
            "mass_kg 30: makes with height_cm 178 a body mass index of 9,",
        ),
        (
            {"mass_lb": "400", "height_in": "60"},
            "mass_lb 400: makes with height_in 60 a body mass index of 78,",
        ),
        ({"birth_year": str(date.today().year)}, "makes an age of 0; no diver is younger than 5"),
        ({"birth_year": str(date.today().year - 4)}, "makes an age of 4; no diver is younger than 5"),
        ({"birth_year": str(date.today().year + 1)}, "lies in the future"),
    ],
)
def test_body_that_nobody_has(path: Path, cells: dict[str, str], reason: str) -> None:
    (found,) = reasons(path, "divers", BODY | cells)
    assert reason in found


def test_height_in_metres_is_told_once(path: Path) -> None:
    (reason,) = reasons(path, "divers", BODY | {"mass_kg": "88", "height_cm": "1.82"})
    assert reason == "height_cm 1.82: must lie in [90, 230] cm"


@pytest.mark.parametrize(
    "cells",
    [
        {"mass_kg": "190", "height_cm": "180"},  # 58.6
        {"mass_kg": "33", "height_cm": "178"},  # 10.4
        {"mass_kg": "250"},
        {"birth_year": str(date.today().year - 5)},
    ],
)
def test_body_that_somebody_may_have(path: Path, cells: dict[str, str]) -> None:
    assert reasons(path, "divers", BODY | cells) == []


# Kind: arithmetic. Ines is 170 cm (66.9 in) tall: 181.5 / 1.70² = 62.8; 400 lb: 181.44 / 2.89 = 62.8.
@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        (
            {"body_mass_kg": "181.5"},
            "body_mass_kg 181.5: makes with the height of 170 cm a body mass index of 63, beyond 10 to 60; "
            "kilograms go under body_mass_kg, pounds under body_mass_lb",
        ),
        (
            {"body_mass_lb": "400"},
            "body_mass_lb 400: makes with the height of 66.9 in a body mass index of 63,",
        ),
    ],
)
def test_body_mass_of_a_dive_that_does_not_go_with_the_height(
    path: Path, write: Write, cells: dict[str, str], reason: str
) -> None:
    (found,) = reasons(path, "dives", DIVE | cells)
    assert found.startswith(reason)
    (found,) = reasons(path, "checks", {"check": "9", "diver": "Ines"} | cells)
    assert found.startswith(reason)
    (header,), (cell,) = cells.keys(), cells.values()
    file = write("plan.csv", f"diver,suit,{header}\nInes,W5,{cell}\n")
    with Book.open(path) as book, pytest.raises(RecordError, match=f"row 2: {reason[:24]}"):
        book.read_plan(file)
    assert reasons(path, "dives", DIVE | {"diver": "Ivo"} | cells) == []  # of no known height


def test_dive_before_the_diver_was_five(path: Path) -> None:
    with Book.open(path, write=True) as book:
        book.upsert("divers", [{"diver": "Ines", "birth_year": 2010}])
    assert reasons(path, "dives", DIVE | {"date": "2014-12-31"}) == [
        "date '2014-12-31': the diver, born 2010, was younger than 5 then"
    ]
    assert reasons(path, "dives", DIVE | {"date": "2015-01-01"}) == []


def test_mass_that_hardly_goes_with_the_height_is_noted(path: Path, write: Write) -> None:
    """Kind: arithmetic; 181.5 / 1.78² = 57.3, 181.5 lb = 82.3 kg; 80 lb at 70 in: 11.5; 80 kg = 176.4 lb."""
    text = "diver,mass_kg,height_cm\nA,181.5,178\nB,82.3,178\nC,140,180\n"
    with Book.open(path, write=True) as book:
        assert book.load(divers=write("kg.csv", text)).notes == (
            f"{path.parent / 'kg.csv'}: row 2: mass_kg 181.5: at a height of 178 cm a body mass index "
            "of 57: pounds? (181.5 lb are 82.3 kg); kept as it is",
        )
        (note,) = book.load(divers=write("lb.csv", "diver,mass_lb,height_in\nD,80,70\nE,181,70\n")).notes
        assert note.endswith(
            "row 2: mass_lb 80: at a height of 178 cm a body mass index of 11: kilograms? (80 kg are 176.4 "
            "lb); kept as it is"
        )
        dives = write("dives.csv", "dive,diver,body_mass_kg\n7,Ines,141\n8,Ines,141\n9,Ines,64\n")
        (note,) = book.load(dives=dives).notes
        assert (
            "row 2: body_mass_kg 141: at a height of 170 cm a body mass index of 49: pounds? (141 lb" in note
        )


def test_mass_that_hardly_goes_with_the_one_before_is_noted(path: Path, write: Write) -> None:
    """Kind: arithmetic; 115 / 1.70² = 39.8 is an index of somebody, 115 / 64 = 1.8; 115 lb = 52.2 kg."""
    said = (
        "body_mass_kg 116: 1.8 times the 64 kg among the divers: pounds? (116 lb are 52.6 kg); kept as it is"
    )
    with Book.open(path, write=True) as book:
        book.upsert("divers", [{"diver": "Ines", "mass_kg": 64, "height_cm": 170}])
        dives = write("dives.csv", "dive,diver,body_mass_kg\n7,Ines,116\n8,Ines,115\n9,Ines,36\n")
        first, last = book.load(dives=dives).notes
        assert first == f"{dives}: row 2: {said}"
        assert last.endswith(
            "row 4: body_mass_kg 36: at a height of 170 cm a body mass index of 12: is that right?; "
            "kept as it is"
        )
        pounds = [{"dive": "1", "diver": "Ines", "body_mass_lb": "70"}]
        assert book.upsert("dives", pounds).notes == (
            "body_mass_lb 70: at a height of 170 cm a body mass index of 11: kilograms? (70 kg are 154.3 "
            "lb); kept as it is",
        )


def test_typed_rows_and_plans_are_noted_as_files_are(path: Path, write: Write) -> None:
    """Kind: arithmetic; a mass of 155 kg at 172 cm is an index of 52, 14 kg of 12 L would be usual."""
    with Book.open(path, write=True) as book:
        book.upsert("divers", [{"diver": "Ines", "height_cm": 172}])
        row = {"dive": "8", "diver": "Ines", "body_mass_kg": "155"}
        (typed,) = book.upsert("dives", [row]).notes
        assert typed.startswith("body_mass_kg 155: at a height of 172 cm a body mass index of 52: pounds?")
        plan = write("plan.csv", "diver,date,body_mass_kg\nInes,2026-05-20,64\nInes,2026-05-20,155\n")
        planned: list[str] = []
        book.read_plan(plan, notify=planned.append)
        assert planned == [f"{plan}: row 3: {typed}"]
        gear = [{"item": "twelve", "kind": "cylinder", "water_capacity_l": 12, "mass_kg": 1.4}]
        assert book.upsert("gear", gear).notes[0].startswith("mass_kg 1.4: a cylinder of 12 L usually weighs")
        two = book.upsert("gear", [*gear, gear[0] | {"item": "ten"}]).notes
        assert [text[:6] for text in two] == ["row 1:", "row 2:"]


# Common practice, no source: plates weigh 1 to 6 kg, jackets 3 to 5. 12 kg are 26 lb.
def test_piece_that_weighs_more_than_such_pieces_do_is_noted(path: Path, write: Write) -> None:
    text = "item,kind,mass_kg\nplate,plate,28\nheavy,plate,6\ncamera,other,15\nbag,bc,4\nempty,plate,\n"
    with Book.open(path, write=True) as book:
        gear = write("gear.csv", text)
        assert book.load(gear=gear).notes == (
            f"{gear}: row 2: mass_kg 28: hardly any plate weighs more than 10 kg; kept as it is: are unit "
            "and decimal point right?",
        )
        (note,) = book.load(gear=write("lb.csv", "item,kind,mass_lb\nbag,bc,33\nplate,plate,6\n")).notes
        assert note.endswith(
            "row 2: mass_lb 33: hardly any bc weighs more than 26 lb; kept as it is: are unit and decimal "
            "point right?"
        )


# Common practice, no source: stops are at 3 to 6 m. Kind: arithmetic; 15 ft are 4.57 m, 5 m are 16.4 ft.
def test_stop_in_the_other_unit_is_noted(path: Path, write: Write) -> None:
    said = (
        "stop_depth_m 15: a stop is usually at 3 to 6 m: feet? (15 ft are 4.6 m, which go under "
        "stop_depth_ft); kept as it is"
    )
    feet = (
        "stop_depth_ft 5: a stop is usually at 10 to 20 ft: metres? (5 m are 16 ft, which go under "
        "stop_depth_m); kept as it is"
    )
    row = {"dive": "9", "diver": "Ines"}
    with Book.open(path, write=True) as book:
        assert book.upsert("dives", [row | {"stop_depth_m": "15"}]).notes == (said,)
        assert book.upsert("dives", [row | {"stop_depth_ft": "5"}]).notes == (feet,)
        for name, depths in {"stop_depth_m": ("3", "9"), "stop_depth_ft": ("10", "15", "20")}.items():
            for depth in depths:
                assert book.upsert("dives", [row | {name: depth}]).notes == ()
        days = "".join(f"Ines,2027-06-01,{depth}\n" for depth in (5, 15, 12, 10, 15))
        plan = write("plan.csv", "diver,date,stop_depth_m\n" + days)
        planned: list[str] = []
        book.read_plan(plan, notify=planned.append)
        assert planned[0] == f"{plan}: row 3: {said}"
        assert planned[3:] == [f"{plan}: stops of an unusual depth besides: 1"]


def test_dives_without_a_suit_among_others_with_one_are_noted(path: Path, write: Write) -> None:
    """Kind: counted by hand; Ines wears one on two dives of two, Ivo on one of one."""
    with Book.open(path, write=True) as book:
        mixed = (
            "dive,diver,date,suit\n5,Ines,2026-05-05,W5\n6,Ines,2026-05-06,\n7,Ivo,2026-05-06,\n8,Ivo,,W5\n"
        )
        file = write("d.csv", mixed)
        (note,) = book.load(dives=file).notes
        assert note == (
            f"{file}: row 3: 2 dives name no suit, 6 of Ines first, and are read as made without one: most "
            "others of the diver or the file name one; where one was worn, fill it in and load again"
        )
        assert book.load(dives=file).notes == ()  # said once: nothing has changed
        bare = write("e.csv", "dive,diver,date\n9,Ines,2026-05-07\n")
        (note,) = book.load(dives=bare).notes
        assert "row 2: 1 dive names no suit, 9 of Ines, and is read as made without one" in note
        book.upsert("divers", [{"diver": "Mia"}])
        skins = write(
            "f.csv", "dive,diver,date,suit\n1,Mia,2026-07-01,\n2,Mia,2026-07-02,\n3,Mia,2026-07-03,W5\n"
        )
        assert book.load(dives=skins).notes == ()  # a diver who mostly wears none


# Kind: arithmetic; 40 ft are 12.19 m, 12 ft 3.7 m; 77 lb are 34.9 kg, at 1.80 m an index of 10.8, and 77 kg
# are 169.8 lb; 165 kg at 1.80 m are an index of 51, 165 lb 74.8 kg; a plate of 28 kg is above 10 kg, one of
# 50 lb above 22 lb; 30 kg and 66 lb are twice a usual 12 L.
def test_note_names_the_cell_that_the_row_has_where_a_file_has_both_units(path: Path, write: Write) -> None:
    def said(table: str, text: str) -> list[str]:
        with Book.open(path, write=True) as book:
            report = book.load(**{table: write(f"{table}.csv", text)})
            assert report.rejected == 0
            return [note.partition("csv: ")[2] for note in report.notes]

    depths = said("dives", "dive,diver,suit,stop_depth_m,stop_depth_ft\n8,Ines,W5,,40\n9,Ines,W5,12,\n")
    assert depths == [
        "row 2: stop_depth_ft 40: a stop is usually at 10 to 20 ft: is that right?; kept as it is",
        "row 3: stop_depth_m 12: a stop is usually at 3 to 6 m: feet? (12 ft are 3.7 m, which go under "
        "stop_depth_ft); kept as it is",
    ]
    bodies = said("divers", "diver,height_cm,mass_kg,mass_lb\nAda,180,,77\nBen,180,165,\n")
    assert [note.partition(": at a height")[0] for note in bodies] == [
        "row 2: mass_lb 77",
        "row 3: mass_kg 165",
    ]
    assert "kilograms? (77 kg are 169.8 lb)" in bodies[0]
    assert "pounds? (165 lb are 74.8 kg)" in bodies[1]
    on_dives = said("dives", "dive,diver,suit,body_mass_kg,body_mass_lb\n1,Ada,W5,,78\n1,Ben,W5,166,\n")
    assert [note.partition(": at a height")[0] for note in on_dives] == [
        "row 2: body_mass_lb 78",
        "row 3: body_mass_kg 166",
    ]
    pieces = said(
        "gear",
        "item,kind,material,water_capacity_l,mass_kg,mass_lb\nP1,plate,steel,,28,\nP2,plate,steel,,,50\n"
        "C1,cylinder,steel,12,30,\nC2,cylinder,steel,12,,66\n",
    )
    assert [note.partition(": ")[2].partition(":")[0] for note in pieces] == [
        "mass_kg 30",
        "mass_lb 66",
        "mass_kg 28",
        "mass_lb 50",
    ]
    masses = said("divers", "diver,height_cm,mass_kg,mass_lb\nAda,180,,154\nBen,180,80,\n")
    assert [note.partition(", for")[0] for note in masses] == [
        "row 2: mass_lb of Ada was 77 and is 154",
        "row 3: mass_kg of Ben was 165 and is 80",
    ]
