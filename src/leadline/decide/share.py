"""Shares counted from records, with the interval that so few of them leave open."""

from __future__ import annotations

import numpy as np

from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass

__all__ = ["Share", "jeffreys"]


@dataclass(frozen=True)
class Share:
    """So many out of so many.

    Parameters
    ----------
    count, of : int
        How many, out of how many. [-]
    low, high : float
        Ends of the interval; NaN out of none. [-]
    """

    count: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """The share itself; NaN out of none. [-]."""
        return self.count / self.of if self.of else float("nan")


def jeffreys(count: int, of: int, *, level: float = 0.95) -> Share:
    """Share of a count with its equal-tailed Jeffreys interval.

    Parameters
    ----------
    count : int
        How many. [-] Valid 0 to `of`.
    of : int
        Out of how many. [-]
    level : float
        Of the interval. [-] Valid between 0 and 1.

    Returns
    -------
    Share
        With the quantiles of Beta(count + 1/2, of - count + 1/2); out of none the interval is not known.

    Raises
    ------
    OutOfRangeError
        If the count is not between 0 and `of`, or the level not between 0 and 1.

    References
    ----------
    L. D. Brown, T. T. Cai, A. DasGupta, "Interval estimation for a binomial proportion", Statistical Science
    16 (2001) 101-133, doi:10.1214/ss/1009213286.

    Examples
    --------
    >>> found = jeffreys(3, 40)
    >>> round(found.share, 3), round(found.low, 3), round(found.high, 3)
    (0.075, 0.022, 0.187)
    """
    if not 0 <= count <= of:
        raise OutOfRangeError(f"count must lie in [0, {of}], got {count}: count what is a part of the whole")
    if not 0 < level < 1:
        raise OutOfRangeError(f"level must lie between 0 and 1, got {level}")
    if not of:
        return Share(0, 0, float("nan"), float("nan"))
    from scipy.special import betaincinv

    tails = np.array([(1 - level) / 2, (1 + level) / 2])
    low, high = betaincinv(count + 0.5, of - count + 0.5, tails)
    return Share(count, of, float(low), float(high))
