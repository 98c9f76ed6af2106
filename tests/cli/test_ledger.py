"""`leadline ledger`: items, sums, margin, in words and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ..decide.club import HOSTILE, make_book  # noqa: TID252 (tests are on no path)


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("club") / "club.duckdb")


@pytest.fixture
def ledger(run, club: Path):
    return lambda *options: run("ledger", "--book", club, *options)


def facts(done):
    assert (done.returncode, done.stderr) == (0, "")
    return json.loads(done.stdout)


def test_items_add_up_to_the_need_in_every_state(ledger) -> None:
    document = facts(ledger("--diver", "Ines", "--lead", "6", "--json"))
    assert list(document["states"]) == ["stop", "start", "surface"]
    for state in document["states"].values():
        assert sum(item["net_buoyancy_kg"] for item in state["items"]) == pytest.approx(
            state["net_buoyancy_kg"]
        )
        assert state["margin_kg"] == pytest.approx(6 - state["need_kg"])
        # lead of 11.34 g/cm³ in water of 1.025 (handbook densities) keeps 0.9096 of its weight
        assert state["net_buoyancy_kg"] / state["need_kg"] == pytest.approx(0.9096, abs=0.002)
        for item in state["items"]:
            lift = 1.025 * item["volume_l"] - item["mass_kg"]
            assert item["net_buoyancy_kg"] == pytest.approx(lift, abs=0.005 * (1 + abs(item["volume_l"])))


def test_pressure_and_depth_are_those_asked_for(ledger) -> None:
    deep = facts(ledger("--diver", "Ines", "--bar", "80", "--depth", "9", "--json"))["states"]["stop"]
    usual = facts(ledger("--diver", "Ines", "--json"))["states"]["stop"]
    assert (deep["bar"], deep["depth_m"]) == (80, 9)
    assert (usual["bar"], usual["depth_m"]) == (35, 5)
    assert deep["need_kg"] < usual["need_kg"] - 0.5


def test_head_under_floats_less_head(ledger) -> None:
    out = facts(ledger("--diver", "Ines", "--json"))["states"]["surface"]
    under = facts(ledger("--diver", "Ines", "--head-under", "--json"))["states"]["surface"]
    assert 1 < under["need_kg"] - out["need_kg"] < 3


def test_people_see_states_sums_margin_and_records(ledger) -> None:
    text = " ".join(ledger("--diver", "Ines", "--lead", "6").stdout.split())
    for words in (
        "Ines: net lift in kg by physics alone, positive floats",
        "SUM, without lead",
        "NEED, lead in air",
        "MARGIN of the lead, + heavy",
        "regulator, a usual one",
        "assumed",
        "Need at the stop from physics alone:",
        "With the records:",
        "6.0 kg carried is",
        "Taken over: suit, BC, cylinder, gas and water: as on dive In-8",
        "An estimate, not an instruction",
    ):
        assert words in text


def test_pressure_of_every_cylinder_is_told(ledger) -> None:
    """Independent: what was typed; of the cylinder left behind at the start only."""
    two = ("--diver", "Ines", "--cylinder", "steel 12;alu 11", "--start", "220;200")
    text = " ".join(ledger(*two, "--stop", "50;150").stdout.split())
    assert "stop: 5 m deep, 50 and 150 bar; start: 0 m deep, 220 and 200 bar; surface:" in text
    text = " ".join(ledger(*two, "--stop", "50;-").stdout.split())
    assert "stop: 5 m deep, 50 bar; start: 0 m deep, 220 and 200 bar; surface:" in text
    states = facts(ledger(*two, "--stop", "50;-", "--json"))["states"]
    assert [states[name]["each_bar"] for name in states] == [[50.0], [220.0, 200.0], [50.0]]


def test_negative_need_is_said_in_words(ledger) -> None:
    text = " ".join(ledger("--diver", "Ines", "--suit", "vest", "--other", "heavy plate").stdout.split())
    assert "already heavy by" in text
    assert "MARGIN" not in text


def test_imperial_has_no_kilograms(ledger) -> None:
    text = ledger("--diver", "Ines", "--lead", "14", "--units", "imperial").stdout
    assert "net lift in lb" in text
    assert " kg" not in text
    assert " bar" not in text
    document = facts(ledger("--diver", "Ines", "--lead", "14", "--units", "imperial", "--json"))
    assert document["lead_kg"] == pytest.approx(6.35029, abs=1e-4)


def test_hostile_name_is_text(ledger) -> None:
    assert HOSTILE in ledger("--diver", HOSTILE).stdout


def test_nobody_named_is_wrong_usage(ledger) -> None:
    done = ledger()
    assert (done.returncode, done.stdout) == (2, "")
    assert "give --diver" in done.stderr


def test_unknown_diver_is_one_line(ledger) -> None:
    done = ledger("--diver", "Inez")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == "Error: no diver 'Inez' in the book; closest: Ines\n"


def test_missing_lead_is_null(ledger) -> None:
    document = facts(ledger("--diver", "Ines", "--json"))
    assert document["lead_kg"] is None
    assert document["states"]["stop"]["margin_kg"] is None
