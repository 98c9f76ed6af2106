"""The number to expect: against enumeration, a library and drawn people."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from leadline.decide.headcount import _sums, headcount
from leadline.errors import OutOfRangeError

CHANCES = st.lists(st.floats(0, 1), max_size=7)


@given(CHANCES, st.sampled_from([0.5, 0.8, 0.95]))
def test_each_by_itself_is_the_sum_over_all_outcomes(chances, level) -> None:
    """Independent: enumeration; the band is the least one with equal tails."""
    number = np.zeros(len(chances) + 1)
    for outcome in itertools.product([0, 1], repeat=len(chances)):
        number[sum(outcome)] += np.prod(
            [p if o else 1 - p for p, o in zip(chances, outcome, strict=True)], initial=1.0
        )
    found = headcount(chances, level=level, common=0.0)
    assert found.expected == pytest.approx(sum(chances))
    tail = (1 - level) / 2 + 1e-6
    assert number[: found.low].sum() <= tail
    assert number[found.high + 1 :].sum() <= tail
    assert number[found.low : found.high + 1].sum() >= level - 1e-6


@pytest.mark.parametrize("n", [1, 2, 31, 800])
def test_the_distribution_of_many_is_that_of_one_after_the_other(n) -> None:
    """Independent: the recursion over the people; two groups of equals: scipy's binomial."""
    chances = np.random.default_rng(n).uniform(0, 1, n)
    number = np.zeros(n + 1)
    number[0] = 1.0
    for p in chances:
        number[1:] = number[1:] * (1 - p) + number[:-1] * p
        number[0] *= 1 - p
    assert_allclose(_sums(chances[:, None])[:, 0], number, atol=1e-14)
    assert_allclose(_sums(np.full((n, 2), 0.3))[:, 1], stats.binom.pmf(np.arange(n + 1), n, 0.3), atol=1e-14)


@pytest.mark.parametrize("p", [0.1, 0.5])
def test_equals_are_binomial(p) -> None:
    """Independent: scipy.stats.binom."""
    found = headcount([p] * 40, level=0.9, common=0.0)
    assert (found.low, found.high) == tuple(stats.binom.ppf([0.05, 0.95], 40, p))


def test_what_all_share_widens_the_band_as_drawn_people_have_it() -> None:
    """Independent: 20,000 groups of 60 drawn with normal errors of correlation 0.3."""
    rng = np.random.default_rng(3)
    p = rng.beta(1, 2, 60)
    shared, own = rng.standard_normal((20_000, 1)), rng.standard_normal((20_000, 60))
    number = (np.sqrt(0.3) * shared + np.sqrt(0.7) * own < stats.norm.ppf(p)).sum(axis=1)
    found = headcount(p, common=0.3)
    assert found.low == pytest.approx(np.quantile(number, 0.1), abs=1)
    assert found.high == pytest.approx(np.quantile(number, 0.9), abs=1)
    alone = headcount(p, common=0.0)
    assert found.high - found.low > 1.5 * (alone.high - alone.low)


def test_unknown_counts_for_nobody_and_none_is_none() -> None:
    assert headcount([np.nan, 1.0]).high == 1
    assert (headcount([]).expected, headcount([]).low, headcount([]).high) == (0.0, 0, 0)


@pytest.mark.parametrize(
    ("chances", "options", "message"),
    [
        ([1.2], {}, "probabilities must lie in"),
        ([0.2], {"level": 1.0}, "level must lie between 0 and 1"),
        ([0.2], {"common": 1.0}, "correlation must lie in"),
    ],
)
def test_refusals(chances, options, message) -> None:
    with pytest.raises(OutOfRangeError, match=message):
        headcount(chances, **options)
