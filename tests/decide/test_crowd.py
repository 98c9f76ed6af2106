"""Mixtures of needs, against the closed form of a mixture of normals."""

from __future__ import annotations

import numpy as np
import pytest

from leadline.decide.crowd import Crowd
from leadline.decide.forecast import Forecasts
from leadline.model.marginal import Marginal

MEANS, SDS, SCATTER = np.array([3.0, 5.0, 9.0]), np.array([0.8, 1.1, 0.5]), 0.4
WEIGHTS = np.array([0.5, 0.3, 0.2])


@pytest.fixture
def crowd() -> Crowd:
    members = []
    for mean, sd in zip(MEANS, SDS, strict=True):
        points = mean + sd * np.linspace(-7, 7, 301)
        members.append(Marginal.from_log_density(points, -0.5 * ((points - mean) / sd) ** 2, scatter=SCATTER))
    return Crowd(members, WEIGHTS)


# Kind: independent: scipy.stats.norm, sd in quadrature with the scatter.
def test_probabilities_and_moments(crowd: Crowd) -> None:
    stats = pytest.importorskip("scipy.stats")
    each = stats.norm(MEANS, np.hypot(SDS, SCATTER))
    at = np.array([[1.0, 4.0], [6.0, 9.5]])
    assert crowd.above(at) == pytest.approx((each.sf(at[..., None]) * WEIGHTS).sum(axis=-1), abs=1e-6)
    mean = WEIGHTS @ MEANS
    assert crowd.mean == pytest.approx(mean, abs=1e-6)
    assert crowd.sd == pytest.approx(np.sqrt(WEIGHTS @ (each.var() + (MEANS - mean) ** 2)), abs=1e-4)


def test_nothing_is_more_than_sure() -> None:
    """Arithmetic: these weights, each divided by their sum, add up to a little more than 1."""
    weights = next(
        w / w.sum() for w in np.random.default_rng(1).random((500, 7)) if float((w / w.sum()).sum()) > 1
    )
    sure = Crowd([Marginal(np.array([5.0]), np.array([1.0]), SCATTER)] * 7, weights)
    assert weights @ np.ones(7) > 1
    assert float(sure.above(-90)) == 1
    seen = Forecasts(np.full((1, 7), 5.0), weights[None], np.full((1, 7), SCATTER))
    assert seen.below(np.array([99.0])) == 1


def test_quantiles_turn_probabilities_round(crowd: Crowd) -> None:
    levels = np.array([0.001, 0.1, 0.5, 0.9, 0.999])
    found = crowd.quantile(levels)
    assert np.all(np.diff(found) > 0)
    assert 1 - crowd.above(found) == pytest.approx(levels, abs=1e-4)


def test_alike_members_are_one(crowd: Crowd) -> None:
    one = crowd.members[1]
    many = Crowd.of([one] * 5)
    assert many.quantile(0.9) == pytest.approx(one.quantile(0.9), abs=2e-4)
    assert many.sd == pytest.approx(one.sd)
