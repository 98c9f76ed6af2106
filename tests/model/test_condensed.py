"""Fewer points of the hyperparameters where a large book knows most of them.

Kind of expected values: independent (moments by numpy; answers over hundreds of points of the same normal
distribution; law of total variance).
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.model.around import simplex
from leadline.model.condensed import condensed
from leadline.model.hyperparameters import CENTRE, SPREAD
from leadline.model.large import fit_any_size
from leadline.model.people import Population
from leadline.model.population import prior_fit
from tests.reference.engine import engine

from .worlds import draw

OPEN = np.array([0, 4, 13])


def laid_out(rng, sd):
    """Points with these sds, correlated, and means that move along with them; what they were made from."""
    k = len(sd)
    turn = np.eye(k) + 0.3 * rng.normal(size=(k, k))
    root = sd[:, None] * (turn / np.linalg.norm(turn, axis=1, keepdims=True))
    slope = rng.normal(size=(k, 3))
    points = simplex(k) @ root.T
    return CENTRE + points, points @ slope, root @ root.T, slope


def mostly_known():
    sd = np.full(len(SPREAD), 0.02)
    sd[OPEN] = 0.3
    return sd


def test_moments_of_what_is_in_doubt_stay(rng):
    vectors, means, covariance, _ = laid_out(rng, mostly_known())
    found = condensed(vectors, np.full(15, 1 / 15), means)
    assert found.vectors.shape == (4, 14)
    assert_allclose(found.vectors.mean(axis=0), CENTRE, atol=1e-12)
    seen = np.cov(found.vectors.T, bias=True)
    assert_allclose(seen[OPEN], covariance[OPEN], atol=1e-12)
    # The others follow: no more than their own doubt, and of that what those in doubt explain.
    explained = covariance[:, OPEN] @ np.linalg.solve(covariance[np.ix_(OPEN, OPEN)], covariance[OPEN])
    assert_allclose(seen, explained, atol=1e-12)


def test_doubt_about_shared_effects_stays_whole(rng):
    vectors, means, covariance, slope = laid_out(rng, mostly_known())
    found = condensed(vectors, np.full(15, 1 / 15), means)
    assert_allclose(found.means.mean(axis=0), means.mean(axis=0), atol=1e-12)
    assert_allclose(np.cov(found.means.T, bias=True) + found.rest, slope.T @ covariance @ slope, atol=1e-12)
    assert np.linalg.eigvalsh(found.rest)[0] > -1e-12


def test_moments_are_those_of_the_weights(rng):
    vectors, means, _, _ = laid_out(rng, mostly_known())
    weights = np.linspace(1.0, 2.0, 15)
    weights /= weights.sum()
    found = condensed(vectors, weights, means)
    assert_allclose(found.vectors.mean(axis=0)[OPEN], np.average(vectors, axis=0, weights=weights)[OPEN])
    assert_allclose(
        np.cov(found.vectors[:, OPEN].T, bias=True),
        np.cov(vectors[:, OPEN].T, aweights=weights, bias=True),
        atol=1e-12,
    )
    assert_allclose(found.means.mean(axis=0), np.average(means, axis=0, weights=weights))
    seen = np.cov(found.means.T, bias=True) + found.rest
    assert_allclose(seen, np.cov(means.T, aweights=weights, bias=True), atol=1e-12)


def test_what_no_answer_leans_on_needs_no_points(rng):
    """However much in doubt: how records are written, and how much lead is chosen; breathing is known."""
    leant_on = [0, 1, 2, 3, 4, 6, 13]
    vectors, means, covariance, _ = laid_out(rng, np.full(14, 0.6) * SPREAD)
    found = condensed(vectors, np.full(15, 1 / 15), means)
    assert found.vectors.shape == (8, 14)
    seen = np.cov(found.vectors.T, bias=True)
    assert_allclose(seen[leant_on], covariance[leant_on], atol=1e-12)
    before = prior_fit(["a"])
    assert len(Population.of(before, ["a"]).weights) == 8


@pytest.fixture(scope="module")
def large():
    """1,000 divers; the first five alone wear an item of their own."""
    book = draw(np.random.default_rng(5), divers=1000, dives=12, exposures=5).observations
    alone = np.zeros((len(book), 5))
    for diver in range(5):
        alone[book.diver == diver, diver] = 0.8
    names = (*book.names, *(f"alone {diver}" for diver in range(5)))
    book = replace(book, exposure=np.hstack([book.exposure, alone]), names=names)
    return book, fit_any_size(book, few=0, samples=(3000, len(book)))


def many(fit, turns):
    """The same normal distribution of the hyperparameters in 15 points for each turn of a simplex."""
    middle = fit.vectors.mean(axis=0)
    root = np.linalg.cholesky(np.cov(fit.vectors.T, bias=True))
    slope = np.linalg.solve(np.cov(fit.vectors.T, bias=True), (fit.vectors - middle).T @ fit.means / 15)
    turned = [np.linalg.qr(np.random.default_rng(seed).normal(size=(14, 14)))[0] for seed in range(turns)]
    away = np.concatenate([simplex(14) @ turn for turn in turned]) @ root.T
    return replace(
        fit,
        vectors=middle + away,
        means=fit.means.mean(axis=0) + away @ slope,
        # A hair apart, so that these are not made fewer.
        weights=(1 + 1e-6 * np.arange(len(away))) / np.sum(1 + 1e-6 * np.arange(len(away))),
    )


def test_answers_are_those_over_many_points(large):
    book, fit = large
    few = Population.of(fit, book.names)
    assert 3 <= len(few.weights) <= 7
    divers = [*range(5), *range(5, 1000, 50)]
    wanted = engine(book, divers=divers, population=many(fit, 6))["offset"]
    found = engine(book, divers=divers, population=fit)["offset"]
    off = (found["mean"] - wanted["mean"]) / wanted["sd"]
    assert np.abs(off).max() < 0.05
    assert np.sqrt(np.mean(off**2)) < 0.02
    assert_allclose(found["sd"], wanted["sd"], rtol=0.03)
    off = (found["quantiles"] - wanted["quantiles"]) / wanted["sd"][:, None]
    assert np.sqrt(np.mean(off**2, axis=0)).max() < 0.03
    assert np.abs(off).max() < 0.1
