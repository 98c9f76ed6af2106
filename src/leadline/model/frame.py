"""Targets and columns of a regression brought to order one, as the engine likes its numbers.

A spread is the root of the mean squared distance from the middle; where fewer than two targets are readings
or closed on both sides, that of the targets is the distance between the outermost ends.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass
from leadline.model.observations import Observations

__all__ = ["Frame", "observations"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

INTERCEPT_SD: Final = 4.0
"""Prior sd of the intercept around the middle of the targets, in their spreads. [-]"""

NARROW: Final = 1e-6
"""An interval narrower than this, in spreads of the targets, is a reading. [-]"""

FLAT: Final = 1e-12
"""What varies by less than this share of its size is constant. [-]"""


@dataclass(frozen=True)
class Frame:
    """Middle and spread of targets and columns.

    Parameters
    ----------
    centre, size : float
        Of the targets. [unit of y]
    column_centre, column_size : ndarray, shape (p,)
        Of the columns. [unit of the column]
    intercept : bool
        Whether there is one; without it nothing is centred.
    """

    centre: float
    size: float
    column_centre: FloatArray
    column_size: FloatArray
    intercept: bool

    @classmethod
    def of(cls, X: FloatArray, lower: FloatArray, upper: FloatArray, *, intercept: bool) -> Frame:
        """Frame of data; targets are read crudely: mid-interval, or the end that is known.

        With an intercept a shift of the targets shifts the middle and nothing else, and their unit scales
        both. Targets that are the same throughout have no spread: their size is taken for it, or 1 where they
        are 0, so that they scale and do not shift.

        Parameters
        ----------
        X : ndarray, shape (n, p)
            Columns.
        lower, upper : ndarray, shape (n,)
            Ends of the targets. [unit of y]
        intercept : bool
            Whether there is one.

        Raises
        ------
        OutOfRangeError
            If no end is finite.
        """
        known = np.isfinite(lower) | np.isfinite(upper)
        if not known.any():
            raise OutOfRangeError("every interval of y is infinite on both sides: there is nothing to learn")
        low, high = lower[known], upper[known]
        crude = np.where(np.isfinite(low), low, high) / 2 + np.where(np.isfinite(high), high, low) / 2
        closed = np.isfinite(low) & np.isfinite(high)
        half_width = float(np.median(high[closed] - low[closed])) / 2 if closed.any() else 0.0
        centre = float(crude.mean()) if intercept else 0.0
        size = max(float(np.sqrt(np.mean((crude - centre) ** 2))), half_width)
        biggest = float(np.abs(crude).max())
        if closed.sum() < 2:
            # How near open ends lie to each other says little of how far the targets are from them, and where
            # they lie says nothing if there is an intercept: the widest that the ends themselves tell.
            ends = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
            size = max(size, float(ends.max() - ends.min()) if intercept else biggest)
        if size <= FLAT * biggest:
            size = biggest or 1.0
        column_centre = X.mean(axis=0) if intercept else np.zeros(X.shape[1])
        column_size = np.sqrt(np.mean((X - column_centre) ** 2, axis=0))
        flat = column_size <= FLAT * np.abs(X).max(axis=0)
        return cls(centre, size, column_centre, np.where(flat, 1.0, column_size), intercept)

    def exposure(self, X: FloatArray, slope: FloatArray) -> FloatArray:
        """Change of a target for one prior sd of each effect.

        Parameters
        ----------
        X : ndarray, shape (n, p)
            Columns.
        slope : ndarray, shape (p,)
            Prior sds of the slopes, in spreads of target and column. [-]

        Returns
        -------
        ndarray, shape (n, q)
            Intercept, if any, and slopes; in spreads of the targets. [-]
        """
        constant = np.full((len(X), int(self.intercept)), INTERCEPT_SD)
        return np.hstack([constant, (X - self.column_centre) / self.column_size * slope])


def observations(
    exposure: FloatArray, lower: FloatArray, *, upper: FloatArray, group: IntArray
) -> Observations:
    """Targets as the engine's observations, each on an occasion of its own.

    Parameters
    ----------
    exposure : ndarray, shape (n, q)
        From `Frame.exposure`.
    lower, upper : ndarray, shape (n,)
        Ends, in spreads of the targets from their middle. [-]
    group : ndarray of int, shape (n,)
        Sorted labels 0, 1, ...

    Returns
    -------
    Observations
        n rows that mean their interval and no more.
    """
    count, nothing = len(lower), np.zeros(len(lower))
    narrow = upper - lower < NARROW
    middle = np.where(narrow, lower, 0.0) / 2 + np.where(narrow, upper, 0.0) / 2
    return Observations(
        prior=nothing,
        exposure=exposure,
        suit_weight=nothing,
        lower=np.where(narrow, middle, lower),
        upper=np.where(narrow, middle, upper),
        lower_breath=nothing,
        upper_breath=nothing,
        reading_sd=nothing,
        fit=np.tile([0.0, 1.0, 0.0], (count, 1)),
        form=np.zeros(count, np.int64),
        point=narrow,
        occasion=np.arange(count),
        suit=group,
        diver=group,
        body_sd=np.zeros(group[-1] + 1),
        names=tuple(f"x{j}" for j in range(exposure.shape[1])),
    )
