"""The same records give the same fit, bit for bit, in whatever order they were written down."""

from pathlib import Path

import numpy as np
import pytest

from leadline.arrays import Records
from leadline.book import Book
from leadline.decide.learning import learn
from leadline.records import TABLES

DATASETS = Path(__file__).resolve().parents[2] / "datasets"


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """The demo records that load."""
    file = tmp_path_factory.mktemp("order") / "demo.duckdb"
    with Book.open(file, write=True, create=True) as book:
        book.load(**{name: DATASETS / f"{name}.csv" for name in TABLES})
        return book.records()


def shuffled(columns, rng, *, together=()):
    """Rows in another order; those that share the columns `together` keep theirs among themselves."""
    size = len(next(iter(columns.values())))
    order = rng.permutation(size)
    if together:
        keys = np.array(["|".join(str(columns[name][i]) for name in together) for i in range(size)])
        for key in set(keys[order]):
            places = np.flatnonzero(keys[order] == key)
            order[places] = np.sort(order[places])
    return {name: values[order] for name, values in columns.items()}


def test_the_order_of_the_files_does_not_change_a_bit(records):
    rng = np.random.default_rng(3)
    # Dives of one diver on one date stay in file order, as the records' own rule has it.
    other = Records(
        shuffled(records.divers, rng),
        shuffled(records.gear, rng),
        shuffled(records.dives, rng, together=("diver", "date")),
        shuffled(records.checks, rng, together=("diver", "date")),
    )
    first, second = learn(records), learn(other)
    assert first.evidence_hash == second.evidence_hash
    assert first.fit.to_bytes() == second.fit.to_bytes()
