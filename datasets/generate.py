"""Make the demo records anew: ``python datasets/generate.py [--out DIR]``.

Everything is invented and seeded; the same code writes the same bytes. `README.md` beside this file
describes the scenario and the files.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from generator import parameters
from generator.boat import boat_dives, plan_cells
from generator.flaws import SetAside, forgivable, spoil
from generator.gear import shared_gear
from generator.notebook import Cells, keep_season, truth_cells
from generator.people import cast, recorded
from generator.season import dives_of, outings
from generator.tables import csv_text, faults_markdown, readme_text
from generator.visitors import (
    VISITORS,
    imperial_cells,
    imperial_diver,
    imperial_gear,
    visitor_dives,
    visitor_gear,
)
from generator.world import needs_of
from leadline.records import CHECKS, DIVERS, DIVES, GEAR

HERE = Path(__file__).resolve().parent


def _numbered(checks: list[Cells], prefix: str) -> None:
    for number, row in enumerate(checks, 1):
        row["check"] = f"{prefix}{number:03d}"


def _used(rows: list[Cells], columns: list[str]) -> list[str]:
    """The columns that hold anything, in the declared order."""
    return [column for column in columns if any(row.get(column) for row in rows)]


def _house_files() -> tuple[dict[str, str], list[Cells], list[SetAside]]:
    gear = shared_gear()
    people = cast(gear)
    dives = dives_of(people, outings(people))
    boat = boat_dives(people, dives)
    needs = needs_of([*dives, *boat], gear)
    season = keep_season(dives, needs[: len(dives)])
    _numbered(season.checks, "c")
    forgivable(season.dives)
    divers = [recorded(person) for person in people]
    faults = spoil(divers, season.dives, season.checks)
    truth = season.truth + [
        truth_cells(dive, need) for dive, need in zip(boat, needs[len(dives) :], strict=True)
    ]
    plan_columns = list(plan_cells(boat[0]))
    files = {
        "divers.csv": csv_text(divers, list(DIVERS.by_name)),
        "gear.csv": csv_text(gear, list(GEAR.by_name)),
        "dives.csv": csv_text(season.dives, [*DIVES.by_name, "notes"]),
        "checks.csv": csv_text(season.checks, _used(season.checks, list(CHECKS.by_name))),
        "plan.csv": csv_text([plan_cells(dive) for dive in boat], plan_columns),
    }
    return files, truth, faults


def _visitor_files() -> tuple[dict[str, str], list[Cells]]:
    dives = visitor_dives()
    gear = visitor_gear(dives)
    season = keep_season(dives, needs_of(dives, gear))
    _numbered(season.checks, "vc")
    tables = {
        "divers": [imperial_diver(person) for person in VISITORS],
        "gear": [imperial_gear(row) for row in gear],
        "dives": [imperial_cells(row) for row in season.dives],
        "checks": [imperial_cells(row) for row in season.checks],
    }
    files = {}
    for name, rows in tables.items():
        columns = list(dict.fromkeys(column for row in rows for column in row))
        files[f"imperial/{name}.csv"] = csv_text(
            rows, [c for c in columns if any(row.get(c) for row in rows)]
        )
    return files, season.truth


def files() -> dict[str, str]:
    """Every file the generator writes: path to text."""
    out, truth, faults = _house_files()
    visitors, visitor_truth = _visitor_files()
    truth = [*truth, *visitor_truth]
    out |= visitors
    out["truth.csv"] = csv_text(truth, list(truth[0]))
    out["README.md"] = readme_text(
        HERE / "README.md", {"rows set aside": faults_markdown(faults), "parameters": parameters.markdown()}
    )
    return out


def main(arguments: list[str]) -> None:
    """Write the files to the folder given, or beside this script."""
    parser = argparse.ArgumentParser(description="Make the demo records anew.")
    parser.add_argument("--out", type=Path, default=HERE, help="Folder to write to.")
    folder: Path = parser.parse_args(arguments).out
    for name, text in files().items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
        print(f"{name}: {text.count(chr(10))} lines, {len(text.encode()) / 1000:.0f} kB")


if __name__ == "__main__":
    main(sys.argv[1:])
