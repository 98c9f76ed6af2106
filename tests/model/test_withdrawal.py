"""A diver's share taken out of the population, where hardly anybody else has shown what it is about.

Kind of expected values: independent (the prior of an effect that nobody else has shown, the fit of the book
without that diver, and the same answer by two ways).
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.model.crowd import Question, crowd_marginals
from leadline.model.diver import conditional_marginals
from leadline.model.people import Population, Targets
from leadline.model.population import fit

from .worlds import draw

ALONE = 6
"""Divers who are the only ones to wear an item: the last three with records that contradict each other."""


@pytest.fixture(scope="module")
def book():
    """40 divers; each of the first six wears an item that nobody else has."""
    o = draw(np.random.default_rng(12), divers=40, dives=5).observations
    own = np.zeros((len(o), ALONE))
    for d in range(ALONE):
        own[o.diver == d, d] = 1.9
    lower, upper = o.lower.copy(), o.upper.copy()
    for d in range(3, ALONE):
        there = np.flatnonzero(o.diver == d)
        # Leads far apart, of which each is said to have been right.
        lower[there] = upper[there] = o.prior[there].mean() + np.where(np.arange(len(there)) % 2, 4.0, -4.0)
    names = (*o.names, *(f"alone {d}" for d in range(ALONE)))
    o = replace(o, exposure=np.hstack([o.exposure, own]), names=names, lower=lower, upper=upper)
    return o, fit(o)


@pytest.mark.parametrize("diver", range(ALONE))
def test_what_nobody_else_has_shown_is_left_at_its_prior(book, diver):
    o, found = book
    left = Population.of(found, o.names).without(o.take(np.flatnonzero(o.diver == diver)))
    column = o.names.index(f"alone {diver}")
    sd = np.sqrt(left.covariance[:, column, column])
    # Rows that contradict each other settle here or there, and their share with them.
    close = 0.05 if diver < 3 else 0.3
    assert 0.97 < sd.min() <= sd.max() < 1.0 + 1e-9
    assert np.abs(left.mean[:, column]).max() < close


@pytest.mark.parametrize("diver", range(ALONE))
def test_no_share_leaves_less_than_the_prior_in_any_direction(book, diver):
    o, found = book
    left = Population.of(found, o.names).without(o.take(np.flatnonzero(o.diver == diver)))
    # Exactly so among the effects that the diver's rows touch; along with others nearly.
    assert np.linalg.eigvalsh(left.covariance).max() < 1 + 2e-3
    # Three sds of what others can have shown, by hand: of a sd s that is left, 3 sqrt(1 / s² - 1).
    value, axes = np.linalg.eigh(left.covariance)
    along = np.abs(np.swapaxes(axes, -1, -2) @ left.mean[..., None])[..., 0]
    assert np.all(along <= 3.0 * np.sqrt(np.maximum(1 / value - 1, 0)) + 0.15)


def test_both_ways_of_answering_take_the_same_share_out(book):
    o, found = book
    everyone = Population.of(found, o.names)
    questions, plain = [], []
    for diver in range(12):
        rows = np.flatnonzero(o.diver == diver)
        seen = np.ones(len(rows), bool)
        own, last = o.take(rows), rows[-1:]
        target = Targets(
            o.prior[last],
            o.exposure[last],
            o.suit_weight[last],
            own.suit[-1:],
            float(own.body_sd[0]),
            o.elapsed[last],
            o.jumped[last],
        )
        around = everyone.without(own).cautious()
        plain.append(conditional_marginals(around, own.as_intervals(), target, in_fit=seen)[0])
        questions.append(Question(rows, seen, rows, replace(target, suit=o.suit[last])))
    compiled = crowd_marginals(everyone, o, questions)
    together = [(d, one, two[0]) for d, (one, two) in enumerate(zip(plain, compiled, strict=True)) if two[0]]
    assert len(together) > 8
    for diver, one, two in together:
        # Rows that contradict each other settle here or there: their share is not quite the same.
        close = 0.2 if 3 <= diver < ALONE else 0.02
        assert_allclose(two.mean, one.mean, atol=close * one.expected_sd)
        assert_allclose(two.expected_sd, one.expected_sd, rtol=close)
