"""Printing: what goes where, and what never reaches a terminal."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
import textwrap
import unicodedata
from pathlib import Path
from typing import Any

import pint
import pytest
import typer
from rich.cells import cell_len
from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from leadline.book import Book
from leadline.cli.output import error, note, plain, progress, quantity, show, table, user_errors
from leadline.cli.paragraph import _ACCENTS, _ONE_CELL, BLANK, Page, broken, facts, line, wrapped
from leadline.errors import LeadlineError
from tests.cli.conftest import Run


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


CELLS = [
    ["Ida", 4.5, "", "short"],
    ["[b]Jo[/b] :smile:", 10, None, "a sentence that is longer than its header  "],
    ["", 0.5, "", "  "],
    ["日本語の名前", 12.25, None, "e\u0301 and \U0001f600"],
    ["x" * 30, -1, "", ""],
]


@pytest.mark.parametrize("width", [120, 240])
@pytest.mark.parametrize("rows", [CELLS, CELLS[:1], CELLS[1:3], [], [["", 1, None, ""]] * 2])
@pytest.mark.parametrize(
    "title", ["", "A title that is longer than the table is wide, so it has to be broken"]
)
def test_table_is_that_of_its_rows_one_by_one(width: int, rows: list[list[object]], title: str) -> None:
    made = table(title, ["name", "lead", "nothing", "said"], rows)
    one_by_one = made._made(made.rows)  # type: ignore[union-attr]  # a table of ours
    assert printed(made, width) == printed(one_by_one, width)


@pytest.mark.parametrize("width", [16, 40, 60, 61, 120, 240])
@pytest.mark.parametrize("rows", [CELLS, CELLS[:3], CELLS[:1], [], [["", 1, None, ""]] * 2])
@pytest.mark.parametrize(
    "title", ["", "Lead", "A title that is longer than the table is wide, so it is broken"]
)
def test_table_on_a_page_is_what_rich_would_print(width: int, rows: list[list[object]], title: str) -> None:
    """Kind: independent."""
    made = table(title, ["name", "lead", "nothing", "said"], rows)
    by_rich = printed(made, width, force_terminal=True, color_system="standard")
    assert unstyled(Page((made,)).text(width)) == unstyled(by_rich) == printed(made, width)
    if len(rows) in (2, 3) and width >= 120:  # laid out here, each piece in its own style as Rich has them
        assert Page((made,)).text(width) == by_rich


def test_a_table_that_fits_does_not_wait_for_rich() -> None:
    code = (
        "import sys; from leadline.cli.output import table; from leadline.cli.paragraph import Page; "
        "print(Page((table('Lead', ['diver', 'kg'], [['Zoë', 4.5], ['Bo', None]]),)).text(80)); "
        "assert 'rich' not in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_table_on_a_page_goes_without_a_sign_that_the_output_lacks(monkeypatch: pytest.MonkeyPatch) -> None:
    made = table("", ["diver", "lead"], [["Ida", 4.5], ["Bo", 6]])
    assert "─" in Page((made,)).text(80)
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), "latin-1"))
    assert Page((made,)).text(80).isascii()


LEADS = [
    ["Odile of the long name", 14.5, "+4.5", "-1.3 to 13.3", "17 %"],
    ["B", 7, "", "5.3 to 7.2", "4 %"],
]


@pytest.mark.parametrize("width", [24, 30, *range(40, 81)])
@pytest.mark.parametrize("rows", [LEADS, LEADS[:1]])
def test_no_figure_is_parted_on_a_narrow_terminal(width: int, rows: list[list[object]]) -> None:
    """14 with its 4 in the next line is read as 1: too light by 13 kg."""
    said = printed(table("Lead", ["diver", "lead", "check", "8 in 10", "light"], rows), width)
    lines = said.splitlines()
    for row in rows:
        for cell in row[1:]:
            assert sum(str(cell) in line for line in lines) >= 1, said
    assert [line for line in lines if len(line.rstrip()) > width] == []
    assert [line.strip() for line in lines if line.strip() in ("1", "4.", "5", ".", "%", "to")] == []


def test_rows_stand_one_below_the_other_where_no_table_fits() -> None:
    said = printed(table("Lead", ["diver", "lead", "check"], [["Odile", 14.5, "+4.5"], ["Bo", 7, ""]]), 16)
    assert said.split() == [
        "Lead",
        "diver",
        "Odile",
        "lead",
        "14.5",
        "check",
        "+4.5",
        "diver",
        "Bo",
        "lead",
        "7",
    ]


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_any_encoding_of_the_output_will_do(book: Path, run: Run, encoding: str) -> None:
    """A pipe of another code page has no signs of tables; the minus must stay one."""
    with Book.open(book, write=True) as opened:
        opened.upsert("divers", [{"diver": "Zoë Š"}])
    ledger = ("--book", book, "ledger", "--diver", "Zoë Š", "--suit", "W5")
    shown = run(*ledger, env={"PYTHONIOENCODING": encoding}, encoding=encoding)
    assert (shown.returncode, shown.stderr) == (0, "")
    assert re.search(r"regulator, a usual one .* [-\u2212]\d", shown.stdout)
    assert shown.stdout.startswith({"ascii": "Zoe S", "cp1252": "Zoë Š", "utf-8": "Zoë Š"}[encoding])
    given = run(*ledger, "--json", env={"PYTHONIOENCODING": encoding}, encoding=encoding)
    assert json.loads(given.stdout)["diver"] == "Zoë Š"
    env = {"PYTHONIOENCODING": encoding}
    refused = run("--book", book, "suggest", "--diver", "Łuk", env=env, encoding="latin-1")
    assert (refused.returncode, refused.stderr.count("\n")) == (1, 1)


def test_closed_output_is_no_fault_of_the_program(book: Path) -> None:
    words = f"[sys.argv[0], '--book', {str(book)!r}, 'ledger', '--diver', 'Ines']"
    code = f"import sys; sys.argv[:] = {words}; from leadline.cli import main; main()"
    done = subprocess.run(
        ["sh", "-c", '"$0" -c "$1" >&-', sys.executable, code], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("width", [5, 20, 78, 79, 240])
@pytest.mark.parametrize("size", [3, 40, 77, 78, 79, 500])
@pytest.mark.parametrize("text", ["one two three 4.5 kg, ", "日本 é \U0001f600 ", "x" * 90, "a  b "])
def test_paragraph_is_a_table_with_one_cell(width: int, size: int, text: str) -> None:
    said = (text * size)[:size]
    grid = Table.grid()
    grid.add_column(max_width=78, overflow="fold")
    grid.add_row(Text(said))
    assert printed(wrapped(said), width) == printed(grid, width)


@pytest.mark.parametrize("width", [1, 9, 20, 78])
@pytest.mark.parametrize("text", ["one two three 4.5 kg, ", "a  b ", "a\u00a0b c", "a-b c", "x", " x y", ""])
def test_lines_are_those_of_textwrap(width: int, text: str) -> None:
    """Kind: independent."""
    for size in range(60):
        said = (text * 60)[:size]
        if max(map(len, said.split()), default=0) <= width:
            expected = textwrap.wrap(said, width, break_on_hyphens=False) or [""]
            assert [each.rstrip() for each in broken(said, width)] == [each.rstrip() for each in expected]


FACTS = [
    (
        "Need",
        "4.5 kg; on 8 dives in 10 3.1 to 6 kg, if it all goes as on the days before, and no more",
    ),
    ("They differ", ""),
    ("Caution", "[b]日本[/b] é \U0001f600 :smile: " * 9),
    ("Caution", "x" * 90),
    ("", "two  spaces, and a long-hyphened-word-" + "that-goes-on " * 5),
]


@pytest.mark.parametrize("width", [24, 40, 77, 78, 79, 240])
@pytest.mark.parametrize("rows", [FACTS, FACTS[:1], FACTS[1:2], FACTS[2:4], [("Need", "short")], []])
def test_facts_are_a_table_with_two_columns(width: int, rows: list[tuple[str, str]]) -> None:
    grid = Table.grid(padding=(0, 2))
    grid.add_column(width=11, no_wrap=True)
    grid.add_column(max_width=65, overflow="fold")
    for word, text in rows:
        grid.add_row(Text(word), Text(text))
    assert printed(facts(rows), width) == printed(grid, width)


def test_words_of_facts_are_bold_on_a_terminal_and_names_drive_nothing() -> None:
    shown = printed(facts([("Need", "4.5 kg\x1b[31m")]), 80, force_terminal=True, color_system="standard")
    assert shown == "\x1b[1mNeed         \x1b[0m4.5 kg [31m\n"


def test_letters_of_one_cell_are_those_of_rich() -> None:
    letters = [chr(code) for code in range(ord(_ACCENTS)) if unicodedata.category(chr(code)) != "Cc"]
    assert {letter for letter in [*letters, *_ONE_CELL] if cell_len(letter) != 1} == set()


PAGE = Page(
    (wrapped("Zoë: full 5 " * 9), BLANK, line("  PUT ON  ", (" 6 kg ", "bold reverse")), facts(FACTS))
)


@pytest.mark.parametrize("width", [20, 24, 38, 40, 46, 60, 78, 80, 240])
def test_large_lead_is_never_parted_and_fits_the_width(width: int) -> None:
    """By hand: after 38 letters two cells of 40 are left, a space and the 1 of 10.5 kg."""
    off = line("  TAKE OFF 1.5 kg, for the next dive  ", (" 10.5 kg ", "bold reverse"))
    more = "  6.5 kg more than is on now"
    again = line("  then, as things stand, for the next dive  ", (" 10.5 kg ", "bold reverse"), more)
    for shown, figures in ((again, ["10.5 kg", "6.5 kg"]), (off, ["1.5 kg", "10.5 kg"])):
        lines = unstyled(Page((shown,)).text(width)).splitlines()
        assert max(map(len, lines)) <= min(width, 78)
        assert [found for each in lines for found in re.findall(r"[\d.]+ kg\b", each)] == figures
        assert all(each.startswith("  ") for each in lines)
    assert (lines == ["  TAKE OFF 1.5 kg, for the next dive   10.5 kg "]) == (width >= 47)


def test_large_line_is_parted_where_a_part_of_it_ends() -> None:
    """By hand: 44 + 9 + 28 letters are 81, so that at 80 the last part goes below, and whole."""
    more = "  6.5 kg more than is on now"
    again = line("  then, as things stand, for the next dive  ", (" 10.5 kg ", "bold reverse"), more)
    assert unstyled(Page((again,)).text(80)).splitlines() == [
        "  then, as things stand, for the next dive   10.5 kg ",
        "  6.5 kg more than is on now",
    ]


@pytest.mark.parametrize("width", [40, 80, 240])
def test_page_is_what_rich_would_print(width: int) -> None:
    plainly, styled = printed(PAGE, width), printed(PAGE, width, force_terminal=True, color_system="standard")
    assert unstyled(PAGE.text(width)) == plainly
    assert PAGE.text(width) == styled.replace("\x1b[1;7m", "\x1b[1m\x1b[7m")


@pytest.mark.parametrize(
    ("terminal", "name", "styled"), [(False, "xterm", False), (True, "xterm", True), (True, "dumb", False)]
)
def test_page_has_styles_and_the_width_of_a_terminal_on_one_alone(
    terminal: bool,
    name: str,
    styled: bool,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(sys.stdout, "isatty", lambda: terminal)
    monkeypatch.setenv("TERM", name)
    monkeypatch.setenv("COLUMNS", "40")
    show([], lambda: PAGE, as_json=False)
    out = capsys.readouterr().out
    assert out.count("\x1b[") == (PAGE.text(40).count("\x1b[") if styled else 0)
    assert max(map(len, re.sub(r"\x1b\[[0-9;]*m", "", out).splitlines())) == (40 if terminal else 78)


def unstyled(text: str) -> str:
    return re.sub(r"\x1b\[[0-9;]*m", "", text)


def printed(shown: RenderableType, width: int, **kind: Any) -> str:
    console = Console(file=io.StringIO(), width=width, markup=False, emoji=False, highlight=False, **kind)
    console.print(shown)
    return console.file.getvalue()  # type: ignore[attr-defined]  # the one above


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


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        (FileExistsError(17, "File exists", "out"), "out: a file, and a folder is needed there"),
        (NotADirectoryError(20, "Not a directory", "out/x"), "out/x: a file, and a folder is needed there"),
        (IsADirectoryError(21, "Is a directory", "out"), "out: a folder, and a file is needed there"),
        (PermissionError(13, "Permission denied", "out"), "out: Permission denied; check the file"),
    ],
)
def test_file_and_folder_are_told_apart(
    reason: Exception, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(typer.Exit), user_errors():
        raise reason
    assert said in capsys.readouterr().err


@pytest.mark.parametrize("reason", [BrokenPipeError(), ValueError("a fault of ours")])
def test_other_failures_pass_through(reason: Exception) -> None:
    with pytest.raises(type(reason)), user_errors():
        raise reason


def test_progress_is_silent_off_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    with progress("loading"):
        pass
    assert capsys.readouterr() == ("", "")


def test_progress_leaves_nothing_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)

    def lose() -> None:
        with progress("loading"):
            note("a note that is written over it")
            raise KeyError("lost")

    with pytest.raises(KeyError, match="lost"):
        lose()
    assert capsys.readouterr().err == (
        "loading ...\ra note that is written over it\n" + " " * len("loading ...") + "\r"
    )


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
