"""Partial pooling against brute force, a library's mixed model, and simulated groups."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM

from leadline.decide.pooling import MEAN_SD, SPREAD_BETWEEN, SPREAD_WITHIN, pooled


def draw(rng, sizes, *, overall=-1.0, between=0.6, within=0.9):
    means = overall + between * rng.standard_normal(len(sizes))
    labels = np.repeat(np.arange(len(sizes)), sizes)
    return means, means[labels] + within * rng.standard_normal(len(labels)), labels


def test_against_brute_force() -> None:
    """Independent: the joint normal density of all values by scipy, on another grid of the spreads."""
    values, labels = np.array([-2.0, -1.0, 0.5, -0.4, -3.0]), np.array([0, 0, 1, 1, 2])
    variances = np.array([0.1, 0.0, 0.3, 0.0, 0.2])
    member = np.eye(3)[labels]
    weights, means = [], []
    for within in np.linspace(0.05, 6, 60):
        for between in np.linspace(0.03, 4, 60):
            groups = between**2 * np.eye(3) + MEAN_SD**2  # the groups share the mean
            cover = member @ groups @ member.T + np.diag(within**2 + variances)
            prior = stats.halfnorm.pdf(within, scale=SPREAD_WITHIN)
            prior *= stats.halfnorm.pdf(between, scale=SPREAD_BETWEEN)
            weights.append(prior * stats.multivariate_normal.pdf(values, np.zeros(5), cover))
            means.append(groups @ member.T @ np.linalg.solve(cover, values))
    expected = np.average(means, axis=0, weights=weights)
    assert_allclose(pooled(values, variances, labels, groups=3).mean, expected, atol=0.02)


def test_many_groups_agree_with_a_mixed_model() -> None:
    """Independent: statsmodels MixedLM by REML; with 60 groups the priors hardly count."""
    rng = np.random.default_rng(3)
    _, values, labels = draw(rng, rng.integers(3, 12, 60))
    frame = pd.DataFrame({"y": values, "g": labels})
    fit = MixedLM.from_formula("y ~ 1", groups="g", data=frame).fit(reml=True)
    effects = fit.fe_params.iloc[0] + np.array([fit.random_effects[g].iloc[0] for g in range(60)])
    found = pooled(values, np.zeros(len(values)), labels, groups=60)
    assert found.overall == pytest.approx(fit.fe_params.iloc[0], abs=0.02)
    assert found.overall_sd == pytest.approx(fit.bse_fe.iloc[0], rel=0.1)
    assert found.within == pytest.approx(np.sqrt(fit.scale), rel=0.05)
    assert found.between == pytest.approx(float(np.sqrt(fit.cov_re.iloc[0, 0])), rel=0.1)
    assert_allclose(found.mean, effects, atol=0.05)


def test_four_students_are_not_ranked_on_noise() -> None:
    """A small group with a wild mean ends nearer to all than a large one with the same mean."""
    values = np.concatenate([np.full(4, -3.0), np.full(40, -3.0), np.full(60, -1.0)])
    values += np.tile([-0.8, 0.8], 52)
    labels = np.repeat([0, 1, 2], [4, 40, 60])
    found = pooled(values, np.zeros(104), labels, groups=3)
    assert found.mean[1] < found.mean[0] < -1.0
    assert found.sd[0] > 2 * found.sd[1]


def test_intervals_hold_and_pooling_beats_the_plain_means() -> None:
    """Independent: 150 simulated schools of seven leaders with a handful of students each. Of 1,050 intervals
    at 95 % a sound method misses 52 with a standard deviation of 7, more where leaders share a school."""
    rng = np.random.default_rng(8)
    inside, pooled_error, plain_error = [], [], []
    for _ in range(150):
        sizes = rng.integers(2, 9, 7)
        means, values, labels = draw(rng, sizes)
        found = pooled(values, np.zeros(len(values)), labels, groups=7)
        inside.append(np.abs(found.mean - means) < 1.96 * found.sd)
        plain = np.bincount(labels, values) / sizes
        pooled_error.append(np.mean((found.mean - means) ** 2))
        plain_error.append(np.mean((plain - means) ** 2))
    assert 0.93 < np.mean(inside) < 0.985
    assert np.mean(pooled_error) < 0.9 * np.mean(plain_error)


def test_group_without_values_takes_the_mean_of_all() -> None:
    found = pooled(np.array([-1.0, -1.2, -0.8]), np.zeros(3), np.array([0, 0, 1]), groups=3)
    assert found.mean[2] == pytest.approx(found.overall, abs=1e-6)
    assert found.sd[2] > found.sd[0]


def test_nothing_to_pool() -> None:
    found = pooled(np.zeros(0), np.zeros(0), np.zeros(0, int), groups=0)
    assert np.isnan(found.overall)
    assert found.mean.shape == (0,)


def test_what_is_not_known_of_a_change_counts_less() -> None:
    sure = pooled(np.array([-2.0, 0.0, 0.1]), np.array([0.01, 0.01, 0.01]), np.array([0, 1, 1]), groups=2)
    vague = pooled(np.array([-2.0, 0.0, 0.1]), np.array([4.0, 0.01, 0.01]), np.array([0, 1, 1]), groups=2)
    assert vague.mean[0] > sure.mean[0] + 0.3
