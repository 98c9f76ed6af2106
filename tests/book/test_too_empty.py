"""Pressures too low to be meant so: bar under the name of psi, in dives and in surface checks."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.book import Book


def notes(folder: Path, table: str, text: str) -> list[str]:
    """What `load` says of these rows; all come in."""
    (folder / "divers.csv").write_text("diver\nIda\n", encoding="utf-8")
    (folder / "gear.csv").write_text("item,kind\na,cylinder\nb,cylinder\n", encoding="utf-8")
    (folder / f"{table}.csv").write_text(text, encoding="utf-8")
    with Book.open(folder / "b.duckdb", write=True, create=True) as book:
        files = {name: folder / f"{name}.csv" for name in ("divers", "gear", table)}
        report = book.load(**files)
    assert report.rejected == 0
    return [text.partition("csv: ")[2] for text in report.notes]


# Common practice, no source: no dive begins below 500 psi or 34 bar. Kind: arithmetic; 207 bar x 14.5038 are
# 3002 psi, 493 psi are 33.99 bar, 494 psi 34.06 bar.
PSI = "start_psi {}: a dive hardly begins below 500 psi: {}; kept as it is"
BAR = "start_bar {}: a dive hardly begins below 34 bar: is that right?; kept as it is"


@pytest.mark.parametrize(
    ("header", "starts", "said"),
    [
        ("start_psi", ["207"], PSI.format("207", "bar? (207 bar are 3002 psi; bar go under start_bar)")),
        (
            "start_psi",
            ["3000", "207", "200", "210"],
            PSI.format(
                "207", "bar? (207 bar are 3002 psi; bar go under start_bar) (so low in 2 more rows)"
            ).replace("start_psi", "row 3: start_psi"),
        ),
        ("start_psi", ["493"], PSI.format("493", "is that right?")),
        ("start_psi", ["494"], ""),
        ("start_bar", ["20"], BAR.format("20")),
        ("start_bar", ["34"], ""),
        ("start_bar", [""], ""),
    ],
)
def test_a_start_that_is_none_is_noted_and_kept(tmp_path: Path, header, starts, said) -> None:
    dives = "".join(f"{n},Ida,2026-05-{n:02d},a,{start}\n" for n, start in enumerate(starts, 1))
    found = notes(tmp_path, "dives", f"dive,diver,date,cylinder,{header}\n{dives}")
    where = "" if said.startswith("row") or not said else "row 2: "
    assert found == ([where + said] if said else [])


def test_the_fullest_cylinder_says_whether_a_dive_begins(tmp_path: Path) -> None:
    head = "dive,diver,date,cylinder,start_psi\n"
    assert notes(tmp_path, "dives", head + "1,Ida,2026-05-01,a;b,3000;400\n") == []
    (said,) = notes(tmp_path, "dives", head + "2,Ida,2026-05-02,a;b,207;150\n")
    assert said.startswith("row 2: start_psi 207;150: ")


def test_a_typed_dive_is_asked_about_too(tmp_path: Path) -> None:
    row = {"dive": "2", "diver": "Ida", "cylinder": "a", "start_psi": "207"}
    notes(tmp_path, "dives", "dive,diver,date,cylinder,start_psi\n1,Ida,2026-05-01,a,3000\n")
    with Book.open(tmp_path / "b.duckdb", write=True) as book:
        (asked,) = book.doubts(row)
        assert asked == PSI.format("207", "bar? (207 bar are 3002 psi; bar go under start_bar)")
        assert book.upsert("dives", [row]).notes == (asked,)


# Kind: arithmetic; 200 bar are 2901 psi, 320 bar 4641 psi. Judged: below 290 psi, or all of a file at most
# 350.
@pytest.mark.parametrize(
    ("header", "values", "said"),
    [
        ("psi", ["200"], "row 2: psi 200: {}bar? (200 bar are 2901 psi; bar go under bar){}"),
        ("psi", ["500", "700", "3000"], ""),
        ("psi", ["500", "200", "150"], "row 3: psi 200: {}bar? (200 bar are 2901 psi; bar go under bar){}"),
        ("psi", ["320", "200"], "row 2: psi 320: {}bar? (320 bar are 4641 psi; bar go under bar){}"),
        ("psi", ["320", "600"], ""),
        ("psi", ["290", "600"], ""),
        ("psi", ["0"], ""),
        ("bar", ["10"], ""),
    ],
)
def test_a_check_in_psi_that_may_be_bar_is_noted_and_kept(tmp_path: Path, header, values, said) -> None:
    checks = "".join(f"{n},Ida,2026-05-{n:02d},6,{value},eye\n" for n, value in enumerate(values, 1))
    found = notes(tmp_path, "checks", f"check,diver,date,lead_kg,{header},waterline\n{checks}")
    more = " (so low in 1 more row)" if len(values) > 1 else ""
    if values[0] == "320":
        said = said.replace("{}", "no check of the file is above 350 psi: ", 1).replace("{}", "{0}", 1)
        said = said.replace("{0}", more)
    whole = said.format("a check is hardly made below 290 psi: ", more) + "; kept as it is"
    assert found == ([whole] if said else [])
