"""Compiled likelihood of one row with its need known but for a variance, for many expected needs."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.compiled import njit
from leadline.model.likelihood import SAFE_LEVEL
from leadline.model.prepared import E0, E1, E2, L0, L1, L2, L3, NOISE, POINT
from leadline.model.tail import TINY, interval, log_zones, normal, reading

__all__ = ["told", "worth"]

FloatArray = NDArray[np.float64]


class Told(NamedTuple):
    """What one row says of its need, whatever it is expected to be: variance, edges and chances."""

    point: bool
    read: float
    wrong: float
    around: float
    e0: float
    e1: float
    e2: float
    l0: float
    l1: float
    l2: float
    l3: float
    plain: bool


@njit(cache=True)
def told(row: FloatArray, variance: float) -> Told:
    """A prepared row's likelihood with its need known but for `variance`. [kg²]."""
    around = variance + row[NOISE]
    if row[L0] == POINT:
        return Told(True, row[E0], row[L1], around, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, False)
    l0, l1, l2, l3 = row[L0], row[L1], row[L2], row[L3]
    # No zone is impossible and the neutral zone is one: then nothing cancels.
    plain = l1 == l2 and min(l0, l1, l3) > SAFE_LEVEL
    return Told(False, 0.0, 0.0, math.sqrt(around), row[E0], row[E1], row[E2], l0, l1, l2, l3, plain)


@njit(cache=True)
def worth(of: Told, mean: float) -> float:
    """Log evidence of a row whose need is expected at `mean`. [kg]."""
    if of.point:
        return reading(mean, of.read, of.wrong, of.around)[0]
    s0, s2 = (of.e0 - mean) / of.around, (of.e2 - mean) / of.around
    if of.plain:
        chance = of.l1
        if of.e0 != math.inf:
            chance += (of.l0 - of.l1) * normal(-s0)
        if of.e2 != -math.inf:
            chance += (of.l3 - of.l1) * normal(s2)
        return math.log(chance)
    s1 = (of.e1 - mean) / of.around
    chance = of.l0 * normal(-s0) + of.l3 * normal(s2)
    if s0 > s1:
        chance += of.l1 * interval(s0, s1)
    if s1 > s2:
        chance += of.l2 * interval(s1, s2)
    return math.log(chance) if chance > TINY else log_zones(s0, s1, s2, of.l0, of.l1, of.l2, of.l3)
