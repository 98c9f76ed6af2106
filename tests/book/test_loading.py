"""Loading: sound rows once, the rest set aside, all in one transaction."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from leadline.book import Book, TableReport
from leadline.errors import RecordError
from leadline.records import TABLES

Write = Callable[[str, str], Path]


def load(path: Path, **files: Path):
    with Book.open(path, write=True, create=True) as book:
        return book.load(**files)


def test_first_load_takes_every_row(tmp_path: Path, files: dict[str, Path]) -> None:
    report = load(tmp_path / "new.duckdb", **files)
    assert report.tables == {
        "divers": TableReport(read=2, loaded=2),
        "gear": TableReport(read=7, loaded=7),
        "dives": TableReport(read=3, loaded=3),
        "checks": TableReport(read=1, loaded=1),
    }
    assert (report.rejects, report.faults, report.data_version) == (None, (), 1)


def test_same_files_again_change_nothing(path: Path, files: dict[str, Path]) -> None:
    report = load(path, **files)
    assert {name: t.unchanged for name, t in report.tables.items()} == {
        "divers": 2,
        "gear": 7,
        "dives": 3,
        "checks": 1,
    }
    assert all(t.loaded == t.updated == t.rejected == 0 for t in report.tables.values())
    assert report.data_version == 1


def test_arrays_have_the_declared_types_in_file_order(path: Path) -> None:
    with Book.open(path) as book:
        records = book.records()
    assert records.dives["dive"].tolist() == ["1", "2", "1"]
    assert records.dives["diver"].tolist() == ["Ines", "Ines", "Ivo"]
    assert records.dives["date"].dtype == np.dtype("datetime64[s]")
    assert str(records.dives["date"][1]) == "2026-05-01T15:30:00"
    assert records.dives["lead_kg"].tolist() == [6.0, 5.5, 7.0]
    assert records.dives["other"].tolist() == ["H", "H", ""]
    assert np.isnan(records.divers["height_cm"][1])
    assert np.isnat(records.checks["date"]).tolist() == [True]
    for name, table in TABLES.items():
        columns = getattr(records, name)
        assert list(columns) == [column.name for column in table.columns]
        for column in table.columns:
            kind = {"number": "f", "integer": "f", "date": "M"}.get(column.kind, "O")
            assert columns[column.name].dtype.kind == kind


def test_changed_row_updates_only_itself(path: Path, write: Write) -> None:
    report = load(path, dives=write("more.csv", "dive,diver,lead_kg\n2,Ines,5\n1,Ivo,7\n3,Ivo,6.5\n"))
    assert report.tables["dives"] == TableReport(read=3, loaded=1, updated=1, unchanged=1)
    with Book.open(path) as book:
        dives = book.records().dives
        assert book.versions("dives").tolist() == [1, 2, 1, 2]
        assert book.data_version == 2
    assert dives["lead_kg"].tolist() == [6.0, 5.0, 7.0, 6.5]
    assert dives["suit"].tolist() == ["W5", "W5", "W5", ""]  # a column the file lacks keeps its value


def test_lists_that_differ_by_rounding_only_are_unchanged(path: Path, write: Write) -> None:
    """By arithmetic: 200 bar are 2900.7547546 psi, 4 kg are 8.8184905 lb; a psi more is another pressure."""
    metric = "dive,diver,suit,cylinder,start_bar,end_bar,lead_kg,lead_places\n"
    load(path, dives=write("m.csv", metric + "9,Ivo,W5,S12;A7,200;180,50;-,6,belt:4;back:2\n"))
    imperial = "dive,diver,suit,cylinder,start_psi,end_psi,lead_lb,lead_places_lb\n"
    same = "9,Ivo,W5,S12;A7,2900.7548;2610.6793,725.1887;-,13.227736,belt:8.8184905;back:4.4092452\n"
    for name, row, what in (
        ("same.csv", same, TableReport(read=1, unchanged=1)),
        ("more.csv", same.replace("2610.6793", "2611.6793"), TableReport(read=1, updated=1)),
        ("other.csv", same.replace("belt", "band"), TableReport(read=1, updated=1)),
        ("fewer.csv", same.replace(";back:4.4092452", ";back:4.1;b:0.3"), TableReport(read=1, updated=1)),
        ("one.csv", same.replace("S12;A7,2900.7548;2610.6793,725.1887;-", "S12,,"), TableReport(1, 0, 1)),
    ):
        assert load(path, dives=write(name, imperial + row)).tables["dives"] == what, name


def test_empty_cell_of_a_column_in_the_file_clears_the_value(path: Path, write: Write) -> None:
    load(path, divers=write("d.csv", "diver,mass_kg\nInes,\n"))
    with Book.open(path) as book:
        divers = book.records().divers
    assert np.isnan(divers["mass_kg"][0])
    assert divers["height_cm"][0] == 170


def test_references_resolve_within_the_same_load(tmp_path: Path, files: dict[str, Path]) -> None:
    alone = load(tmp_path / "alone.duckdb", dives=files["dives"])
    assert alone.tables["dives"].rejected == 3
    assert "no such diver" in alone.faults[0].reason


def test_copy_of_a_row_is_unchanged_and_a_differing_one_is_set_aside(path: Path, write: Write) -> None:
    text = "diver,mass_kg\nNoa,70\nNoa,70\nNoa,71\n"
    report = load(path, divers=write("d.csv", text))
    assert report.tables["divers"] == TableReport(read=3, loaded=1, unchanged=1, rejected=1)
    assert report.faults[0].row == 4
    assert (
        report.faults[0].reason == "diver Noa: stands in row 2 already, with other values; keep one of them"
    )


def test_sound_row_goes_in_although_an_unsound_one_with_its_key_came_first(path: Path, write: Write) -> None:
    report = load(path, divers=write("d.csv", "diver,mass_kg\nNoa,7\nNoa,70\n"))
    assert (report.tables["divers"].loaded, report.tables["divers"].rejected) == (1, 1)


def test_rows_set_aside_can_be_repaired_and_loaded(path: Path, write: Write) -> None:
    dives = write("d.csv", "dive,diver,lead_kg,notes\n8,Inez,4,calm\n9,Ivo,120,\n9,Ines,4,\n")
    divers = write("p.csv", "diver,mass_kg\nZoë,7\n")
    report = load(path, dives=dives, divers=divers)
    assert report.rejects is not None
    assert report.rejects == path.with_name("club-set-aside.csv")
    assert report.rejects.stat().st_mode & 0o777 == 0o600
    text = report.rejects.read_text(encoding="utf-8")
    assert [row["diver"] for row in csv.DictReader(text.splitlines())] == ["Zoë", "Inez", "Ivo"]

    again = load(path, dives=report.rejects, divers=report.rejects)  # nothing repaired: nothing goes in
    assert [again.tables[name].rejected for name in ("divers", "dives")] == [1, 2]
    report.rejects.write_text(text.replace("Inez,", "Ines,").replace("120", "12"), encoding="utf-8")
    repaired = load(path, dives=report.rejects)
    assert repaired.tables["dives"] == TableReport(read=2, loaded=2)
    with Book.open(path) as book:
        assert book.records().dives["dive"].tolist() == ["1", "2", "1", "9", "8", "9"]
        assert book.counts()["rejects"] == 1
    left = list(csv.DictReader(report.rejects.read_text(encoding="utf-8").splitlines()))
    assert [row["diver"] for row in left] == ["Zoë"]
    report.rejects.write_text(
        report.rejects.read_text(encoding="utf-8").replace(",7", ",70"), encoding="utf-8"
    )
    load(path, divers=report.rejects)
    assert not report.rejects.exists()


def test_cell_with_a_carriage_return_comes_through_being_set_aside(path: Path, write: Write) -> None:
    """A line break within a cell, as some spreadsheets write it."""
    text = 'diver,remark,mass_kg,height_cm\r\nMax,"first\rsecond",800,180\r\n'
    report = load(path, divers=write("p.csv", text))
    assert report.rejects is not None
    with report.rejects.open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["remark"], row["height_cm"]) == ("first\rsecond", "180")
    with Book.open(path) as book:
        (kept,) = book.export(path.parent / "out", tables=["rejects"])
    assert kept.read_bytes() == report.rejects.read_bytes()
    report.rejects.write_bytes(report.rejects.read_bytes().replace(b",800,", b",80,"))
    assert load(path, divers=report.rejects).tables["divers"] == TableReport(read=1, loaded=1)
    with Book.open(path) as book:
        (out,) = book.export(path.parent / "out", tables=["divers"])
    with out.open(encoding="utf-8", newline="") as file:
        assert list(csv.DictReader(file))[-1]["remark"] == "first\rsecond"


def cells(path: Path, table: str) -> list[dict[str, str]]:
    """Rows of a table as they are exported, unknown columns included."""
    with Book.open(path) as book:
        (file,) = book.export(path.parent / "out", tables=[table], overwrite=True)
    return list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))


def repair(file: Path, **changes: str) -> None:
    """Change the cells of every row of the file of rows set aside."""
    rows = list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))
    with file.open("w", encoding="utf-8", newline="") as text:
        writer = csv.DictWriter(text, list(rows[0]))
        writer.writeheader()
        writer.writerows(row | {name: cell for name, cell in changes.items() if row[name]} for row in rows)


def test_repaired_row_changes_only_what_its_own_file_named(path: Path, write: Write) -> None:
    load(path, dives=write("n.csv", "dive,diver,buddy,mood\n1,Ivo,Ines,calm\n"))
    before = cells(path, "dives")
    # Another file with bad rows: all its columns, known or not, stand in the file of rows set aside too.
    wide = (
        "dive,diver,date,suit,start_bar,stop_result,lead_lb,buddy,lead_kg\n"
        "7,Ines,2026-05-02,W5,200,rose,,Ivo,99\n"
    )
    load(path, dives=write("wide.csv", wide), divers=write("p.csv", "diver,height_cm\nNoa,17\n"))
    rejects = load(path, dives=write("few.csv", "dive,diver,lead_kg\n1,Ivo,110\n")).rejects
    assert rejects is not None
    load(path, dives=rejects)  # set aside once more, unrepaired: what it named is not forgotten
    repair(rejects, lead_kg="11")
    report = load(path, dives=rejects)
    assert report.tables["dives"] == TableReport(read=2, loaded=1, updated=1)
    after = cells(path, "dives")
    assert after[:3] == [*before[:2], before[2] | {"lead_kg": "11"}]
    assert (after[3]["date"], after[3]["buddy"], after[3]["lead_kg"]) == ("2026-05-02", "Ivo", "11")


def test_empty_cell_of_a_repaired_row_clears_what_its_own_file_cleared(path: Path, write: Write) -> None:
    load(path, divers=write("n.csv", "diver,shoe\nInes,38\nIvo,45\n"))
    text = "diver,mass_kg,height_cm,shoe\nInes,7,,\n"  # no height and no shoe any more, says this file
    rejects = load(path, divers=write("d.csv", text)).rejects
    assert rejects is not None
    repair(rejects, mass_kg="70")
    assert load(path, divers=rejects).tables["divers"].updated == 1
    ines, ivo = cells(path, "divers")
    assert (ines["mass_kg"], ines["height_cm"], ines["shoe"], ivo["shoe"]) == ("70", "", "", "45")


def test_bad_cell_emptied_in_the_file_of_rows_set_aside_is_cleared(path: Path, write: Write) -> None:
    rejects = load(path, divers=write("d.csv", "diver,mass_lb\nInes,7\n")).rejects
    assert rejects is not None
    repair(rejects, mass_lb="")
    load(path, divers=rejects)
    ines = cells(path, "divers")[0]
    assert (ines["mass_kg"], ines["height_cm"]) == ("", "170")


def test_rows_set_aside_by_an_older_version_empty_nothing(path: Path, write: Write) -> None:
    header = "set_aside_table,set_aside_row,set_aside_why,set_aside_rest,diver,mass_kg,height_cm"
    text = f"{header}\ndivers,2,,,Ines,70,\n"
    load(path, divers=write("old.csv", text))
    ines = cells(path, "divers")[0]
    assert (ines["mass_kg"], ines["height_cm"]) == ("70", "170")


def test_repeated_row_stays_set_aside_until_somebody_decides(path: Path, write: Write) -> None:
    text = "diver,mass_kg,height_cm\nNoa,70,180\nNoa,71,\nMia,7,\n"
    rejects = load(path, divers=write("d.csv", text)).rejects
    assert rejects is not None
    for _ in range(2):  # its new reason holds it as the first one did
        rejects.write_text(rejects.read_text().replace(",7,", ",70,"))  # another row is repaired
        report = load(path, divers=rejects)
        assert report.tables["divers"].updated == 0
        assert [fault.reason for fault in report.faults] == [
            "diver Noa: stands in the book already, with other values; keep one of them (to take this row "
            "instead, empty its set_aside_why)"
        ]
    assert [row["mass_kg"] for row in cells(path, "divers")] == ["64", "82", "70", "70"]
    repair(rejects, set_aside_why="")
    assert load(path, divers=rejects).tables["divers"] == TableReport(read=1, updated=1)
    assert [row["mass_kg"] for row in cells(path, "divers")] == ["64", "82", "71", "70"]
    assert not rejects.exists()


def test_repeated_row_under_another_name_goes_in(path: Path, write: Write) -> None:
    rejects = load(path, dives=write("d.csv", "dive,diver,lead_kg\n5,Ivo,7\n5,Ivo,8\n")).rejects
    assert rejects is not None
    repair(rejects, dive="6")
    assert load(path, dives=rejects).tables["dives"] == TableReport(read=1, loaded=1)


def test_repeated_row_made_equal_to_the_one_in_the_book_is_settled(path: Path, write: Write) -> None:
    rejects = load(path, dives=write("d.csv", "dive,diver,lead_kg\n5,Ivo,7\n5,Ivo,8\n")).rejects
    assert rejects is not None
    repair(rejects, lead_kg="7")
    assert load(path, dives=rejects).tables["dives"] == TableReport(read=1, unchanged=1)
    assert not rejects.exists()


def test_held_row_does_not_stand_in_the_way_of_a_repaired_one(path: Path, write: Write) -> None:
    repeated = write("d.csv", "dive,diver,lead_kg\n5,Ivo,7\n5,Ivo,8\n")
    load(path, dives=repeated)
    rejects = load(path, dives=write("e.csv", "dive,diver,lead_kg\n5,Ivo,110\n")).rejects
    assert rejects is not None
    rejects.write_text(rejects.read_text().replace(",110", ",11"))
    assert load(path, dives=rejects).tables["dives"] == TableReport(read=2, updated=1, rejected=1)
    assert cells(path, "dives")[-1]["lead_kg"] == "11"


def test_columns_that_differ_in_capitals_stand_once_in_the_file_of_rows_set_aside(
    path: Path, write: Write
) -> None:
    load(path, divers=write("d.csv", "diver,mass_kg,Notes\nNoa,7,calm\n"))
    rejects = load(path, divers=write("e.csv", "diver,mass_kg,notes\nMia,7,tall\n")).rejects
    assert rejects is not None
    repair(rejects, mass_kg="70")
    assert load(path, divers=rejects).tables["divers"] == TableReport(read=2, loaded=2)
    assert [row["Notes"] for row in cells(path, "divers")] == ["", "", "calm", "tall"]


def test_torn_row_does_not_slip_in_through_the_file_of_rows_set_aside(path: Path, write: Write) -> None:
    report = load(path, dives=write("d.csv", "dive,diver,lead_kg\n8,Ines,4,5\n9,Ines\n"))
    assert report.tables["dives"].rejected == 2
    assert "has 4 cells where the header has 3" in report.faults[0].reason
    assert "has 2 cells where the header has 3" in report.faults[1].reason
    assert report.rejects is not None
    assert load(path, dives=report.rejects).tables["dives"].rejected == 2


def test_row_torn_in_the_file_of_rows_set_aside_loses_nothing(path: Path, write: Write) -> None:
    report = load(path, dives=write("d.csv", "dive,diver,lead_kg\n8,Ines,4,five\n"))
    assert report.rejects is not None
    report.rejects.write_text(report.rejects.read_text().rstrip("\n") + ",six\n")
    again = load(path, dives=report.rejects)
    assert again.tables["dives"].rejected == 1
    (row,) = csv.DictReader(report.rejects.read_text().splitlines())
    assert (row["set_aside_rest"], row["lead_kg"]) == ("five | six", "4")


def test_rows_set_aside_with_cubic_feet_load_for_every_table(path: Path, write: Write) -> None:
    """The column is there for the sake of a cylinder; a diver's row has none."""
    gear = write("g.csv", "item,kind,material,gas_capacity_cuft,rated_psi\nA80,cylinder,aluminium,77.4,\n")
    rejects = load(path, divers=write("d.csv", "diver,mass_kg\nNoa,7\n"), gear=gear).rejects
    assert rejects is not None
    rejects.write_text(rejects.read_text().replace(",7,", ",70,").replace(",77.4,", ",77.4,3000"))
    report = load(path, divers=rejects, gear=rejects)
    assert [report.tables[name].loaded for name in ("divers", "gear")] == [1, 1]


def test_many_misspelt_names_among_many_are_not_all_compared(
    path: Path, write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("leadline.book.hint._COMPARISONS", 5)  # two divers: two names are looked up
    report = load(path, dives=write("d.csv", "dive,diver\n" + "".join(f"{i},Ine{i}\n" for i in range(4))))
    assert sum("closest: Ines" in fault.reason for fault in report.faults) == 2
    assert report.tables["dives"].rejected == 4


def test_unknown_columns_are_kept_and_named(path: Path, write: Write) -> None:
    text = "diver,mass_kg,notes,Shoe Size\nInes,64,likes\tcold,42\nIvo,82,,\n"
    report = load(path, divers=write("d.csv", text))
    assert report.notes == (
        f"{path.with_name('d.csv')}: columns unknown to leadline, kept as they are: notes, Shoe Size",
    )
    assert report.tables["divers"] == TableReport(read=2, updated=1, unchanged=1)
    load(path, divers=write("e.csv", "diver,NOTES\nInes,warm\n"))
    with Book.open(path, write=True) as book:
        (exported,) = book.export(path.parent / "out", tables=["divers"])
    rows = list(csv.DictReader(exported.read_text(encoding="utf-8").splitlines()))
    assert (rows[0]["notes"], rows[0]["Shoe Size"]) == ("warm", "42")


@pytest.mark.parametrize("content", [b"", b"\n\n", b"\xef\xbb\xbf"])
def test_empty_file_is_refused(path: Path, tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "empty.csv"
    file.write_bytes(content)
    with pytest.raises(RecordError, match=r"empty\.csv: the file is empty"):
        load(path, divers=file)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, "no column diver in the header row"),
        (b"PK\x03\x04" + b"\0" * 100, "a workbook or archive"),
        (b"PAR1" + b"\0" * 100, "a damaged Parquet file"),
        (b"name,mass\nInes,64\n", "no column diver in the header row.*found: 'name', 'mass'"),
        (b"diver,mass_kg,Mass_KG\nInes,64,65\n", "the column 'mass_kg' stands twice"),
    ],
)
def test_file_that_is_no_table_is_refused_and_nothing_changes(
    path: Path, tmp_path: Path, files: dict[str, Path], content: bytes, message: str
) -> None:
    file = tmp_path / "odd.csv"
    file.write_bytes(content)
    sound = tmp_path / "sound.csv"
    sound.write_text("item,kind\nnew hood,hood\n")
    with Book.open(path) as book:
        before = book.counts()
    with pytest.raises(RecordError, match=message) as caught:
        load(path, gear=sound, divers=file)
    assert "\n" not in str(caught.value)
    with Book.open(path) as book:
        assert (book.counts(), book.data_version) == (before, 1)


@pytest.mark.parametrize("name", ["nowhere.csv", "."])
def test_missing_file_is_refused(path: Path, tmp_path: Path, name: str) -> None:
    with pytest.raises(RecordError, match=r"no such file|a folder, not a file"):
        load(path, divers=tmp_path / name)


def test_failed_first_load_leaves_no_book(tmp_path: Path, write: Write) -> None:
    with pytest.raises(RecordError, match="no column diver"):
        load(tmp_path / "new.duckdb", divers=write("odd.csv", "a,b\n1,2\n"))
    assert not (tmp_path / "new.duckdb").exists()


def test_header_without_rows_is_a_table_without_rows(path: Path, write: Write) -> None:
    assert load(path, divers=write("d.csv", "diver,mass_kg\n")).tables["divers"] == TableReport()


def test_upsert_takes_all_rows_or_none(path: Path) -> None:
    with Book.open(path, write=True) as book:
        report = book.upsert("divers", [{"diver": "Noa", "mass_lb": 143.3}, {"diver": "Ines", "mass_kg": 65}])
        assert report.tables["divers"] == TableReport(read=2, loaded=1, updated=1)
        with pytest.raises(RecordError, match=r"row 2: mass_kg 7: must lie in \[20, 250\] kg"):
            book.upsert("divers", [{"diver": "Mia", "mass_kg": 60}, {"diver": "Lu", "mass_kg": 7}])
        assert book.names("divers") == ["Ines", "Ivo", "Noa"]


def test_judge_finds_the_faults_of_upsert_and_writes_nothing(path: Path) -> None:
    with Book.open(path) as book:  # for reading: a book that other readers share
        (fault,) = book.judge("dives", [{"dive": 3, "diver": "Ines", "suit": "W55"}])
        assert str(fault) == "dives row 1: suit 'W55': no such item in the gear; closest: W5"
        assert book.judge("dives", [{"dive": 3, "diver": "Ines", "suit": "W5"}]) == ()


def test_history_says_what_was_done(path: Path, files: dict[str, Path]) -> None:
    import duckdb

    load(path, divers=files["divers"])
    with duckdb.connect(str(path), read_only=True) as raw:
        rows = raw.execute("SELECT what, counts FROM history").fetchall()
    assert [what for what, _ in rows] == [
        "load divers divers.csv, gear gear.csv, dives dives.csv, checks checks.csv",
        "load divers divers.csv",
    ]
    assert '"unchanged": 2' in rows[1][1]


CYLINDERS = """item,kind,material,water_capacity_l,mass_kg,rated_bar
pounds typed,cylinder,aluminium,11.1,31.3,
too light,cylinder,steel,12,3,232
composite,cylinder,,6.8,5.5,300
thick steel,cylinder,steel,10,17.4,300
twin,cylinder,steel,24,31,232
no mass,cylinder,steel,12,,
suit,suit,,,31,
"""


def test_mass_that_no_cylinder_has_is_noted_and_kept(tmp_path: Path, write: Write) -> None:
    """Common practice: 11.1 L of aluminium weigh about 15 kg (34 lb), 12 L of steel about 15 kg."""
    file = write("gear.csv", CYLINDERS)
    report = load(tmp_path / "new.duckdb", gear=file)
    assert report.tables["gear"].loaded == 7
    assert [note.removeprefix(str(file)) for note in report.notes] == [
        ": row 2: mass_kg 31.3: a cylinder of 11.1 L usually weighs about 15.3 kg; kept as it is: is the "
        "unit right?",
        ": row 3: mass_kg 3: a cylinder of 12 L usually weighs about 14.8 kg; kept as it is: is the unit "
        "right?",
        ": row 8: mass_kg 31: hardly any suit weighs more than 12 kg; kept as it is: are unit and decimal "
        "point right?",
    ]


def test_mass_of_a_cylinder_is_noted_in_the_unit_of_the_file(tmp_path: Path, write: Write) -> None:
    rows = "".join(f"c{i},cylinder,aluminium,11.1,14.2\n" for i in range(5))
    file = write(
        "gear.csv", f"item,kind,material,water_capacity_l,mass_lb\nsound,cylinder,aluminium,11.1,31.3\n{rows}"
    )
    first, *_, last = notes = load(tmp_path / "new.duckdb", gear=file).notes
    assert ": row 3: mass_lb 14.2: a cylinder of 11.1 L usually weighs about 33.7 lb" in first
    assert len(notes) == 4
    assert last.endswith(": 2 more cylinders of an unusual mass")
