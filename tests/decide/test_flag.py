"""Flags and majorities against enumeration, a library and simulated truth."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from leadline.decide.flag import flags, majority
from leadline.errors import OutOfRangeError

CHANCES = st.lists(st.floats(0, 1), max_size=9)


@given(CHANCES, st.floats(0, 1))
def test_as_many_as_the_limit_allows_and_no_more(chances, limit) -> None:
    """Independent: every threshold tried; whoever is less likely than not is never flagged."""
    found = flags(chances, limit=limit)
    p = np.array(chances, float)
    best = 0
    for threshold in p[p >= 0.5]:
        chosen = p >= threshold
        if np.mean(1 - p[chosen]) <= limit:
            best = max(best, int(chosen.sum()))
    # A mean that lies on the limit may fall either way in the last digit.
    if not any(abs(np.mean(1 - p[p >= t]) - limit) < 1e-12 for t in p):
        assert found.flagged.sum() == best
    if found.flagged.any():
        assert found.false_share <= limit + 1e-12
        assert p[found.flagged].min() == found.threshold
        assert p[~found.flagged].max(initial=0.0) < found.threshold
        assert_allclose(found.expected_false, found.false_share * found.flagged.sum(), atol=1e-12)


def test_stated_share_is_the_true_one_where_chances_are_true() -> None:
    """Independent: truth drawn from the chances; 4,000 draws leave a standard error below 0.5 %."""
    rng = np.random.default_rng(5)
    p = rng.beta(0.5, 0.5, 60)
    found = flags(p)
    truth = rng.random((4000, 60)) < p
    false = (~truth[:, found.flagged]).mean()
    assert false == pytest.approx(found.false_share, abs=0.01)
    caught = truth[:, found.flagged].sum() / truth.sum()
    assert caught == pytest.approx(found.recall, abs=0.01)
    assert truth.sum(axis=1).mean() == pytest.approx(found.expected_all, rel=0.02)


def test_unknown_chance_is_never_flagged() -> None:
    found = flags([np.nan, 1.0])
    assert found.flagged.tolist() == [False, True]
    assert found.recall == 1.0


@given(CHANCES, st.data())
def test_whoever_may_not_be_flagged_still_counts(chances, data) -> None:
    may = data.draw(st.lists(st.booleans(), min_size=len(chances), max_size=len(chances)))
    found, alone = flags(chances, eligible=may), flags([p for p, m in zip(chances, may, strict=True) if m])
    assert found.flagged[np.array(may, bool)].tolist() == alone.flagged.tolist()
    assert not found.flagged[~np.array(may, bool)].any()
    assert found.expected_all == pytest.approx(sum(chances))
    if found.flagged.any():
        caught = sum(p for p, f in zip(chances, found.flagged, strict=True) if f)
        assert found.recall == pytest.approx(caught / sum(chances))


@pytest.mark.parametrize("chances", [[], [0.2, 0.4], [np.nan]])
def test_nobody_flagged(chances) -> None:
    found = flags(chances)
    assert not found.flagged.any()
    assert np.isnan(found.false_share)
    assert np.isnan(found.threshold)
    assert found.expected_false == 0.0


@pytest.mark.parametrize(("chances", "limit"), [([0.5], 1.5), ([1.2], 0.1), ([-0.1], 0.1)])
def test_no_chance_beyond_its_range(chances, limit) -> None:
    with pytest.raises(OutOfRangeError, match=r"must lie in \[0, 1\]"):
        flags(chances, limit=limit)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=6))
def test_majority_is_the_sum_over_all_outcomes(chances) -> None:
    """Independent: enumeration."""
    total = 0.0
    for outcome in itertools.product([0, 1], repeat=len(chances)):
        if sum(outcome) > len(chances) / 2:
            total += np.prod([p if o else 1 - p for p, o in zip(chances, outcome, strict=True)])
    assert float(majority(np.array(chances))) == pytest.approx(total, abs=1e-12)


@pytest.mark.parametrize("n", [1, 2, 5, 8])
def test_majority_of_equals_is_binomial(n) -> None:
    """Independent: scipy.stats.binom."""
    from scipy import stats

    p = np.array([0.1, 0.5, 0.93])
    assert_allclose(majority(np.tile(p, (n, 1))), stats.binom.sf(n // 2, n, p), atol=1e-12)


def test_majority_out_of_none_is_not_known() -> None:
    assert np.isnan(majority(np.zeros((0, 3)))).all()
