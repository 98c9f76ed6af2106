"""Reproducible chance: one small stream for each purpose, the same on every machine.

Only the raw output of the PCG64 bit generator is used, which numpy keeps stable across versions;
its distributions are not. A stream is named by what it is for, so that a new diver or a new dive
does not reshuffle all the others.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from statistics import NormalDist
from typing import Final, TypeVar

import numpy as np

__all__ = ["SEED", "Chance"]

SEED: Final = 20260404
"""Seed of the whole data set: the first day of its season."""

_STANDARD: Final = NormalDist()
_Thing = TypeVar("_Thing")


class Chance:
    """A stream of chance named by what it is for.

    Parameters
    ----------
    *purpose : str or int
        Anything that names the use, such as ``("offset", "Ines K")``.
    """

    def __init__(self, *purpose: str | int) -> None:
        name = "/".join(map(str, (SEED, *purpose)))
        digest = hashlib.sha256(name.encode()).digest()
        self._bits = np.random.PCG64(int.from_bytes(digest[:16], "big"))

    def share(self) -> float:
        """A number from [0, 1), uniform [-]."""
        return (int(self._bits.random_raw()) >> 11) * 2.0**-53

    def happens(self, probability: float) -> bool:
        """Whether an event of this probability happens."""
        return self.share() < probability

    def between(self, low: float, high: float) -> float:
        """A number from [low, high), uniform."""
        return low + (high - low) * self.share()

    def normal(self, mean: float, sd: float, *, low: float = -np.inf, high: float = np.inf) -> float:
        """A normal number, moved to the nearer limit where it falls outside [low, high]."""
        drawn = mean + sd * _STANDARD.inv_cdf(min(max(self.share(), 1e-12), 1 - 1e-12))
        return min(max(drawn, low), high)

    def heavy_tailed(self, sd: float) -> float:
        """A number with mean 0 and this standard deviation; one in ten comes from a 2.4 times wider bell."""
        wide = self.happens(0.1)
        narrow_sd = sd / np.sqrt(0.9 + 0.1 * 2.4**2)
        return self.normal(0.0, float(narrow_sd) * (2.4 if wide else 1.0))

    def pick(self, things: Sequence[_Thing]) -> _Thing:
        """One of `things`, each as likely as the others."""
        return things[int(self.share() * len(things))]

    def weighted(self, things: Sequence[_Thing], weights: Sequence[float]) -> _Thing:
        """One of `things`, in proportion to `weights`."""
        level = self.share() * sum(weights)
        for thing, weight in zip(things, weights, strict=True):
            level -= weight
            if level < 0:
                return thing
        return things[-1]

    def sample(self, things: Sequence[_Thing], count: int) -> list[_Thing]:
        """`count` different things (all of them if there are fewer), in random order."""
        rest = list(things)
        chosen = []
        for _ in range(min(count, len(rest))):
            chosen.append(rest.pop(int(self.share() * len(rest))))
        return chosen
