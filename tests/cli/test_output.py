"""Printing: what goes where, and what never reaches a terminal."""

from __future__ import annotations

import json

import pint
import pytest
import typer

from leadline.cli.output import error, note, plain, progress, quantity, show, table, user_errors
from leadline.errors import LeadlineError


def test_json_has_null_for_what_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    show({"a": float("nan"), "b": [float("inf"), 1.5], "c": "Zoë"}, lambda: "unused", as_json=True)
    out = capsys.readouterr()
    assert json.loads(out.out) == {"a": None, "b": [None, 1.5], "c": "Zoë"}
    assert out.err == ""


def test_names_cannot_drive_the_terminal_or_style_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    odd = "[red]x[/red] :smile: \x1b[31m\u202ename"
    show([], lambda: table("t", ["name", "lead"], [[odd, 4.5], ["y", None]]), as_json=False)
    note(odd)
    error(f"{odd}\nsecond line")
    out = capsys.readouterr()
    for text in (out.out, out.err):
        assert "[red]x[/red] :smile:" in text
        assert "\x1b" not in text
        assert "\u202e" not in text
    assert out.err.count("\n") == 2
    assert plain("a\tb\r\n") == "a b  "


def test_long_cells_are_not_cut_in_a_pipe(capsys: pytest.CaptureFixture[str]) -> None:
    show([], lambda: table("", ["reason"], [["x" * 200]]), as_json=False)
    assert "x" * 200 in capsys.readouterr().out


@pytest.mark.parametrize(
    "reason", [LeadlineError("lead_kg 120: too much; weigh it"), FileNotFoundError(2, "gone", "f")]
)
def test_user_errors_are_one_line_and_status_1(reason: Exception, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(typer.Exit) as caught, user_errors():
        raise reason
    out = capsys.readouterr()
    assert caught.value.exit_code == 1
    assert (out.out, out.err.count("\n")) == ("", 1)
    assert out.err.startswith("Error: ")


@pytest.mark.parametrize("reason", [BrokenPipeError(), ValueError("a fault of ours")])
def test_other_failures_pass_through(reason: Exception) -> None:
    with pytest.raises(type(reason)), user_errors():
        raise reason


def test_progress_is_silent_off_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    with progress("loading"):
        pass
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("unit", "foreign", "symbol"),
    [
        ("kg", "pound", "lb"),
        ("bar", "psi", "psi"),
        ("m", "foot", "ft"),
        ("cm", "inch", "in"),
        ("°C", "degF", "°F"),
    ],
)
def test_imperial_quantities(unit: str, foreign: str, symbol: str) -> None:
    """Independent: pint 0.25."""
    units = pint.UnitRegistry()
    value = 17.3
    expected = units.Quantity(value, {"°C": "degC"}.get(unit, unit)).to(foreign).magnitude
    assert quantity(value, unit, units="imperial", digits=3) == f"{expected:.3f} {symbol}"
    assert quantity(value, unit) == f"17.3 {unit}"
    assert quantity(float("nan"), unit) == ""
