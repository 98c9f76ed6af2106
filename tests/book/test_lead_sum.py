"""A dive whose lead stands in its places only has their sum on: it was kept as a dive without lead.

By hand throughout: 4 + 2 = 6 kg; 8 lb + 2 lb = 10 * 0.45359237 kg.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from leadline.book import Book, LoadReport
from leadline.errors import RecordError

Write = Callable[[str, str], Path]


def load(path: Path, file: Path) -> LoadReport:
    with Book.open(path, write=True) as book:
        return book.load(dives=file)


def leads(path: Path) -> list[float]:
    with Book.open(path) as book:
        return [float(lead) for lead in book.records().dives["lead_kg"][3:]]


def test_sum_of_the_places_is_the_lead_and_is_said(path: Path, write: Write) -> None:
    text = (
        "dive,diver,lead_kg,lead_places\n7,Ivo,,belt:4;pockets:2\n8,Ivo,7,belt:7\n9,Ivo,,\n"
        "10,Ivo,,belt:0.1;back:0.2\n"
    )
    report = load(path, write("d.csv", text))
    assert report.notes == (
        f"{path.parent / 'd.csv'}: lead_kg is empty in 2 rows with lead_places: their sum is taken as all "
        "lead on",
    )
    assert_allclose(leads(path), [6.0, 7.0, float("nan"), 0.3], rtol=0)
    assert load(path, path.parent / "d.csv").tables["dives"].unchanged == 4
    # An empty lead beside no places says that it is not known any more.
    load(path, write("e.csv", "dive,diver,lead_kg\n7,Ivo,\n"))
    assert_allclose(leads(path)[0], float("nan"))


@pytest.mark.parametrize("column", ["", ",lead_lb"])
def test_sum_in_pounds_with_and_without_a_column_for_the_lead(path: Path, write: Write, column: str) -> None:
    cell = "," if column else ""
    text = f"dive,diver{column},lead_places_lb\n7,Ivo{cell},belt:8;pockets:2\n"
    report = load(path, write("d.csv", text))
    assert "lead_lb is empty in 1 row with lead_places_lb" in report.notes[0]
    assert_allclose(leads(path), [4.5359237], rtol=1e-9)


def test_places_in_kg_are_no_lead_of_a_file_in_pounds(path: Path, write: Write) -> None:
    """Twelve pounds under the wrong one of two columns would be read as twelve kilograms."""
    report = load(path, write("d.csv", "dive,diver,lead_lb,lead_places\n7,Ivo,,belt:8;back:4\n8,Ivo,,\n"))
    (note,) = report.notes
    assert note.endswith(
        "d.csv: row 2: lead_places go in kg and lead_lb in pounds: where no lead is given their sum is "
        "not taken for it (rows: 1); give lead_lb, or places under lead_places_lb"
    )
    assert_allclose(leads(path)[0], float("nan"))


def test_sum_is_told_in_the_unit_of_each_row(path: Path, write: Write) -> None:
    text = "dive,diver,lead_places,lead_places_lb\n7,Ivo,belt:4;back:2,\n8,Ivo,,belt:8;back:2\n"
    report = load(path, write("d.csv", text))
    ending = "their sum is taken as all lead on"
    assert [note.partition("csv: ")[2] for note in report.notes] == [
        f"lead_kg is empty in 1 row with lead_places: {ending}",
        f"lead_lb is empty in 1 row with lead_places_lb: {ending}",
    ]
    with Book.open(path, write=True) as book:
        typed = {"dive": "9", "diver": "Ivo", "lead_places": "", "lead_places_lb": "belt:8;back:2"}
        assert book.upsert("dives", [typed]).notes[0].startswith("lead_lb is not given: 10 lb")


def test_a_lead_in_the_book_stands_beside_places_that_make_it(path: Path, write: Write) -> None:
    load(path, write("d.csv", "dive,diver,lead_kg\n7,Ivo,6.1\n"))
    assert load(path, write("e.csv", "dive,diver,lead_places\n7,Ivo,belt:4;back:2\n")).notes == ()
    assert leads(path) == [6.1]
    (fault,) = load(path, write("f.csv", "dive,diver,lead_places\n7,Ivo,belt:4;back:4\n")).faults
    assert fault.reason == "lead_places 'belt:4;back:4': adds up to 8 kg, but lead_kg is 6.1"


def test_parts_are_held_against_the_sum(path: Path, write: Write) -> None:
    text = (
        "dive,diver,lead_places,lead_ditchable_kg,lead_places_lb\n7,Ivo,belt:4;back:2,7,\n"
        "8,Ivo,belt:40;back:22,,\n9,Ivo,,,belt:100;back:42\n"
    )
    report = load(path, write("d.csv", text))
    assert [fault.reason for fault in report.faults] == [
        "lead_ditchable_kg 7: is more than lead_kg 6",
        "lead_places 'belt:40;back:22': adds up to 62 kg, and all lead must be at most 60 kg",
        "lead_places_lb 'belt:100;back:42': adds up to 142 lb, and all lead must be at most 132 lb",
    ]
    assert report.notes == ()


def test_a_typed_dive_has_the_sum_and_says_so(path: Path) -> None:
    with Book.open(path, write=True) as book:
        typed = {"dive": "7", "diver": "Ivo", "lead_places": "belt:4;pockets:2"}
        assert book.upsert("dives", [typed]).notes == ("lead_kg is not given: 6 kg, the sum of lead_places",)
        del typed["lead_places"]
        pounds = typed | {"dive": "8", "lead_places_lb": "belt:8;pockets:2"}
        assert book.upsert("dives", [pounds]).notes[0].startswith("lead_lb is not given: 10 lb")
        with pytest.raises(RecordError, match="and all lead must be at most 60 kg"):
            book.upsert("dives", [typed | {"dive": "9", "lead_places": "belt:60;back:1"}])
    assert_allclose(leads(path), [6.0, 4.5359237], rtol=1e-9)


def test_the_places_of_a_plan_are_no_lead_of_it(path: Path, write: Write) -> None:
    plan = write("p.csv", "diver,date,suit,bc,cylinder,lead_places\nIvo,2030-05-01,W5,J,S12,belt:4\n")
    with Book.open(path) as book:
        assert_allclose(book.read_plan(plan)["lead_kg"], [float("nan")])
