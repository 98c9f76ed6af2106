"""How near the answers come to the truth of the demo records: ``python .ci/heldout.py [DATE]``.

Learns from everything before the date (1 September 2026 unless given), answers every later dive from its kit
and water alone, and compares need at the reserve with what the generator of the records knows.
"""

from __future__ import annotations

import csv
import sys
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from leadline.arrays import Columns, Records, empty
from leadline.book import Book
from leadline.decide.advice import breath_out
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.learning import learn
from leadline.model.marginal import Marginal
from leadline.physics.ledger import prior_sd
from leadline.records import DIVES, RESERVE_PRESSURE, TABLES
from leadline.timeline import PLAN

FloatArray = NDArray[np.float64]
Rows = NDArray[np.bool_]

FOLDER = Path(__file__).resolve().parents[1] / "datasets"
GRID = np.linspace(-25.0, 35.0, 2401)


def _records() -> Records:
    """The demo records that load."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "demo.duckdb"
        with Book.open(file, write=True, create=True) as book:
            book.load(**{name: FOLDER / f"{name}.csv" for name in TABLES})
            return book.records()


def _truth() -> dict[tuple[str, str], float]:
    """Need at the reserve, by dive and diver. [kg]."""
    with (FOLDER / "truth.csv").open(encoding="utf-8", newline="") as file:
        return {(row["dive"], row["diver"]): float(row["need_at_35_bar_kg"]) for row in csv.DictReader(file)}


def _take(columns: Columns, rows: Rows) -> dict[str, NDArray[np.generic]]:
    return {name: values[rows] for name, values in columns.items()}


def _as_plan(dives: Columns, rows: Rows) -> Columns:
    """Dives without what was seen or carried on them."""
    plan, blank = _take(dives, rows), empty("dives")
    for column in DIVES.columns:
        if column.result or column.name in ("lead_kg", "lead_places", "lead_ditchable_kg"):
            plan[column.name] = np.empty(int(rows.sum()), blank[column.name].dtype)
            plan[column.name][:] = "" if blank[column.name].dtype == object else np.nan
    return plan


def _needs(assessment: Assessment) -> tuple[list[Marginal], FloatArray, FloatArray]:
    """Need of every planned dive, and what physics alone says of it: mean and sd."""
    rows = assessment.line.at(PLAN)
    diver = assessment.line.occasions.diver[rows]
    found: dict[int, Marginal] = {}
    for each in np.unique(diver):
        mine = rows[diver == each]
        state = assessment.state(mine, pressure=RESERVE_PRESSURE)
        found.update(zip(mine.tolist(), assessment.marginals(mine, state), strict=True))
    ledger, shared = assessment.prior(rows, assessment.state(rows, pressure=RESERVE_PRESSURE))
    return [found[row] for row in rows.tolist()], ledger.need, prior_sd(shared)


def _line(name: str, below: FloatArray, mean: FloatArray, truth: FloatArray) -> str:
    """Scores of distributions that are given as chances of less than each point of the grid."""
    step = GRID[1] - GRID[0]
    crps = float(np.mean(np.sum((below - (truth[:, None] <= GRID)) ** 2, axis=1) * step))
    place = np.array([np.interp(t, GRID, row) for t, row in zip(truth, below, strict=True)])
    inside = [float(np.mean(np.abs(place - 0.5) < level / 2)) for level in (0.8, 0.95)]
    error = mean - truth
    return (
        f"{name:<22} {error.mean():+8.2f} {np.sqrt(np.mean(error**2)):8.2f} {crps:8.2f}"
        f" {inside[0]:10.0%} {inside[1]:10.0%}"
    )


def main(arguments: list[str]) -> None:
    """Print the scores of all later dives."""
    date = np.datetime64(arguments[0] if arguments else "2026-09-01", "s")
    records, known = _records(), _truth()
    late = records.dives["date"] >= date
    dives = _take(records.dives, records.dives["date"] < date)
    checks = _take(records.checks, records.checks["date"] < date)
    past = Records(records.divers, records.gear, dives, checks)
    keys = zip(records.dives["dive"][late], records.dives["diver"][late], strict=True)
    truth = np.array([known[dive, diver] for dive, diver in keys])
    found = learn(past)
    assessment = Assessment.of(
        past,
        found.fit,
        plan=_as_plan(records.dives, late),
        dives_in_fit=np.ones(len(dives["dive"]), bool),
        checks_in_fit=np.ones(len(checks["check"]), bool),
    )
    needs, prior, sd = _needs(assessment)
    block, least = Block(), breath_out(found.fit.theta)
    lead = np.array([block.at_least(float(need.quantile(0.95)) - least) for need in needs])
    carried = records.dives["lead_kg"][late]
    print(f"learned from {len(dives['dive'])} dives before {date}; {len(truth)} later ones answered")
    print(f"{'need, kg':<22} {'bias':>8} {'rms':>8} {'CRPS':>8} {'in 80 %':>10} {'in 95 %':>10}")
    print(_line("physics alone", ndtr((GRID - prior[:, None]) / sd[:, None]), prior, truth))
    below = np.array([1 - need.above(GRID) for need in needs])
    print(_line("with what was learned", below, np.array([need.mean for need in needs]), truth))
    for name, used in (("at a risk of 5 %", lead), ("carried", carried)):
        noted = ~np.isnan(used)
        light, heavy = used + least < truth, used > truth + 2
        print(f"lead {name}: {light[noted].mean():.1%} too light, {heavy[noted].mean():.0%} too heavy")


if __name__ == "__main__":
    main(sys.argv[1:])
