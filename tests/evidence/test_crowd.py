"""Evidence of many divers, taken a few at a time, is that of all at once."""

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from leadline.book import Book
from leadline.decide.assessment import Assessment
from leadline.evidence.crowd import gather_in_parts
from leadline.model.population import prior_fit
from leadline.records import TABLES
from leadline.timeline import timeline

DATASETS = Path(__file__).resolve().parents[2] / "datasets"


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """The demo records that load."""
    file = tmp_path_factory.mktemp("crowd") / "demo.duckdb"
    with Book.open(file, write=True, create=True) as book:
        book.load(**{name: DATASETS / f"{name}.csv" for name in TABLES})
        return book.records()


@pytest.mark.parametrize(("at_once", "threads"), [(100, 1), (100, 2), (370, 16), (10_000, 1)])
def test_parts_and_threads_change_no_bit(records, at_once, threads):
    # Independent within the package: all rows at once. A column of zeros is a type that no row shows.
    whole = Assessment.of(records, prior_fit()).evidence
    found = gather_in_parts(timeline(records), at_once=at_once, threads=threads)
    assert found.labels == whole.labels
    for field in fields(whole.observations):
        ours, theirs = (getattr(each.observations, field.name) for each in (found, whole))
        assert np.array_equal(np.asarray(ours), np.asarray(theirs)), field.name
    for field in fields(whole.statements):
        ours, theirs = (getattr(each.statements, field.name) for each in (found, whole))
        assert np.array_equal(ours, theirs), field.name
    assert np.array_equal(found.suit, whole.suit)
    assert np.array_equal(found.diver, whole.diver)
    for diver in np.unique(whole.diver):
        mine = whole.diver == diver
        assert np.array_equal(np.argsort(found.order[mine]), np.argsort(whole.order[mine]))
