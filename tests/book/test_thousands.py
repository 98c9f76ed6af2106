"""Numbers whose mark may part thousands or decimals: refused with both ways to write them, never guessed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from leadline.book import Book
from leadline.errors import RecordError

Write = Callable[[str, str], Path]
SAYS = "may mean thousands or decimals; write"


def taken(path: Path, file: Path, column: str) -> tuple[list[str], list[float]]:
    """Reasons of a dives file, and what the book has of a column in its rows that are new."""
    with Book.open(path, write=True) as book:
        report = book.load(dives=file)
        return [fault.reason for fault in report.faults], book.records().dives[column][3:].tolist()


# Kind: by hand, the two readings of a German and of an American spreadsheet.
@pytest.mark.parametrize(
    ("text", "column", "reason"),
    [
        ("altitude_m;lead_kg\n1.560;6,5\n", "altitude_m", "1.560: {} 1560, or 1,56"),
        ("altitude_m;lead_kg\n1.560;6\n", "altitude_m", "1.560: {} 1560, or 1,56"),  # no mark elsewhere
        ("altitude_m;lead_kg\n1,560;6\n", "altitude_m", "1,560: {} 1560, or 1,56"),
        ("altitude_m\tlead_kg\n1.560\t6,5\n", "altitude_m", "1.560: {} 1560, or 1,56"),
        ("altitude_ft;lead_kg\n5,100;6,5\n", "altitude_ft", "5,100: {} 5100, or 5,1"),
        ("altitude_ft;lead_kg\n5,125;6,5\n", "altitude_ft", "5,125: {} 5125, or 5,1250"),
        ("start_psi;lead_kg\n3,000;6,5\n", "start_psi", "3,000: {} 3000, or 3"),
        ("start_psi;lead_kg\n3.000;6,5\n", "start_psi", "3.000: {} 3000, or 3"),
        ('start_psi;lead_kg\n"2900;3.050";6,5\n', "start_psi", "2900;3.050: {} 3050, or 3,05"),
        ('start_psi,lead_kg\n"3,000",6.5\n', "start_psi", "3,000: {} 3000, or 3"),
        ('start_psi,lead_kg\n"3,050",6.5\n', "start_psi", "3,050: {} 3050, or 3.05"),
        ("start_psi,lead_kg\n3.000,6.5\n", "start_psi", "3.000: {} 3000, or 3"),
        ('altitude_m,lead_kg\n"1,560",6.5\n', "altitude_m", "1,560: {} 1560, or 1.56"),
        ("altitude_m;lead_kg\n1,560;6.5\n", "altitude_m", "1,560: {} 1560, or 1.56"),
    ],
)
def test_number_that_can_be_read_in_two_ways(
    path: Path, write: Write, text: str, column: str, reason: str
) -> None:
    header, _, body = text.partition("\n")
    mark = next(mark for mark in "\t;," if mark in header)
    cylinder = "S12;A7" if "2900" in text else "S12"
    file = write(
        "dives.csv", f'dive{mark}diver{mark}cylinder{mark}{header}\n9{mark}Ivo{mark}"{cylinder}"{mark}{body}'
    )
    reasons, kept = taken(path, file, "lead_kg")
    assert reasons == [f"{column} {reason.format(SAYS)} if that is meant"]
    assert kept == []


# Kind: by hand; of two readings only one is a lead, a depth or a body mass, or three digits are no thousands.
@pytest.mark.parametrize(
    ("text", "column", "value"),
    [
        ("lead_kg;site\n2,268;x\n", "lead_kg", 2.268),
        ("lead_kg;site\n2.268;x\n", "lead_kg", 2.268),
        ("max_depth_m;lead_kg\n18.288;6,5\n", "max_depth_m", 18.288),
        ("altitude_m;lead_kg\n0.560;6,5\n", "altitude_m", 0.56),
        ("altitude_m;lead_kg\n1.56;6,5\n", "altitude_m", 1.56),
        ("altitude_m;lead_kg\n1560;6,5\n", "altitude_m", 1560.0),
        ("altitude_m;lead_kg\n412,125;6,5\n", "altitude_m", 412.125),
        ("altitude_m;lead_kg\n1,5600;6,5\n", "altitude_m", 1.56),
        ("altitude_m,lead_kg\n1.524,6.5\n", "altitude_m", 1.524),  # as exported: five feet
        ("altitude_m;lead_kg\n1.524;6.5\n", "altitude_m", 1.524),  # points elsewhere too
        ("body_mass_kg;lead_kg\n70,125;6,5\n", "body_mass_kg", 70.125),
    ],
)
def test_number_that_can_be_read_in_one_way(
    path: Path, write: Write, text: str, column: str, value: float
) -> None:
    header, _, body = text.partition("\n")
    mark = ";" if ";" in header else ","
    file = write("dives.csv", f"dive{mark}diver{mark}{header}\n9{mark}Ivo{mark}{body}")
    assert taken(path, file, column) == ([], [value])


def test_pressures_with_three_decimals_are_pressures(path: Path, write: Write) -> None:
    file = write("dives.csv", "dive;diver;start_bar;end_bar;lead_kg\n9;Ivo;200,000;50.125;6,5\n")
    with Book.open(path, write=True) as book:
        assert book.load(dives=file).faults == ()
        dives = book.records().dives
    assert (dives["start_bar"][-1], dives["end_bar"][-1]) == ("200", "50.125")


def test_counts_and_places(path: Path, write: Write) -> None:
    divers = write("divers.csv", "diver;dives_before\nNoa;1.200\n")
    dives = write("dives.csv", 'dive;diver;lead_kg;lead_places\n9;Ivo;6,5;"belt:2,125;back:4,375"\n')
    with Book.open(path, write=True) as book:
        (fault,) = book.load(divers=divers).faults
        assert fault.reason == f"dives_before 1.200: {SAYS} 1200"
        file = write("more.csv", "diver;dives_before;mass_kg\nNoa;1,000;70,5\n")
        (fault,) = book.load(divers=file).faults
        assert fault.reason == f"dives_before 1,000: {SAYS} 1000, or 1 if that is meant"
        assert book.load(dives=dives).faults == ()
        assert book.records().dives["lead_places"][-1] == "belt:2.125;back:4.375"


def test_row_set_aside_is_not_guessed_at_when_it_is_loaded_again(path: Path, write: Write) -> None:
    file = write("dives.csv", "dive;diver;altitude_m;lead_kg\n9;Ivo;1.560;6,5\n10;Ivo;1,560;6,5\n")
    with Book.open(path, write=True) as book:
        aside = book.load(dives=file).rejects
        assert aside is not None
        for _ in range(2):  # as it stands: the same reasons
            assert [fault.value for fault in book.load(dives=aside).faults] == ["1.560", "1,560"]
        aside.write_text(aside.read_text().replace(",1.560,", ",1560,").replace('"1,560",', "1.56,"))
        assert book.load(dives=aside).faults == ()
        assert book.records().dives["altitude_m"][3:].tolist() == [1560.0, 1.56]


def test_plan_is_refused(path: Path, write: Write) -> None:
    file = write("plan.csv", "diver;suit;altitude_m;lead_kg\nIvo;W5;1.560;6,5\n")
    with (
        Book.open(path) as book,
        pytest.raises(RecordError, match=r"row 2: altitude_m 1\.560: may .* or 1,56 if"),
    ):
        book.read_plan(file)
