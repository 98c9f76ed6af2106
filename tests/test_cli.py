"""The program as a whole: it starts at once, says its version, helps, and fails quietly."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from pathlib import Path

import pytest
import typer

import leadline
from leadline.cli import app

HEAVY = {
    "numpy",
    "duckdb",
    "scipy",
    "gsw",
    "pandas",
    "pyarrow",
    "sklearn",
    "statsmodels",
    "scoringrules",
    "numba",
    "matplotlib",
    "jinja2",
}
COMMANDS = sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]  # a group, typed as a command


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from leadline.cli import main; main()", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], *([name, "--help"] for name in COMMANDS)])
def test_help_and_version_load_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys\n"
        "from leadline.cli import main\n"
        "try:\n    main()\n"
        "except SystemExit as end:\n    status = end.code\n"
        f"print(status, sorted(set(sys.modules) & {HEAVY!r}), file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False
    )
    assert done.stderr == "0 []\n"
    assert done.stdout


def test_version() -> None:
    done = run("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"leadline {leadline.__version__}\n", "")


def test_help_carries_the_caution_and_every_command() -> None:
    done = run("--help")
    text = " ".join(done.stdout.split())
    assert "An in-water check overrules every number here" in text
    assert all(f" {name} " in text for name in COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_has_help(name: str) -> None:
    command = typer.main.get_command(app).commands[name]  # type: ignore[attr-defined]  # a group, typed as a command
    assert command.help
    assert [p.name for p in command.params if p.param_type_name == "option" and not p.help] == []


REPORTS = sorted(typer.main.get_command(app).commands["report"].commands)  # type: ignore[attr-defined]  # as above
NAMED = [[], *([name] for name in COMMANDS), *(["report", kind] for kind in REPORTS)]


@pytest.mark.parametrize("arguments", NAMED, ids=" ".join)
def test_help_breaks_its_lines_at_80_columns_alone(arguments: list[str]) -> None:
    """Independent, counted: a line ends where the next word would not have fitted, or the paragraph ends."""
    command = [sys.executable, "-c", "from leadline.cli import main; main()", *arguments, "--help"]
    room = {**os.environ, "COLUMNS": "80", "TERMINAL_WIDTH": "80", "NO_COLOR": "1"}
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=room)
    said = [line.rstrip() for line in done.stdout.splitlines()]
    assert max(map(len, said)) <= 80
    prose = [line for line in said if not line.startswith(("╭", "│", "╰"))]
    for line, following in itertools.pairwise(prose):
        if line and following:
            assert len(line) + 1 + len(following.split()[0]) > 79


def test_installed_program_is_this_one() -> None:
    program = Path(sys.executable).with_name("leadline")
    if not program.exists():
        pytest.skip("leadline is not installed beside this Python")
    done = subprocess.run([str(program), "--version"], capture_output=True, text=True, check=False)
    assert done.stdout == f"leadline {leadline.__version__}\n"


def test_reader_that_goes_away_is_no_traceback(tmp_path: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    command = [sys.executable, "-c", "from leadline.cli import main; main()", "--help"]
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, text=True, check=False, cwd=tmp_path)
    os.close(write)
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr
