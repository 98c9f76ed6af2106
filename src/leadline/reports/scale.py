"""Places on a bar: where a number lies between the ends of a scale, in per cent of its width."""

from __future__ import annotations

from collections.abc import Iterable
from math import ceil, floor, isfinite, log10

from leadline.frozen import dataclass

__all__ = ["Scale", "round_step"]


def round_step(span: float, intervals: int) -> float:
    """Smallest step of 1, 2 or 5 times a power of ten that cuts `span` into at most `intervals` parts.

    Parameters
    ----------
    span : float
        Length to cut, in any unit. Valid above 0.
    intervals : int
        Most parts. [-]

    Returns
    -------
    float
        The step, in the unit of `span`.

    Examples
    --------
    >>> round_step(7.3, 5)
    2.0
    """
    base = 10.0 ** floor(log10(span / intervals))
    return next(m * base for m in (1.0, 2.0, 5.0, 10.0, 20.0) if span / (m * base) <= intervals + 1e-9)


@dataclass(frozen=True)
class Scale:
    """A scale from `low` to `high`.

    Parameters
    ----------
    low, high : float
        Ends, in the unit shown; `high` is above `low`.

    Examples
    --------
    >>> Scale(0.0, 8.0).at(2.0)
    '25%'
    """

    low: float
    high: float

    @classmethod
    def over(cls, values: Iterable[float], *, least: float = 1.0) -> Scale:
        """A scale with a little air around all finite `values`, at least `least` wide."""
        finite = [v for v in values if isfinite(v)] or [0.0]
        low, high = min(finite), max(finite)
        missing = max(least - (high - low), 0.0) / 2
        air = 0.04 * max(high - low, least)
        return cls(low - missing - air, high + missing + air)

    def at(self, value: float) -> str:
        """Place of `value`, such as `25%`; values beyond the ends lie on the ends."""
        share = (value - self.low) / (self.high - self.low)
        return f"{100 * min(max(share, 0.0), 1.0):.4g}%"

    def span(self, first: float, second: float) -> str:
        """CSS that lets a bar run from the lower to the higher of two values; empty where one is unknown."""
        if not (isfinite(first) and isfinite(second)):
            return "display:none"
        left, right = (self.at(v)[:-1] for v in sorted((first, second)))
        return f"left:{left}%;width:{float(right) - float(left):.4g}%"

    def ticks(self, intervals: int = 5) -> list[float]:
        """Round values inside the scale."""
        step = round_step(self.high - self.low, intervals)
        first = ceil(self.low / step)
        return [i * step for i in range(first, floor(self.high / step + 1e-9) + 1)]
