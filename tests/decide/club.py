"""A small invented club: six divers, a handful of gear, eight dives each, some looked at closely."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from leadline.arrays import Records, columns_from_rows
from leadline.book import Book
from leadline.decide.assessment import Assessment
from leadline.decide.history_data import Sights
from leadline.model.population import Fit
from leadline.records import DIVES, TABLES

HOSTILE = '../=Mia; <b>"[red]'
"""A name that is markup, a formula, a path and a list at once."""

Row = dict[str, Any]

DIVERS: list[Row] = [
    {"diver": "Ines", "mass_kg": 64, "height_cm": 168, "birth_year": 1991, "sex": "f", "dives_before": 140},
    {"diver": "Ivo", "mass_kg": 82, "height_cm": 181, "birth_year": 1984, "sex": "m", "dives_before": 300},
    {"diver": HOSTILE, "mass_kg": 41, "height_cm": 150, "birth_year": 1990, "sex": "f", "dives_before": 60},
    {"diver": "Noa", "mass_kg": 71, "height_cm": 172, "birth_year": 1979, "sex": "f", "dives_before": 90},
    {"diver": "Ole", "mass_kg": 90, "height_cm": 188, "birth_year": 1988, "sex": "m", "dives_before": 55},
    {"diver": "Uma", "mass_kg": 58, "height_cm": 163, "birth_year": 1999, "sex": "f", "dives_before": 12},
    {"diver": "Zed"},
]
GEAR: list[Row] = [
    {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 5},
    {"item": "vest", "kind": "suit", "style": "vest", "thickness_mm": 1},
    {"item": "membrane", "kind": "suit", "style": "dry_membrane"},
    {"item": "warm", "kind": "undersuit", "style": "thick"},
    {"item": "jacket", "kind": "bc", "style": "jacket"},
    {"item": "steel 12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12, "rated_bar": 232},
    {"item": "alu 11", "kind": "cylinder", "material": "aluminium", "water_capacity_l": 11.1},
    {"item": "stage 7", "kind": "cylinder", "material": "aluminium", "water_capacity_l": 7},
    {"item": "heavy plate", "kind": "plate", "mass_kg": 9, "buoyancy_kg": -8, "buoyancy_sd_kg": 0.1},
]
NEED = {"Ines": 4.5, "Ivo": 5.0, HOSTILE: 3.0, "Noa": 5.5, "Ole": 6.0}
"""What each would need in salt water at the reserve, in kg; made up."""

_SEEN = ("gas", "gas", "empty", "unknown", "gas", "empty", "gas", "empty")
_OVER = (3.0, 2.5, 0.5, 2.0, 1.5, 0.5, 1.0, 0.5)  # kg of lead over need, dive by dive


def dives() -> list[Row]:
    rows = []
    for diver, need in NEED.items():
        for number, (over, state) in enumerate(zip(_OVER, _SEEN, strict=True), start=1):
            row = {
                "dive": f"{diver[:2]}-{number}",
                "diver": diver,
                "date": f"2026-05-{number:02d}",
                "water": "salt",
                "suit": "full 5",
                "bc": "jacket",
                "cylinder": "steel 12",
                "gas": "air",
                "start_bar": 200,
                "end_bar": 50,
                "lead_kg": need + over,
                "stop_result": "hovered",
                "bc_state": state,
            }
            rows.append(row)
    return rows


def checks() -> list[Row]:
    at = {"Ines": ("eye", 0.5), "Noa": ("under", 3.5), "Ole": ("chin", 0.5)}
    return [
        {
            "check": f"c{number}",
            "diver": diver,
            "dive": f"{diver[:2]}-8",
            "date": "2026-05-08",
            "lead_kg": NEED[diver] + over,
            "bar": 50,
            "waterline": waterline,
        }
        for number, (diver, (waterline, over)) in enumerate(at.items(), start=1)
    ]


def tables() -> dict[str, list[Row]]:
    return {"divers": DIVERS, "gear": GEAR, "dives": dives(), "checks": checks()}


def records(**changed: list[Row]) -> Records:
    rows = tables() | changed
    return Records(**{name: columns_from_rows(table, rows[name]) for name, table in TABLES.items()})


@cache
def learned() -> Fit:
    """Fit of the club; made once, for it takes some seconds."""
    from leadline.decide.learning import learn

    return learn(records()).fit


def make_book(path: Path, *, fitted: bool = True) -> Path:
    """A book of the club, with its fit if `fitted`."""
    with Book.open(path, write=True, create=True) as book:
        for name, rows in tables().items():
            book.upsert(name, rows)
        if fitted:
            book.save_fit(learned().to_bytes(), book.data_version, {})
    return path


def assess(plan: list[Row] | None = None, *, fit: Fit | None = None, **changed: list[Row]) -> Assessment:
    """Assessment of the club; the rows of `changed` tables are new to the fit, the others are part of it."""
    held = records(**changed)
    seen = {
        name: np.full(len(getattr(held, name)[name[:-1]]), name not in changed and fit is None)
        for name in ("dives", "checks")
    }
    return Assessment.of(
        held,
        fit or learned(),
        plan=None if plan is None else columns_from_rows(DIVES, plan),
        dives_in_fit=seen["dives"],
        checks_in_fit=seen["checks"],
    )


def plan_row(diver: str, **changed: Any) -> Row:
    """The kit of every dive of the club, tomorrow."""
    kit = {"suit": "full 5", "bc": "jacket", "cylinder": "steel 12", "gas": "air", "water": "salt"}
    return {"dive": "next", "diver": diver, "date": "2026-05-20"} | kit | changed


def plain_sights(leads: Any, fits: Any, theta: Any, *, doubt: float = 0.0) -> Sights:
    """Stops, one after the other, where the plan is."""
    lead, fit = np.asarray(leads, float), np.asarray(fits, float)
    number, no = np.arange(len(lead)), np.zeros(len(lead), bool)
    found = Sights(
        number, lead, lead, lead + theta.breath_out, lead - theta.breath_in, np.full(len(lead), doubt),
        np.full(len(lead), doubt), fit, np.where((fit == (0, 1, 1)).all(axis=1), 1.0, 0.5),
        ~no, no, number, number, no, no, no, no, ~no, ~no, np.zeros(len(lead), int), np.zeros(len(lead)),
        np.zeros(len(lead)), np.full(len(lead), np.inf), np.zeros(len(lead)),
    )  # fmt: skip
    return found.judged()
