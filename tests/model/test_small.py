"""The compiled helpers for a few numbers against the library functions that they stand for.

Kind: independent; the other side is numpy.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from leadline.model import sequel
from leadline.model.density import corrected
from leadline.model.small_array import (
    evenly,
    highest,
    interpolated,
    median_place,
    merged,
    probabilities,
    widths,
)
from leadline.model.small_matrix import multiply, thin


@pytest.mark.parametrize("size", [2, 7, 49])
def test_points_and_widths(size):
    points = evenly(-1.3, 4.1, size)
    assert_allclose(points, np.linspace(-1.3, 4.1, size), atol=1e-14)
    assert points[-1] == 4.1
    assert_allclose(
        widths(points), np.gradient(points, edge_order=1) if size > 2 else np.diff(points)[[0, 0]]
    )


def test_two_grids_are_merged_without_twins(rng):
    first, second = np.sort(rng.normal(size=21)), np.sort(rng.normal(size=9))
    second[3] = first[4]
    second.sort()
    assert_array_equal(merged(first, second), np.union1d(first, second))


def test_numbers_between_leave_out_those_that_are_none(rng):
    points, at = np.sort(rng.normal(size=13)), np.sort(rng.normal(0, 2, 40))
    values = rng.normal(size=13)
    values[[0, 5, 6]] = np.nan
    known = ~np.isnan(values)
    assert_allclose(interpolated(at, points, values), np.interp(at, points[known], values[known]))
    assert highest(values) == np.nanmax(values)
    nothing = np.full(13, np.nan)
    assert_array_equal(interpolated(at, points, nothing), np.zeros(40))
    assert highest(nothing) == -np.inf


@pytest.mark.parametrize("size", [1, 2, 15])
def test_the_middle_one_is_the_upper_median(rng, size):
    values = rng.integers(0, 4, size).astype(float)
    assert median_place(values) == np.argsort(values, kind="stable")[size // 2]


def test_probabilities_sum_to_one_and_tell_the_integral(rng):
    points = np.linspace(-9, 9, 181)
    found = np.empty(181)
    area = probabilities(-0.5 * points**2 - 800, widths(points), found)
    assert found.sum() == pytest.approx(1)
    assert area == pytest.approx(0.5 * np.log(2 * np.pi) - 800, abs=1e-9)


@pytest.mark.parametrize("shape", [(3, 8), (9, 4), (6, 6)])
def test_products_and_thinned_rows(rng, shape):
    rows = rng.normal(size=shape)
    vector, found = rng.normal(size=shape[0]), np.empty(shape[1])
    multiply(rows, vector, found)
    assert_allclose(found, vector @ rows, atol=1e-12)
    thinned = thin(rows, 1e-10)
    assert thinned.shape[1] <= min(shape)
    assert_allclose(thinned @ thinned.T, rows @ rows.T, atol=1e-9)
    # What is left out of any square is no more than allowed.
    some = thin(rows, 0.5)
    assert some.shape[1] <= thinned.shape[1]
    assert np.all(np.sum(rows**2, axis=1) - np.sum(some**2, axis=1) <= 0.5 + 1e-12)


def test_where_nothing_settles_anew_the_rows_one_by_one_stand():
    points = np.linspace(-3, 3, 49)
    logs = np.tile(-0.5 * points**2, (3, 1))
    found = SimpleNamespace(
        centre=np.zeros((3, 1)),
        sd=np.ones((3, 1)),
        start_sd=2 * np.ones((3, 1)),
        log_conditional=lambda few, direction, which: np.full((len(which), len(few)), np.nan),
    )
    assert_array_equal(corrected(found, 0, points, logs), logs)


def test_needs_that_have_moved_under_the_same_sites(rng):
    # Independent: the posterior of the directions by the inverse of its precision, scatter of dives as noise
    # that their rows share.
    n, r, variance = 7, 3, 0.3
    loadings, mean, moved = rng.normal(size=(n, r)), rng.normal(size=n), rng.normal(size=n)
    together = sequel.Together(np.array([1, 2, 0, 3, 5, 4, 6]), variance)
    at = sequel.latent(n, r)
    at.precision[:], at.shift[:] = rng.uniform(0.2, 2.0, n), rng.normal(size=n)
    at.precision[3] = at.shift[3] = 0.0  # a row that says nothing
    sequel._rebuilt(at, loadings, mean, together, np.empty(r), np.empty(r))
    sequel.carried(at, loadings, moved, together)
    dive = np.array([0, 0, 0, 1, 2, 2, 3])
    known = at.precision > 0
    shares = (dive[:, None] == dive) & (np.bincount(dive)[dive] > 1)
    noise = np.diag(1 / at.precision[known]) + variance * shares[np.ix_(known, known)]
    read = at.shift[known] / at.precision[known] - (mean + moved)[known]
    pull = loadings[known].T @ np.linalg.inv(noise)
    covariance = np.linalg.inv(np.eye(r) + pull @ loadings[known])
    assert_allclose(at.covariance, covariance, rtol=1e-9)
    assert_allclose(at.mean, covariance @ pull @ read, rtol=1e-9)
