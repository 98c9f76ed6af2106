"""`leadline learn`: what it prints, what it stores, and when it stores nothing."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from rich.console import Console
from typer.testing import CliRunner

from leadline.book import Book
from leadline.cli import app
from leadline.cli.learn import fit_book
from leadline.cli.learn_view import view
from leadline.decide import learning
from leadline.decide.findings import Contradiction
from leadline.errors import BookError, FitError
from leadline.model import mode, propagation, search
from leadline.model.population import Fit
from tests.decide.club import DIVERS, GEAR, dives, make_book


@pytest.fixture
def club(tmp_path: Path) -> Path:
    return make_book(tmp_path / "club.duckdb", fitted=False)


def fits(book: Path) -> int:
    with Book.open(book) as opened:
        return opened.counts()["fits"]


def test_json_gives_all_of_it_and_the_fit_is_stored(run, club: Path) -> None:
    done = run("learn", "--book", club, "--json")
    document = json.loads(done.stdout)
    assert (done.returncode, done.stderr) == (0, "")
    # By hand: 5 divers with 8 watched stops each, and three surface checks.
    assert document["counts"]["stop"] == 40
    assert document["counts"]["waterline"] == 3
    assert document["counts"]["observations"] == 43
    assert document["counts"]["divers"] == 5
    names = {spread["name"] for spread in document["spread"]}
    assert {"breath_out", "breath_in", "scatter", "diver_sd", "suit_factor", "habit"} <= names
    assert all(spread["low"] < spread["value"] < spread["high"] for spread in document["spread"])
    assert all(effect["low_kg"] < effect["kg"] < effect["high_kg"] for effect in document["effects"])
    assert sum(part["after_share"] for part in document["parts"]) == pytest.approx(1)
    breath = document["breath_range"]
    assert 0 < breath["decision_out"] <= min(breath["free_out"], breath["fixed_out"], 0.5)
    assert breath["fixed_observations"] == 43 + 5  # a chosen lead of each diver besides
    assert document["contradictions"] == []
    assert document["convergence"]["settled"] is True
    moved = [abs(effect["kg"]) for effect in document["effects"]]
    assert moved == sorted(moved, reverse=True)
    assert fits(club) == 1


def test_people_read_the_same(run, club: Path) -> None:
    text = " ".join(run("learn", "--book", club).stdout.split())
    assert "Learned from 43 observations of 5 divers on 40 dives or check days" in text
    assert "breath range, exhaling low, kg" in text
    assert "if every record meant its interval and no more" in text
    assert "what decisions count on" in text
    assert "What makes strangers' needs differ" in text
    assert "Largest corrections" in text
    assert "Settled in" in text
    assert "No record stands out as wrong." in text
    assert " kg" not in run("learn", "--book", club, "--units", "imperial").stdout


def test_record_that_cannot_be_true_is_named(run, club: Path) -> None:
    kit = {"water": "salt", "suit": "full 5", "bc": "jacket", "cylinder": "steel 12", "end_bar": 50}
    odd = {"dive": "odd", "diver": "Ines", "date": "2026-05-09", "lead_kg": 11, "stop_result": "rose"}
    with Book.open(club, write=True) as opened:
        opened.upsert("dives", [kit | odd | {"bc_state": "empty"}])
    done = run("learn", "--book", club)
    text = " ".join(done.stdout.split())
    assert "Look wrong" in text
    assert "dives odd Ines stop" in text
    assert "correct it and load it again" in done.stderr


def test_nothing_to_learn_from_is_one_line(run, tmp_path: Path, book: Path) -> None:
    empty = tmp_path / "empty.duckdb"
    with Book.open(empty, write=True, create=True) as opened:
        opened.upsert("divers", [{"diver": "Noa"}])
    done = run("learn", "--book", empty)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("Error: no dives and no surface checks in the book")
    assert done.stderr.count("\n") == 1
    assert fits(empty) == 0
    # A book whose one dive was not watched says nothing about need either.
    with Book.open(book, write=True) as opened:
        opened.upsert("dives", [{"dive": 7, "diver": "Ines", "stop_result": None}])
    done = run("learn", "--book", book, "--json")
    assert (done.returncode, done.stdout) == (1, "")
    assert "no dive or check says anything about need yet" in done.stderr


def test_book_that_changed_meanwhile_keeps_its_old_fit(club: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = learning.learn

    def meanwhile(records, *, notify=None):
        with Book.open(club, write=True) as other:  # the book is free while the fit is made
            other.upsert("divers", [{"diver": "Latecomer"}])
        return found(records, notify=notify)

    monkeypatch.setattr(learning, "learn", meanwhile)
    with pytest.raises(BookError, match="the book changed while the fit was made"):
        fit_book(club)
    assert fits(club) == 0


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ((search, "ROUNDS"), "the hyperparameters did not converge"),
        ((propagation, "MOST_SWEEPS"), "the fit did not settle in 1 sweeps"),
    ],
    ids=["search", "sweeps"],
)
def test_fit_that_does_not_converge_is_not_stored(
    place, message: str, club: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mode, "climbed", lambda observations: None)  # what arrives at once needs no search
    monkeypatch.setattr(*place, 1)  # the search, or the sites, stopped on the way
    done = CliRunner().invoke(app, ["learn", "--book", str(club)])
    assert done.exit_code == 1
    assert done.stdout == ""
    assert done.stderr.startswith(f"Error: {message}")
    assert done.stderr.count("\n") == 1
    assert fits(club) == 0


def test_fit_that_does_not_converge_leaves_the_one_before(
    club: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fit_book(club)
    with Book.open(club) as opened:
        before = opened.latest_fit()
    monkeypatch.setattr(mode, "climbed", lambda observations: None)
    monkeypatch.setattr(search, "ROUNDS", 1)
    with pytest.raises(FitError, match="nothing was stored"):
        fit_book(club)
    with Book.open(club) as opened:
        assert opened.latest_fit() == before


def test_missing_book_is_one_line(run) -> None:
    done = run("learn", "--book", "none.duckdb")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1


# Books that say little, nothing or the opposite


def _results(cells: list[dict[str, object]]) -> list[dict[str, object]]:
    """The dives of Ines with other results, one after the other."""
    mine = [row for row in dives() if row["diver"] == "Ines"]
    return [row | cells[n % len(cells)] for n, row in enumerate(mine)]


ODD_BOOKS: dict[str, list[dict[str, object]]] = {
    "one dive": _results([{}])[:1],
    "one diver": _results([{}]),
    "upper bounds only": [row | {"bc_state": "gas"} for row in dives()],
    "lower bounds only": [row | {"stop_result": "rose", "bc_state": "empty"} for row in dives()],
    "all the same": [row | {"lead_kg": 6, "bc_state": "empty"} for row in dives()],
    "contradictory": _results(
        [
            {"lead_kg": 2, "stop_result": "sank", "bc_state": "empty"},
            {"lead_kg": 12, "stop_result": "rose", "bc_state": "empty"},
        ]
    ),
    "absurd": [row | {"lead_kg": 60, "stop_result": "rose", "bc_state": "empty"} for row in dives()],
}


def test_many_strangers_with_one_dive_each(run, tmp_path: Path) -> None:
    who = [{"diver": f"s{n}", "mass_kg": 55 + n % 40} for n in range(300)]
    template = ODD_BOOKS["one dive"][0]
    made = [
        template
        | {"diver": f"s{n}", "dive": f"s{n}", "lead_kg": 3 + n % 7}
        | ({"stop_result": "rose", "bc_state": "empty"} if n % 7 == 0 else {"bc_state": "gas"})
        for n in range(300)
    ]
    book = tmp_path / "strangers.duckdb"
    with Book.open(book, write=True, create=True) as opened:
        opened.upsert("divers", who)
        opened.upsert("gear", GEAR)
        opened.upsert("dives", made)
    done = run("learn", "--book", book, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert document["counts"]["divers"] == 300
    assert document["convergence"]["left_sd"] < 1
    assert all(spread["high"] > spread["low"] for spread in document["spread"])


@pytest.mark.parametrize("name", ODD_BOOKS)
def test_odd_book_is_learned_from_without_noise(tmp_path: Path, name: str) -> None:
    # In this process, where a warning of any library is an error.
    book = tmp_path / "odd.duckdb"
    with Book.open(book, write=True, create=True) as opened:
        opened.upsert("divers", DIVERS)
        opened.upsert("gear", GEAR)
        opened.upsert("dives", ODD_BOOKS[name])

    def done(*arguments: str) -> str:
        found = CliRunner().invoke(app, [*arguments, "--book", str(book)])
        assert (found.exit_code, found.stderr) == (0, "")
        return found.stdout

    if name == "absurd":
        # Sixty kilograms and everybody rose: if no hyperparameters make sense of it, one line says so.
        found = CliRunner().invoke(app, ["learn", "--book", str(book)])
        if found.exit_code:
            assert found.stderr.startswith("Error: the hyperparameters did not converge")
            assert "look for records that contradict each other" in found.stderr
            assert (found.exit_code, found.stdout, found.stderr.count("\n"), fits(book)) == (1, "", 1, 0)
            return
    told = done("learn", "--json")
    document = json.loads(told)
    assert "null" not in told.replace('"fixed_out": null', "").replace('"fixed_in": null', "")
    assert all(spread["high"] > spread["low"] for spread in document["spread"])
    assert fits(book) == 1 + (name == "absurd")
    words = done("learn").split() if not document["doubts"] else []
    assert "nan" not in words
    many = {"divers", "dives", "days", "observations", "rounds", "fits"}
    assert [noun for count, noun in pairwise(words) if count.strip("(") == "1" and noun in many] == []
    # And an answer with a wide band comes out of it.
    kit = ("--suit", "full 5", "--bc", "jacket", "--cylinder", "steel 12", "--water", "salt")
    answer = json.loads(done("suggest", "--diver", "Ines", *kit, "--json"))
    answer = answer[0] if isinstance(answer, list) else answer
    assert answer["need_q975_kg"] - answer["need_q025_kg"] > 1


def test_one_diver_is_one_diver(run, tmp_path: Path) -> None:
    book = tmp_path / "one.duckdb"
    with Book.open(book, write=True, create=True) as opened:
        opened.upsert("divers", DIVERS[:1])
        opened.upsert("gear", GEAR)
        opened.upsert("dives", ODD_BOOKS["one dive"])
    done = run("learn", "--book", book)
    assert (done.returncode, done.stderr) == (0, "")
    text = " ".join(done.stdout.split())
    assert text.startswith("Learned from 1 observation of 1 diver on 1 dive or check day: 1 at stops.")


def test_one_screen_holds_it(run, club: Path) -> None:
    lines = run("learn", "--book", club).stdout.rstrip().splitlines()
    assert len(lines) <= 42
    # The sentences wrap; the tables must fit a terminal of eighty columns.
    assert (
        max(len(line.rstrip()) for line in lines if not line.startswith(("Learned", "Settled", "Not as")))
        <= 80
    )


def test_records_in_parts_give_the_same_fit(run, club: Path, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="Dask, of the extra `fleet`, is not installed")
    parts = tmp_path / "parts"
    done = run("export", parts, "--parts", 3, "--book", club, "--json")
    assert json.loads(done.stdout)["parts"] == 3
    again = run("export", parts, "--parts", 3, "--book", club, "--overwrite")
    assert (again.returncode, again.stdout) == (2, "")
    assert "parts go to a new folder" in again.stderr
    expected = fit_book(club).fit
    done = run("learn", "--book", club, "--parts", parts, "--workers", 2, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert document["counts"] == {"observations": 43, "divers": 5}
    assert document["contradictions"] == []
    assert "full 5" in [effect["label"] for effect in document["effects"]]
    with Book.open(club, write=True) as book:
        stored = book.latest_fit()
        assert stored is not None
        assert stored[0] == expected.to_bytes()
        book.upsert("dives", [dives()[0] | {"dive": "later"}])
    done = run("learn", "--book", club, "--parts", parts)
    assert done.returncode == 1
    assert "not of this book as it is now" in done.stderr


def test_without_dask_learning_from_parts_is_one_line(run, club: Path, tmp_path: Path, monkeypatch) -> None:
    run("export", tmp_path / "parts", "--parts", 3, "--book", club)
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = CliRunner().invoke(app, ["learn", "--book", str(club), "--parts", str(tmp_path / "parts")])
    assert done.exit_code == 1
    assert done.stderr.startswith("Error: partitions on workers need Dask, which is not installed")
    assert fits(club) == 0


def test_a_corrected_entry_is_not_corrected_twice(run, club: Path) -> None:
    """Independent: the answers of a fit of the corrected book.

    The suit is listed 3 kg too buoyant, and what is learned takes some of that off again. Once the entry is
    right that must go: it would be taken off a second time, which is too little lead.
    """
    suit = {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 5, "buoyancy_sd_kg": 1}

    def listed(buoyancy: float) -> None:
        with Book.open(club, write=True) as opened:
            opened.upsert("gear", [suit | {"buoyancy_kg": buoyancy}])

    def need(diver: str) -> tuple[float, str]:
        kit = ("--suit", "full 5", "--bc", "jacket", "--cylinder", "steel 12", "--water", "salt")
        done = run("suggest", "--book", club, "--json", "--diver", diver, "--date", "2026-05-20", *kit)
        return json.loads(done.stdout)["need_mean_kg"], done.stderr

    listed(11.5)
    fit_book(club)
    with Book.open(club) as opened:
        stored = opened.latest_fit()
    learned = Fit.from_bytes(stored[0])
    assert learned.mean[learned.names.index("type:full 5")] < -0.5  # in sds of the entry
    listed(8.5)
    before = {diver: need(diver) for diver in ("Uma", "Noa")}
    fit_book(club)
    for diver, (kg, said) in before.items():
        after, silent = need(diver)
        assert kg == pytest.approx(after, abs=0.4)
        assert "full 5 was changed in the gear after the last `leadline learn`" in said
        assert "changed in the gear" not in silent
    listed(8)
    kit = ("--diver", "Noa", "--date", "2026-05-20", "--what-if", "water=fresh")
    assert run("suggest", "--book", club, *kit).stderr.count("changed in the gear") == 1


def test_kit_that_is_not_as_listed_is_named_with_what_to_do(club: Path) -> None:
    findings = fit_book(club)
    told = "Not as listed"
    console = Console(width=400)

    def shown(*found: Contradiction) -> str:
        with console.capture() as capture:
            console.print(view(replace(findings, contradictions=found), "metric"))
        return capture.get()

    suit = Contradiction("type:full 5", "full 5", 0.62, 0.32, 0.92, 1.21, 2.8, 0.01, 60)
    text = shown(suit)
    assert (
        f"{told}, beyond chance: full 5 takes +0.62 kg (+0.32 to +0.92), by the records alone +1.21." in text
    )
    assert "Answers go only part of that way while the entry stands: measure full 5 (of a type, each" in text
    # The foam of all suits has no row to correct.
    foam = shown(replace(suit, name="foam", label="foam of suits"))
    assert told in foam
    assert "measure" not in foam
    assert told not in shown()


def test_leads_in_another_unit_are_told(run, club: Path) -> None:
    assert json.loads(run("learn", "--book", club, "--json").stdout)["excess_kg"] < 6
    assert "Lean on no answer" not in run("learn", "--book", club).stdout
    with Book.open(club, write=True) as opened:
        opened.upsert("dives", [row | {"lead_kg": round(2.2046 * row["lead_kg"])} for row in dives()])
    excess = json.loads(run("learn", "--book", club, "--json").stdout)["excess_kg"]
    assert excess > 6
    text = " ".join(run("learn", "--book", club).stdout.split())
    assert (
        f"Lean on no answer of this book yet: the leads lie {excess:.2f} kg over what physics reckons" in text
    )
    pounds = " ".join(run("learn", "--book", club, "--units", "imperial").stdout.split())
    assert f"the leads lie {excess / 0.45359237:.2f} lb over" in pounds


@pytest.mark.parametrize(("left", "said"), [(0.5, "Settled in"), (0.83, "Nearly settled in")])
def test_what_is_left_of_a_fit_is_told(club: Path, left: float, said: str) -> None:
    findings = fit_book(club)
    console = Console(width=300)
    with console.capture() as caught:
        console.print(
            view(replace(findings, convergence=replace(findings.convergence, left_sd=left)), "metric")
        )
    (line,) = (line for line in caught.get().splitlines() if "ettled in" in line)
    assert line.startswith(said)
    assert f"no number by more than {left:.2f} of its sd" in line
