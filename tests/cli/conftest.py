"""A book, and the program run as a user runs it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from leadline.book import Book

Run = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A book with two divers, some gear and a dive."""
    path = tmp_path / "club.duckdb"
    with Book.open(path, write=True, create=True) as opened:
        opened.upsert("divers", [{"diver": "Ines", "mass_kg": 64}, {"diver": "Ivo [red]"}])
        gear = [
            ("W5", "suit", "full"),
            ("D", "suit", "dry_foam"),
            ("J", "bc", "jacket"),
            ("S12", "cylinder", ""),
        ]
        opened.upsert("gear", [dict(zip(("item", "kind", "style"), g, strict=True)) for g in gear])
        kit = {"suit": "W5", "bc": "J", "cylinder": "S12", "site": "Old quay", "water": "salt"}
        seen = {"start_bar": 200, "end_bar": 50, "lead_kg": 6, "stop_result": "hovered"}
        opened.upsert("dives", [{"dive": 7, "diver": "Ines", "date": "2026-05-01"} | kit | seen])
    return path


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Run `leadline` in a process of its own, standard output and error apart."""

    def ran(
        *arguments: object, stdin: str = "", env: Mapping[str, str] | None = None, encoding: str | None = None
    ) -> subprocess.CompletedProcess[str]:
        home = {"HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path / "data"), "COLUMNS": "100"}
        environment = {k: v for k, v in os.environ.items() if k != "LEADLINE_BOOK"} | home | dict(env or {})
        return subprocess.run(
            [sys.executable, "-c", "from leadline.cli import main; main()", *map(str, arguments)],
            input=stdin,
            capture_output=True,
            text=True,
            encoding=encoding,
            check=False,
            cwd=tmp_path,
            env=environment,
        )

    return ran
