"""Leads made of the blocks that the book lists: answers, checks, plans and sheets."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from leadline.cli import app
from leadline.units import POUND

from ..decide.club import make_book  # noqa: TID252 (tests are on no path)

SEEN = ("--lead", 5, "--bar", 60, "--waterline", "eye", "--no-save")
CHIN = ("--lead", 6, "--bar", 60, "--waterline", "chin", "--no-save")


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("club") / "club.duckdb")


@pytest.fixture
def lead(tmp_path: Path, original: Path):
    """Run a command on the club's book, blocks loaded into it, and read its document."""
    book = Path(shutil.copy(original, tmp_path))

    def ran(listed: str, command: str, *options: object):
        if listed:
            file = tmp_path / "blocks.csv"
            file.write_text(f"block,pieces\n{listed}", encoding="utf-8")
            assert (
                CliRunner().invoke(app, ["load", "--book", str(book), "--blocks", str(file)]).exit_code == 0
            )
        asked = [*command.split(), "--book", str(book), "--json", *map(str, options)]
        return CliRunner().invoke(app, asked)

    return ran


def document(done):
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout)


def test_an_answer_is_made_of_the_blocks_of_the_book(lead) -> None:
    """Independent: sums of three pieces of 2 kg and one of 1.5 kg, by hand."""
    free = document(lead("", "suggest", "--diver", "Ines"))["bring_kg"]
    made = document(lead("2 kg,3\n1.5 kg,1\n", "suggest", "--diver", "Ines"))["bring_kg"]
    assert made == min(s for s in (0, 1.5, 2, 3.5, 4, 5.5, 6, 7.5) if s >= free - 0.5 + 1e-6)
    assert document(lead("", "suggest", "--diver", "Ines", "--block", 0.5))["bring_kg"] == free
    assert document(lead("", "suggest", "--diver", "Ines", "--blocks", "3kg:4"))["bring_kg"] % 3 == 0


def test_pounds_in_the_book_are_pounds_on_the_belt(lead) -> None:
    found = document(lead("3 lb,20\n", "suggest", "--diver", "Ines"))
    for name in ("lead_kg", "bring_kg"):
        blocks = found[name] / (3 * POUND)
        assert blocks == pytest.approx(round(blocks), abs=1e-4)


def test_a_check_is_read_on_the_blocks_of_the_book(lead) -> None:
    found = document(lead("2 kg,9\n", "check", "--diver", "Ines", *CHIN))
    assert [found[name] % 2 for name in ("lead_kg", "look_kg")] == [0, 0]
    named = document(lead("", "check", "--diver", "Ines", *CHIN, "--blocks", "3kg:4"))
    assert [named[name] % 3 for name in ("lead_kg", "look_kg")] == [0, 0]
    # What is on and right is left on, whatever it was made of.
    assert document(lead("", "check", "--diver", "Ines", *SEEN, "--blocks", "3kg:4"))["look_kg"] == 5
    both = lead("", "check", "--diver", "Ines", *SEEN, "--blocks", "3kg:4", "--block", "1")
    assert both.exit_code == 2


def test_who_is_too_light_is_never_told_to_take_off_what_the_list_lacks(lead) -> None:
    """Water at the chin with 6 kg on, 3 kg listed: what is right is as if there were more of the smallest."""
    seen = ("check --diver Ines", *CHIN)
    plain = document(lead("", *seen, "--block", "1"))
    short = document(lead("1 kg,3\n", *seen))
    assert plain["now"]["change_kg"] > 0
    assert {name: short["now"][name] for name in ("lead_kg", "change_kg")} == {
        name: plain["now"][name] for name in ("lead_kg", "change_kg")
    }
    assert {name: short[name] for name in ("lead_kg", "look_kg")} == {
        name: plain[name] for name in ("lead_kg", "look_kg")
    }


def test_plan_and_boat_are_made_of_them(lead, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text(
        "dive,diver,date,water,suit,bc,cylinder\n"
        "a,Ines,2026-05-20,salt,full 5,jacket,steel 12\na,Ivo,2026-05-20,salt,full 5,jacket,steel 12\n"
    )
    rows = document(lead("3 kg,3\n1.5 kg,1\n", "suggest", "--plan", plan))
    assert {row["lead_kg"] for row in rows} <= {0, 1.5, 3, 4.5, 6, 7.5, 9, 10.5}
    done = lead("", "report boat", "--plan", plan, "--out", tmp_path / "pages")
    assert {piece["piece_kg"] for piece in document(done)["load"]["pieces"]} <= {3.0, 1.5}
    assert "more than the book's blocks: " in done.stderr
    # Whoever loads the boat has the page, not the terminal.
    short = document(done)["lacking"]
    assert short
    assert all(size["pieces"] > size["there"] for size in short)
    page = (tmp_path / "pages" / "boat.html").read_text(encoding="utf-8")
    assert f"{short[0]['pieces']} × " in page[page.index('data-name="lacking"') :]
    named = lead("", "report boat", "--plan", plan, "--out", tmp_path / "pages", "--block", 1)
    assert "more than the book's blocks" not in named.stderr
    assert document(named)["lacking"] == []
    assert "lacking" not in (tmp_path / "pages" / "boat.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("listed", "units", "unit", "sizes"),
    [
        ("1 kg,0\n2 kg,40\n3 kg,40\n", "metric", 1.0, (3, 2)),
        ("2 lb,60\n3 lb,60\n5 lb,60\n", "imperial", POUND, (5, 3, 2)),
    ],
)
def test_sheets_are_made_of_any_list_that_answers_are_made_of(
    lead, tmp_path: Path, listed, units, unit, sizes
) -> None:
    """By hand: 2 and 3 make all whole numbers but 1, and so do 2, 3 and 5.

    Such lists: common practice, no source.
    """
    plan = tmp_path / "plan.csv"
    plan.write_text(
        "dive,diver,date,water,suit,bc,cylinder\n"
        + "".join(f"a,{who},2026-05-20,salt,full 5,jacket,steel 12\n" for who in ("Ines", "Ivo", "Noa"))
    )
    asked = ("--units", units)
    plans = document(lead(listed, "suggest", "--plan", plan, *asked))
    boat = document(lead("", "report boat", "--plan", plan, "--out", tmp_path / "pages", *asked))
    rental = document(lead("", "report rental", "--renters", 8, "--out", tmp_path / "pages", *asked))
    for row, answer in zip(boat["rows"], plans, strict=True):
        assert (row["lead_kg"], row["bring_kg"]) == (answer["lead_kg"], answer["bring_kg"])
        pieces = [part.split(":") for part in row["pieces"].split(";") if part]
        assert sum(float(size) * int(n) for size, n in pieces) == pytest.approx(row["lead_kg"], abs=1e-3)
    for found in [*boat["rows"], *rental["cells"]]:
        for name in ("lead_kg", "bring_kg"):
            whole = found[name] / unit
            assert whole == pytest.approx(round(whole), abs=1e-3)
            assert round(whole) != 1
    for load in (boat["load"], rental["stock"]):
        assert [piece["piece_kg"] / unit for piece in load["pieces"]] == pytest.approx(sizes, abs=1e-4)


def test_a_rental_desk_is_told_of_pieces_that_it_does_not_have(lead, tmp_path: Path) -> None:
    out = ("--renters", 8, "--out", tmp_path / "pages", "--csv", tmp_path / "rental.csv")
    done = lead("2 kg,1\n1 kg,9\n", "report rental", *out)
    found = document(done)
    (short,) = found["lacking"]
    wanted = {piece["piece_kg"]: piece["pieces"] for piece in found["stock"]["pieces"]}
    assert short == {"piece_kg": 2.0, "pieces": wanted[2.0], "there": 1}
    assert wanted[1.0] <= 9
    said = f"{short['pieces']} x 2 kg to have ready and 1 there, so borrow {short['pieces'] - 1}"
    assert f"more than the book's blocks: {said}\n" in done.stderr
    assert (
        tmp_path / "rental-lacking.csv"
    ).read_text() == f"piece_kg,pieces,there\n2.0,{short['pieces']},1\n"
    page = (tmp_path / "pages" / "rental.html").read_text(encoding="utf-8")
    assert f"{short['pieces']} × " in page[page.index('data-name="lacking"') :]
    named = lead("", "report rental", *out, "--block", 1)
    assert "more than the book's blocks" not in named.stderr
    assert document(named)["lacking"] == []
    assert not (tmp_path / "rental-lacking.csv").exists()
    assert "lacking" not in (tmp_path / "pages" / "rental.html").read_text(encoding="utf-8")
    # Two of 1 kg stand for one of 2 kg where the list has plenty of them.
    enough = lead("2 kg,1\n1 kg,200\n", "report rental", *out)
    assert document(enough)["lacking"] == []
    pieces = {piece["piece_kg"]: piece["pieces"] for piece in document(enough)["stock"]["pieces"]}
    assert pieces[2.0] <= 1
    assert "borrow" not in enough.stderr


def test_a_boat_is_dealt_what_lies_there(lead, tmp_path: Path) -> None:
    """Independent: leads and the pieces on the list, added up by hand from the document."""
    plan = tmp_path / "plan.csv"
    plan.write_text(
        "dive,diver,date,water,suit,bc,cylinder\n"
        + "".join(
            f"a,{who},2026-05-20,salt,full 5,jacket,steel 12\n" for who in ("Ines", "Ivo", "Noa", "Uma")
        )
    )
    there = {3.0: 2, 2.0: 4, 1.0: 40, 0.5: 20}
    listed = "".join(f"{size:g} kg,{n}\n" for size, n in there.items())
    done = lead(listed, "report boat", "--plan", plan, "--out", tmp_path / "pages")
    found = document(done)
    used = dict.fromkeys(there, 0)
    for row in found["rows"]:
        pieces = [part.split(":") for part in row["pieces"].split(";") if part]
        assert sum(float(size) * int(n) for size, n in pieces) == pytest.approx(row["lead_kg"])
        for size, n in pieces:
            used[float(size)] += int(n)
    assert sum(row["lead_kg"] for row in found["rows"]) > 14  # more than the pieces of 3 and 2 kg make
    loaded = {piece["piece_kg"]: piece["pieces"] for piece in found["load"]["pieces"]}
    assert all(used[size] <= loaded[size] <= n for size, n in there.items())
    assert found["lacking"] == []
    assert "borrow" not in done.stderr


def test_blocks_of_the_other_unit_are_left_out_alike_and_named(lead, tmp_path: Path) -> None:
    """By hand: of 1 kg and 2 lb a metric reader has whole kilograms, an imperial one multiples of 2 lb."""
    plan = tmp_path / "plan.csv"
    plan.write_text(
        "dive,diver,date,water,suit,bc,cylinder\n"
        + "".join(f"a,{who},2026-05-20,salt,full 5,jacket,steel 12\n" for who in ("Ines", "Ivo"))
    )
    pages = ("--out", tmp_path / "pages")
    listed = "1 kg,60\n2 lb,80\n"
    for units, step, left in (("metric", 1.0, "80 x 2 lb"), ("imperial", 2 * POUND, "60 x 1 kg")):
        asked = ("--units", units)
        plans = lead(listed, "suggest", "--plan", plan, *asked)
        one = lead("", "suggest", "--diver", "Ines", *asked)
        boat = lead("", "report boat", "--plan", plan, *pages, *asked)
        rental = lead("", "report rental", *pages, *asked)
        for done in (plans, one, boat, rental):
            assert f" are left out: {left} (" in done.stderr
        rows = document(boat)["rows"]
        assert [row["lead_kg"] for row in rows] == [row["lead_kg"] for row in document(plans)]
        every = [*document(plans), document(one), *rows, *document(rental)["cells"]]
        steps = [row[name] / step for row in every for name in ("lead_kg", "bring_kg")]
        assert steps == pytest.approx([round(n) for n in steps], abs=1e-3)
        number, _, size = left.partition(" x ")
        for found, page in ((boat, "boat"), (rental, "rental")):
            assert document(found)["left_out"] == [{"block": size, "pieces": int(number)}]
            html = (tmp_path / "pages" / f"{page}.html").read_text(encoding="utf-8")
            assert f"{number} × <bdi>{size}</bdi>" in html


def test_sizes_and_suits_are_written_alike_in_all_files(lead, tmp_path: Path) -> None:
    """By hand: 5 lb are 5 x 0.45359237 = 2.267962 kg; one suit for all bodies is named once."""
    plan = tmp_path / "plan.csv"
    plan.write_text("dive,diver,date,water,suit,bc,cylinder\na,Ines,2026-05-20,salt,full 5,jacket,steel 12\n")
    asked = ("--units", "imperial", "--out", tmp_path / "pages")
    boat = document(lead("5 lb,1\n1 lb,2\n", "report boat", "--plan", plan, *asked))
    rental = document(lead("", "report rental", *asked))
    five = [
        *(part.split(":")[0] for row in boat["rows"] for part in row["pieces"].split(";")[:1]),
        *(found["piece_kg"] for found in (boat["load"]["pieces"][0], rental["stock"]["pieces"][0])),
        *(found["lacking"][0]["piece_kg"] for found in (boat, rental)),
    ]
    assert [float(size) for size in five] == [2.267962] * 5
    for outfit in rental["outfits"]:
        cells = [cell["pieces"] for cell in rental["cells"] if cell["suit"] == outfit["suit"]]
        assert len(cells) > 1
        assert outfit["pieces"] == list(dict.fromkeys(cells))


def test_answers_of_a_short_list_are_those_of_the_boat_sheet(lead, tmp_path: Path) -> None:
    """One piece of 2 kg and one of 1.5 kg: beyond 3.5 kg any number of both, which is every half kilogram."""
    plan = tmp_path / "plan.csv"
    plan.write_text(
        "dive,diver,date,water,suit,bc,cylinder\n"
        + "".join(f"a,{who},2026-05-20,salt,full 5,jacket,steel 12\n" for who in ("Ines", "Ivo", "Noa"))
    )
    plans = document(lead("1.5 kg,1\n2 kg,1\n", "suggest", "--plan", plan))
    halves = document(lead("", "suggest", "--plan", plan, "--block", 0.5))
    boat = document(lead("", "report boat", "--plan", plan, "--out", tmp_path / "pages"))["rows"]
    names = ("lead_kg", "bring_kg", "check_first")
    for row, answer, half in zip(boat, plans, halves, strict=True):
        assert answer["lead_kg"] > 3.5
        assert (
            [row[name] for name in names]
            == [answer[name] for name in names]
            == [half[name] for name in names]
        )


def test_too_few_blocks_keep_nobody_from_an_answer(lead, tmp_path: Path) -> None:
    """What the book lists is shared: one diver borrows, and all others are answered as ever."""
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,water,suit,bc,cylinder\nInes,salt,full 5,jacket,steel 12\n")
    few, many = (document(lead(blocks, "suggest", "--plan", plan))[0] for blocks in ("1 kg,2\n", "1 kg,60\n"))
    borrow = "All blocks that are listed make 2 kg: to have {:g} kg at hand borrow more of these sizes"
    assert (few["lead_kg"], few["bring_kg"]) == (many["lead_kg"], many["bring_kg"])
    assert few["lead_kg"] > 2
    assert borrow.format(few["bring_kg"]) in few["cautions"]
    assert "All blocks that are listed" not in many["cautions"]
    # What is named for one diver is all that this one has.
    done = lead("1 kg,60\n", "suggest", "--diver", "Ines", "--blocks", "1kg:2")
    assert done.exit_code == 1
    assert done.stderr.startswith("Error: Ines: these blocks make up to 2.0 kg")
