"""Exact sums: exact fractions as the other opinion."""

from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from leadline.decide.exact import exact_sum, nearest

NUMBERS = st.floats(-1e150, 1e150, allow_nan=False)


@given(values=st.lists(NUMBERS | st.sampled_from([5e-324, -2.2e-308, 1e-160]), max_size=40))
def test_a_sum_is_that_of_exact_fractions_rounded_once(values):
    # Independent: the standard library's fractions, which round nowhere.
    assert nearest(exact_sum(np.array(values))) == float(sum(map(Fraction, values)))


def test_neither_order_nor_parts_matter_nor_how_many_there_are(monkeypatch):
    rng = np.random.default_rng(4)
    values = rng.normal(size=3000) * np.exp(rng.normal(0, 8, 3000))
    whole = exact_sum(values)
    assert nearest(whole) == float(sum(map(Fraction, values.tolist())))
    assert exact_sum(values[::-1]) == whole
    for count in (2, 16):
        assert sum(exact_sum(part) for part in np.array_split(values, count)) == whole
    monkeypatch.setattr("leadline.decide.exact.BLOCK", 7)
    assert exact_sum(values) == whole
