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
    found = document(lead("2 kg,9\n", "check", "--diver", "Ines", *SEEN))
    assert [found[name] % 2 for name in ("lead_kg", "look_kg")] == [0, 0]
    named = document(lead("", "check", "--diver", "Ines", *SEEN, "--blocks", "3kg:4"))
    assert [named[name] % 3 for name in ("lead_kg", "look_kg")] == [0, 0]
    both = lead("", "check", "--diver", "Ines", *SEEN, "--blocks", "3kg:4", "--block", "1")
    assert both.exit_code == 2


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


def test_a_rental_desk_is_told_of_pieces_that_it_does_not_have(lead, tmp_path: Path) -> None:
    out = ("--renters", 8, "--out", tmp_path / "pages", "--csv", tmp_path / "rental.csv")
    done = lead("2 kg,1\n1 kg,200\n", "report rental", *out)
    found = document(done)
    (short,) = found["lacking"]
    wanted = {piece["piece_kg"]: piece["pieces"] for piece in found["stock"]["pieces"]}
    assert short == {"piece_kg": 2.0, "pieces": wanted[2.0], "there": 1}
    said = f"{short['pieces']} x 2 kg to have ready and 1 there"
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


def test_too_few_blocks_name_the_diver(lead) -> None:
    done = lead("1 kg,2\n", "suggest", "--diver", "Ines")
    assert done.exit_code == 1
    assert done.stderr.startswith("Error: Ines: these blocks make up to 2.0 kg")
    assert "--block" in done.stderr
