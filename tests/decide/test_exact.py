"""Exact sums: exact fractions as the other opinion."""

from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from leadline.decide.exact import LARGEST, exact_sums, nearest

NUMBERS = st.floats(-LARGEST, LARGEST, allow_nan=False)


def exact_sum(values):
    return exact_sums(np.reshape(values, (-1, 1)))[0]


@given(values=st.lists(NUMBERS | st.sampled_from([5e-324, -2.2e-308, 1e-160]), max_size=40))
def test_a_sum_is_that_of_exact_fractions(values):
    # Independent: the standard library's fractions, which round nowhere.
    assert Fraction(exact_sum(values), 1 << 1126) == sum(map(Fraction, values))


def test_neither_order_nor_parts_matter_nor_how_many_there_are(monkeypatch):
    rng = np.random.default_rng(4)
    values = rng.normal(size=3000) * np.exp(rng.normal(0, 8, 3000))
    whole = exact_sum(values)
    assert nearest(whole) == float(sum(map(Fraction, values.tolist())))
    assert exact_sum(values[::-1]) == whole
    for count in (2, 16):
        assert sum(exact_sum(part) for part in np.array_split(values, count)) == whole
    monkeypatch.setattr("leadline.decide.exact.ROOM", 3)
    assert exact_sum(values) == whole


def test_columns_are_summed_apart_and_so_many_of_the_largest_have_room():
    # Independent: by hand. The largest number below a power of two, as often as are taken at once.
    most = np.nextafter(2.0, 0.0)
    values = np.column_stack([np.full(1024, most), np.zeros(1024), np.arange(1024.0)])
    assert [nearest(total) for total in exact_sums(values)] == [1024 * most, 0.0, 1023 * 512.0]
