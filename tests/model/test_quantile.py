"""Quantiles of many needs at once, against their definition and a normal distribution."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from leadline.model.marginal import Marginal
from leadline.model.quantile import quantiles
from leadline.model.stack import Stack, chances_above

LEVELS = (0.001, 0.025, 0.1, 0.5, 0.7, 0.9, 0.95, 0.975, 0.999)


@st.composite
def needs(draw) -> Marginal:
    """One or two humps, near or far apart, with little scatter or much."""
    points = np.linspace(-3, 12, draw(st.integers(2, 160)))
    humps = draw(st.lists(st.tuples(st.floats(-2, 11), st.floats(0.05, 4)), min_size=1, max_size=2))
    logs = np.logaddexp.reduce([-0.5 * ((points - at) / sd) ** 2 for at, sd in humps], axis=0)
    return Marginal.from_log_density(points, logs, scatter=draw(st.floats(0.05, 1.5)))


@settings(deadline=None, max_examples=80)
@given(st.lists(needs(), min_size=1, max_size=4))
def test_chance_of_less_is_the_level(found: list[Marginal]) -> None:
    """Independent: the definition of a quantile, with the needs of all lengths side by side."""
    for need, ends in zip(found, quantiles(found, LEVELS), strict=True):
        assert_allclose(1 - need.above(ends), LEVELS, atol=1e-6)


def test_one_point_is_a_normal_distribution() -> None:
    """Independent: the standard library's normal distribution."""
    need = Marginal(np.array([4.0]), np.array([1.0]), 0.8)
    expected = [NormalDist(4.0, 0.8).inv_cdf(level) for level in LEVELS]
    assert_allclose(quantiles([need], LEVELS)[0], expected, atol=1e-8)


@pytest.mark.parametrize("count", [0, 1, 700])
def test_many_are_as_one_by_one(count: int) -> None:
    rng = np.random.default_rng(5)
    points = np.linspace(0, 10, 61)
    found = [
        Marginal.from_log_density(points, -0.5 * ((points - at) / 1.2) ** 2, scatter=sd)
        for at, sd in zip(rng.uniform(2, 8, count), rng.uniform(0.2, 1, count), strict=True)
    ]
    together = quantiles(found, LEVELS)
    assert together.shape == (count, len(LEVELS))
    for need, ends in zip(found[::50], together[::50], strict=True):
        assert_allclose(ends, need.quantile(LEVELS), atol=1e-9)


@settings(deadline=None, max_examples=40)
@given(st.lists(needs(), min_size=1, max_size=5))
def test_chances_and_sds_of_many_are_those_of_each(found: list[Marginal]) -> None:
    """Independent: one need after the other, by other code; a threshold that is not known has no chance."""
    thresholds = np.array([[need.mean, need.mean + need.sd, np.nan] for need in found])
    chances = chances_above(found, thresholds)
    for need, at, chance in zip(found, thresholds, chances, strict=True):
        assert_allclose(chance[:2], need.above(at[:2]), rtol=1e-12)
        assert np.isnan(chance[2])
        assert_allclose(Stack.of([need]).sd, need.sd, rtol=1e-9)


def test_nothing_is_more_than_sure() -> None:
    """Arithmetic: without weight beyond it a chance is 1 or 0, though weights may add up to more than 1."""
    points = np.linspace(0, 10, 61)
    found = [
        Marginal.from_log_density(points, -0.5 * ((points - at) / 1.2) ** 2, scatter=0.5)
        for at in np.linspace(2, 8, 200)
    ]
    assert any(float(need.weights @ np.ones(61)) > 1 for need in found)  # else it could not fail
    ends = np.broadcast_to([-90.0, 90.0], (200, 2))
    one_by_one = [need.above(ends[0]) for need in found]
    for chances in (chances_above(found, ends), np.array(one_by_one)):
        assert_allclose(chances, [[1, 0]] * 200, atol=1e-12)
        assert chances.max() <= 1 - chances.min() <= 1
