"""Options read without a validator: the same values and the same refusals as Typer gives."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
import typer
from typer.testing import CliRunner

from leadline.cli.reading import Command


def doubled(context: typer.Context, value: str | None) -> str | None:
    return None if value is None else value * 2


def program(cls: type | None) -> tuple[typer.Typer, list[dict[str, Any]]]:
    """A command with every kind of option that the program has, and what it was given."""
    made, given = typer.Typer(), []

    @made.command(cls=cls)
    def ask(
        needed: Annotated[str, typer.Option("--needed")],
        text: Annotated[str | None, typer.Option("--text")] = None,
        word: Annotated[str, typer.Option("--word")] = "salt",
        twice: Annotated[str | None, typer.Option("--twice", callback=doubled)] = None,
        file: Annotated[Path | None, typer.Option("--file")] = None,
        out: Annotated[Path, typer.Option("--out")] = Path("reports"),
        units: Annotated[Literal["metric", "imperial"], typer.Option("--units")] = "metric",
        risk: Annotated[float, typer.Option("--risk", min=0.001, max=0.5)] = 0.05,
        count: Annotated[int | None, typer.Option("--count")] = None,
        many: Annotated[list[str] | None, typer.Option("--many")] = None,
        keep: Annotated[bool | None, typer.Option("--save/--no-save")] = None,
        as_json: Annotated[bool, typer.Option("--json")] = False,
    ) -> None:
        given.append(locals() | {"given": None})

    return made, given


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--text", "two-piece 7", "--word", "", "--twice", "ab", "--text", "last"],
        ["--file", "no such file", "--out", "."],
        ["--file", "-"],
        ["--file", ""],
        ["--units", "metric", "--risk", "0.05", "--json", "--no-save"],
        ["--units", "imperial", "--risk", "1e-1", "--count", "7", "--save"],
        ["--many", "a;b", "--many", ""],
        ["--units", "Metric"],
        ["--risk", "0.9"],
        ["--risk", "much"],
        ["--count", "1.5"],
        ["--text"],
        ["--nothing"],
    ],
    ids=" ".join,
)
@pytest.mark.parametrize("needed", [["--needed", "n"], []], ids=["", "without what is needed"])
def test_values_and_refusals_are_those_of_typer(words: list[str], needed: list[str]) -> None:
    results = []
    for cls in (Command, None):
        made, given = program(cls)
        done = CliRunner().invoke(made, [*words, *needed])
        results.append((done.exit_code, done.output, given))
    assert results[0] == results[1]
    assert results[0][2] or results[0][0] == 2


def test_file_that_may_not_be_read_is_refused_as_typer_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "book"
    file.touch()
    monkeypatch.setattr(os, "access", lambda *_: False)
    results = []
    for cls in (Command, None):
        made, given = program(cls)
        done = CliRunner().invoke(made, ["--needed", "n", "--file", str(file)])
        results.append((done.exit_code, done.output, given))
    assert results[0] == results[1]
    assert results[0][0] == 2
    assert "--file" in results[0][1]
    assert results[0][2] == []


def test_accent_typed_after_its_letter_is_a_letter_with_an_accent() -> None:
    """Kind: by hand, NFD and NFC of one name; the name of a file stays as it is on the disk."""
    apart, whole = "Zoe\u0308", "Zo\u00eb"
    made, given = program(Command)
    words = ["--needed", apart, "--text", apart, "--many", apart, "--many", "Ivo", "--file", apart]
    done = CliRunner().invoke(made, words)
    assert done.exit_code == 0, done.output
    found = given[0]
    assert (found["needed"], found["text"], list(found["many"])) == (whole, whole, [whole, "Ivo"])
    assert found["file"] == Path(apart)
