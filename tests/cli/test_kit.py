"""One planned dive from the command line: the short way to a plan is the long one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from leadline.book import Book
from leadline.cli import kit
from leadline.cli.holding import near
from leadline.decide.answering import taken_over
from leadline.errors import RecordError

KIT = {"suit": "full 5;vest", "bc": "jacket", "cylinder": "steel 12;stage 7", "other": "hood 5"}
DIVES = [
    {"dive": "1", "diver": "Ines", "date": "2026-05-01", "water": "fresh", "altitude_m": 430, **KIT},
    {"dive": "2", "diver": "Ivo", "suit": "vest", "gas": "32", "cylinder": "steel 12"},
    {"dive": "3", "diver": "Mia", **KIT, "gas": "air;50", "end_bar": "50;-", "water": "salt"},
]


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "b.duckdb"
    with Book.open(path, write=True, create=True) as opened:
        opened.upsert("divers", [{"diver": row["diver"]} for row in DIVES])
        gear = {
            "full 5": "suit",
            "vest": "suit",
            "jacket": "bc",
            "steel 12": "cylinder",
            "stage 7": "cylinder",
        }
        pieces = [{"item": item, "kind": kind} for item, kind in gear.items()]
        opened.upsert("gear", [*pieces, {"item": "hood 5", "kind": "hood"}])
        opened.upsert("dives", DIVES)
    return path


@pytest.mark.parametrize("diver", ["Ines", "Ivo", "Mia"])
def test_kit_of_the_last_dive_needs_no_second_judgement(book: Path, diver: str) -> None:
    """Independent: the same cells written to a plan file and judged by the rules of the book."""
    with Book.open(book) as opened:
        taken = taken_over(near(opened, {diver}).records, {"diver": diver, "date": "2026-06-01"})
        expected = kit.judged(opened, taken.cells)
    found = kit.plan_one(book, {"diver": diver}).plan
    for name in set(expected) - {"date"}:
        np.testing.assert_array_equal(found[name], expected[name], err_msg=name)
        assert found[name].dtype == expected[name].dtype, name


@pytest.mark.parametrize("named", [{"start_bar": "200;180"}, {"water": "brackish"}, {"cylinder": "steel 12"}])
def test_what_is_known_is_passed_over_when_the_rest_is_judged(book: Path, named: dict[str, str]) -> None:
    """Independent: all cells of the row judged."""
    with Book.open(book) as opened:
        given = {"diver": "Mia", "date": "2026-06-01", **named}
        taken = taken_over(near(opened, {"Mia"}).records, given)
        expected = kit.judged(opened, taken.cells)
        found = kit.judged(opened, taken.cells, known=taken.taken)
    for name in expected:
        np.testing.assert_array_equal(found[name], expected[name], err_msg=name)


def test_lists_are_judged_together(book: Path) -> None:
    with Book.open(book) as opened:
        taken = taken_over(near(opened, {"Mia"}).records, {"diver": "Mia", "start_bar": "200;180;90"})
        with pytest.raises(RecordError, match="start_bar"):
            kit.judged(opened, taken.cells, known=taken.taken)


def test_what_is_named_is_judged(book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen, judged = [], kit.judged
    monkeypatch.setattr(kit, "judged", lambda *a, **known: seen.append(a) or judged(*a, **known))
    kit.plan_one(book, {"diver": "Ines", "suit": "full 5;vest"})
    assert seen == []
    for named in ({"suit": "vest"}, {"date": "2026-06-01"}, {"water": "fresh"}):
        kit.plan_one(book, {"diver": "Ines", **named})
    assert len(seen) == 3


def test_what_is_hardly_true_is_noted_in_the_words_of_the_options(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Kind: arithmetic; 155 / 1.72² = 52.4, 1.15 x 232 = 266.8 bar, 245 / 1.72² = 82.8."""
    with Book.open(book, write=True) as opened:
        opened.upsert("divers", [{"diver": "Ivo", "mass_kg": 70, "height_cm": 172}])
        opened.upsert("gear", [{"item": "steel 12", "kind": "cylinder", "rated_bar": 232}])
    kit.plan_one(book, {"diver": "Ivo", "body_mass_kg": "155", "start_bar": "290"})
    assert capsys.readouterr().err.splitlines() == [
        "note: --body-mass 155: at a height of 172 cm a body mass index of 52: pounds? (155 lb are 70.3 kg); "
        "kept as it is",
        "note: --start 290: more than 1.15 times the 232 bar that steel 12 is rated for; kept as it is: are "
        "both right?",
    ]
    with pytest.raises(RecordError, match="--units says whether kilograms or pounds are meant"):
        kit.plan_one(book, {"diver": "Ivo", "body_mass_kg": "245"})
    assert capsys.readouterr().err == ""
