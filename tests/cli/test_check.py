"""`leadline check`: in words and as JSON, kept in the book or not, with no book, by questions."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from leadline.book import Book
from leadline.cli import app, check_questions, questions
from leadline.cli.check_parse import looks_of
from leadline.errors import BookBusyError, OutOfRangeError

from ..decide.club import HOSTILE, dives, make_book  # noqa: TID252 (tests are on no path)
from .test_log import Terminal

SEEN = ("--lead", 5, "--bar", 60, "--waterline", "eye")
GUEST = ("--mass", 78, "--height", 180, "--sex", "m", "--birth-year", 1985)
KIT = ("--suit", "full 5", "--bc", "jacket", "--cylinder", "aluminium 11.1", "--water", "salt")


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("club") / "club.duckdb")


@pytest.fixture
def club(tmp_path: Path, original: Path) -> Path:
    return Path(shutil.copy(original, tmp_path))


@dataclass(frozen=True)
class Done:
    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def check(club: Path):
    """Run the command in this process, which starts faster."""

    def ran(*options: object) -> Done:
        found = CliRunner().invoke(app, ["check", "--book", str(club), *map(str, options)])
        return Done(found.exit_code, found.stdout, found.stderr)

    return ran


def facts(done):
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def kept(book: Path) -> dict[str, np.ndarray]:
    with Book.open(book) as opened:
        return dict(opened.records().checks)


def test_check_with_less_than_the_reserve_is_read(check) -> None:
    """What is left now may be less than what a plan ends with."""
    done = check("--diver", "Ines", "--lead", 5, "--bar", 20, "--waterline", "eye", "--no-save", "--json")
    assert facts(done)["advice"]["lead_kg"] > 0


def test_check_is_kept_and_changes_the_next_answer_at_once(check, run, club: Path) -> None:
    kit = ("--suit", "full 5", "--bc", "jacket", "--cylinder", "steel 12", "--water", "salt")
    ask = ("suggest", "--book", club, "--diver", "Uma", *kit, "--json")
    before = json.loads(run(*ask).stdout)
    done = check("--diver", "Uma", *kit, "--lead", 9, "--bar", "60", "--waterline", "under", "--json")
    document = facts(done)
    assert "kept in the book as Uma 20" in done.stderr
    after = json.loads(run(*ask).stdout)
    assert after["need_q90_kg"] < before["need_q90_kg"]
    for name in ("lead_kg", "bring_kg", "check_first", "need_q50_kg", "p_too_light"):
        assert after[name] == document["advice"][name], name
    assert after["evidence"] != before["evidence"] == "none"
    alone = json.loads(run("suggest", "--book", club, "--diver", "Uma", "--json").stdout)
    assert alone["lead_kg"] == after["lead_kg"]
    assert alone["taken_from"] == document["kept_as"][0]
    said = " ".join(run("suggest", "--book", club, "--diver", "Uma").stdout.split())
    assert "as at the surface check of 20" in said
    rows = kept(club)
    assert rows["check"][-1] == document["kept_as"][0]
    assert [rows[name][-1] for name in ("diver", "dive", "suit", "lead_kg", "bar", "waterline")] == [
        "Uma",
        "",
        "full 5",
        9.0,
        "60",
        "under",
    ]
    assert rows["breath"][-1] == "normal"


def test_no_save_leaves_the_book_alone(check, club: Path) -> None:
    before = club.read_bytes()
    assert facts(check("--diver", "Ines", *SEEN, "--no-save", "--json"))["kept_as"] == []
    assert club.read_bytes() == before


def test_doubtful_reading_is_kept_only_if_asked(check, club: Path) -> None:
    count = len(kept(club)["check"])
    done = check("--diver", "Ines", *SEEN, "--breath", "full")
    assert "not kept in the book, since the reading is in doubt" in done.stderr
    assert len(kept(club)["check"]) == count
    assert facts(check("--diver", "Ines", *SEEN, "--breath", "full", "--save", "--json"))["kept_as"]
    assert len(kept(club)["check"]) == count + 1


def test_finning_is_no_check_whatever_is_asked(check, club: Path) -> None:
    count = len(kept(club)["check"])
    done = check("--diver", "Ines", *SEEN, "--still", "no", "--save")
    assert done.returncode == 1
    assert "Not still" in done.stdout
    assert done.stderr == "Error: not kept: a diver who is not still makes no check; look again\n"
    assert len(kept(club)["check"]) == count


@pytest.mark.parametrize(("day", "dive"), [("2026-05-08", "In-8"), ("2026-05-09", "")])
def test_kit_of_a_dive_and_the_dive_itself_only_on_its_day(check, club: Path, day, dive) -> None:
    document = facts(check("--diver", "Ines", "--on", "In-8", "--date", day, *SEEN, "--json"))
    assert document["taken_from"] == "In-8"
    assert document["taken_over"]["suit"] == "full 5"
    rows = kept(club)
    assert (rows["dive"][-1], rows["cylinder"][-1], str(rows["date"][-1])[:10]) == (dive, "steel 12", day)


def test_kit_of_a_dive_is_that_of_the_dive_whatever_was_checked_since(check) -> None:
    lake = ("--cylinder", "alu 11", "--water", "fresh", "--altitude-m", 1800)
    asked = ("--diver", "Ines", "--on", "In-8", "--date", "2026-05-21", *SEEN, "--no-save", "--json")
    before = facts(check(*asked))
    check("--diver", "Ines", "--date", "2026-05-20T09:00:00", *SEEN, *lake, "--save")
    after = facts(check(*asked))
    assert after["taken_over"] == before["taken_over"]
    assert (after["taken_from"], after["water"], after["kit"]) == ("In-8", before["water"], before["kit"])


def test_a_second_look_leaves_behind_what_the_first_one_did(check, club: Path) -> None:
    """Counted as still hanging there, a stage would pull a kilogram down that is not there at the stop."""
    with Book.open(club, write=True) as opened:
        deep = {"dive": "stage", "date": "2026-05-19", "cylinder": "steel 12;stage 7", "gas": "air;50"}
        last = {"diver": "Ines", "suit": "full 5", "bc": "jacket", "water": "salt", "end_bar": "60;-"}
        opened.upsert("dives", [{**last, **deep, "lead_kg": 6, "stop_result": "hovered", "bc_state": "gas"}])
    look = ("--lead", 4, "--bar", "200;200", "--waterline", "eye", "--json")
    first, second = (
        facts(check("--diver", "Ines", "--date", f"2026-05-20T09:0{minute}:00", *look, "--save"))
        for minute in (0, 5)
    )
    assert (first["taken_over"]["stop_bar"], second["taken_over"]["stop_bar"]) == ("35;-", "35;-")
    gas = [one["course"]["gas_lead_kg"] for one in (first, second)]
    assert gas[1] == pytest.approx(gas[0], abs=0.01)
    assert abs(second["advice"]["need_q50_kg"] - first["advice"]["need_q50_kg"]) < 0.3


def test_looks_of_one_call_are_one_way_and_count_once(check, club: Path) -> None:
    day = ("--diver", "Ines", "--date", "2026-05-20T09:00:00")
    first = facts(check(*day, "--lead", 3, "--bar", 60, "--waterline", "chin", "--json"))
    again = ("--again", "3:60:chin", "--again", "4:60:chin:no")
    second = facts(check(*day, *SEEN, *again, "--json"))
    assert (first["looks"], second["looks"]) == (1, 3)
    assert [look["lead_kg"] for look in second["seen"]] == [4, 5]  # the first one is in the book already
    assert len(set(kept(club)["check"])) == len(kept(club)["check"]) == 6
    stranger = facts(check(*GUEST, *KIT, *SEEN, *again, "--json"))
    assert stranger["looks"] == 3


def test_guest_with_no_book_at_all(run, tmp_path: Path) -> None:
    done = run("check", *GUEST, *KIT, "--other", "hood 5;boots 5", *SEEN, "--json")
    document = facts(done)
    assert done.stderr == "not kept in the book: the diver is not in the book\n"
    assert document["diver"] == "a diver without records"
    assert document["kit"] == ["full 5", "jacket", "aluminium 11.1", "hood 5", "boots 5"]
    assert document["advice"]["dives_used"] == 1  # this check
    assert document["records"] is False
    assert 0 < document["course"]["gas_kg"] < 0.5
    assert document["standing_caution"].startswith("An estimate, not an instruction")
    assert not list(tmp_path.rglob("*.duckdb"))


def test_guest_rests_on_what_the_book_has_learned(check, run) -> None:
    with_book = facts(check(*GUEST, "--suit", "full 5", "--cylinder", "steel 12", *SEEN, "--json"))
    without = facts(run("check", *GUEST, "--suit", "full 5", "--cylinder", "steel 12", *SEEN, "--json"))
    assert with_book["now"]["expected_q50_kg"] != pytest.approx(without["now"]["expected_q50_kg"], abs=0.05)
    assert with_book["course"]["gas_kg"] == pytest.approx(without["course"]["gas_kg"])


def test_guest_of_whom_nothing_is_said_gets_a_wider_band(check) -> None:
    known, unknown = (
        facts(check(*body, "--suit", "full 5", *SEEN, "--json"))["now"] for body in (GUEST, ("--diver", ""))
    )
    width = [n["expected_q90_kg"] - n["expected_q10_kg"] for n in (known, unknown)]
    assert width[0] < width[1]


def test_known_diver_in_borrowed_kit_is_answered_and_not_kept(check, club: Path) -> None:
    count = len(kept(club)["check"])
    options = ("--diver", "Ines", "--cylinder", "steel 10", *SEEN)
    done = check(*options)
    assert (done.returncode, done.stderr) == (
        0,
        "not kept in the book: not among the gear of the book: steel 10\n",
    )
    assert "steel 10" in done.stdout
    assert check(*options, "--save").returncode == 1
    assert len(kept(club)["check"]) == count


def test_people_see_what_to_do_first(check) -> None:
    done = check("--diver", "Ines", "--lead", 5, "--bar", 200, "--waterline", "chin", "--exhale-sinks", "no")
    lines = [line.strip() for line in done.stdout.splitlines() if line.strip()]
    assert lines[0].startswith("Ines: full 5, jacket, steel 12; salt water")
    assert lines[1].startswith("LOOK AGAIN FIRST, with")
    assert re.fullmatch(
        r"then, as things stand, to dive with +(\S+) kg +(\S+) kg more than is on now", lines[2]
    )
    text = " ".join(done.stdout.split())
    for words in (
        "5 kg on, 200 bar: water at the chin, normal breath, and stays up breathed out",
        "for this moment and not for the dive",
        "By the look alone: more than about",
        "2.29 kg of gas from 200 bar to 35 bar",  # held to CoolProp in tests/decide
        "gas breathed +2.5",
        "At the end with 35 bar left",
        "Taken over suit, BC, cylinder, gas and water: as on dive In-8",
        "Made with 200 bar",
        "Breath is held only here",
    ):
        assert words in text
    assert text.count("An estimate, not an instruction") == 1
    assert max(len(line) for line in done.stdout.splitlines()) <= 78


def test_second_line_is_a_lead_and_no_second_change(check) -> None:
    """By arithmetic: lead to dive with less the lead on; what to add is not counted from the look between."""
    done = check("--diver", "Ines", "--lead", 5, "--bar", 200, "--waterline", "chin", "--exhale-sinks", "no")
    wear, more = re.search(r"to dive with +(\S+) kg +(\S+) kg more than is on now", done.stdout).groups()
    assert float(wear) - 5 == pytest.approx(float(more))
    assert "ADD" not in done.stdout


def test_look_that_is_not_used_changes_nothing(check) -> None:
    """Common practice, no source: under water on a breath and up without it cannot both be."""
    odd = check("--diver", "Ines", "--lead", 5, "--bar", 60, "--waterline", "under", "--exhale-sinks", "no")
    text = " ".join(odd.stdout.split())
    assert "LOOK AGAIN FIRST, with 5 kg" in text
    assert "by what is known without this look To breathe" in text
    assert "for this moment" not in text


def test_pressure_of_every_cylinder_is_told(check) -> None:
    """Independent: what was typed. The one left behind counts now, not at the end."""
    kit = ("--suit", "full 5", "--bc", "jacket", "--cylinder", "steel 12;aluminium 5.7", "--water", "salt")
    seen = ("--lead", 5, "--waterline", "eye", "--no-save")
    both = check("--diver", "Ines", *kit, *seen, "--bar", "40;200")
    text = " ".join(both.stdout.split())
    assert "5 kg on, 40 and 200 bar" in text
    assert "of gas from 40 and 200 bar to 35 bar" in text
    # 200 bar in one of them is a dive to come, however little there is in the other.
    assert "Made with 40 and 200 bar" in text
    assert "for the next dive" not in text
    left = " ".join(
        check("--diver", "Ines", *kit, *seen, "--bar", "60;200", "--reserve", "50;-").stdout.split()
    )
    assert "5 kg on, 60 and 200 bar" in left
    assert "of gas from 60 bar to 50 bar" in left
    assert re.search(r"cylinder left behind [+−]", left)
    assert "No gas left" not in check("--diver", "Ines", *kit, *seen, "--bar", "20;200").stdout


@pytest.mark.parametrize(
    ("bar", "units"), [("20", "metric"), ("10", "metric"), ("300", "imperial"), ("100", "imperial")]
)
def test_check_on_what_is_left_of_a_dive(check, bar: str, units: str) -> None:
    """Nobody planned to end there, and no cell of a file may be left empty; 300 psi are 20.7 bar."""
    done = check(
        "--diver", "Ines", "--lead", 5, "--bar", bar, "--waterline", "eye", "--units", units, "--no-save"
    )
    text = " ".join(done.stdout.split())
    assert f"No gas left to breathe above the end of {bar} {'psi' if units == 'imperial' else 'bar'}" in text
    assert "To breathe nothing above" in text
    assert "Planned with" not in text
    planned = check(
        "--diver", "Ines", "--lead", 5, "--bar", 200, "--reserve", 10, "--waterline", "eye", "--no-save"
    )
    assert "Planned with 10 bar left" in " ".join(planned.stdout.split())


def test_clear_check_is_one_line_to_act_on(check) -> None:
    lines = check("--diver", "Ines", "--lead", 5.5, "--bar", 60, "--waterline", "eye").stdout.splitlines()
    acts = [line.strip() for line in lines if line.strip()][1:3]
    assert acts[0].split(",")[0] in ("ADD 0.5 kg", "TAKE OFF 0.5 kg", "LEAVE IT AS IT IS")
    assert "for the next dive" in acts[0]  # 60 bar: nobody goes down on that
    assert acts[1].startswith("Seen")


@pytest.mark.parametrize(
    ("bar", "words"), [(60, "for the next dive in fresh water"), (200, "in fresh water with")]
)
def test_large_letters_name_the_water_of_a_lake(check, bar, words) -> None:
    """Whoever dives in the sea as well would follow the lead of the lake there."""
    seen = (
        "--diver",
        "Ines",
        "--lead",
        3,
        "--bar",
        bar,
        "--waterline",
        "eye",
        "--water",
        "fresh",
        "--no-save",
    )
    done = check(*seen)
    assert words in done.stdout.partition("Seen")[0]
    assert max(len(line) for line in done.stdout.splitlines()) <= 78
    told = facts(check(*seen, "--json"))["other_water"]
    assert (told["here"], told["denser"]) == ("fresh water", "salt water")
    assert told["more_kg"] > 1.5


@pytest.mark.parametrize(
    ("lead", "bar", "words"), [(5.5, 50, "for the next dive today"), (3.5, 200, "to dive today with")]
)
def test_large_letters_say_where_a_lead_is_for_today(check, club, lead, bar, words) -> None:
    """By hand: 9 kg were enough at 50 bar, 9.2 kg at 35 bar; a kilogram less is 8.5 kg on blocks."""
    with Book.open(club, write=True) as book:
        book.upsert(
            "dives", [row | {"lead_kg": 9, "bc_state": "gas"} for row in dives() if row["diver"] == "Ines"]
        )
    now = ("--date", "2026-05-20", "--lead", lead, "--bar", bar, "--waterline", "eye", "--no-save")
    seen = ("--diver", "Ines", *now, "--again", f"{lead}:{bar - 2}:eye")
    text = check(*seen).stdout.partition("Seen")
    assert words in text[0]
    assert (
        "on another day look again before the dive. Without a look it may be as much as 8.5 kg"
        in " ".join(text[2].split())
    )
    assert facts(check(*seen, "--json"))["another_day_kg"] == 8.5
    other = ("--diver", "Ivo", "--lead", 5.5, "--bar", 60, "--waterline", "eye", "--no-save", "--json")
    assert facts(check(*other))["another_day_kg"] is None


@pytest.mark.parametrize("lead", [4, 5.5, 8])
def test_what_leads_from_now_to_the_end_adds_up(check, lead) -> None:
    """By arithmetic, from what is printed: each of the lines is rounded to a tenth."""
    text = " ".join(
        check("--diver", "Ines", "--lead", lead, "--bar", 60, "--waterline", "eye").stdout.split()
    )
    now = float(re.search(r"Right now (\S+) kg would put", text)[1])
    end = float(re.search(r"At the end with 35 bar left (\S+) kg", text)[1])
    parts = re.search(r"From now (.*?), in kg of lead", text)[1].replace("−", "-").split(", ")
    moved = sum(float(part.rsplit(" ", 1)[1]) for part in parts)
    assert end - now == pytest.approx(moved, abs=0.05 * (len(parts) + 2) + 0.05)


@pytest.mark.parametrize("who", [("--diver", "Ines"), (*GUEST, "--suit", "full 5")], ids=["known", "guest"])
def test_numbers_of_the_way_are_those_that_are_printed(check, who) -> None:
    """By arithmetic: the parts sum to need at the end less need now; "what else is known" is one of them."""
    seen = ("--lead", 6, "--bar", 50, "--waterline", "eye", "--no-save")
    document = facts(check(*who, *seen, "--json"))
    parts = {name: mass for name, mass in document["course"].items() if name.endswith("_lead_kg")}
    assert sum(parts.values()) == pytest.approx(
        document["advice"]["need_q50_kg"] - document["now"]["q50_kg"], abs=1e-4
    )
    text = " ".join(check(*who, *seen).stdout.split()).replace("−", "-")
    told = re.search(r"what else is known ([+-]\S+?),? ", text)
    known = parts["known_lead_kg"]
    assert float(told[1]) == pytest.approx(known, abs=0.0501) if told else abs(known) < 0.05


def test_imperial_has_no_kilograms(check) -> None:
    done = check("--diver", "Ines", "--lead", 11, "--bar", 2900, "--waterline", "eye", "--units", "imperial")
    assert done.returncode == 0
    assert " kg" not in done.stdout
    assert not re.search(r"\d\s+bar\b", done.stdout)  # a bar to hold on to is no unit
    document = facts(check("--diver", "Ines", "--lead-lb", 11, "--psi", 870, "--waterline", "eye", "--json"))
    assert document["lead_on_kg"] == pytest.approx(11 * 0.45359237)  # NIST SP 811
    assert document["course"]["now_bar"] == pytest.approx(870 * 0.0689475729, rel=1e-6)


def test_hostile_name_is_text(check, club: Path) -> None:
    done = check("--diver", HOSTILE, *SEEN)
    assert HOSTILE in done.stdout
    assert kept(club)["diver"][-1] == HOSTILE


@pytest.mark.parametrize(
    ("options", "status", "message"),
    [
        ([], 2, "run it on a terminal to be asked"),
        (["--diver", "Ines", "--bar", "60", "--waterline", "eye"], 2, "give --lead"),
        (["--diver", "Ines", "--lead", "5", "--waterline", "eye"], 2, "give --bar"),
        (["--diver", "Ines", "--lead", "5", "--bar", "60"], 2, "give --waterline"),
        (["--diver", "Inez", *SEEN], 1, "no diver 'Inez' in the book; closest: Ines"),
        (["--diver", "Ines", *GUEST, *SEEN], 1, "Ines is in the book, body and all"),
        (["--diver", "Uma", *SEEN], 1, "give --suit"),
        (["--diver", "Ines", "--on", "In-9", *SEEN], 1, "no dive 'In-9' of Ines in the book; closest: In-8"),
        (["--diver", "Ines", "--suit", "W6", *SEEN], 1, "or describe it, such as full 5"),
        (["--diver", "Ines", *SEEN[:4], "--waterline", "nose"], 2, "give one of chin, eye, crown, under"),
        (["--diver", "Ines", *SEEN[:2], "--bar", "700", *SEEN[4:]], 2, "--bar 700: must lie in [0, 330] bar"),
        (["--diver", "Ines", *SEEN[:2], "--bar", "-", *SEEN[4:]], 2, "--bar -: must be numbers"),
        (["--diver", "Ines", *SEEN, "--reserve", "x"], 2, "--reserve x: must be numbers"),
        (["--diver", "Ines", "--lead", "five", *SEEN[2:]], 2, "--lead five: is no number"),
        (["--diver", "Ines", *SEEN, "--again", "5:60"], 2, "joined by colons"),
        (["--diver", "Ines", *SEEN, "--still", "maybe"], 2, "give yes or no"),
        (["--diver", "Ines", *SEEN, "--minutes", "-3"], 2, "minutes in the water, 0 to 600"),
        (
            [*GUEST[2:], "--mass", "780", "--suit", "full 5", *SEEN],
            2,
            "--mass 780: must lie in [20, 250] kg",
        ),
        (
            ["--diver", "Ines", *SEEN[:2], "--bar", "700", *SEEN[4:]],
            2,
            "(if it is in psi, give --units imperial)",
        ),
        (
            [*GUEST, "--suit", "full 99", *SEEN],
            2,
            "Error: 'full 99': thickness_mm 99.0: must lie in [0, 20]",
        ),
        ([*GUEST, *SEEN], 1, "Error: a diver who is not in the book: give --suit"),
    ],
)
def test_what_cannot_be_answered_is_one_line(check, club: Path, options, status, message) -> None:
    count = len(kept(club)["check"])
    done = check(*options)
    assert (done.returncode, done.stdout) == (status, "")
    assert message in " ".join(done.stderr.replace("│", " ").split())
    assert done.stderr.startswith("Usage: ") or len(done.stderr.splitlines()) == 1
    assert len(kept(club)["check"]) == count


def test_named_book_that_is_missing_is_no_empty_one(run) -> None:
    done = run("check", "--book", "none.duckdb", *GUEST, "--suit", "full 5", *SEEN)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("Error: none.duckdb: no book here")


def test_missing_book_of_the_environment_does_not_cost_the_answer(tmp_path: Path, monkeypatch) -> None:
    # A phone or a laptop at the water's edge may not have the book that is named for the desk.
    monkeypatch.setenv("LEADLINE_BOOK", str(tmp_path / "none.duckdb"))
    options = ["check", *map(str, GUEST), "--suit", "full 5", *map(str, SEEN), "--json"]
    done = CliRunner().invoke(app, options)
    assert done.exit_code == 0
    assert json.loads(done.stdout)["records"] is False
    assert "none.duckdb, which LEADLINE_BOOK names" in done.stderr
    assert not list(tmp_path.iterdir())


def test_book_that_cannot_be_written_does_not_cost_the_answer(club: Path, monkeypatch) -> None:
    def busy(*_: object) -> list[str]:
        raise BookBusyError("club.duckdb: in use by process 7; try again when it has finished")

    monkeypatch.setattr("leadline.cli.check_source.save", busy)
    options = ["check", "--book", str(club), "--diver", "Ines", *map(str, SEEN), "--json"]
    done = CliRunner().invoke(app, options)
    assert done.exit_code == 1
    assert json.loads(done.stdout)["kept_as"] == []
    assert "in use by process 7" in done.stderr


def test_a_closed_output_does_not_cost_the_look(club: Path, monkeypatch) -> None:
    kept = []

    def closed(*_: object, **__: object) -> None:
        raise BrokenPipeError

    monkeypatch.setattr("leadline.cli.check.show", closed)
    monkeypatch.setattr("leadline.cli.check_source.save", lambda *_: kept.append("Ines now") or kept)
    CliRunner().invoke(app, ["check", "--book", str(club), "--diver", "Ines", *map(str, SEEN)])
    assert kept == ["Ines now"]


def test_answer_is_read_before_the_book_is_written(club: Path, monkeypatch, capsys) -> None:
    # In the water nobody waits until another program has done with the book.
    printed = []

    def slow(*_: object) -> list[str]:
        printed.append(capsys.readouterr().out)
        return ["Ines now"]

    monkeypatch.setattr("leadline.cli.check_source.save", slow)
    options = ["check", "--book", str(club), "--diver", "Ines", *map(str, SEEN)]
    typer.main.get_command(app).main(options, standalone_mode=False)
    assert "An estimate, not an instruction" in printed[0]
    after = capsys.readouterr()
    assert (after.out, "kept in the book as Ines now" in after.err) == ("", True)


@pytest.mark.parametrize(
    "text", ["5:60", "5:60:chin:no:normal:more", "x:60:chin", "5:60:", "5:60:chin:perhaps"]
)
def test_earlier_look_must_be_whole(text) -> None:
    with pytest.raises(OutOfRangeError, match=r"--again|lead_kg|exhale-sinks"):
        looks_of([text], "metric")


def test_questions_for_a_known_diver(club: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    answers = iter(
        [
            "Inez",
            "Ines",
            "",
            "full six",
            "",
            "",
            "",
            "",
            "",
            "",
            "five",
            "5",
            "60",
            "nose",
            "eye",
            "",
            "yes",
            "",
            "",
        ]
    )

    def prompt(text: str, *, default: str, show_default: bool, err: bool) -> str:
        asked.append(f"{text} <{default}>")
        with Book.open(club, write=True, patience=0.0):
            pass  # no book is held open while a question waits
        return next(answers) or default

    monkeypatch.setattr(questions.typer, "prompt", prompt)
    found = check_questions.check(club, "metric")
    assert found == {
        "diver": "Ines",
        "water": "salt",
        "suit": "full 5",
        "undersuit": "-",
        "bc": "jacket",
        "cylinder": "steel 12",
        "gas": "air",
        "other": "-",
        "lead_kg": "5",
        "start_bar": "60",
        "waterline": "eye",
        "breath": "normal",
        "exhale_sinks": "yes",
    }
    assert sum("Suit" in text for text in asked) == 2
    assert any("(chin/eye/crown/under)" in text for text in asked)
    assert next(answers, None) is None


def test_without_options_a_terminal_is_asked(club: Path) -> None:
    terminal = Terminal("check", "--book", str(club))
    for question, line in (
        ("Diver (empty", "Ines"),
        ("Kind of water", ""),
        ("Suit", ""),
        ("Undersuit", ""),
        ("Buoyancy compensator", ""),
        ("Cylinders", ""),
        ("air, the oxygen percentage", ""),
        ("Everything else", ""),
        ("All lead on", "5"),
        ("Gauge pressure", "60"),
        ("Where the water comes", "eye"),
        ("Breath held", ""),
        ("Whether breathing out sinks", ""),
        ("Still", "yes"),
        ("Minutes in the water", "8"),
    ):
        terminal.answer(question, line)
    terminal.until("kept in the book as Ines")
    assert terminal.close() == 0
    assert kept(club)["lead_kg"][-1] == 5.0


def test_answers_that_do_not_hold_are_asked_again_and_no_other_is_lost(club: Path) -> None:
    """On a wet deck fifteen answers are not typed twice: each bad one is asked again, the others by Enter."""
    terminal = Terminal("check", "--book", str(club), "--no-save")
    terminal.answer("Diver (empty", "Xqxqxqx")
    assert "closest" not in terminal.until("no such diver in the book")
    for question, line in (
        ("Diver (empty", ""),
        ("Body mass", "x"),
        ("give a number in kg", ""),
        ("Body mass", "780"),
        ("must lie in [20, 250] kg", ""),
        ("Body mass", "78"),
        ("Body height", "18"),
        ("must lie in [90, 230] cm", ""),
        ("Body height", "180"),
        ("Sex", "man"),
        ("give one of f, m", ""),
        ("Sex", "m"),
        ("Year of birth", "85"),
        ("must lie in [1900, 2100]", ""),
        ("Year of birth", "1985"),
        ("Dives made", ""),
        ("Kind of water", "salt"),
        ("Suit", "full 5"),
        ("Undersuit", ""),
        ("Buoyancy compensator", "full 5"),
        ("Cylinders", "steel 12"),
        ("air, the oxygen percentage", ""),
        ("Everything else", ""),
        ("All lead on", "5"),
        ("Gauge pressure", "60"),
        ("Where the water comes", "eye"),
        ("Breath held", ""),
        ("Whether breathing out sinks", ""),
        ("Still", "yes"),
        ("Minutes in the water", "8"),
        ("it belongs in the column suit; once more, Enter keeps each answer", None),
        ("Diver (empty", ""),
        ("Body mass", ""),
        ("Body height", ""),
        ("Sex", ""),
        ("Year of birth", ""),
        ("Dives made", ""),
        ("Kind of water", ""),
        ("Suit", ""),
        ("Undersuit", ""),
        ("Buoyancy compensator", "jacket"),
        ("Cylinders", ""),
        ("air, the oxygen percentage", ""),
        ("Everything else", ""),
        ("All lead on", ""),
        ("Gauge pressure", ""),
        ("Where the water comes", ""),
        ("Breath held", ""),
        ("Whether breathing out sinks", ""),
        ("Still", ""),
        ("Minutes in the water", ""),
    ):
        if question.startswith(("give", "must", "it belongs")):
            terminal.until(question)
        else:
            terminal.answer(question, line or "")
    assert "full 5, jacket, steel 12" in terminal.until("5 kg on, 60 bar")
    assert terminal.close() == 0


def test_questions_for_a_guest_with_no_book(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    answers = iter(
        [
            "172",
            "71",
            "m",
            "",
            "",
            "salt",
            "full 5",
            "",
            "",
            "steel 12",
            "",
            "",
            "12",
            "2900",
            "",
            "",
            "no",
            "yes",
            "9",
        ]
    )

    def prompt(text: str, *, default: str, show_default: bool, err: bool) -> str:
        asked.append(text)
        return next(answers) or default

    monkeypatch.setattr(questions.typer, "prompt", prompt)
    found = check_questions.check(None, "imperial")
    assert found["person_mass_kg"] == "172"
    assert (found["lead_kg"], found["start_bar"]) == ("12", "2900")
    assert (found["exhale_sinks"], found["still"], found["minutes"]) == ("no", "yes", "9")
    assert "diver" not in found
    assert any("[lb]" in text for text in asked)
    assert any("[psi]" in text for text in asked)


def test_a_check_without_what_its_dive_had_does_not_get_it_back(check, club: Path) -> None:
    """Kept on the dive, its empty cell would be filled from there: lead reckoned with a hood not worn."""
    with Book.open(club, write=True) as opened:
        opened.upsert("gear", [{"item": "hood 7", "kind": "hood", "thickness_mm": 7}])
        opened.upsert("dives", [{"dive": "In-8", "diver": "Ines", "other": "hood 7"}])
    said = ("--diver", "Ines", "--on", "In-8", "--date", "2026-05-08", *SEEN, "--json")
    with_hood = facts(check(*said, "--save"))
    assert (kept(club)["dive"][-1], kept(club)["other"][-1]) == ("In-8", "hood 7")
    without = facts(check(*said, "--save", "--other", "-"))
    assert with_hood["kit"] != without["kit"]
    assert (kept(club)["dive"][-1], kept(club)["other"][-1]) == ("", "")


# What the same words are a second time. Kind: by hand: what was looked at once is one look.
ONCE = ("--diver", "Ines", "--lead", 3, "--bar", 200, "--waterline", "eye", "--exhale-sinks", "yes")


@pytest.mark.parametrize(
    "when",
    [(), ("--date", "2026-05-20"), ("--date", "2026-05-20T09:00")],
    ids=["no date", "a day", "a time"],
)
def test_the_same_command_again_is_the_same_look(check, club: Path, when) -> None:
    first = check(*ONCE, *when, "--save")
    (key,) = [row for row in kept(club)["check"] if row.startswith("Ines 2")]
    count = len(kept(club)["check"])
    for again in ((), ("--save",), ("--no-save",), ("--again", "3:200:eye:yes")):
        done = check(*ONCE, *when, *again)
        assert done.stdout == first.stdout
        assert done.stderr == (
            f"this look is kept already (check {key}) and counts once; look again with other lead, or give "
            "--date with the time of another look that shows the same\n"
        )
    assert len(kept(club)["check"]) == count
    document = facts(check(*ONCE, *when, "--json"))
    assert (document["looks"], document["kept_as"]) == (1, [key])


@pytest.mark.parametrize(
    ("other", "looks"),
    [
        (("--date", "2026-05-20T09:30"), 2),  # somebody looked again, and says when
        (("--date", "2026-05-20T09:00"), 1),
        (("--date", "2026-05-20"), 1),
        (("--date", "2026-05-20", "--bar", "190"), 2),
        (("--date", "2026-05-20", "--lead", "3.5"), 2),
        (("--date", "2026-05-20", "--waterline", "crown"), 2),
        (("--date", "2026-05-20", "--water", "fresh"), 2),
        (("--date", "2026-05-20", "--other", "hood 7"), 2),
        (("--date", "2026-05-20", "--body-mass", "65"), 1),  # of the day, not of the look
        (("--date", "2026-05-21"), 1),  # that day's first
    ],
)
def test_what_makes_another_look(check, club: Path, other, looks) -> None:
    with Book.open(club, write=True) as opened:
        opened.upsert("gear", [{"item": "hood 7", "kind": "hood", "thickness_mm": 7}])
    facts(check(*ONCE, "--date", "2026-05-20T09:00", "--save", "--json"))
    document = facts(check(*ONCE, *other, "--no-save", "--json"))
    assert document["looks"] == looks
    same = looks == 1 and other[1] != "2026-05-21"
    assert bool(document["kept_as"]) == same


def test_the_same_look_in_pounds_and_psi_is_the_same(check, club: Path) -> None:
    imperial = ("--diver", "Ines", "--lead", 7, "--bar", 2900, "--waterline", "eye", "--date", "2026-05-20")
    metric = ("--diver", "Ines", "--lead", 3.175, "--bar", 199.9, *imperial[6:])
    first = facts(check(*imperial, "--units", "imperial", "--save", "--json"))
    assert facts(check(*metric, "--save", "--json"))["kept_as"] == first["kept_as"]


def test_a_look_that_is_named_twice_in_one_command_counts_once(check) -> None:
    document = check(*ONCE, "--again", "4:200:crown", "--again", "3:200:eye:yes", "--no-save", "--json")
    assert facts(document)["looks"] == 2
    assert [look["lead_kg"] for look in facts(document)["seen"]] == [4, 3]
    assert document.stderr == (
        "note: of looks that show the same, with the same lead and pressures, one counts\n"
    )


def test_the_same_look_after_learning_is_no_news(check, run, club: Path) -> None:
    """Independent: `suggest` reads the look from the book, where the population has seen it."""
    day = ("--date", "2026-05-20")
    check(*ONCE, *day, "--save")
    assert run("learn", "--book", club).returncode == 0
    found = facts(check(*ONCE, *day, "--json"))["advice"]
    asked = json.loads(run("suggest", "--book", club, "--diver", "Ines", *day, "--json").stdout)
    for name in ("need_q10_kg", "need_q50_kg", "need_q90_kg", "lead_kg", "dives_used"):
        assert found[name] == asked[name], name


def test_a_check_that_is_kept_twice_at_two_times_stays_two(check, club: Path) -> None:
    """The one that is typed once more steps back for its own row alone."""
    for time in ("T09:00", "T09:30"):
        check(*ONCE, "--date", f"2026-05-20{time}", "--save")
    assert facts(check(*ONCE, "--date", "2026-05-20", "--json"))["looks"] == 2
    assert len([row for row in kept(club)["check"] if row.startswith("Ines 2")]) == 2


def test_who_was_not_still_makes_no_look_that_could_be_the_one_kept(check) -> None:
    day = ("--date", "2026-05-20")
    check(*ONCE, *day, "--save")
    done = check(*ONCE, *day, "--still", "no", "--json")
    assert facts(done)["looks"] == 1  # the one in the book
    assert "kept already" not in done.stderr


def test_check_is_taken_out_and_can_be_put_back(check, run, club: Path, tmp_path: Path) -> None:
    before = kept(club)
    for time in ("T09:00", "T09:30"):
        check(*ONCE, "--date", f"2026-05-20{time}", "--save")
    check(*ONCE, "--date", "2026-05-20T09:30", "--waterline", "crown", "--save")
    whole = kept(club)
    key = "Ines 2026-05-20 09:30:00"
    done = check("--remove", key)
    assert (done.returncode, done.stdout) == (0, f"check {key} of Ines: taken out\n")
    assert set(kept(club)["check"]) == set(whole["check"]) - {key}
    how, header, row, place, learned = done.stderr.splitlines()
    assert how == f"to put it back: `leadline load --book {club} --checks FILE` with these lines in FILE"
    assert place == (
        f"put back, it comes after check {key} (2) of the same date and may count as the last look; where "
        "that matters, give these checks their times of day"
    )
    again = f"`leadline --book {club} learn` again"
    assert learned == f"what was learned from it stays until you run {again}"
    file = tmp_path / "back.csv"
    file.write_text(f"{header}\n{row}\n", encoding="utf-8")
    assert run("load", "--book", club, "--checks", file).returncode == 0
    order = [*range(len(before["check"])), *(len(before["check"]) + np.array([0, 2, 1]))]
    for name, values in kept(club).items():
        np.testing.assert_array_equal(values, whole[name][order])
    document = facts(check("--remove", key, "--json"))
    assert (document["check"], document["diver"], document["status"]) == (key, "Ines", "removed")
    assert document["record"]["waterline"] == "eye"


def test_check_that_cannot_be_taken_out(check, club: Path) -> None:
    check(*ONCE, "--date", "2026-05-20", "--save")
    count = len(kept(club)["check"])
    done = check("--remove", "Ines 2026-05-21")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == "Error: no check 'Ines 2026-05-21' in the book; closest: Ines 2026-05-20\n"
    for wrong in (("--lead", 3), ("--diver", "Ines"), ("--no-save",)):
        assert check("--remove", "Ines 2026-05-20", *wrong).returncode == 2
    assert len(kept(club)["check"]) == count
