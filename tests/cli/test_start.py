"""What an answer at the water's edge has to wait for: nothing that it does not use."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from ..decide.club import make_book  # noqa: TID252 (tests are on no path)

SLOW = {
    "scipy",
    "numba",
    "pandas",
    "pydantic",
    "matplotlib",
    "jinja2",
    "duckdb",  # the compiled half of it is enough
    "rich",
    "statistics",
    "numpy.ma",
    "numpy.random",
    "leadline.decide.findings",
    "leadline.model.crowd",
    "leadline.model.propagation",
    "leadline.cli.demo",
    "leadline.cli.report",
}
"""Each takes from some milliseconds to a second to load."""

TABLES = {"ledger": {"rich"}}
"""What a command that prints a table does load."""

CODE = """
import sys
from leadline.cli import main
try:
    main()
except SystemExit as end:
    status = end.code
print(status, sorted(set(sys.modules) & {slow!r}), file=sys.stderr)
"""


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("club") / "club.duckdb")


@pytest.mark.parametrize(
    "arguments",
    [
        ["suggest", "--diver", "Ines"],
        ["suggest", "--diver", "Uma", "--suit", "full 5", "--json"],
        ["check", "--diver", "Ole", "--lead", "6", "--bar", "60", "--waterline", "eye", "--no-save"],
        ["check", "--diver", "Ole", "--lead", "6", "--bar", "60", "--waterline", "crown", "--save"],
        ["check", "--suit", "full 7", "--lead", "10", "--bar", "180", "--waterline", "under", "--no-save"],
        ["ledger", "--diver", "Ivo"],
        ["log", "--diver", "Ines", "--suit", "full 5", "--lead-kg", "6", "--date", "2026-03-01"],
    ],
    ids=" ".join,
)
def test_one_dive_loads_nothing_slow(club: Path, arguments: list[str]) -> None:
    command = [
        sys.executable,
        "-c",
        CODE.replace("{slow!r}", repr(SLOW - TABLES.get(arguments[0], set()))),
        "--book",
        str(club),
        *arguments,
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stderr.splitlines()[-1] == "0 []"
    assert done.stdout
