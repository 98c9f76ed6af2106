"""The engine against the same posterior by the no-U-turn sampler: stored summaries, and one run afresh.

Kind of all expected values: independent (NumPyro; script, seeds, versions and Monte-Carlo errors stand in
`tests/reference`).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters
from leadline.model.occasion import occasion_terms
from tests.reference import books, run, theory
from tests.reference.engine import engine

STORED = [name for name in books.RECIPES if (run.FOLDER / f"{name}.json").exists()]
"""The rich book's summary takes a quarter of an hour to make; all others a minute or so."""


@pytest.fixture(scope="module")
def answers():
    """The engine's answer to each book, reckoned once."""
    found = {}

    def answer(name):
        if name not in found:
            found[name] = engine(books.reference(name).observations)
        return found[name]

    return answer


def rms(values):
    return np.sqrt(np.mean(values**2, axis=0))


@pytest.mark.parametrize("name", STORED)
def test_the_summary_belongs_to_the_book_and_is_known_well_enough(name):
    whole = run.stored(name)
    assert whole["fingerprint"] == run.fingerprint(books.reference(name))
    assert whole["divergences"] == 0
    for part in run.PARTS:
        s = whole[part]
        assert min(s["ess_bulk"].min(), s["ess_tail"].min()) >= run.NEEDED
        assert s["rhat"].max() < 1.01
        # Small beside what is compared: 0.10 sd of means, 0.15 sd of quantiles.
        assert (s["mcse"] / s["sd"]).max() < 0.025
        assert rms(s["mcse_quantiles"] / s["sd"][:, None]).max() < 0.05


@pytest.mark.parametrize("name", STORED)
def test_every_divers_offset_agrees(name, answers):
    expected, found = run.stored(name)["offset"], answers(name)["offset"]
    sd = expected["sd"]
    away = (found["mean"] - expected["mean"]) / sd
    assert rms(away) < 0.10
    assert np.abs(away).max() < 0.3
    low, high = np.quantile(found["sd"] / sd, [0.05, 0.95])
    assert 0.93 < low < high < 1.07
    off = rms((found["quantiles"] - expected["quantiles"]) / sd[:, None])
    assert off.max() < 0.15, dict(zip(run.QUANTILES, off.round(3).tolist(), strict=True))


@pytest.mark.parametrize("name", STORED)
def test_hyperparameters_agree(name, answers):
    expected, found = run.stored(name)["theta"], answers(name)["theta"]
    sd = expected["sd"]
    assert_allclose((found["mean"] - expected["mean"]) / sd, 0.0, atol=0.2)
    assert_allclose(found["sd"] / sd, 1.0, atol=0.1)
    off = rms((found["quantiles"] - expected["quantiles"]) / sd[:, None])
    assert off.max() < 0.15, dict(zip(run.QUANTILES, off.round(3).tolist(), strict=True))


def test_where_no_time_passes_the_drift_keeps_its_prior():
    # Nothing in that book depends on the drift: its posterior is its prior, known in closed form.
    whole = run.stored("standing")["theta"]
    error = 4 * whole["mcse"][-1]
    assert_allclose(whole["mean"][-1], CENTRE[-1], atol=error)
    assert_allclose(whole["sd"][-1], SPREAD[-1], rtol=0.03)


def test_both_take_the_same_chance_for_every_record(rng):
    """Both log likelihoods, written apart from each other, where no scatter is shared and all is given."""
    nuts = pytest.importorskip("tests.reference.nuts", reason="NumPyro is not installed")
    book = books.reference("sparse")
    o = book.observations.take(book.observations.single)
    data = nuts.Constants(o)
    for _ in range(20):
        values, need = theory.from_prior(rng), o.prior + rng.normal(0, 2, len(o))
        theta = Hyperparameters.from_vector(values)
        assert_allclose(
            nuts.log_likelihood(data, values, need), occasion_terms(o, theta, need).value, rtol=1e-9
        )


def test_both_share_the_scatter_of_a_dive_alike(rng):
    """The engine's quadrature against a fine sum over the sampler's likelihood given that scatter."""
    nuts = pytest.importorskip("tests.reference.nuts", reason="NumPyro is not installed")
    book = books.reference("sparse")
    node = np.linspace(-7, 7, 211)
    weight = np.exp(-0.5 * node**2) / np.exp(-0.5 * node**2).sum()
    for rows in book.observations.shared[:3]:
        o = book.observations.take(rows[rows >= 0])
        data = nuts.Constants(o)
        theta, need = Hyperparameters.from_vector(book.theta), o.prior + rng.normal(0, 1, len(o))
        given = [float(nuts.log_likelihood(data, book.theta, need + theta.scatter * x)) for x in node]
        assert_allclose(occasion_terms(o, theta, need).value, np.log(weight @ np.exp(given)), atol=2e-3)


def test_a_fresh_run_of_the_sparse_book_agrees_with_what_is_stored():
    """About half a minute on two cores; another seed, so that it also checks the Monte-Carlo errors."""
    nuts = pytest.importorskip("tests.reference.nuts", reason="NumPyro is not installed")
    from tests.reference.diagnostics import summary

    draws = nuts.sample(books.reference("sparse"), seed=2, warmup=800, draws=4000)
    assert draws.divergences == 0
    for part in run.PARTS:
        expected, found = run.stored("sparse")[part], summary(getattr(draws, part))
        error = np.hypot(expected["mcse"], found["mcse"])
        # Sixty numbers: the chance that a normal one is beyond 4.5 is 7e-6 each.
        assert np.abs((found["mean"] - expected["mean"]) / error).max() < 4.5
        assert_allclose(found["sd"], expected["sd"], rtol=0.10)
