"""A crowd of any size as record files: ``python -m tests.benchmarks.crowd FOLDER [--divers N]``.

Needs are the ledger's own, moved by shared errors of the physics, by an offset of each diver and of each
diver in each suit, and by scatter from dive to dive; leads are chosen by habit; results follow from both.
What is noted depends on how the dive went. Everybody and everything is invented; only the amount counts.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records, columns_from_rows, empty, occasions
from leadline.physics.ledger import State, assemble, evaluate, exposures
from leadline.records import CHECKS, GEAR

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

GEAR_ROWS: Final = (
    {"item": "shorty 3", "kind": "suit", "style": "shorty", "thickness_mm": 3},
    {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 5},
    {"item": "full 7", "kind": "suit", "style": "full", "thickness_mm": 7},
    {"item": "two-piece 7", "kind": "suit", "style": "two_piece", "thickness_mm": 7},
    {"item": "membrane", "kind": "suit", "style": "dry_membrane"},
    {"item": "dry foam", "kind": "suit", "style": "dry_foam", "thickness_mm": 4},
    {"item": "medium", "kind": "undersuit", "style": "medium"},
    {"item": "thick", "kind": "undersuit", "style": "thick"},
    {"item": "jacket", "kind": "bc", "style": "jacket"},
    {"item": "wing", "kind": "bc", "style": "wing"},
    {"item": "hood", "kind": "hood", "thickness_mm": 5},
    {"item": "boots", "kind": "boots", "thickness_mm": 5},
    {"item": "steel 12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12},
    {"item": "steel 15", "kind": "cylinder", "material": "steel", "water_capacity_l": 15},
    {"item": "alu 11", "kind": "cylinder", "material": "aluminium", "water_capacity_l": 11.1},
)
OUTFITS: Final = (
    ("shorty 3", "", ""),
    ("full 5", "", "boots"),
    ("full 7", "", "boots;hood"),
    ("two-piece 7", "", "boots;hood"),
    ("membrane", "thick", "hood"),
    ("dry foam", "medium", "hood"),
)
"""Suit, undersuit and other pieces."""

MOST_SUITS: Final = 3
DIVER_SD: Final = 0.5
SCATTER: Final = 0.45
HABIT: Final = 1.2
BREATH_OUT: Final = 0.5
BREATH_IN: Final = 1.2
"""Spread of divers and dives, what is carried over need, and what breathing covers. [kg]"""

WRONG: Final = 0.01
NOTED: Final = (0.95, 0.8, 0.7)
EMPTY: Final = (1.0, 0.5, 0.2)
"""Share of wrong results; of stops noted and of empty BCs where need was above, within and below. [-]"""


def _column(values: Any) -> NDArray[Any]:
    return np.asarray(values, object)


def _filled(table: str, count: int, known: dict[str, NDArray[Any]]) -> Columns:
    """All columns of a table; missing where not known."""
    columns = {}
    for name, like in empty(table).items():
        blank = "" if like.dtype == object else np.nan
        columns[name] = known.get(name, np.full(count, blank, like.dtype))
    return columns


def _divers(rng: np.random.Generator, count: int) -> Columns:
    female = rng.random(count) < 0.45
    known = rng.random(count) < 0.8
    height = rng.normal(np.where(female, 167, 179), 7, count).round()
    mass = (height - 100) * rng.normal(1.0, 0.14, count)
    return _filled(
        "divers",
        count,
        {
            "diver": _column([f"d{i:06d}" for i in range(count)]),
            "mass_kg": np.where(known, np.clip(mass, 40, 150).round(), np.nan),
            "height_cm": np.where(known, np.clip(height, 140, 205), np.nan),
            "birth_year": rng.integers(1955, 2004, count).astype(float),
            "sex": _column(np.where(female, "f", "m")),
            "dives_before": np.floor(rng.exponential(80, count)),
        },
    )


def _dives(rng: np.random.Generator, names: NDArray[Any], each: int) -> tuple[Columns, IntArray, IntArray]:
    """Dives without leads and results, by date; the diver of each, and the diver in each suit."""
    count = len(names) * each
    diver = np.tile(np.arange(len(names)), each)
    wardrobe = rng.integers(0, len(OUTFITS), (len(names), MOST_SUITS))
    outfit = wardrobe[diver, rng.integers(0, rng.integers(1, MOST_SUITS + 1, len(names))[diver])]
    suit, under, other = (_column(parts)[outfit] for parts in zip(*OUTFITS, strict=True))
    day = np.sort(rng.integers(0, 2 * 365 * 24 * 12, count))
    start, end = rng.integers(38, 45, count) * 5, rng.integers(6, 17, count) * 5
    own = rng.integers(0, 3, len(names))[diver]
    dives = _filled(
        "dives",
        count,
        {
            "dive": _column([f"{i:07d}" for i in range(count)]),
            "diver": names[diver],
            "date": np.datetime64("2024-01-01", "s") + 300 * day.astype("timedelta64[s]"),
            "water": _column(["salt", "salt", "fresh"])[rng.integers(0, 3, count)],
            "suit": suit,
            "undersuit": under,
            "other": other,
            "bc": _column(["jacket", "wing"])[(own > 1).astype(int)],
            "cylinder": _column(["steel 12", "steel 15", "alu 11"])[own],
            "start_bar": _column(start.astype(str)),
            "end_bar": _column(end.astype(str)),
        },
    )
    return dives, diver, diver * len(OUTFITS) + outfit


def _results(rng: np.random.Generator, need: FloatArray, lead: FloatArray, dry: NDArray[np.bool_]) -> Any:
    """What was noted at the stop: result, state of the BC, gas in the suit."""
    zone = np.sum(need < np.stack([lead + BREATH_OUT, lead - BREATH_IN]), axis=0)
    wrong = rng.random(len(need)) < WRONG
    zone = np.where(wrong, (zone + rng.integers(1, 3, len(need))) % 3, zone)
    noted = rng.random(len(need)) < np.take(NOTED, zone)
    empty_bc = rng.random(len(need)) < np.take(EMPTY, zone)
    # Whoever is heavy and has gas in the BC hovers.
    word = _column(["rose", "hovered", "sank"])[np.where(empty_bc, zone, np.minimum(zone, 1))]
    return {
        "stop_result": np.where(noted, word, ""),
        "bc_state": np.where(noted, np.where(empty_bc, "empty", "gas").astype(object), ""),
        "suit_gas": np.where(noted & dry, "least", "").astype(object),
    }


def crowd(rng: np.random.Generator, *, divers: int, each: int) -> Records:
    """Records of a crowd.

    Parameters
    ----------
    rng : Generator
        Source of chance.
    divers, each : int
        How many, and the dives that each has made.

    Returns
    -------
    Records
        Without surface checks.
    """
    people = _divers(rng, divers)
    gear = columns_from_rows(GEAR, GEAR_ROWS)
    dives, diver, worn = _dives(rng, people["diver"], each)
    records = Records(people, gear, dives, columns_from_rows(CHECKS, []))
    rigs = assemble(records, occasions(records, dives))
    stop = State(5.0, dives["end_bar"].astype(float)[:, None])
    ledger = evaluate(rigs, stop)
    shared = exposures(rigs, stop, ledger=ledger)
    body = np.hypot(shared.body_sd, shared.rest_sd)
    need = ledger.need + shared.values @ rng.normal(0, 0.7, len(shared.names))
    need += rng.normal(size=divers)[diver] * np.hypot(DIVER_SD, body)
    suits = divers * len(OUTFITS)
    need += rng.normal(size=suits)[worn] * shared.suit_sd
    excess = rng.normal(HABIT, 1.0, suits)[worn]
    lead = np.maximum(np.round((need + excess + rng.normal(0, 0.5, len(need))) * 2) / 2, 0.0)
    dry = np.isin(dives["suit"], ["membrane", "dry foam"])
    seen = _results(rng, need + rng.normal(0, SCATTER, len(need)), lead, dry)
    return Records(people, gear, {**dives, "lead_kg": lead, **seen}, records.checks)


def _cells(values: NDArray[Any]) -> list[str]:
    if values.dtype == object:
        return list(values.tolist())
    if values.dtype.kind == "M":
        return list(values.astype(str).tolist())
    return ["" if np.isnan(value) else f"{value:g}" for value in values.tolist()]


def write(records: Records, folder: Path) -> None:
    """One CSV file a table, with the columns that hold anything; no file for an empty table."""
    folder.mkdir(parents=True, exist_ok=True)
    for table, columns in vars(records).items():
        cells = {name: _cells(values) for name, values in columns.items()}
        used = {name: column for name, column in cells.items() if any(column)}
        if not used:
            continue
        with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(used)
            writer.writerows(zip(*used.values(), strict=True))


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the files."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--divers", type=int, default=50_000)
    parser.add_argument("--dives", type=int, default=20, help="of each diver")
    parser.add_argument("--seed", type=int, default=6)
    o = parser.parse_args(arguments)
    write(crowd(np.random.default_rng(o.seed), divers=o.divers, each=o.dives), o.folder)


if __name__ == "__main__":
    main()
