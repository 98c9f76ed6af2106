"""The rental table against the truth of the demo records: strangers need what it says they may need.

Kind: independent: the truth is the generator's, whose physics differ from the ledger's on purpose. The same
dives taught the population, so this holds the bands to bodies and kit, not to a season to come.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from leadline.arrays import Records
from leadline.book import Book
from leadline.decide.advice import TOO_HEAVY, breath_out
from leadline.decide.assessment import Assessment
from leadline.decide.learning import learn
from leadline.decide.outfit import outfit_keys, suit_types
from leadline.decide.rental import Desk, rental
from leadline.timeline import DIVE

DATASETS = Path(__file__).resolve().parents[2] / "datasets"


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Records:
    path = tmp_path_factory.mktemp("demo") / "demo.duckdb"
    with Book.open(path, write=True, create=True) as book:
        book.load(**{name: DATASETS / f"{name}.csv" for name in ("divers", "gear", "dives", "checks")})
        return book.records()


@pytest.fixture(scope="module")
def told(records: Records) -> np.ndarray:
    """For each dive of an adult in rental kit: cell and true need, as a record array."""
    fit = learn(records).fit
    assessment = Assessment.of(
        records,
        fit,
        dives_in_fit=np.ones(len(records.dives["dive"]), bool),
        checks_in_fit=np.ones(len(records.checks["check"]), bool),
    )
    desk = Desk(waters=("salt", "fresh", "brackish"), cylinders=("alu 11", "steel 12", "steel 10"))
    data = rental(assessment, desk)
    with (DATASETS / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = {(r["dive"], r["diver"]): float(r["need_at_35_bar_kg"]) for r in csv.DictReader(file)}
    tables = {(t.place.water, t.place.cylinder): t for t in data.tables}
    columns = {outfit.key: j for j, outfit in enumerate(data.outfits)}
    keys = outfit_keys(records.dives, suit_types(records.gear))
    mass = assessment.line.occasions.body_mass[assessment.line.at(DIVE)]
    born = dict(zip(records.divers["diver"], records.divers["birth_year"], strict=True))
    rows = []
    for i, (dive, diver) in enumerate(zip(records.dives["dive"], records.dives["diver"], strict=True)):
        table = tables.get((records.dives["water"][i], records.dives["cylinder"][i]))
        group = [k for k, c in enumerate(data.classes) if c.holds(mass[i : i + 1])[0]]
        if table and group and keys[i] in columns and (dive, diver) in truth and not born[diver] > 2007:
            cell, need = table.cells[group[0]][columns[keys[i]]], truth[dive, diver]
            band = (cell.need_q10_kg, cell.need_q90_kg, cell.need_q025_kg, cell.need_q975_kg)
            rows.append((diver, need, *band, cell.lead_kg, cell.bring_kg, breath_out(fit.theta)))
    names = ("diver", "need", "q10", "q90", "q025", "q975", "lead", "bring", "out")
    return np.array(rows, [(n, "U40" if n == "diver" else float) for n in names]).view(np.recarray)


def test_there_are_enough_renters_to_tell(told) -> None:
    assert len(told) > 250
    assert len(set(told.diver)) > 40


# Some 60 divers: two standard errors of a share near 0.8 are 10 points.
def test_bands_hold_what_they_promise(told) -> None:
    assert ((told.q10 < told.need) & (told.need < told.q90)).mean() == pytest.approx(0.80, abs=0.10)
    assert ((told.q025 < told.need) & (told.need < told.q975)).mean() == pytest.approx(0.95, abs=0.05)


def test_lead_at_hand_is_enough_for_all_but_the_accepted_share(told) -> None:
    assert (told.need > told.bring + told.out).mean() < 0.12
    # What a check begins with is no lead to dive with, but sends few down far too heavy.
    assert (told.lead - told.need > TOO_HEAVY).mean() < 0.30
