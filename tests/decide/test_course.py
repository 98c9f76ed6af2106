"""First and last dives of courses, by group and by leader."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from statsmodels.stats.proportion import proportion_confint

from leadline.decide.course import CourseDives, by_group, by_leader, courses, curve, overall


def dives(*rows):
    """Rows of student, group, leader, suit, margin, variance, looked; in order of time."""
    columns = list(zip(*rows, strict=True)) if rows else [()] * 7
    kinds = (int, object, object, int, float, float, bool)
    return CourseDives(*(np.array(list(c), kind) for c, kind in zip(columns, kinds, strict=True)))


SOME = dives(
    (0, "A", "Ea", 1, 4.0, 0.5, False),
    (0, "A", "Bo", 1, 3.0, 0.5, True),
    (0, "A", "Bo", 1, 1.0, 0.5, True),
    (0, "", "Bo", 1, 0.0, 0.5, True),
    (1, "A", "Ea", 2, 2.0, 0.2, False),
    (1, "A", "Ea", 3, np.nan, 0.3, False),
    (1, "A", "", 3, 1.5, 0.3, True),
    (2, "B", "Bo", 4, 1.0, 0.1, False),
    (3, "B", "Bo", 5, 5.0, 0.1, False),
    (3, "B", "Bo", 5, 5.5, 0.1, False),
)


def test_first_and_last_of_each_way() -> None:
    """By hand: one dive is no way, a dive without a group none, and two suits add their variances."""
    found = courses(SOME)
    assert found.group.tolist() == ["A", "A", "B"]
    assert found.leader.tolist() == ["Bo", "Ea", "Bo"]
    assert_array_equal(found.first, [4.0, 2.0, 5.0])
    assert_array_equal(found.last, [1.0, 1.5, 5.5])
    assert_allclose(found.variance, [0.0, 0.5, 0.0])


def test_groups_and_leaders() -> None:
    """By hand; Jeffreys intervals by statsmodels."""
    groups = {change.name: change for change in by_group(courses(SOME), SOME)}
    assert groups["A"].students == 2
    assert (groups["A"].first_kg, groups["A"].last_kg, groups["A"].mean_kg) == (3.0, 1.25, -1.75)
    assert groups["B"].mean_kg == 0.5
    assert -1.75 < groups["A"].pooled_kg < groups["B"].pooled_kg < 0.5
    assert (groups["A"].looked.count, groups["A"].looked.of) == (3, 6)
    low, high = proportion_confint(3, 6, method="jeffreys")
    assert_allclose((groups["A"].looked.low, groups["A"].looked.high), (low, high), atol=1e-9)
    leaders = by_leader(courses(SOME), SOME)
    assert [change.pooled_kg for change in leaders] == sorted(change.pooled_kg for change in leaders)
    assert {change.name: change.looked.of for change in leaders} == {"Bo": 6, "Ea": 3}


def test_all_together() -> None:
    whole = overall(courses(SOME), SOME)
    assert whole is not None
    assert whole.students == 3
    assert whole.mean_kg == pytest.approx((-3.0 - 0.5 + 0.5) / 3)
    assert whole.low_kg < whole.pooled_kg < whole.high_kg


def test_nobody_on_the_way() -> None:
    none = dives()
    assert overall(courses(none), none) is None
    assert by_group(courses(none), none) == ()
    assert len(curve(none).number) == 0


def made(margins):
    """Students of one group, one row of margins each."""
    return dives(*((i, "A", "Bo", i, m, 0.0, False) for i, row in enumerate(margins) for m in row))


def test_one_group_speaks_for_itself() -> None:
    """Independent: the t interval of 12 changes, by scipy; what other courses might do is not in it."""
    from scipy.stats import t

    change = -1.2 + 0.6 * np.linspace(-1.5, 1.5, 12)
    some = made(np.column_stack([np.full(12, 3.0), 3.0 + change]))
    found = courses(some)
    whole, (row,) = overall(found, some), by_group(found, some)
    assert whole is not None
    assert (whole.pooled_kg, whole.low_kg, whole.high_kg) == (row.pooled_kg, row.low_kg, row.high_kg)
    expected = t.interval(0.95, 11, change.mean(), change.std(ddof=1) / np.sqrt(12))
    assert_allclose((whole.low_kg, whole.high_kg), expected, atol=0.05)


def test_several_groups_speak_for_courses_in_general() -> None:
    """Three courses that differ say less of courses in general than of themselves."""
    rows = [
        (10 * g + i, name, "Bo", 10 * g + i, 3.0 + dive * (fall + 0.1 * i), 0.0, False)
        for g, (name, fall) in enumerate([("A", -2.0), ("B", -1.0), ("C", 0.0)])
        for i in range(6)
        for dive in range(2)
    ]
    some = dives(*rows)
    found = courses(some)
    whole = overall(found, some)
    assert whole is not None
    widths = [row.high_kg - row.low_kg for row in by_group(found, some)]
    assert whole.high_kg - whole.low_kg > 2 * max(widths)


def test_smooth_line_through_a_straight_one_is_it() -> None:
    """Independent: a spline that penalises bends leaves a straight line alone."""
    straight = 4 - 0.5 * np.arange(8)
    found = curve(made(np.tile(straight, (5, 1))))
    assert_array_equal(found.number, np.arange(1, 9))
    assert_array_equal(found.students, 5)
    assert_allclose(found.margin, straight)
    assert_allclose(found.smooth, straight, atol=1e-6)


def test_smooth_line_is_nearer_to_the_truth_than_the_means() -> None:
    """Independent: a known curve with noise, 60 times, and statsmodels' lowess for comparison."""
    from statsmodels.nonparametric.smoothers_lowess import lowess

    rng, x = np.random.default_rng(4), np.arange(12.0)
    truth = 3 * np.exp(-x / 4)
    errors = np.zeros((60, 3))
    for i in range(60):
        found = curve(made(truth + 0.8 * rng.standard_normal((6, 12))))
        other = lowess(found.margin, x, frac=0.6, return_sorted=False)
        errors[i] = [np.mean((line - truth) ** 2) for line in (found.margin, found.smooth, other)]
    means, smooth, library = errors.mean(axis=0)
    assert smooth < 0.75 * means
    assert smooth < 1.3 * library


def test_curve_ends_where_few_are_left() -> None:
    found = curve(made([[3, 2, 1], *([[3, 2]] * 7)]))
    assert_array_equal(found.number, [1, 2])
    assert np.isnan(found.smooth).all()
