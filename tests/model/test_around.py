"""The shape of a skewed posterior from a few heights and slopes.

Kind of expected values: independent (closed forms, scipy.stats).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from scipy.special import polygamma

from leadline.model.around import SCORES, Surface, interpolated, lower_ends, shape, simplex

NONE = np.zeros(0, np.int64)
FIRST = np.array([0])


def both_sides(count):
    return np.concatenate([simplex(count), -simplex(count)])


def test_points_are_the_same_on_every_machine() -> None:
    """Kind: pinned, since all fits hang on them. A decomposition would leave them to rounding."""
    first = [-2.283903, 0.893476, 1.343801, -1.095857, 0.19716, 0.025755, -0.901413]
    assert_allclose(simplex(14)[0, :7], first, atol=1e-6)
    three = [
        [-1.575919, 0.513746, 0.502539],
        [0.802, 1.304835, -0.808827],
        [0.92259, -0.473486, 1.387313],
        [-0.148672, -1.345095, -1.081025],
    ]
    assert_allclose(simplex(3), three, atol=1e-6)


@pytest.mark.parametrize("count", [1, 2, 7, 14])
def test_points_have_the_moments_of_a_normal_distribution(count):
    points = simplex(count)
    assert points.shape == (count + 1, count)
    assert_allclose(points.mean(axis=0), 0.0, atol=1e-12)
    assert_allclose(points.T @ points / (count + 1), np.eye(count), atol=1e-12)


def test_surface_between_and_beyond_its_points_is_the_polynomial_they_lie_on(rng):
    # By hand: heights and slopes of 0.2 x - 0.1 y^2 + 0.05 x^2 z.
    x, y, z = places = both_sides(3).T
    heights = 0.2 * x - 0.1 * y**2 + 0.05 * x**2 * z
    slopes = np.stack([0.2 + 0.1 * x * z, -0.2 * y, 0.05 * x**2], axis=1)
    found = Surface(np.eye(3), NONE, places.T, heights, slopes)
    x, y, z = elsewhere = rng.normal(0, 0.8, (3, 50))
    wanted = 0.2 * x - 0.1 * y**2 + 0.05 * x**2 * z
    assert np.corrcoef(found(elsewhere.T), wanted)[0, 1] > 0.97
    assert found(np.zeros((1, 3)))[0] == 0.0


def test_the_lower_end_of_an_sd_is_two_and_a_half_of_its_own_sds_down(rng):
    root = rng.normal(size=(3, 3))
    found = root @ lower_ends(root, FIRST)[0]
    covariance = root @ root.T
    # Independent: the mean of the others given the first, of a normal distribution.
    assert_allclose(found, -2.5 * covariance[0] / np.sqrt(covariance[0, 0]))


def few_readings(count, root):
    """Log sd of `count` readings under a flat prior of its log, two normal numbers beside it: the surface.

    The posterior of the variance is inverse gamma with shape count / 2.
    """

    def height(log):
        return -count * log - 0.5 * count * np.exp(-2 * log)

    places = np.concatenate([both_sides(3), lower_ends(root, FIRST)])
    log = places @ root[0]
    # In these directions the normal distribution by the curvature at the mode falls by half the square.
    heights = height(log) - height(0.0) + count * log**2
    slopes = (-count + count * np.exp(-2 * log) + 2 * count * log)[:, None] * root[0]
    return Surface(root, FIRST, places, heights, slopes)


@pytest.mark.parametrize("count", [10, 20, 40])
def test_quantiles_of_the_sd_of_few_readings(count, rng):
    # The curvature of the log posterior at its mode is 2 count. Directions turned, as a root may have it.
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    covariance = np.diag([1 / (2 * count), 1.0, 4.0])
    root = np.linalg.cholesky(covariance) @ turn
    found = shape(np.array([0.0, 3.0, -1.0]), root, few_readings(count, root))
    exact = 0.5 * np.log(stats.invgamma(count / 2, scale=count / 2).ppf(stats.norm.cdf(SCORES)))
    sd = 0.5 * np.sqrt(polygamma(1, count / 2))
    away = np.abs(found.quantiles[0] - exact) / sd
    normal = np.abs(SCORES / np.sqrt(2 * count) - exact) / sd
    middle = np.abs(SCORES) <= 2
    assert away[middle].max() < 0.45
    assert away[middle].max() < 0.6 * normal[middle].max()
    # What is normal stays so.
    assert_allclose(found.mean[1:], [3.0, -1.0], atol=0.04)
    assert_allclose(found.sd[1:], [1.0, 2.0], rtol=0.04)
    assert_allclose(found.quantiles[1][middle], 3.0 + SCORES[middle], atol=0.1)


def test_quantiles_between_and_beyond_those_kept_lie_on_straight_lines():
    kept = np.stack([2 + 3 * SCORES, np.exp(SCORES)])
    found = interpolated(kept, np.array([-4.0, -1.0, 0.1, 3.0]))
    assert_allclose(found[0], [-10.0, -1.0, 2.3, 11.0])
    assert_allclose(found[1, 1:3], np.exp([-1.0, 0.1]), rtol=0.02)
