"""Courses: whether the margin comes down from the first dive to the last, by group and by leader."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.pooling import pooled
from leadline.decide.roster_data import Change, Curve
from leadline.decide.share import jeffreys
from leadline.frozen import dataclass

__all__ = ["CourseDives", "Courses", "by_group", "by_leader", "courses", "curve", "overall"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]

TWO_SIDED: Final = 1.959964  # standard normal quantile of 0.975, for a 95 % interval
ENOUGH: Final = 0.25
"""The curve ends where fewer than this share of its first dive's students are left. [-]"""

FEWEST: Final = 6
"""Numbers of dives from which a smooth line is drawn."""


@dataclass(frozen=True)
class CourseDives:
    """Dives of students, in order of time within each student; *n* dives.

    Parameters
    ----------
    student : ndarray of int, shape (n,)
        Number of the student.
    group, leader : ndarray of str, shape (n,)
        Empty where not noted.
    suit : ndarray of int, shape (n,)
        Key of diver and suit.
    margin : ndarray, shape (n,)
        Best estimate; NaN where not known. [kg]
    variance : ndarray, shape (n,)
        Of the need in that suit, scatter left out. [kg²]
    looked : ndarray of bool, shape (n,)
        Which were looked at, at the stop or by a surface check (`roster_scope.looked_dives`).
    """

    student: IntArray
    group: TextArray
    leader: TextArray
    suit: IntArray
    margin: FloatArray
    variance: FloatArray
    looked: BoolArray

    def take(self, rows: NDArray[Any]) -> CourseDives:
        """The dives at `rows` (indices or a mask), in that order."""
        return CourseDives(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass(frozen=True)
class Courses:
    """One student's way through one group each; *c* of them.

    Parameters
    ----------
    group, leader : ndarray of str, shape (c,)
        The leader is who led most of it, of equals the later one.
    first, last : ndarray, shape (c,)
        Margin on the first and the last dive. [kg]
    variance : ndarray, shape (c,)
        Of the difference. [kg²]
    """

    group: TextArray
    leader: TextArray
    first: FloatArray
    last: FloatArray
    variance: FloatArray


def courses(dives: CourseDives) -> Courses:
    """First and last dive of each student in each group.

    Parameters
    ----------
    dives : CourseDives
        In order of time within each student.

    Returns
    -------
    Courses
        Where at least two dives in a named group have a margin.

    Notes
    -----
    In one suit what is not known of the diver is the same on both dives and falls out of the difference; in
    two suits it does not, and both variances count, as if they had nothing in common.
    """
    spans: dict[tuple[int, str], list[int]] = {}
    known = (dives.group != "") & ~np.isnan(dives.margin)
    for row in np.flatnonzero(known):
        spans.setdefault((int(dives.student[row]), dives.group[row]), []).append(int(row))
    used = {key: rows for key, rows in spans.items() if len(rows) > 1}
    first = np.array([rows[0] for rows in used.values()], int)
    last = np.array([rows[-1] for rows in used.values()], int)
    apart = dives.suit[first] != dives.suit[last]
    return Courses(
        np.array([group for _, group in used], object),
        np.array([_most(dives.leader[rows]) for rows in used.values()], object),
        dives.margin[first],
        dives.margin[last],
        np.where(apart, dives.variance[first] + dives.variance[last], 0.0),
    )


def _most(leaders: TextArray) -> str:
    """The name that stands most often, of equals the later one; empty where none stands."""
    named = [name for name in leaders.tolist() if name][::-1]
    return max(Counter(named).items(), key=lambda pair: pair[1])[0] if named else ""


def _changes(
    found: Courses, label: TextArray, dives: CourseDives, dive_label: TextArray
) -> tuple[Change, ...]:
    """One change a label, the largest fall first."""
    used = label != ""
    names, place = np.unique(label[used].astype(str), return_inverse=True)
    change = (found.last - found.first)[used]
    pool = pooled(change, found.variance[used], place, groups=len(names))
    made = []
    for i, name in enumerate(names.tolist()):
        here = place == i
        looked = dives.looked[dive_label == name]
        made.append(
            Change(
                name,
                int(here.sum()),
                float(found.first[used][here].mean()),
                float(found.last[used][here].mean()),
                float(change[here].mean()),
                float(pool.mean[i]),
                *_interval(float(pool.mean[i]), float(pool.sd[i])),
                jeffreys(int(looked.sum()), len(looked)),
            )
        )
    return tuple(sorted(made, key=lambda one: one.pooled_kg))


def _interval(mean: float, sd: float) -> tuple[float, float]:
    return mean - TWO_SIDED * sd, mean + TWO_SIDED * sd


def by_group(found: Courses, dives: CourseDives) -> tuple[Change, ...]:
    """Changes by group, partly pooled over the groups; the largest fall first."""
    return _changes(found, found.group, dives, dives.group)


def by_leader(found: Courses, dives: CourseDives) -> tuple[Change, ...]:
    """Changes by leader, partly pooled over the leaders; the largest fall first.

    Each course counts for the leader who led most of it; looks count for who led that dive.
    """
    return _changes(found, found.leader, dives, dives.leader)


def overall(found: Courses, dives: CourseDives) -> Change | None:
    """The change in courses in general, or in the only one; None where there is none.

    Parameters
    ----------
    found : Courses
        All.
    dives : CourseDives
        Theirs.

    Returns
    -------
    Change or None
        Of courses in general, with the mean of the groups' means: a large group counts for more only as far
        as groups are alike. With a single group that group's own, as `by_group` has it.

    Notes
    -----
    One course says next to nothing of courses in general: what others might do is as wide as the prior of
    the spread between them. Who asks for one group asks for that one.
    """
    if not len(found.first):
        return None
    names, place = np.unique(found.group.astype(str), return_inverse=True)
    change = found.last - found.first
    pool = pooled(change, found.variance, place, groups=len(names))
    here = np.isin(dives.group, names)
    several = len(names) > 1
    mean, sd = (pool.overall, pool.overall_sd) if several else (float(pool.mean[0]), float(pool.sd[0]))
    return Change(
        "",
        len(change),
        float(found.first.mean()),
        float(found.last.mean()),
        float(change.mean()),
        mean,
        *_interval(mean, sd),
        jeffreys(int(dives.looked[here].sum()), int(here.sum())),
    )


def curve(dives: CourseDives) -> Curve:
    """Mean margin by number of the dive in the course, with a smooth line through it.

    Parameters
    ----------
    dives : CourseDives
        In order of time within each student.

    Returns
    -------
    Curve
        The line is a cubic smoothing spline, each mean weighted by its students, its smoothness chosen by
        generalised cross validation.

    References
    ----------
    G. Wahba, "Spline models for observational data", SIAM (1990), doi:10.1137/1.9781611970128, ch. 4.
    """
    number = np.zeros(len(dives.student), int)
    count: Counter[tuple[int, str]] = Counter()
    for row, key in enumerate(zip(dives.student.tolist(), dives.group.tolist(), strict=True)):
        count[key] += 1
        number[row] = count[key]
    used = (dives.group != "") & ~np.isnan(dives.margin)
    if not used.any():
        return Curve(np.zeros(0, int), np.zeros(0, int), np.zeros(0), np.zeros(0))
    students = np.bincount(number[used])[1:]
    total = np.bincount(number[used], dives.margin[used])[1:]
    few = students < max(1.0, ENOUGH * students.max())
    end = int(np.argmax(few)) if few.any() else len(students)
    students, margin = students[:end], total[:end] / students[:end]
    return Curve(np.arange(1, end + 1), students, margin, _smooth(margin, students))


def _smooth(values: FloatArray, weights: Sequence[int] | IntArray) -> FloatArray:
    if len(values) < FEWEST:
        return np.full(len(values), np.nan)
    from scipy.interpolate import make_smoothing_spline

    x = np.arange(len(values), dtype=float)
    return np.asarray(make_smoothing_spline(x, values, w=np.asarray(weights, float))(x))
