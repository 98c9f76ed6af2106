"""`leadline log`: one dive by options, or by questions on a terminal."""

from __future__ import annotations

import json
import os
import pty
import select
import shlex
import subprocess
import sys
import time
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from typer.testing import CliRunner

from leadline.book import Book
from leadline.cli import app, log, questions
from leadline.records import DIVES


def dives(book: Path) -> dict[str, np.ndarray]:
    with Book.open(book) as opened:
        return dict(opened.records().dives)


def test_dive_by_options(run, book: Path) -> None:
    options = ["--diver", "Ines", "--suit", "W5", "--lead-lb", "10", "--handed-off-kg", "-1", "--gas", "32"]
    done = run("log", "--book", book, *options, "--json")
    over = {"bc": "J", "cylinder": "S12", "water": "salt"}
    stored = {"dive": "8", "diver": "Ines", "status": "loaded", "taken_over": over, "taken_from": "7"}
    assert json.loads(done.stdout) == stored
    said = "taken over: BC, cylinder and water: as on dive 7 of 2026-05-01, since not named\n"
    assert (done.returncode, done.stderr) == (0, said)
    kept = dives(book)
    assert kept["lead_kg"][1] == pytest.approx(4.5359237)
    assert kept["handed_off_kg"][1] == -1
    assert str(kept["date"][1])[:10] == date.today().isoformat()
    assert [kept[name][1] for name in ("bc", "cylinder", "water", "gas")] == ["J", "S12", "salt", "32"]
    assert [kept[name][1] for name in ("site", "stop_result", "end_bar")] == ["", "", ""]


def test_suit_that_was_not_named_is_the_last_one(run, book: Path) -> None:
    """An empty suit says that none was worn, which nobody did say."""
    done = run("log", "--book", book, "--diver", "Ines", "--lead-kg", "6", "--bc", "-", "--water", "fresh")
    assert done.returncode == 0
    assert done.stderr == "taken over: suit and cylinder: as on dive 7 of 2026-05-01, since not named\n"
    kept = dives(book)
    assert [kept[name][1] for name in ("suit", "bc", "cylinder", "water")] == ["W5", "", "S12", "fresh"]
    bare = run("log", "--book", book, "--diver", "Ines", "--suit", "-", "--cylinder", "-", "--water", "salt")
    assert bare.returncode == 0
    kept = dives(book)
    assert [kept[name][2] for name in ("suit", "cylinder")] == ["", ""]


def test_what_was_measured_on_another_dive_is_no_reading_of_this_one(run, book: Path) -> None:
    """The word for the water is taken over, how salt it was that day is not."""
    first = ("log", "--book", book, "--diver", "Ines", "--lead-kg", "6", "--water", "brackish")
    assert run(*first, "--salinity-gkg", "20").returncode == 0
    done = run("log", "--book", book, "--diver", "Ines", "--lead-kg", "6")
    assert "water: as on dive" in done.stderr
    assert "salinity" not in done.stderr
    kept = dives(book)
    assert kept["water"].tolist()[-1] == "brackish"
    assert kept["salinity_gkg"][-2] == 20
    assert np.isnan(kept["salinity_gkg"][-1])


def test_first_dive_asks_for_its_kit(run, book: Path) -> None:
    options = ("log", "--book", book, "--diver", "Ivo [red]", "--lead-kg", "6")
    done = run(*options)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == (
        "Error: no dive of Ivo [red] in the book to take a suit from; give --suit (or --suit - for none)\n"
    )
    assert len(dives(book)["dive"]) == 1
    named = run(*options, "--suit", "-")
    assert (named.returncode, named.stderr) == (0, "")
    assert len(dives(book)["dive"]) == 2


def test_last_dive_without_a_suit_is_said(run, book: Path) -> None:
    first = run("log", "--book", book, "--diver", "Ivo [red]", "--suit", "-", "--cylinder", "S12")
    assert first.returncode == 0
    done = run("log", "--book", book, "--diver", "Ivo [red]", "--lead-kg", "6")
    assert done.returncode == 0
    assert "taken over: cylinder: as on dive 1" in done.stderr
    assert done.stderr.endswith("; no suit, as there (--suit names one)\n")


def test_mass_in_pounds_is_noted(run, book: Path) -> None:
    """Kind: arithmetic; 141 kg are 2.2 times 64 kg, 141 lb are 64 kg."""
    done = run("log", "--book", book, "--diver", "Ines", "--suit", "W5", "--body-mass-kg", "141")
    assert done.returncode == 0
    assert "note: body_mass_kg 141: 2.2 times the 64 kg among the divers: pounds? (141 lb are 64 kg)" in (
        done.stderr
    )


# Kind: arithmetic; 13 lb are 5.9 kg, 6 kg are 13.2 lb; a quarter of 64 kg is 16 kg.
@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--lead-kg", "60"), "lead_kg 60: far from the 6 kg usually carried in W5: are unit and decimal "),
        (
            ("--lead-kg", "13"),
            "lead_kg 13: far from the 6 kg usually carried in W5: pounds? (13 lb are 5.9 kg)",
        ),
        (
            ("--lead-lb", "6"),
            "lead_lb 6: far from the 13.2 lb usually carried in W5: kilograms? (6 kg are 13.2",
        ),
        (("--lead-kg", "", "--lead-lb", "6"), "lead_lb 6: far from the 13.2 lb usually carried in W5"),
        (("--lead-kg", "0.6"), "lead_kg 0.6: far from the 6 kg usually carried in W5: are unit and decimal"),
        (("--lead-kg", "8.5"), ""),
        (("--lead-kg", "3.5"), ""),
        (
            ("--lead-kg", "16.5", "--suit", "-"),
            "lead_kg 16.5, 26 % of the body mass: hardly anybody carries so",
        ),
        (("--lead-kg", "15", "--suit", "-"), ""),
    ],
)
def test_lead_far_from_the_usual_is_noted(run, book: Path, options: tuple[str, ...], said: str) -> None:
    done = run("log", "--book", book, "--diver", "Ines", "--suit", "W5", *options)
    assert done.returncode == 0
    notes = [line for line in done.stderr.splitlines() if line.startswith("note: ")]
    assert len(notes) == bool(said)
    assert all(line.startswith(f"note: {said}") for line in notes)
    assert len(dives(book)["dive"]) == 2


def test_day_of_another_year_is_noted(run, book: Path) -> None:
    """The first days of a year are written with the old one."""
    today = date.today()
    for days, noted in ((365, True), (200, False)):
        day = today - timedelta(days=days)
        done = run("log", "--book", book, "--diver", "Ines", "--date", day.isoformat(), "--lead-kg", "6")
        said = f"note: date {day}: {days} days ago: is the year right?; kept as it is\n"
        assert (done.returncode, said in done.stderr) == (0, noted)


def test_dive_logged_twice_is_noted_and_comes_out_again(run, book: Path) -> None:
    day = (date.today() - timedelta(days=30)).isoformat()
    words = ("log", "--book", book, "--diver", "Ines", "--lead-kg", "6", "--date", day)
    assert "note" not in run(*words).stderr
    done = run(*words)
    out = f"`leadline --book {book} log --remove --diver Ines --dive 9` takes it out"
    assert done.stderr.endswith(
        "note: at the time of dive 8, or the same in every cell: if 9 is the same dive once more it counts "
        f"twice; {out}\n"
    )
    again = run(*words, "--end-bar", "60")  # another dive of that day
    assert "counts twice" not in again.stderr
    before = dives(book)
    done = run("log", "--book", book, "--remove", "--diver", "Ines", "--dive", "9")
    assert (done.returncode, done.stdout) == (0, "dive 9 of Ines: taken out\n")
    assert dives(book)["dive"].tolist() == ["7", "8", "10"]
    with Book.open(book) as opened:
        assert opened.data_version == 7
    # What it prints brings it back just so.
    command, place = done.stderr.splitlines()
    assert place == (
        "put back, it comes after dive 10 of the same date and may count as the latest dive; where that "
        "matters, give these dives their times of day"
    )
    back = shlex.split(command.removeprefix("to put it back: "))
    assert back[:2] == ["leadline", "log"]
    run(*back[1:])
    after = dives(book)
    order = [0, 1, 3, 2]
    for name, values in before.items():
        np.testing.assert_array_equal(after[name], values[order])
    time = ("--date", f"{day}T10:30")
    assert "note" not in run("log", "--book", book, "--diver", "Ines", *time, "--lead-kg", "6").stderr
    assert "at the time of dive 11" in run("log", "--book", book, "--diver", "Ines", *time).stderr


def test_what_cannot_be_taken_out(run, book: Path) -> None:
    with Book.open(book, write=True) as opened:
        look = {"check": "c1", "diver": "Ines", "dive": 7, "lead_kg": 6, "bar": 60, "waterline": "eye"}
        opened.upsert("checks", [look])
    take = ("log", "--book", book, "--remove", "--diver", "Ines")
    done = run(*take, "--dive", "7")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == (
        "Error: dive 7 of Ines is the one that check c1 took kit and water from; load it with another dive "
        "first, then take this one out\n"
    )
    missing = run(*take, "--dive", "17")
    assert (missing.returncode, missing.stderr) == (
        1,
        "Error: no dive '17' of Ines in the book; closest: 7\n",
    )
    for wrong in (take, (*take, "--dive", "7", "--lead-kg", "5"), (*take, "--dive", "7", "--replace")):
        assert run(*wrong).returncode == 2
    assert dives(book)["dive"].tolist() == ["7"]


def test_every_column_and_twin_has_an_option(run) -> None:
    text = run("log", "--help").stdout
    names = [c.name for c in DIVES.columns] + [c.twin.name for c in DIVES.columns if c.twin]
    assert [name for name in names if f"--{name.replace('_', '-')}" not in text] == []


@pytest.mark.parametrize(
    ("options", "status", "message"),
    [
        (["--diver", "Inez"], 1, "Error: diver 'Inez': no such diver among the divers; closest: Ines\n"),
        (["--diver", "Ines", "--suit", "W6"], 1, "closest: W5"),
        (["--diver", "Ines", "--lead-kg", "120"], 2, "Error: lead_kg 120: must lie in [0, 60] kg"),
        (
            ["--diver", "Ines", "--dive", "7"],
            1,
            "Error: dive 7 of Ines is in the book already; give another --dive",
        ),
        (["--diver", "Ines", "--date", "2027-13-01"], 2, "Error: date '2027-13-01': must be a date such as"),
        (["--diver", "Ines", "--start-bar", "50", "--end-bar", "80"], 1, "lies more than 5 bar above"),
        (["--lead-kg", "6"], 2, "give --diver"),
        ([], 2, "run it on a terminal to be asked"),
    ],
)
def test_what_cannot_be_logged(run, book: Path, options: list[str], status: int, message: str) -> None:
    done = run("log", "--book", book, *options)
    assert (done.returncode, done.stdout) == (status, "")
    assert message in " ".join(done.stderr.replace("│", " ").split()) + "\n"
    assert len(dives(book)["dive"]) == 1


def test_replace_changes_what_is_given_only(run, book: Path) -> None:
    done = run("log", "--book", book, "--diver", "Ines", "--dive", "7", "--date", "2026-05-02", "--replace")
    assert done.stdout == "dive 7 of Ines: changed\n"
    kept = dives(book)
    assert (str(kept["date"][0]), kept["lead_kg"][0]) == ("2026-05-02T00:00:00", 6.0)


@pytest.mark.parametrize(
    ("options", "status", "said"),
    [
        (("--diver", "Ines", "--dive", "17"), 1, "Error: no dive '17' of Ines in the book; closest: 7\n"),
        (
            ("--diver", "Ines", "--dive", "x"),
            1,
            "Error: no dive 'x' of Ines in the book; `leadline export` lists the dives\n",
        ),
        (("--diver", "Inez", "--dive", "7"), 1, "closest: Ines\n"),
        (("--diver", "Ines"), 2, "say which dive to change"),
        (("--dive", "7"), 2, "say which dive to change"),
        ((), 2, "say which dive to change"),
    ],
)
def test_replace_adds_no_dive(run, book: Path, options, status: int, said: str) -> None:
    """A slip in the number would else be a dive of today, in the kit of the last one."""
    before = book.read_bytes()
    lead = ("--lead-kg", "5") if options else ()
    done = run("log", "--book", book, *options, *lead, "--replace")
    assert (done.returncode, done.stdout) == (status, "")
    assert said in " ".join(done.stderr.replace("│", " ").split()) + "\n"
    assert (len(done.stderr.splitlines()) == 1) == (status == 1)
    assert dives(book)["dive"].tolist() == ["7"]
    assert book.read_bytes() == before


def test_a_dive_that_is_changed_keeps_its_day(run, book: Path) -> None:
    done = run("log", "--book", book, "--diver", "Ines", "--dive", "7", "--lead-kg", "5", "--replace")
    assert done.stdout == "dive 7 of Ines: changed\n"
    kept = dives(book)
    assert (str(kept["date"][0]), kept["lead_kg"][0]) == ("2026-05-01T00:00:00", 5.0)


def test_missing_book_is_one_line(run) -> None:
    done = run("log", "--book", "none.duckdb", "--diver", "Ines")
    assert done.returncode == 1
    assert done.stderr.startswith("Error: none.duckdb: no book here")


# Whoever runs the tests in the background has interrupts ignored, and that is handed down.
_PROGRAM: Final = """
import fcntl, signal, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGINT, signal.default_int_handler)
from leadline.cli import main
main()
"""


class Terminal:
    """`leadline log` on a terminal of its own; what it asks is read, what it is told is typed."""

    def __init__(self, *arguments: str) -> None:
        self.seen = ""
        self.screen, end = pty.openpty()
        # This Python, our own arguments. A process that has started threads must not be forked by hand.
        self.process = subprocess.Popen(
            [sys.executable, "-c", _PROGRAM, *arguments],
            stdin=end,
            stdout=end,
            stderr=end,
            start_new_session=True,
            env=os.environ | {"TERM": "dumb"},
        )
        os.close(end)

    def until(self, text: str) -> str:
        """Read until `text` has been asked; what stood before it."""
        end = time.monotonic() + 30
        while text not in self.seen:
            assert time.monotonic() < end, f"waiting for {text!r}, have {self.seen!r}"
            if select.select([self.screen], [], [], 1.0)[0]:
                try:
                    self.seen += os.read(self.screen, 65536).decode()
                except OSError:  # the terminal has closed
                    break
        before, mark, self.seen = self.seen.partition(text)
        assert mark, f"never asked {text!r}: {before!r}"
        return before

    def answer(self, question: str, line: str = "") -> str:
        """Wait for a question, answer it; the question's end with its default."""
        self.until(question)
        rest = self.until(": ")
        os.write(self.screen, line.encode() + b"\n")
        return rest

    def close(self, again: bytes = b"") -> int:
        """Exit status once the program has ended; what is to be typed again every ten seconds until then."""
        end = time.monotonic() + 60
        while True:
            left = max(end - time.monotonic(), 0.0)
            if not select.select([self.screen], [], [], min(left, 10.0))[0]:
                if left > 10.0:
                    os.write(self.screen, again)
                    continue
                self.process.kill()  # else a program that does not end would stop the tests
            try:
                more = os.read(self.screen, 65536)
                if not more:
                    break
                self.seen += more.decode()
            except OSError:
                break
        os.close(self.screen)
        return self.process.wait()


def test_questions_on_a_terminal(book: Path) -> None:
    terminal = Terminal("log", "--book", str(book))
    terminal.answer("Diver", "Inez")
    terminal.until("closest: Ines")
    terminal.answer("Diver", "Ines")
    assert "[8]" in terminal.answer("number of the dive")
    assert date.today().isoformat() in terminal.answer("Date, with a time")
    assert "[Old quay]" in terminal.answer("Where")
    assert "[salt]" in terminal.answer("Kind of water (fresh/brackish/salt)")
    assert "[W5]" in terminal.answer("Suit")
    with Book.open(book, write=True, patience=0.0):
        pass  # no book is held open while a question waits
    assert "[J]" in terminal.answer("Buoyancy compensator")
    terminal.answer("Cylinders")
    terminal.answer("air, the oxygen percentage")
    terminal.answer("Everything else")
    assert "[6]" in terminal.answer("All lead on at descent", "120")
    terminal.answer("Gauge pressure at the start", "210")
    terminal.answer("Gauge pressure at the end", "45")
    terminal.answer("Getting under", "easy")
    terminal.answer("What was seen at the stop", "Hovered")
    terminal.answer("BC at the stop", "gas")
    terminal.answer("Gas in the BC", "1.5")
    terminal.until("lead_kg 120: must lie in [0, 60] kg")
    terminal.answer("All lead on at descent", "5.5")
    terminal.until("dive 8 of Ines: added")
    assert terminal.close() == 0
    kept = {name: array[1] for name, array in dives(book).items()}
    assert (kept["lead_kg"], kept["end_bar"], kept["bc_gas_l"]) == (5.5, "45", 1.5)
    assert (kept["stop_result"], kept["site"], kept["suit_gas"]) == ("hovered", "Old quay", "")


@pytest.fixture
def lake(book: Path) -> Path:
    """The book with a dive in a lake at 2000 m, and what was measured there."""
    row = {"dive": 8, "diver": "Ines", "date": "2026-05-02", "suit": "W5", "bc": "J", "cylinder": "S12"}
    seen = {"site": "Tarn", "water": "fresh", "altitude_m": 2000, "salinity_gkg": 1, "stop_depth_m": 3}
    with Book.open(book, write=True) as opened:
        opened.upsert("dives", [row | seen | {"lead_kg": 4, "start_bar": 200, "end_bar": 50}])
    return book


def asked_about(book: Path, *arguments: str, **typed: str) -> str:
    """All questions answered by Enter but for those typed, by a word of the question; what was said last."""
    terminal = Terminal("log", "--book", str(book), *arguments)
    terminal.answer("Diver", "Ines")
    for question in ("number", "Date,", "Where", "water", "Suit", "Buoyancy", "Cylinders", "air, the",
                     "Every", "All lead", "at the start", "at the end", "under", "stop", "BC"):  # fmt: skip
        terminal.answer(question, typed.get(question, ""))
    terminal.until("of Ines: added")
    assert terminal.close() == 0
    return terminal.seen


def test_questions_keep_the_altitude_with_the_water_as_options_do(lake: Path, run, tmp_path: Path) -> None:
    """Independent: the record of the same answers by options. What no question showed is said."""
    other = tmp_path / "options.duckdb"
    other.write_bytes(lake.read_bytes())
    said = " ".join(asked_about(lake).split())
    assert "taken over: altitude 2000 m: as on dive 8 of 2026-05-02, since not named" in said
    assert "`log --replace` with --altitude-m changes it" in said
    answers = {"water": "fresh", "site": "Tarn", "suit": "W5", "lead-kg": "4"}
    options = [part for name, text in answers.items() for part in (f"--{name}", text)]
    assert run("log", "--book", other, "--diver", "Ines", *options).returncode == 0
    kept, same = dives(lake), dives(other)
    assert kept["altitude_m"][-1] == 2000
    assert np.isnan([kept["salinity_gkg"][-1], kept["stop_depth_m"][-1]]).all()
    for name in kept:
        np.testing.assert_array_equal(kept[name], same[name], err_msg=name)


def test_questions_say_the_altitude_in_feet_to_those_who_read_feet(lake: Path) -> None:
    """By hand: 2000 m are 2000 / 0.3048 = 6562 ft."""
    assert "altitude 6562 ft" in asked_about(lake, "--units", "imperial")
    assert dives(lake)["altitude_m"][-1] == 2000


def test_another_water_by_questions_is_not_as_high(lake: Path) -> None:
    assert "taken over" not in asked_about(lake, water="salt")
    kept = dives(lake)
    assert kept["water"][-1] == "salt"
    assert np.isnan(kept["altitude_m"][-1])


def test_the_water_in_brackets_is_as_high_as_where_it_is_from_in_another_suit_too(lake: Path) -> None:
    """The dive before in that suit was in a lake at 400 m; site and water in brackets are those of the
    latest dive. Where that one says no altitude it is as by options."""
    cells = {"diver": "Ines", "dive": "x", "water": "fresh", "suit": "D"}
    with Book.open(lake, write=True) as opened:
        row = {"dive": 5, "diver": "Ines", "date": "2026-04-01", "water": "fresh", "suit": "D", "lead_kg": 4}
        opened.upsert("dives", [row | {"altitude_m": 400}])
        made, taken = log._as_high(opened, cells)
        assert (made["altitude_m"], taken.source, taken.taken) == ("2000", "8", {"altitude_m": "2000"})
        opened.upsert("dives", [row | {"dive": 9, "date": "2026-05-09", "suit": "W5"}])
        made, taken = log._as_high(opened, cells)
        assert (made, taken.source) == (cells | {"altitude_m": "400"}, "5")
        made, taken = log._as_high(opened, {"diver": "Ines", "dive": "x", "suit": "D"})  # - for the water
        assert (made.get("altitude_m"), taken.taken) == (None, {})


def test_questions_ask_again_for_what_is_hardly_true(book: Path) -> None:
    """Once: Enter keeps it, another answer takes its place."""
    day = (date.today() - timedelta(days=400)).isoformat()
    terminal = Terminal("log", "--book", str(book))
    terminal.answer("Diver", "Ines")
    terminal.answer("number of the dive")
    terminal.answer("Date, with a time", day)
    for question in ("Where", "Kind of water", "Suit", "Buoyancy", "Cylinders", "air, the", "Everything"):
        terminal.answer(question)
    terminal.answer("All lead on at descent", "60")
    for question in ("at the start", "at the end", "Getting under", "What was seen", "BC at the stop"):
        terminal.answer(question)
    terminal.until("lead_kg 60: far from the 6 kg usually carried in W5: are unit and decimal point right?")
    assert "[60]" in terminal.answer("All lead on at descent", "6.0")
    terminal.until("400 days ago: is the year right?")
    assert f"[{day}]" in terminal.answer("Date, with a time")
    terminal.until("dive 8 of Ines: added")
    assert terminal.close() == 0
    kept = dives(book)
    assert (kept["lead_kg"][1], str(kept["date"][1])[:10]) == (6, day)


def test_questions_give_up_a_dive_that_is_there_already(book: Path) -> None:
    now = f"{date.today() - timedelta(days=30)}T10:30"
    with Book.open(book, write=True) as opened:
        opened.upsert("dives", [{"dive": 7, "diver": "Ines", "date": now}])
    for answer, status, count in (("", 1, 1), ("yes", 0, 2)):
        terminal = Terminal("log", "--book", str(book))
        terminal.answer("Diver", "Ines")
        terminal.answer("number of the dive")
        terminal.answer("Date, with a time", now)
        for question in ("Where", "Kind of water", "Suit", "Buoyancy", "Cylinders", "air, the", "Everything"):
            terminal.answer(question)
        for question in ("All lead", "at the start", "at the end", "Getting", "What was seen", "BC at"):
            terminal.answer(question)
        terminal.until("at the time of dive 7")
        terminal.answer("Add it all the same (yes/no)", answer)
        assert terminal.close() == status
        assert len(dives(book)["dive"]) == count


def test_interrupt_at_a_question_writes_nothing(book: Path) -> None:
    terminal = Terminal("log", "--book", str(book))
    terminal.answer("Diver", "Ines")
    terminal.until("number of the dive")
    os.write(terminal.screen, b"\x03")
    # Python drops an interrupt that comes while it clears something away; people press again.
    assert terminal.close(again=b"\x03") == 1
    assert "Traceback" not in terminal.seen
    assert len(dives(book)["dive"]) == 1


def test_dry_suit_and_imperial_questions(book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    answers = iter(
        ["Ines", "", "", "-", "", "D", "", "", "", "", "", "10", "3000", "700", "", "", "empty", "least"]
    )

    def prompt(text: str, *, default: str, show_default: bool, err: bool) -> str:
        asked.append(f"{text} <{default}>")
        return next(answers) or default

    monkeypatch.setattr(questions.typer, "prompt", prompt)
    made = questions.dive(book, "imperial")
    assert made["lead_lb"] == "10"
    assert (made["start_psi"], made["end_psi"]) == ("3000", "700")
    assert made["suit_gas"] == "least"
    assert "site" not in made
    assert any("[lb] <13.23>" in text for text in asked)
    # A dash leaves any answer empty, as it says: of one cylinder none can have been left behind.
    answers = iter(
        ["Ines", "", "", "-", "", "D", "", "", "", "", "", "10", "-", "-", "", "", "empty", "least"]
    )
    made = questions.dive(book, "imperial")
    assert not {"start_psi", "end_psi"} & set(made)
    assert any("Undersuit" in text for text in asked)


def test_completion_knows_the_book(book: Path) -> None:
    environment = {
        "_LEADLINE_COMPLETE": "complete_bash",
        "COMP_WORDS": f"leadline --book {book} log --diver I",
        "COMP_CWORD": "5",
    }
    done = CliRunner().invoke(app, [], env=environment, prog_name="leadline")
    assert done.stdout.splitlines() == ["Ines", "Ivo [red]"]
    environment |= {"COMP_WORDS": f"leadline log --book {book} --suit W", "COMP_CWORD": "5"}
    assert CliRunner().invoke(app, [], env=environment, prog_name="leadline").stdout.splitlines() == ["W5"]
    environment |= {"COMP_WORDS": "leadline log --book none.duckdb --suit W", "COMP_CWORD": "5"}
    assert CliRunner().invoke(app, [], env=environment, prog_name="leadline").stdout.strip() == ""
    environment |= {"COMP_WORDS": "leadline log --stop-result h", "COMP_CWORD": "3"}
    assert CliRunner().invoke(app, [], env=environment, prog_name="leadline").stdout.splitlines() == [
        "hovered"
    ]
