"""Likelihood of one observation and of an occasion, against independent integration and differences."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, special, stats

from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters
from leadline.model.likelihood import POINT_RANGE, point_terms, within, zone_terms
from leadline.model.observations import Form, Observations
from leadline.model.occasion import NODES, levels, occasion_terms

ZONES = np.array([[0.01, 0.98, 0.01], [0.0, 1.0, 0.0], [0.01, 0.98, 0.98], [0.9, 0.45, 0.45]])


def one_occasion(lower, upper, fit, sd, *, point=None):
    m = len(lower)
    return Observations(
        prior=np.zeros(m),
        exposure=np.ones((m, 1)),
        suit_weight=np.ones(m),
        lower=np.array(lower, float),
        upper=np.array(upper, float),
        lower_breath=np.zeros(m),
        upper_breath=np.zeros(m),
        reading_sd=np.array(sd, float),
        fit=np.array(fit, float),
        form=np.zeros(m, int),
        point=np.zeros(m, bool) if point is None else np.array(point),
        occasion=np.zeros(m, int),
        suit=np.zeros(m, int),
        diver=np.zeros(m, int),
        body_sd=np.ones(1),
        names=("z",),
    )


def bounds(lower, upper, count):
    return np.tile([upper, lower], (count, 1)).astype(float)


@settings(deadline=None)
@given(need=st.floats(-8, 8), low=st.floats(-3, 1), width=st.floats(0.2, 4), which=st.integers(0, 3))
def test_zone_probability_is_the_weighted_sum_of_normal_probabilities(need, low, width, which):
    # Independent: scipy.stats.norm, summed by hand.
    level, sd = ZONES[which], 0.7
    light = stats.norm.sf(low + width, need, sd)
    heavy = stats.norm.cdf(low, need, sd)
    expected = level @ [light, 1 - light - heavy, heavy]
    value, *_ = zone_terms(np.array([need]), bounds(low, low + width, 1), level[None], sd=np.array([sd]))
    if expected > 1e-9:
        assert_allclose(np.exp(value[0]), expected, rtol=1e-6)
    assert value[0] < 1e-12


@pytest.mark.parametrize("compiled", [False, True])
def test_a_normal_far_out_in_its_tail_keeps_all_digits(compiled):
    # Independent: scipy's log_ndtr and erfcx; series of the tail (1/s^2 - 6/s^4 + 50/s^6) and of a uniform.
    def found(upper, lower):
        if compiled:
            from leadline.model import tail

            return tail.within(upper, lower)
        return [float(v[0]) for v in within(np.array([upper]), np.array([lower]))]

    for score in (-5.5, -40.0, -1e3, -1e6):
        value, mean, variance = found(score, -np.inf)
        assert_allclose(value, special.log_ndtr(score), rtol=1e-13)
        assert_allclose(mean, -np.sqrt(2 / np.pi) / special.erfcx(-score / np.sqrt(2)), rtol=1e-13)
        if score < -900:
            assert_allclose(variance, score**-2 - 6 * score**-4 + 50 * score**-6, rtol=1e-12)
        mirrored = found(np.inf, -score)
        assert_allclose(mirrored, [value, -mean, variance], rtol=1e-15)
    for middle in (-1e3, -0.3, 0.0, 20.0):
        value, mean, variance = found(middle + 5e-7, middle - 5e-7)
        assert_allclose(value, stats.norm.logpdf(middle) + np.log(1e-6), atol=1e-6)
        assert_allclose(mean, middle, atol=1e-9)
        assert_allclose(variance, 1e-12 / 12, rtol=1e-6)


@pytest.mark.parametrize("score", [3.0, 5.001, 40.0, 1e4, 1e7])
def test_derivatives_of_an_interval_far_out_are_those_of_the_tail(score):
    # Independent: with the hazard h of scipy's erfcx the slope is h; the curvature nears -1 + 1/s^2.
    levels = np.array([[0.0, 1.0, 0.0]])
    value, slope, curvature, right = zone_terms(np.zeros(1), bounds(score, np.inf, 1), levels, sd=np.ones(1))
    hazard = np.sqrt(2 / np.pi) / special.erfcx(score / np.sqrt(2))
    assert_allclose(value, special.log_ndtr(-score), rtol=1e-12)
    assert_allclose(slope, hazard, rtol=1e-11)
    assert_allclose(curvature, -hazard * (hazard - score), rtol=1e-9 * max(1.0, score**2 / 1e6), atol=1e-12)
    if score > 1e3:
        assert_allclose(curvature, -1 + score**-2, rtol=1e-12)
    assert right == 1.0


def test_an_empty_zone_changes_nothing():
    need, level = np.linspace(-3, 3, 31), np.tile([0.01, 0.98, 0.5, 0.01], (31, 1))
    with_empty = zone_terms(need, np.tile([0.5, -0.5, -0.5], (31, 1)), level, sd=np.full(31, 0.6))
    without = zone_terms(need, bounds(-0.5, 0.5, 31), level[:, [0, 1, 3]], sd=np.full(31, 0.6))
    for a, b in zip(with_empty, without, strict=True):
        assert_allclose(a, b, atol=1e-12)


@pytest.mark.parametrize("which", range(4))
def test_zone_derivatives_match_differences(which, rng):
    need, step = rng.uniform(-6, 6, 200), 1e-5
    edges, level, sd = bounds(-0.7, 0.9, 200), np.repeat(ZONES[[which]], 200, axis=0), np.full(200, 0.6)
    up, down = (zone_terms(need + s, edges, level, sd=sd) for s in (step, -step))
    _, slope, curvature, _ = zone_terms(need, edges, level, sd=sd)
    assert_allclose(slope, (up[0] - down[0]) / (2 * step), atol=1e-6, rtol=1e-6)
    assert_allclose(curvature, (up[1] - down[1]) / (2 * step), atol=1e-6, rtol=1e-6)


def test_far_tails_keep_their_digits():
    # Independent: log of a far normal tail by its asymptotic series, -z^2/2 - log(z sqrt(2 pi)) +
    # log(1 - 1/z^2 + 3/z^4) (Abramowitz and Stegun 26.2.12, from memory); z = 40 is
    # far beyond what a plain difference could hold.
    z = 40.0
    value, slope, curvature, _ = zone_terms(
        np.array([-z]), bounds(0.0, np.inf, 1), np.array([[0.0, 1.0, 0.0]]), sd=np.ones(1)
    )
    expected = -(z**2) / 2 - np.log(z * np.sqrt(2 * np.pi)) + np.log(1 - 1 / z**2 + 3 / z**4)
    assert_allclose(value[0], expected, rtol=1e-9)
    assert_allclose(slope[0], z + 1 / z, rtol=1e-3)
    assert -1.0 < curvature[0] < -0.99


def test_infinite_bounds_are_the_one_sided_probability():
    need = np.linspace(-4, 4, 41)
    interval = np.repeat([[0.0, 1.0, 0.0]], 41, axis=0)
    value, *_ = zone_terms(need, bounds(-np.inf, 0.5, 41), interval, sd=np.full(41, 0.8))
    assert_allclose(value, stats.norm.logcdf((0.5 - need) / 0.8), rtol=1e-10)


def test_reading_is_a_normal_density_with_a_uniform_share(rng):
    need = rng.normal(size=100) * 3
    value, slope, curvature, _ = point_terms(need, np.full(100, 0.4), wrong=0.03, sd=np.full(100, 0.5))
    assert_allclose(np.exp(value), 0.97 * stats.norm.pdf(0.4, need, 0.5) + 0.03 / POINT_RANGE, rtol=1e-10)
    step = 1e-5
    up, down = (
        point_terms(need + s, np.full(100, 0.4), wrong=0.03, sd=np.full(100, 0.5)) for s in (step, -step)
    )
    assert_allclose(slope, (up[0] - down[0]) / (2 * step), atol=1e-6)
    assert_allclose(curvature, (up[1] - down[1]) / (2 * step), atol=1e-5)


def test_chances_of_all_records_sum_to_one_in_every_zone():
    # By hand: what can be written down after a stop is one of five records, with 'rose' never open.
    theta = replace(
        Hyperparameters(), wrong=0.06, closed_low=0.4, closed_high=0.3, closed_heavy=0.15, sank_open=0.1
    )
    fit = np.array([[1, 0, 0], [0, 1, 0], [0, 1, 1], [0, 0, 1], [0, 0, 1]], float)
    total = levels(fit, np.arange(5), theta).sum(axis=0)
    assert_allclose(total[:3], 1.0)
    # In the heavy zone 'hovered, BC open' is right, so wrong records of it have nowhere else to go.
    assert_allclose(total[3], 1.0, atol=theta.wrong / 2)


def test_shared_scatter_matches_an_adaptive_integral():
    # Independent: scipy.integrate.quad over the scatter, plain normal probabilities inside.
    theta = Hyperparameters(scatter=0.5, wrong=0.02)
    rows = one_occasion(
        [-1.0, -np.inf, 0.3],
        [0.8, 0.1, 0.3],
        [[0, 1, 0], [0, 1, 1], [0, 1, 0]],
        [0.2, 0.4, 0.5],
        point=[False, False, True],
    )
    need = np.array([0.2, 0.5, -0.4])

    def integrand(e):
        chance = levels(rows.fit, rows.form, theta)
        product = stats.norm.pdf(e, 0, theta.scatter)
        for i in range(2):
            light = stats.norm.sf(rows.upper[i], need[i] + e, rows.reading_sd[i])
            heavy = stats.norm.cdf(rows.lower[i], need[i] + e, rows.reading_sd[i])
            product *= chance[i, [0, 1, 3]] @ [light, 1 - light - heavy, heavy]
        return product * (0.98 * stats.norm.pdf(0.3, need[2] + e, 0.5) + 0.02 / POINT_RANGE)

    expected = np.log(integrate.quad(integrand, -5, 5, epsabs=1e-13, points=[-1, 0, 1])[0])
    assert_allclose(occasion_terms(rows, theta, need).value, expected, atol=1e-3)
    assert NODES >= 30


def test_shared_scatter_derivatives_match_differences(rng):
    theta = Hyperparameters()
    rows = one_occasion(
        [-1.0, -np.inf, 0.3],
        [0.8, 0.1, 0.3],
        [[0, 1, 0], [0, 1, 1], [0, 1, 0]],
        [0.2, 0.4, 0.5],
        point=[False, False, True],
    )
    need, step = rng.normal(size=3), 1e-5
    terms = occasion_terms(rows, theta, need)
    for i in range(3):
        move = step * np.eye(3)[i]
        up, down = (occasion_terms(rows, theta, need + s * move) for s in (1, -1))
        assert_allclose(terms.slope[i], (up.value - down.value) / (2 * step), atol=1e-6)
        assert_allclose(terms.blocks[0, i], (up.slope - down.slope) / (2 * step), atol=1e-5)


def test_needs_of_many_grid_points_are_the_needs_one_by_one(rng):
    theta = Hyperparameters()
    rows = one_occasion([-1.0, -np.inf], [0.8, 0.1], [[0, 1, 0], [0, 1, 1]], [0.2, 0.4])
    needs = rng.normal(size=(7, 2))
    together = occasion_terms(rows, theta, needs)
    for k, need in enumerate(needs):
        alone = occasion_terms(rows, theta, need)
        assert_allclose(together.value[k], alone.value)
        assert_allclose(together.slope[k], alone.slope)
        assert_allclose(together.blocks[k], alone.blocks)


def test_chances_of_all_that_may_be_written_sum_to_one():
    """Whatever the zone, something is written of a stop whose BC was noted: probabilities add up (axiom)."""
    written = [
        ((1.0, 0.0, 0.0), Form.ANY),
        ((0.0, 1.0, 0.0), Form.HOVERED_CLOSED),
        ((0.0, 1.0, 1.0), Form.HOVERED_OPEN),
        ((0.0, 0.0, 1.0), Form.SANK_CLOSED),
        ((0.0, 0.0, 1.0), Form.SANK_OPEN),
    ]
    fit, form = np.array([f for f, _ in written]), np.array([int(f) for _, f in written])
    rng = np.random.default_rng(3)
    for _ in range(20):
        theta = Hyperparameters.from_vector(CENTRE + SPREAD * rng.normal(size=len(CENTRE)))
        assert_allclose(levels(fit, form, theta).sum(axis=0), 1.0, rtol=1e-12)
        # The right one of four lines and each of the three others; the right one of two and the other.
        for form_of, others in ((Form.OF_FOUR, 3), (Form.OF_TWO, 1)):
            said = levels(np.array([[0.0, 1.0, 0.0]]), np.array([int(form_of)]), theta)[0]
            assert_allclose(said[1] + others * said[0], 1.0, rtol=1e-12)
