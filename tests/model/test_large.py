"""Many divers: the search on a sample, the last step on all, against the search on all."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.model.large import fit_any_size, sampled
from leadline.model.people import Population
from leadline.model.population import fit
from tests.reference.engine import engine

from .worlds import draw


@pytest.fixture(scope="module")
def book():
    return draw(np.random.default_rng(5), divers=500, dives=8, exposures=5).observations


def test_a_sample_is_of_whole_divers_and_always_the_same(book):
    taken = sampled(book, 1500)
    whole = np.bincount(book.diver, taken) / np.bincount(book.diver)
    assert set(whole) == {0.0, 1.0}
    assert 1500 <= taken.sum() < 1600
    assert np.array_equal(taken, sampled(book, 1500))


def test_a_small_book_is_fitted_as_ever(book):
    few = book.take(book.diver < 20)
    assert fit_any_size(few).to_bytes() == fit(few).to_bytes()


def test_a_sample_and_one_step_come_to_what_all_rows_say(book):
    # Independent: the search on all rows. Offsets in posterior sds; the sample alone is off by a tenth.
    one, all_rows = fit_any_size(book, enough=1500), fit(book)
    assert one.diagnostics["sampled_observations"] < 1600 < one.diagnostics["observations"]
    away = (one.theta_mean - all_rows.theta_mean) / all_rows.theta_sd
    assert np.sqrt(np.mean(away**2)) < 0.6
    assert_allclose(one.mean, all_rows.mean, atol=0.15 * np.sqrt(np.diag(all_rows.covariance)).max())
    assert_allclose(np.diag(one.covariance), np.diag(all_rows.covariance), rtol=0.05)
    spread = np.std(one.vectors, axis=0) / np.std(all_rows.vectors, axis=0)
    assert 0.4 < spread.min() < spread.max() < 1.6
    people = [Population.of(found, book.names) for found in (one, all_rows)]
    assert_allclose(people[0].mean.mean(axis=0), people[1].mean.mean(axis=0), atol=0.02)
    divers = range(0, 500, 40)
    found = [engine(book, divers=divers, population=p)["offset"] for p in (one, all_rows)]
    off = (found[0]["quantiles"] - found[1]["quantiles"]) / found[1]["sd"][:, None]
    assert np.sqrt(np.mean(off**2, axis=0)).max() < 0.05
