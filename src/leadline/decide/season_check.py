"""What each surface check of a season says by itself, its looks taken together as `leadline check` does."""

from __future__ import annotations

from dataclasses import fields
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.checked_dive import EVIDENCE, STEP, CheckedDive, right_check
from leadline.decide.look_density import REACH
from leadline.frozen import dataclass
from leadline.physics.ledger import State
from leadline.records import RESERVE_PRESSURE

__all__ = ["Readings", "readings", "right_then"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

BAND: Final = (0.025, 0.975)
EVEN: Final = 0.5  # chance of what was seen, over its best, at which a bound is said to lie


@dataclass(frozen=True)
class Readings:
    """Need read at checks, carried to the stop at the reserve.

    Parameters
    ----------
    need : ndarray, shape (m,)
        Middle of what the check says, or its bound; NaN where nothing was seen. [kg]
    sd : ndarray, shape (m,)
        Standard deviation; NaN where there is only a bound. [kg]
    bound : tuple of str, length m
        at most or at least, where there is only a bound; else empty.
    apart : ndarray of bool, shape (m,)
        Outside the band of need as it was known with the check, 95 dives in 100; false where a bound allows a
        part of the band.
    """

    need: FloatArray
    sd: FloatArray
    bound: tuple[str, ...]
    apart: BoolArray


@dataclass(frozen=True)
class _Look(CheckedDive):
    """A check by itself: the needs at which it is asked go by what was seen, not by what was known before."""

    @cached_property
    def grid(self) -> FloatArray:
        """Values of need at a check that is right. [kg]."""
        o = self.evidence.observations
        ends = np.concatenate([o.lower[self.looks] - self._shift, o.upper[self.looks] - self._shift])
        ends = ends[np.isfinite(ends)]
        reach = REACH * float(o.reading_sd[self.looks].max())
        return np.arange(ends.min() - reach, ends.max() + reach + STEP, STEP)


def right_then(assessment: Assessment, rows: IntArray) -> State:
    """The states in which these checks would have been right: eye level, a normal breath, their pressures.

    Parameters
    ----------
    assessment : Assessment
        Of the records.
    rows : ndarray of int, shape (m,)
        Rows of checks in the timeline.

    Returns
    -------
    State
        m rows, as `CheckedDive.right_now` of each.
    """
    rigs, known = assessment.rigs.take(rows), assessment.line.occasions.start[rows]
    return right_check(rigs, np.where(np.isnan(known), RESERVE_PRESSURE, known))


def readings(assessment: Assessment, rows: IntArray, place: IntArray) -> Readings:
    """What each check says by itself about need at the stop.

    Parameters
    ----------
    assessment : Assessment
        Of the records.
    rows : ndarray of int, shape (m,)
        Rows of checks in the timeline.
    place : ndarray of int, shape (n,)
        Places in time of all rows of the timeline.

    Returns
    -------
    Readings
        Waterline and breathing out are one look, and what fits both is what it says. From need at the surface
        to need at the stop leads the ledger with what was learned until then, as after `leadline check`: so a
        check is as far from the band of its day as it was from need at the surface.
    """
    need, sd = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    bound, apart = [""] * len(rows), np.zeros(len(rows), bool)
    found = assessment.evidence.statements
    read = np.isin(found.kind, EVIDENCE)
    held = {f.name: getattr(assessment, f.name) for f in fields(Assessment)}
    for i, row in enumerate(rows):
        looks, one = read & (found.row == row), rows[i : i + 1]
        if looks.any():
            state = assessment.state(one, pressure=RESERVE_PRESSURE)
            stop, here = (
                assessment.marginals(one, s, until=int(place[row]))[0]
                for s in (state, right_then(assessment, one))
            )
            need[i], sd[i], bound[i] = _alone(_Look(**held, position=int(row), looks=looks))
            need[i] += stop.mean - here.mean
            low, high = stop.quantile(BAND)
            above = bound[i] != "at most" and need[i] > high
            apart[i] = above or (bound[i] != "at least" and need[i] < low)
    return Readings(need, sd, tuple(bound), apart)


def _alone(look: CheckedDive) -> tuple[float, float, str]:
    """Mean and sd of need at a right check by the look alone, or its bound and on which side need lies."""
    share = np.exp(look.seen - look.seen.max())
    inside = look.grid[share > EVEN]
    if share[0] > EVEN:
        return float(inside[-1]), np.nan, "at most"
    if share[-1] > EVEN:
        return float(inside[0]), np.nan, "at least"
    weights = share / share.sum()
    mean = float(weights @ look.grid)
    return mean, float(np.sqrt(weights @ (look.grid - mean) ** 2)), ""
