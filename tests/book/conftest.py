"""Books and files for the tests of the book."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from shutil import copy2

import pytest

from leadline.book import Book

DIVERS = "diver,mass_kg,height_cm\nInes,64,170\nIvo,82,\n"
GEAR = (
    "item,kind,style,material,thickness_mm,water_capacity_l,rated_bar\n"
    "W5,suit,full,,5,,\nD,suit,dry_membrane,,,,\nU,undersuit,thick,,,,\nJ,bc,jacket,,,,\n"
    "S12,cylinder,,steel,,12,232\nA7,cylinder,,aluminium,,7,207\nH,hood,,,5,,\n"
)
DIVES = (
    "dive,diver,date,suit,bc,cylinder,start_bar,end_bar,other,lead_kg,stop_result,bc_state\n"
    "1,Ines,2026-05-01,W5,J,S12,200,50,H,6,hovered,gas\n"
    "2,Ines,2026-05-01T15:30,W5,J,S12,210,60,H,5.5,hovered,empty\n"
    "1,Ivo,2026-05-01,W5,J,S12,200,40,,7,rose,empty\n"
)
CHECKS = "check,diver,dive,lead_kg,bar,waterline\nc1,Ines,2,5.5,60,eye\n"


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str, str], Path]:
    """Write a text file into the test's folder."""

    def written(name: str, text: str) -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8", newline="")
        return path

    return written


@pytest.fixture
def files(write: Callable[[str, str], Path]) -> dict[str, Path]:
    """Four sound files: two divers, seven items, three dives, one check."""
    texts = {"divers": DIVERS, "gear": GEAR, "dives": DIVES, "checks": CHECKS}
    return {name: write(f"{name}.csv", text) for name, text in texts.items()}


@pytest.fixture(scope="session")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book with the sound files in it, to be copied."""
    folder = tmp_path_factory.mktemp("loaded")
    texts = {"divers": DIVERS, "gear": GEAR, "dives": DIVES, "checks": CHECKS}
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    with Book.open(folder / "club.duckdb", write=True, create=True) as opened:
        opened.load(**{name: folder / f"{name}.csv" for name in texts})
    return folder / "club.duckdb"


@pytest.fixture
def path(tmp_path: Path, loaded: Path) -> Path:
    """A book of the test's own, with the sound files in it."""
    return Path(copy2(loaded, tmp_path / "club.duckdb"))
