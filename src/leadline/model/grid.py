"""The points on which the density of one need is held: where they end, and what stands there.

Most divers' records agree with each other and with physics, and the ends follow from the rows taken one by
one. What they say may be wrong far from where the rows were settled, and what many records agree on may lie
far from physics: then, and only then, it is looked at more closely.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.distinct import distinct
from leadline.model.density import FAR, KNOTS, MATTERS, SettledDiver, corrected

__all__ = ["BROAD", "COARSE", "DEPTH", "FINE", "REACH", "grid"]

FloatArray = NDArray[np.float64]

COARSE: Final = 21
FINE: Final = 49
REACH: Final = 7.0
"""Sds of the Gaussian to either side of its mean that are searched. [-]"""

BROAD: Final = 5.0
"""Sds of the prior to either side of its mean that are always searched. [-]"""

DEPTH: Final = 13.0
"""Log density below the peak at which the grid ends: e^-13 is two parts in a million."""

MARGIN: Final = 2.0
"""How far beyond the outermost record is searched. [kg]"""


def grid(found: SettledDiver, direction: int) -> tuple[FloatArray, FloatArray]:
    """Points that hold all of one direction's posterior, and the log densities there.

    Parameters
    ----------
    found : SettledDiver
        Settled rows under g hyperparameters.
    direction : int
        Of `found`.

    Returns
    -------
    points, logs : ndarray, shape (u,), (g, u)
        Ascending [kg]; log densities up to a constant of each hyperparameters' own [-].
    """
    points = _searched(found, direction)
    low, high = _ends(found, direction, points)
    fine, logs = _filled(found, direction, low, high)
    # What the rows say together may end farther out than what they say one by one.
    least = np.max(logs, axis=1) - MATTERS
    cut_low = low > points[0] and bool(np.any(logs[:, 0] > least))
    cut_high = high < points[-1] and bool(np.any(logs[:, -1] > least))
    if not (cut_low or cut_high):
        return fine, logs
    anew = found.log_conditional(points, direction, np.arange(len(logs)))
    best = np.fmax.reduce(anew, axis=1, keepdims=True)
    wide = _around(points, np.any(anew > best - DEPTH, axis=0), (low, high))
    return _filled(found, direction, min(low, wide[0]), max(high, wide[1]))


def _around(points: FloatArray, holds: NDArray[np.bool_], ends: tuple[float, float]) -> tuple[float, float]:
    """Points next to the outermost that hold something; `ends` where none does."""
    inside = np.flatnonzero(holds)
    if not len(inside):
        return ends
    return float(points[max(inside[0] - 1, 0)]), float(points[min(inside[-1] + 1, len(points) - 1)])


def _searched(found: SettledDiver, direction: int) -> FloatArray:
    """Points among which the ends are sought."""
    centre, sd = found.centre[:, direction], found.sd[:, direction]
    before, wide = found.start[:, direction], found.start_sd[:, direction]
    close = (float(np.min(centre - REACH * sd)), float(np.max(centre + REACH * sd)))
    # Records that contradict each other can leave a second peak where nothing was seen.
    far = (
        min(close[0], float(np.min(before - BROAD * wide))),
        max(close[1], float(np.max(before + BROAD * wide))),
    )
    points = distinct(np.concatenate([np.linspace(*far, COARSE), np.linspace(*close, COARSE)]))
    places = _places(found, direction)
    places = places[(places < far[0]) | (places > far[1])]
    if not len(places):
        return points
    # Nor may a peak be lost that many records agree on, however far from physics.
    ends = (min(far[0], float(places.min()) - MARGIN), max(far[1], float(places.max()) + MARGIN))
    return distinct(np.concatenate([points, places, np.linspace(*ends, 2 * COARSE)]))


def _places(found: SettledDiver, direction: int) -> FloatArray:
    """Where each row by itself would put the direction, on average over the hyperparameters; shape (k,)."""
    rows = found.rows
    told = np.full((*found.before.shape, 2), np.inf)
    if len(rows.zone):
        told[:, rows.zone] = rows.edges[:, 0][..., [0, 2]]
    if len(rows.point):
        told[:, rows.point] = rows.reading[:, 0, :, None]
    own = np.maximum(np.sum(found.of_rows**2, axis=-1), 1e-12)
    pull = (found.of_rows @ found.of_directions[:, direction, :, None])[..., 0] / own
    bounded = np.all(np.isfinite(told), axis=0)
    moved = np.where(bounded, told, 0.0) - found.before[..., None]
    at = np.mean(found.start[:, direction, None, None] + pull[..., None] * moved, axis=0)
    return np.asarray(at[bounded])


def _ends(found: SettledDiver, direction: int, points: FloatArray) -> tuple[float, float]:
    """Ends of what holds anything: by the rows one by one near where they were settled, anew elsewhere."""
    centre, sd = found.centre[:, direction, None], found.sd[:, direction, None]
    logs = found.log_density(points, direction)
    away = np.abs(points - centre) > FAR * sd
    top = np.max(np.where(away, -np.inf, logs), axis=1, keepdims=True)
    doubtful = np.flatnonzero(np.any(away & (logs > top - MATTERS), axis=1))
    if len(doubtful):
        # Far off, the rows one by one can show a peak that is nothing but their sites.
        there = np.any(away[doubtful], axis=0)
        anew = np.full((len(doubtful), len(points)), np.nan)
        anew[:, there] = found.log_conditional(points[there], direction, doubtful)
        looked = away[doubtful] & ~np.isnan(anew)
        logs[doubtful] = np.where(looked, anew, logs[doubtful])
        # One that cannot be settled is kept, but does not say what is high.
        sure = np.where(~away[doubtful] | looked, logs[doubtful], -np.inf)
        top[doubtful] = sure.max(axis=1, keepdims=True)
    return _around(points, np.any(logs > top - DEPTH, axis=0), (float(points[0]), float(points[-1])))


def _filled(found: SettledDiver, direction: int, low: float, high: float) -> tuple[FloatArray, FloatArray]:
    """Points between two ends, closer where the Gaussian has most, and the log densities that hold there."""
    centre, sd = found.centre[:, direction], found.sd[:, direction]
    near = (max(low, float(np.min(centre - 4 * sd))), min(high, float(np.max(centre + 4 * sd))))
    points = np.linspace(low, high, FINE)
    if near[0] < near[1] < near[0] + 0.5 * (high - low):
        points = distinct(np.concatenate([points, np.linspace(*near, FINE)]))
    # Where more than one place is held, a correction changes faster than a few knots can follow.
    count = KNOTS if high - low < 3 * REACH * float(np.max(sd)) else 3 * KNOTS
    return points, corrected(found, direction, points, found.log_density(points, direction), count=count)
