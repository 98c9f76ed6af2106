"""Cylinders filled far beyond what they are rated for, in dives and plans."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.book import Book

GEAR = "item,kind,rated_bar\nsteel,cylinder,232\nold,cylinder,200\nno rating,cylinder,\n"


def notes(folder: Path, dives: str) -> tuple[list[str], list[str]]:
    """What `load` and `read_plan` say of the same dives."""
    for name, text in (("divers", "diver\nIda\n"), ("gear", GEAR), ("dives", dives)):
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    planned: list[str] = []
    with Book.open(folder / "b.duckdb", write=True, create=True) as book:
        report = book.load(**{name: folder / f"{name}.csv" for name in ("divers", "gear", "dives")})
        assert report.rejected == 0
        rows = book.read_plan(folder / "dives.csv", notify=planned.append)
        assert len(rows["diver"]) == report.tables["dives"].loaded
    return [text.partition("csv: ")[2] for text in report.notes], [t.partition("csv: ")[2] for t in planned]


# By hand: 1.15 x 232 = 266.8 bar, 1.15 x 200 = 230 bar; 3300 psi are 227.5, 3900 psi 268.9 bar. The 232 bar
# of the gear are 3365 psi.
@pytest.mark.parametrize(
    ("header", "cylinder", "start", "said"),
    [
        ("start_bar", "steel", "330", ["start_bar 330: more than 1.15 times the 232 bar that steel is"]),
        ("start_bar", "steel", "266", []),
        ("start_bar", "old", "231", ["start_bar 231: more than 1.15 times the 200 bar that old is"]),
        ("start_bar", "no rating", "330", []),
        ("start_bar", "", "330", []),
        (
            "start_bar",
            "steel;old",
            "260;240",
            ["start_bar 240: more than 1.15 times the 200 bar that old is"],
        ),
        ("start_bar", "steel;old", "240", ["start_bar 240: more than 1.15 times the 200 bar that old is"]),
        ("start_psi", "steel", "3900", ["start_psi 3900: more than 1.15 times the 3365 psi that steel is"]),
        ("start_psi", "old", "3300", []),
    ],
)
def test_a_start_far_above_the_rating_is_noted_and_kept(
    tmp_path: Path, header, cylinder, start, said
) -> None:
    dives = f"dive,diver,date,cylinder,{header}\n1,Ida,2026-05-01,{cylinder},{start}\n"
    loaded, planned = notes(tmp_path, dives)
    assert [text.startswith(f"row 2: {one}") for text, one in zip(loaded, said, strict=True)] == [True] * len(
        said
    )
    assert planned == loaded


def test_many_are_counted(tmp_path: Path) -> None:
    rows = "".join(f"{n},Ida,2026-05-{n:02d},steel,330\n" for n in range(1, 9))
    loaded, _ = notes(tmp_path, f"dive,diver,date,cylinder,start_bar\n{rows}")
    assert len(loaded) == 4
    assert loaded[-1] == "5 more cylinders that begin so full"


def test_the_pressure_is_told_in_the_unit_of_its_row_where_a_file_has_both(tmp_path: Path) -> None:
    """By hand as above: 3900 psi are 268.9 bar, 267 bar lie above 266.8."""
    loaded, planned = notes(
        tmp_path,
        "dive,diver,date,cylinder,start_bar,start_psi\n1,Ida,2026-05-01,steel,,3900\n2,Ida,2026-05-02,steel,267,\n",
    )
    assert [text.partition(":")[2].partition(": more")[0].strip() for text in loaded] == [
        "start_psi 3900",
        "start_bar 267",
    ]
    assert planned == loaded
