"""Compiled likelihood of one observation, stable far into both tails.

The scalar twin of `leadline.model.likelihood`, for loops that must not leave compiled code.
"""

from __future__ import annotations

import math
from typing import Final

from leadline.model.compiled import njit
from leadline.model.likelihood import DEEP, NODES, POINT_RANGE, WEIGHTS

__all__ = ["interval", "log_normal", "normal", "reading", "slopes", "weighted", "within", "zones"]

ROOT_HALF: Final = math.sqrt(0.5)
LOG_SQRT_2PI: Final = 0.5 * math.log(2 * math.pi)
FAR: Final = -30.0
"""Score below which the complementary error function nears its underflow. [-]"""

TINY: Final = 1e-280

SOUND: Final = 1e-4
"""Chance from which a sum of steps keeps twelve digits. [-]"""

INV_ROOT_2PI: Final = 1 / math.sqrt(2 * math.pi)


@njit(cache=True, inline="always")
def normal(score: float) -> float:
    """Normal distribution function."""
    return 0.5 * math.erfc(-score * ROOT_HALF)


@njit(cache=True)
def log_normal(score: float) -> float:
    """Log of the normal distribution function; by its asymptotic series far out."""
    if score > FAR:
        return math.log(normal(score))
    square = 1 / (score * score)
    series = 1 - square * (1 - 3 * square * (1 - 5 * square))
    return -0.5 * score * score - math.log(-score) - LOG_SQRT_2PI + math.log(series)


@njit(cache=True)
def interval(upper: float, lower: float) -> float:
    """Normal probability between two scores, from the tail that keeps its digits."""
    if lower > 0:
        return normal(-lower) - normal(-upper)
    return normal(upper) - normal(lower)


@njit(cache=True)
def _log_interval(upper: float, lower: float) -> float:
    if upper <= lower:
        return -math.inf
    if lower > 0:
        lower, upper = -upper, -lower
    near = log_normal(upper)
    if math.isinf(lower):
        return near
    ratio = log_normal(lower) - near
    return near + math.log1p(-math.exp(ratio)) if ratio < 0 else -math.inf


@njit(cache=True)
def _log_add(first: float, second: float) -> float:
    top = max(first, second)
    if math.isinf(top):
        return top
    return top + math.log(math.exp(first - top) + math.exp(second - top))


@njit(cache=True)
def log_zones(s0: float, s1: float, s2: float, l0: float, l1: float, l2: float, l3: float) -> float:
    total = -math.inf
    if l0 > 0:
        total = _log_add(total, math.log(l0) + log_normal(-s0))
    if l1 > 0:
        total = _log_add(total, math.log(l1) + _log_interval(s0, s1))
    if l2 > 0:
        total = _log_add(total, math.log(l2) + _log_interval(s1, s2))
    if l3 > 0:
        total = _log_add(total, math.log(l3) + log_normal(s2))
    return total


@njit(cache=True, inline="always")
def _pulled(score: float, step: float, value: float) -> float:
    """Density at an edge, in units of the whole probability."""
    if step == 0.0 or math.isinf(score):
        return 0.0
    return step * math.exp(-0.5 * score * score - LOG_SQRT_2PI - value)


@njit(cache=True)
def weighted(w0: float, s0: float, w1: float, s1: float, w2: float, s2: float) -> float:
    """Scores at three edges by their weights; an edge without weight may be infinitely far."""
    found = 0.0
    if w0 != 0.0:
        found += w0 * s0
    if w1 != 0.0:
        found += w1 * s1
    if w2 != 0.0:
        found += w2 * s2
    return found


@njit(cache=True)
def zones(
    need: float,
    e0: float,
    e1: float,
    e2: float,
    l0: float,
    l1: float,
    l2: float,
    l3: float,
    sd: float,
) -> tuple[float, float, float]:
    """Log probability of a record with a chance in each of four zones.

    Parameters
    ----------
    need : float
        Expected need. [kg]
    e0, e1, e2 : float
        Ends of the zones from light to heavy, descending; may be infinite or equal. [kg]
    l0, l1, l2, l3 : float
        Chance of the record in each zone. [-]
    sd : float
        Scatter around the expectation. [kg]

    Returns
    -------
    value, slope, curvature : float
        As `leadline.model.likelihood.zone_terms`.
    """
    s0, s1, s2 = (e0 - need) / sd, (e1 - need) / sd, (e2 - need) / sd
    chance = l0 * normal(-s0) + l3 * normal(s2)
    if s0 > s1:
        chance += l1 * interval(s0, s1)
    if s1 > s2:
        chance += l2 * interval(s1, s2)
    value = math.log(chance) if chance > TINY else log_zones(s0, s1, s2, l0, l1, l2, l3)
    w0, w1, w2 = _pulled(s0, l1 - l0, value), _pulled(s1, l2 - l1, value), _pulled(s2, l3 - l2, value)
    slope = -(w0 + w1 + w2) / sd
    moment = weighted(w0, s0, w1, s1, w2, s2)
    curvature = -moment / (sd * sd) - slope * slope
    return value, slope, curvature


@njit(cache=True, inline="always")
def _edge(score: float, step: float) -> tuple[float, float]:
    """What the chance beyond an edge adds to the whole, and the density there."""
    if step == 0.0 or math.isinf(score):
        return (step if score > 0 else 0.0), 0.0
    return step * normal(score), step * math.exp(-0.5 * score * score)


@njit(cache=True)
def slopes(
    need: float, e0: float, e1: float, e2: float, l0: float, l1: float, l2: float, l3: float, sd: float
) -> tuple[float, float]:
    """The two derivatives that `zones` gives, by the short way where no digits are lost on it.

    Parameters
    ----------
    need, e0, e1, e2, l0, l1, l2, l3, sd : float
        As for `zones`.

    Returns
    -------
    slope, curvature : float
        As `leadline.model.likelihood.zone_terms`.
    """
    s0, s1, s2 = (e0 - need) / sd, (e1 - need) / sd, (e2 - need) / sd
    c0, d0 = _edge(s0, l1 - l0)
    c1, d1 = _edge(s1, l2 - l1)
    c2, d2 = _edge(s2, l3 - l2)
    chance = l0 + c0 + c1 + c2
    if not chance > SOUND:
        _, slope, curvature = zones(need, e0, e1, e2, l0, l1, l2, l3, sd)
        return slope, curvature
    scale = INV_ROOT_2PI / chance
    slope = -(d0 + d1 + d2) * scale / sd
    moment = weighted(d0, s0, d1, s1, d2, s2)
    return slope, -moment * scale / (sd * sd) - slope * slope


@njit(cache=True)
def reading(need: float, read: float, wrong: float, variance: float) -> tuple[float, float, float]:
    """Log density of a reading of need, which is uniform over `POINT_RANGE` with chance `wrong`.

    Parameters
    ----------
    need, read : float
        Expected and read. [kg]
    wrong : float
        Chance that the reading is worthless. [-]
    variance : float
        Around the expectation. [kg²]

    Returns
    -------
    value, slope, curvature : float
        As `leadline.model.likelihood.point_terms`.
    """
    pull = (read - need) / variance
    good = -0.5 * (read - need) * pull - 0.5 * math.log(variance) - LOG_SQRT_2PI
    if wrong <= 0.0:
        return good, pull, -1 / variance
    good += math.log1p(-wrong)
    value = _log_add(good, math.log(wrong / POINT_RANGE))
    share = math.exp(good - value)
    curvature = -share / variance + share * (1 - share) * pull * pull
    return value, share * pull, curvature


@njit(cache=True)
def within(upper: float, lower: float) -> tuple[float, float, float]:
    """What a standard normal is in a narrow interval, or in one that lies in its tail.

    Parameters
    ----------
    upper, lower : float
        Scores; either may be infinite. [-]

    Returns
    -------
    value, mean, variance : float
        As `leadline.model.likelihood.within`.
    """
    sign = 1.0
    if upper + lower > 0.0:
        sign, upper, lower = -1.0, -lower, -upper
    length = min(upper - lower, 2 * DEEP / (math.sqrt(upper * upper + 2 * DEEP) - upper))
    mass = first = 0.0
    for i in range(len(NODES)):
        u = length * NODES[i]
        weight = WEIGHTS[i] * math.exp(u * (upper - 0.5 * u))
        mass += weight
        first += weight * u
    first /= mass
    second = 0.0
    for i in range(len(NODES)):
        u = length * NODES[i]
        second += WEIGHTS[i] * math.exp(u * (upper - 0.5 * u)) * (u - first) ** 2
    value = math.log(mass * length) - 0.5 * upper * upper - LOG_SQRT_2PI
    return value, sign * (upper - first), second / mass
