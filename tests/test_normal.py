"""The normal distribution function against another library, exact arithmetic and printed values."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import log_ndtr, ndtr

from leadline.normal import BLOCK, FEW, distribution, log_distribution, quantile

SCORES = np.concatenate([np.linspace(-37, 10, 20_001), np.linspace(-1, 1, 2001)])


def some(scores: np.ndarray, size: int) -> list[np.ndarray]:
    """Parts of one size, so that each way of reckoning is gone."""
    return [scores[i : i + size] for i in range(0, len(scores), size)]


@pytest.mark.parametrize("size", [FEW, FEW + 1, BLOCK + 1, len(SCORES)])
def test_chance_is_that_of_another_library(size: int) -> None:
    """Independent: scipy.special.ndtr (Cephes), to the error of rounding the score itself."""
    for part in some(SCORES, size):
        assert_allclose(distribution(part), ndtr(part), rtol=2e-13)
    near = SCORES[np.abs(SCORES) < 6]
    for part in some(near, size):
        assert_allclose(distribution(part), ndtr(part), rtol=5e-15)


@pytest.mark.parametrize("size", [FEW, len(SCORES)])
def test_logarithm_is_that_of_another_library(size: int) -> None:
    """Independent: scipy.special.log_ndtr, far beyond where the chance itself is no number."""
    for part in some(np.concatenate([SCORES, np.linspace(-1e5, -20, 4001)]), size):
        assert_allclose(log_distribution(part), log_ndtr(part), rtol=1e-13, atol=1e-300)


@pytest.mark.parametrize(
    ("score", "chance"), [(0.0, 0.5), (1.0, 0.8413447461), (1.96, 0.9750021049), (-3.0, 0.0013498980)]
)
def test_printed_values(score: float, chance: float) -> None:
    """Published: M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions (1964), table 26.1; from
    memory."""
    assert_allclose(distribution(score), chance, atol=1e-10)


def test_ends_and_gaps() -> None:
    odd = np.array([np.nan, np.inf, -np.inf])
    assert_allclose(distribution(odd), [np.nan, 1, 0])
    assert_allclose(log_distribution(odd), [np.nan, 0, -np.inf])
    many = np.tile(odd, FEW)
    assert_allclose(distribution(many), np.tile([np.nan, 1, 0], FEW))
    assert distribution(np.zeros((0, 3))).shape == (0, 3)
    assert distribution(np.zeros((2, 3))).shape == (2, 3)
    assert distribution(1.0).shape == ()


@pytest.mark.parametrize("chance", [1e-300, 1e-12, 0.001, 0.025, 0.05, 0.3, 0.49999, 0.5, 0.7, 0.95, 0.999])
def test_quantile_is_that_of_another_library(chance: float) -> None:
    """Independent: the standard library's, by the rational functions of Wichura (1988)."""
    assert quantile(chance) == pytest.approx(NormalDist().inv_cdf(chance), rel=2e-14, abs=1e-15)


def test_quantile_undoes_the_chance() -> None:
    for score in np.linspace(-8, 0, 81).tolist():
        assert quantile(float(distribution(score))) == pytest.approx(score, rel=1e-13, abs=1e-15)
