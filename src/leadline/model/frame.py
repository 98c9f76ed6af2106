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

__all__ = ["Frame", "in_range", "observations", "sensible"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

INTERCEPT_SD: Final = 4.0
"""Prior sd of the intercept around the middle of the targets, in their spreads. [-]"""

NARROW: Final = 1e-6
"""An interval narrower than this, in spreads of the targets, is a reading. [-]"""

FLAT: Final = 1e-12
"""What varies by less than this share of its size is constant. [-]"""

SIZES: Final = (1e-250, 1e250)
"""Least and greatest size of targets and of a column that is not 0 throughout: floats end at 1e308."""

RATIOS: Final = (1e-280, 1e280)
"""Least and greatest spread of the targets in that of a column: a slope has to be a float too."""

FARTHEST: Final = 1e50
"""Distance from the middle of a column, in its spreads, up to which targets are foretold; the end of an
interval that is farther from them is none. [-]"""


def in_range(what: str, size: FloatArray | float, limits: tuple[float, float]) -> None:
    """Refuse numbers that squares and quotients would turn into 0 or infinity.

    Parameters
    ----------
    what : str
        Beginning of the sentence, up to 'must lie between'.
    size : ndarray or float
        At least 0.
    limits : tuple of float
        Least and greatest.

    Raises
    ------
    OutOfRangeError
        If one lies outside.
    """
    sizes = np.atleast_1d(size)
    bad = sizes[~((sizes >= limits[0]) & (sizes <= limits[1]))]
    if len(bad):
        least, most = limits
        raise OutOfRangeError(
            f"{what} must lie between {least:g} and {most:g}; got {bad[0]:g}: use other units"
        )


def sensible(what: str, values: FloatArray) -> None:
    """Refuse values whose greatest size is too great or too small for a float's neighbours; 0 is none."""
    greatest = float(np.max(np.abs(values), initial=0.0))
    if greatest:
        in_range(f"the greatest size of {what}", greatest, SIZES)


def _spread(away: FloatArray) -> FloatArray:
    """Root of the mean square along the first axis, whatever the size.

    A power of two is taken off before squares are, so that no digit changes.
    """
    exponent = np.frexp(np.abs(away).max(axis=0))[1]
    square = np.mean(np.ldexp(away, -exponent) ** 2, axis=0)
    return np.asarray(np.ldexp(np.sqrt(square), exponent))


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
            If no end is finite, or a size is no sensible one.
        """
        known = np.isfinite(lower) | np.isfinite(upper)
        if not known.any():
            raise OutOfRangeError("every interval of y is infinite on both sides: there is nothing to learn")
        low, high = lower[known], upper[known]
        ends = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
        sensible("y", ends)
        for j, column in enumerate(X.T):
            sensible(f"column {j} of X", column)
        crude = np.where(np.isfinite(low), low, high) / 2 + np.where(np.isfinite(high), high, low) / 2
        closed = np.isfinite(low) & np.isfinite(high)
        half_width = float(np.median(high[closed] - low[closed])) / 2 if closed.any() else 0.0
        centre = float(crude.mean()) if intercept else 0.0
        size = max(float(_spread(crude - centre)), half_width)
        biggest = float(np.abs(crude).max())
        if closed.sum() < 2:
            # How near open ends lie to each other says little of how far the targets are from them, and where
            # they lie says nothing if there is an intercept: the widest that the ends themselves tell.
            size = max(size, float(ends.max() - ends.min()) if intercept else biggest)
        if size <= FLAT * biggest:
            size = biggest or 1.0
        column_centre = X.mean(axis=0) if intercept else np.zeros(X.shape[1])
        column_size = _spread(X - column_centre)
        greatest = np.abs(X).max(axis=0)
        # A flat column has 1 for its spread, unless the rounding of its middle would be much beside that.
        steady = np.where(FLAT * greatest > 1.0, greatest, 1.0)
        column_size = np.where(column_size <= FLAT * greatest, steady, column_size)
        for j, decades in enumerate(np.log10(size) - np.log10(column_size)):
            if not np.log10(RATIOS[0]) <= decades <= np.log10(RATIOS[1]):
                raise OutOfRangeError(
                    f"the spread of y in that of column {j} of X must lie between {RATIOS[0]:g} and "
                    f"{RATIOS[1]:g}; got 1e{decades:.0f}: use other units"
                )
        return cls(centre, size, column_centre, column_size, intercept)

    def ends(self, lower: FloatArray, upper: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ends of targets in spreads from their middle; infinite where they are too far out to matter.

        Parameters
        ----------
        lower, upper : ndarray, shape (n,)
            Those that the frame is of. [unit of y]
        """
        with np.errstate(over="ignore"):
            low, high = ((end - self.centre) / self.size for end in (lower, upper))
        # Only an interval wide beyond all measure has its ends there, one on either side.
        return np.where(low < -FARTHEST, -np.inf, low), np.where(high > FARTHEST, np.inf, high)

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

        Raises
        ------
        OutOfRangeError
            If a row is absurdly far from the columns of the frame.
        """
        with np.errstate(over="ignore"):  # what is infinite is refused
            away = (X - self.column_centre) / self.column_size
        far = np.argwhere(~(np.abs(away) <= FARTHEST))
        if len(far):
            row, column = far[0]
            raise OutOfRangeError(
                f"X must lie within {FARTHEST:g} spreads of its columns in the fit; row {row} has "
                f"{X[row, column]:g} in column {column}"
            )
        constant = np.full((len(X), int(self.intercept)), INTERCEPT_SD)
        return np.hstack([constant, away * slope])


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
