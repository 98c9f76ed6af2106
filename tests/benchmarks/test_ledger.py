"""How long a ledger takes: a million rows when benchmarks are on, a few otherwise.

Run `pytest tests/benchmarks --benchmark-enable`.
"""

from __future__ import annotations

import numpy as np
import pytest

from leadline.arrays import Records, columns_from_rows, occasions
from leadline.physics.ledger import State, assemble, evaluate, exposures
from leadline.records import CHECKS, DIVERS, DIVES, GEAR

GEAR_ROWS = [
    {"item": "five", "kind": "suit", "style": "full", "thickness_mm": 5},
    {"item": "membrane", "kind": "suit", "style": "dry_membrane"},
    {"item": "thick", "kind": "undersuit", "style": "thick"},
    {"item": "jacket", "kind": "bc", "style": "jacket"},
    {"item": "hood", "kind": "hood"},
    {"item": "boots", "kind": "boots"},
    {"item": "s12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12},
    {"item": "a11", "kind": "cylinder", "material": "aluminium", "water_capacity_l": 11.1},
]
DIVE_ROWS = [
    {
        "dive": "1",
        "diver": "Ines",
        "water": "salt",
        "suit": "five",
        "bc": "jacket",
        "cylinder": "s12",
        "other": "boots;hood",
    },
    {
        "dive": "2",
        "diver": "Ines",
        "water": "fresh",
        "suit": "membrane",
        "undersuit": "thick",
        "cylinder": "a11",
        "gas": "32",
    },
    {"dive": "3", "diver": "Otto", "water": "salt", "suit": "five", "cylinder": "s12;a11", "gas": "18/45;50"},
]
STOP = State(5.0, 35.0)


@pytest.fixture
def dives(benchmark):
    """Records, and occasions in number as the benchmark is on or off."""
    records = Records(
        divers=columns_from_rows(
            DIVERS, [{"diver": "Ines", "mass_kg": 64, "height_cm": 170}, {"diver": "Otto"}]
        ),
        gear=columns_from_rows(GEAR, GEAR_ROWS),
        dives=columns_from_rows(DIVES, DIVE_ROWS),
        checks=columns_from_rows(CHECKS, []),
    )
    count = 1_000_000 if benchmark.enabled else 3_000
    return records, occasions(records, records.dives).take(np.arange(count) % len(DIVE_ROWS))


def test_assemble(benchmark, dives):
    records, rows = dives
    rigs = benchmark.pedantic(assemble, args=(records, rows), rounds=3)
    assert len(rigs) == len(rows)


def test_evaluate(benchmark, dives):
    records, rows = dives
    ledger = benchmark.pedantic(evaluate, args=(assemble(records, rows), STOP), rounds=5, warmup_rounds=1)
    assert ledger.need.shape == (len(rows),)


def test_exposures(benchmark, dives):
    records, rows = dives
    rigs = assemble(records, rows)
    drawn = evaluate(rigs, STOP)
    found = benchmark.pedantic(exposures, args=(rigs, STOP), kwargs={"ledger": drawn}, rounds=3)
    assert found.values.shape == (len(rows), len(found.names))
