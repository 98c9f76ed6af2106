"""Shares with their intervals, against statsmodels."""

from __future__ import annotations

import math

import pytest

from leadline.decide.share import jeffreys
from leadline.errors import OutOfRangeError

COUNTS = [(0, 1), (0, 40), (1, 1), (3, 40), (13, 89), (40, 40), (250, 1000)]


# Kind: independent: statsmodels.stats.proportion.proportion_confint(method="jeffreys").
@pytest.mark.parametrize("level", [0.5, 0.95, 0.99])
@pytest.mark.parametrize(("count", "of"), COUNTS)
def test_interval_agrees_with_statsmodels(count: int, of: int, level: float) -> None:
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    found = jeffreys(count, of, level=level)
    expected = proportion.proportion_confint(count, of, alpha=1 - level, method="jeffreys")
    assert (found.low, found.high) == pytest.approx(expected, abs=1e-9)
    assert found.share == count / of
    assert found.low <= found.share + 0.5 / of
    assert found.high >= found.share - 0.5 / of


def test_out_of_none_nothing_is_known() -> None:
    found = jeffreys(0, 0)
    assert all(math.isnan(value) for value in (found.share, found.low, found.high))


@pytest.mark.parametrize(("count", "of", "level"), [(2, 1, 0.95), (-1, 4, 0.95), (1, 4, 1.0)])
def test_nonsense_is_refused(count: int, of: int, level: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"must lie"):
        jeffreys(count, of, level=level)
