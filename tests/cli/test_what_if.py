"""`leadline suggest`: what-ifs, block sets, the rig and the acts that stand beside the lead."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

from leadline.cli import what_if
from leadline.decide.sentence import DANGERS
from leadline.units import POUND

from ..decide.club import HOSTILE, make_book  # noqa: TID252 (tests are on no path)


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("changes") / "club.duckdb")


@pytest.fixture
def suggest(run, club: Path):
    return lambda *options: run("suggest", "--book", club, "--date", "2026-05-20", *options)


def facts(done: subprocess.CompletedProcess[str]):
    assert (done.returncode, done.stderr) == (0, "")
    return json.loads(done.stdout)


def test_each_change_by_itself(suggest) -> None:
    changes = ("suit=vest", "cylinder=alu 11", "water=fresh", "altitude=1500", "stop-depth=3", "body-mass=+5",
               "reserve=50", "bc=-")  # fmt: skip
    options = [part for change in changes for part in ("--what-if", change)]
    answer = facts(suggest("--diver", "Ines", *options, "--json"))
    found = {row["change"]: row for row in answer["what_if"]}
    assert list(found) == list(changes)
    for row in found.values():
        assert row["shift_total_kg"] == pytest.approx(
            row["shift_physics_kg"] + row["shift_learned_kg"], abs=2e-4
        )
        assert row["shift_q10_kg"] <= row["shift_total_kg"] <= row["shift_q90_kg"]
    # Common practice, no source: less foam, fresh water and more gas left need less; an aluminium cylinder,
    # a shallower stop and the thinner air of a mountain need more.
    for change, sign in zip(changes, (-1, 1, -1, 1, 1, 0, -1, 0), strict=True):
        assert sign * found[change]["shift_physics_kg"] >= 0
    assert found["water=fresh"]["shift_total_kg"] < -2
    assert found["suit=vest"]["check_first"] == "yes"


def test_a_change_agrees_with_asking_for_it(suggest) -> None:
    changed = facts(suggest("--diver", "Ines", "--what-if", "reserve=50", "--json"))["what_if"][0]
    asked = facts(suggest("--diver", "Ines", "--stop", "50", "--json"))
    assert changed["need_q50_kg"] == pytest.approx(asked["need_q50_kg"], abs=1e-3)
    assert changed["lead_kg"] == asked["lead_kg"]
    psi = suggest("--diver", "Ines", "--what-if", "reserve=725.19", "--units", "imperial", "--json")
    assert facts(psi)["what_if"][0]["need_q50_kg"] == pytest.approx(asked["need_q50_kg"], abs=0.01)


def test_people_read_changes_as_a_table(suggest) -> None:
    done = suggest("--diver", "Ines", "--what-if", "water=fresh", "--what-if", "stop-depth=3")
    assert "What if: need more (+) or less (-)" in done.stdout
    assert "water=fresh" in done.stdout
    assert "What if" not in suggest("--diver", "Ines").stdout
    pounds = suggest("--diver", "Ines", "--what-if", "water=fresh", "--units", "imperial").stdout
    assert "in lb" in pounds


def test_lead_that_begins_a_check_is_told_from_one_to_dive_with(suggest) -> None:
    """Independent: the numbers of `--json`; as the answer itself, the table says what to have at hand."""
    changes = "--diver", "Ines", "--what-if", "suit=vest", "--what-if", "stop-depth=3"
    vest, stop = facts(suggest(*changes, "--json"))["what_if"]
    assert (vest["check_first"], stop["check_first"]) == ("yes", "no")
    assert vest["bring_kg"] > vest["lead_kg"]
    read = suggest(*changes).stdout
    (line,) = [line for line in read.splitlines() if line.split()[:1] == ["suit=vest"]]
    assert line.split()[-3:] == [f"{vest['lead_kg']:g}", f"{vest['bring_kg']:g}", "first"]
    assert "that lead begins a surface check and is none to dive with" in " ".join(read.split())
    assert "is none to dive with" not in suggest("--diver", "Ines", "--what-if", "stop-depth=3").stdout
    assert max(map(len, read.splitlines())) <= 80


def test_change_that_is_hardly_true_is_noted_under_its_own_name(suggest) -> None:
    """Kind: arithmetic; the notes of the dive as it is stand for it alone, once."""
    done = suggest("--diver", "Ines", "--body-mass", "140", "--what-if", "water=fresh", "--what-if",
                   "body-mass=150", "--json")  # fmt: skip
    assert done.returncode == 0
    first, second = done.stderr.splitlines()
    assert first.startswith("note: --body-mass 140: ")
    assert "pounds? (140 lb are 63.5 kg)" in first
    assert second.startswith("note: --what-if body-mass=150: --body-mass 150: ")


def test_much_gas_left_is_said_of_a_what_if_too(suggest) -> None:
    """300 psi typed for bar: nearly no lead, and right for a full cylinder only. 300 psi are 20.7 bar."""
    done = suggest("--diver", "Ines", "--what-if", "reserve=300", "--what-if", "reserve=50")
    text = " ".join(done.stdout.split())
    assert (
        "reserve=300: Reckoned for a stop with 300 bar left: later, with less gas, it takes more lead" in text
    )
    assert "reserve=50: " not in text
    low = " ".join(suggest("--diver", "Ines", "--what-if", "reserve=10").stdout.split())
    assert "reserve=10: Planned with 10 bar left" in low
    psi = suggest("--diver", "Ines", "--what-if", "reserve=300", "--units", "imperial", "--json")
    assert "Reckoned for" not in facts(psi)["what_if"][0]["cautions"]


def test_a_usual_one_is_reckoned_with_where_a_change_names_none(suggest) -> None:
    """Nothing under a dry suit asked for more lead than a thin undersuit, without a word."""
    dry = "--suit", "membrane", "--undersuit", "warm", "--bc", "jacket", "--cylinder", "steel 12"
    asked = "--diver", "Ines", *dry, "--what-if", "undersuit=-", "--what-if", "water=fresh"
    bare, fresh = facts(suggest(*asked, "--json"))["what_if"]
    assert (bare["assumed"], fresh["assumed"]) == ("a usual undersuit", "")
    read = " ".join(suggest(*asked).stdout.split())
    assert "undersuit=-: a usual undersuit is reckoned with, none is named." in read
    assert "water=fresh: a usual" not in read


def test_what_is_new_to_a_changed_dive_is_said_below_the_table(suggest) -> None:
    """Independent: the cautions of `--json`, and of the dive asked for itself."""
    changes = ("water=fresh", "temp=4", "suit=vest", "stop-depth=3")
    options = [part for change in changes for part in ("--what-if", change)]
    answer = facts(suggest("--diver", "Ines", *options, "--json"))
    asked = facts(suggest("--diver", "Ines", "--water", "fresh", "--json"))["cautions"]
    (first,) = [text for text in asked.split("; ") if text.startswith("First dive in fresh water on record")]
    done = suggest("--diver", "Ines", *options)
    before, _, below = " ".join(done.stdout.split()).partition("What if: ")
    assert "First fresh water" not in before
    assert below.count(f"water=fresh: {first}.") == 1
    own = [text for text in answer["cautions"].split("; ") if text]
    for text in own:
        assert text not in below
    mass = re.compile(r"[\d.]+ kg")
    bare = [mass.sub("", text) for text in own]
    for row in answer["what_if"]:
        for text in filter(None, row["cautions"].split("; ")):
            assert below.count(f"{text}.") == (mass.sub("", text) not in bare)
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_caution_of_two_changes_is_said_once() -> None:
    rows = [
        {"change": "water=fresh", "cautions": "New; Light by 2 kg; Old"},
        {"change": "temp=4", "cautions": "Old; Danger of this; New"},
        {"change": "reserve=50", "cautions": ""},
    ]
    found = what_if._new(rows, ["Old", "Light by 3.5 kg"])
    assert found == ["temp=4: Danger of this.", "water=fresh, temp=4: New."]
    sharp = [{"change": "bc=-", "cautions": f"{DANGERS[0]} by 2 kg; New"}]
    assert what_if._new(sharp, [f"{DANGERS[0]} by 1 kg"]) == [f"bc=-: {DANGERS[0]} by 2 kg.", "bc=-: New."]


def test_blocks_there_are(suggest) -> None:
    answer = facts(suggest("--diver", "Ines", "--blocks", "2kg:3,1.5kg:1", "--json"))
    assert answer["lead_kg"] in (5.5, 6, 7.5)
    pounds = facts(suggest("--diver", "Ines", "--blocks", "2lb:9,3lb:2", "--json"))["lead_kg"] / POUND
    assert pounds == pytest.approx(round(pounds), abs=1e-4)
    short = suggest("--diver", "Ines", "--blocks", "1kg:1")
    assert (short.returncode, short.stdout) == (1, "")
    assert "these blocks make up to 1.0 kg" in short.stderr


def test_a_change_that_the_blocks_cannot_make_leaves_the_answer_as_it_is(suggest) -> None:
    """Independent: the answer without what-ifs, and that of the change on blocks of that size without end."""
    few, change = ("--diver", "Ines", "--water", "fresh", "--blocks", "0.5kg:8"), ("--what-if", "water=salt")
    alone, beside = facts(suggest(*few, "--json")), facts(suggest(*few, *change, "--json"))
    (row,) = beside.pop("what_if")
    assert beside == {name: fact for name, fact in alone.items() if name != "what_if"}
    whole = facts(suggest("--diver", "Ines", "--water", "salt", "--block", "0.5", "--json"))
    called = max(whole["lead_kg"], whole["bring_kg"])
    assert alone["lead_kg"] <= 4 < called
    assert (row["lead_kg"], row["bring_kg"]) == (None, None)
    assert row["need_q50_kg"] == pytest.approx(whole["need_q50_kg"], abs=1e-3)
    said = f"{called:g} kg are called for, and these blocks make up to 4 kg"
    assert row["lacking"] == said
    assert "borrowed" not in row["cautions"]
    read = suggest(*few, *change, "--what-if", "reserve=60")
    assert (read.returncode, read.stderr) == (0, "")
    assert f"PUT ON   {alone['lead_kg']:g} kg" in read.stdout
    assert f"water=salt: {said}." in read.stdout
    (line,) = [line for line in read.stdout.splitlines() if line.split()[:1] == ["water=salt"]]
    assert line.split()[-2:] == ["too", "few"]
    (other,) = facts(suggest(*few, "--what-if", "reserve=60", "--json"))["what_if"]
    assert other["lacking"] == ""
    assert other["lead_kg"] <= 4


def test_a_late_end_has_its_lead(suggest) -> None:
    answer = facts(suggest("--diver", "Ines", "--json"))
    assert answer["late_bring_kg"] >= answer["bring_kg"]
    assert "within the accepted risk" in " ".join(suggest("--diver", "Ines").stdout.split())
    assert facts(suggest("--diver", "Ines", "--stop", "10", "--json"))["late_bring_kg"] is None


def test_too_few_blocks_for_a_late_end_are_said(suggest) -> None:
    """By definition: as many blocks of 100 g as are called for as planned make no more than that."""
    fine = facts(suggest("--diver", "Ines", "--block", "0.1", "--json"))
    one = ("--diver", "Ines", "--blocks", f"0.1kg:{round(10 * fine['bring_kg'])}")
    few = facts(suggest(*one, "--json"))
    assert few["bring_kg"] == pytest.approx(fine["bring_kg"])
    assert few["late_bring_kg"] is fine["late_called_for_kg"] is None
    assert few["late_called_for_kg"] == pytest.approx(fine["late_bring_kg"])
    assert fine["late_p_too_light"] > fine["p_too_light"]
    called = f"{few['late_called_for_kg']:g} kg"
    said = f"Should it end late, {called} is called for, and all blocks that are listed make "
    assert said in few["cautions"]
    done = suggest(*one)
    read = " ".join(done.stdout.split())
    assert f"; {called} would be within the accepted risk, which these blocks do not make Too light" in read
    assert f"; with {few['lead_kg']:g} kg too light on about 1 dive in " in read
    assert max(map(len, done.stdout.splitlines())) <= 80
    ends_low = facts(suggest("--diver", "Ines", "--stop", "10", "--json"))
    assert ends_low["late_called_for_kg"] is ends_low["late_p_too_light"] is None


def test_a_plan_says_the_lead_of_a_late_end_too(suggest, run, club: Path, tmp_path: Path) -> None:
    """The columns of the plan file stay as they are: it stands in what people read."""
    plan = tmp_path / "plan.csv"
    kit = "2026-05-20,salt,full 5,jacket,steel 12"
    plan.write_text(f"diver,date,water,suit,bc,cylinder\nIvo,{kit}\nUma,{kit}\nInes,{kit}\n")
    read = " ".join(run("suggest", "--book", club, "--plan", plan, "--block", 0.1).stdout.split())
    for diver in ("Ivo", "Uma", "Ines"):
        alone = facts(suggest("--diver", diver, "--water", "salt", "--suit", "full 5", "--bc", "jacket",
                              "--cylinder", "steel 12", "--block", "0.1", "--json"))  # fmt: skip
        said = read.partition(f"{diver}: ")[2].partition("Should it end late, with 20 bar left: ")[2]
        what = "have at hand" if alone["check_first"] == "yes" else "within the accepted risk"
        more = alone["late_bring_kg"] > alone["bring_kg"]
        assert said.startswith(f"{what} {alone['late_bring_kg']:g} kg.") is more, diver
    assert "end late" in read


def test_acts_and_rig_stand_beside_the_lead(suggest) -> None:
    rig = ("--lead-places", "belt:4;back:2", "--ditchable", "4", "--max-depth", "30", "--start", "200")
    answer = facts(suggest("--diver", "Ines", *rig, "--backup-lift", "none", "--json"))
    assert {act["name"] for act in answer["acts"]} >= {"look", "hand_off", "surface_check", "carry_less"}
    assert sum(act["chosen"] for act in answer["acts"]) <= 1
    assert answer["rig"]["ditchable_kg"] == 4
    assert answer["rig"]["depth_from"] == "plan"
    assert answer["rig"]["lead_places_kg"] == {"belt": 4, "back": 2}
    assert answer["rig"]["lift_l"] is None  # nobody listed it
    assert answer["rig"]["lift_needed_l"]["flooded"] is None
    shown = " ".join(suggest("--diver", "Ines", *rig).stdout.split())
    assert "Lead sits belt 4 kg, back 2 kg: about level by itself" in shown
    for places, said in (
        ("belt:1;drybag:5", "drybag 5 kg: about level by itself, 5 kg left out whose place is not known"),
        ("belt:4;drybag:1", "down, 0.6 kg m, 1 kg left out whose place is not known"),
        ("drybag:5", "drybag 5 kg: which way it pulls is not known of such places"),
        ("belt:8;back:4", "belt 8 kg, back 4 kg, which is 12 kg and not 5.5 kg: by itself it pulls the feet"),
    ):
        rows = " ".join(suggest("--diver", "Ines", "--lead-places", places).stdout.split())
        assert said in rows
    pounds = facts(suggest("--diver", "Ines", "--ditchable", "10", "--units", "imperial", "--json"))
    assert pounds["rig"]["ditchable_kg"] == pytest.approx(min(10 * POUND, pounds["lead_kg"]), abs=1e-3)


def test_what_is_new_says_how_much_it_widens(suggest) -> None:
    answer = facts(suggest("--diver", "Ines", "--water", "fresh", "--cylinder", "alu 11", "--json"))
    assert {row["new"] for row in answer["recheck"]} == {"water", "cylinder"}
    assert all(row["widens_kg"] >= 0 for row in answer["recheck"])
    assert "First dive in fresh water on record" in answer["cautions"]


@pytest.mark.parametrize(
    ("options", "status", "message"),
    [
        (["--what-if", "suit=full 6"], 1, "--what-if suit=full 6: "),
        (["--what-if", "colour=red"], 2, "the name one of suit"),
        (["--what-if", "reserve=900"], 2, "--what-if reserve=900: "),
        (["--lead-places", "belt"], 2, "--lead-places"),
        (["--block", "1", "--blocks", "1kg:4"], 2, "not both"),
        (["--blocks", "1kg"], 2, "how many there are"),
        (["--what-if", "suit=-", "--plan", "p.csv"], 2, ""),
    ],
)
def test_what_cannot_be_met_is_named(suggest, options, status, message) -> None:
    done = suggest("--diver", "Ines", *options)
    assert (done.returncode, done.stdout) == (status, "")
    assert message in " ".join(done.stderr.split())
    if done.stderr.startswith("Error: ") or status == 1:
        assert done.stderr.startswith("Error: ")
        assert done.stderr.count("\n") == 1
        assert "plan.csv" not in done.stderr


def test_hostile_names_are_text(run, club: Path) -> None:
    done = run("suggest", "--book", club, "--diver", HOSTILE, "--what-if", "water=fresh")
    assert done.returncode == 0
    assert "[red]" in done.stdout
