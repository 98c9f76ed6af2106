"""Two oracles: one diver's exact posterior on a grid.

One knows the law of the world, as no tool can: the shared effects, every spread and share, the heavy tails,
the law of foam, how suits age and beginners relax, and how what is written hangs on how the dive went. Left
are the diver's own offset, suit, breath range and care, and the scatter of each dive. The other holds the
model for the law, and knows its shared effects and hyperparameters: what it lacks the model lacks, and what
the tool lacks beside it is the tool's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from tests.benchmarks.closed_loop_world import (
    EDGES,
    JUDGEMENT,
    LINE_NOISE,
    LINES,
    SINK_NOISE,
    Crew,
    Sighting,
)
from tests.reference.nature import Nature

__all__ = ["Diver", "Stop", "true_hyperparameters"]

FloatArray = NDArray[np.float64]

OFFSETS: Final = 81
SUITS: Final = 13
DIVES: Final = 21
BREATHS: Final = 3


@dataclass(frozen=True)
class Stop:
    """What was written of a stop.

    Parameters
    ----------
    lead : float
        On at the stop. [kg]
    result, bc : str
        As in the records; result empty where nothing was written.
    asked : bool
        Whether the diver had been asked to look, so that it was written whatever was seen.
    handed : float
        Lead handed off; 0 for none. [kg]
    after : str
        Result after it.
    """

    lead: float
    result: str
    bc: str
    asked: bool
    handed: float = 0.0
    after: str = ""


def true_hyperparameters(nature: Nature) -> Hyperparameters:
    """What the population is like in truth, as far as the model has a name for it."""
    return Hyperparameters(
        diver_sd=nature.diver_sd, body_factor=nature.body_factor, suit_factor=nature.suit_factor,
        scatter=nature.scatter, breath_out=nature.breath_out, breath_in=nature.breath_in,
        wrong=nature.wrong, drift=nature.drift,
    )  # fmt: skip


@lru_cache(maxsize=8)
def _student(sd: float, tail: float, count: int, reach: float) -> tuple[FloatArray, FloatArray]:
    """Points denser in the middle, and their weights, of Student's t scaled to its sd."""
    points = np.sinh(np.linspace(-2, 2, count)) / np.sinh(2) * reach
    t = points / np.sqrt((tail - 2) / tail)
    logs = gammaln((tail + 1) / 2) - gammaln(tail / 2) - (tail + 1) / 2 * np.log1p(t**2 / tail)
    weights = np.exp(logs) * np.gradient(points)
    return sd * points, weights / weights.sum()


def _normal(mean: float, sd: float, count: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return mean + sd * nodes, weights / weights.sum()


class Diver:
    """What the oracle knows of one diver.

    Parameters
    ----------
    crew : Crew
        Of the diver.
    d : int
        Which one.
    lawful : bool
        Whether the law of the world is known, else the model is held for it.

    Notes
    -----
    Chances over offset, suit, breath out, breath in and care, in that order of axes.
    """

    def __init__(self, crew: Crew, d: int, *, lawful: bool = True) -> None:
        n = crew.nature
        self.crew, self.d, self.nature, self.lawful = crew, d, n, lawful
        self.known = crew.reality.known if lawful else crew.reality.plain
        spread = float(crew.reality.offset_sd[d])
        self.offset = np.linspace(-4.5, 4.5, OFFSETS) * spread
        tails = (n.suit_tail, n.scatter_tail) if lawful else (1e6, 1e6)
        self.suit, suits = _student(n.suit_factor, tails[0], SUITS, 5.0)
        self.scatter, self.scatters = _student(n.scatter, tails[1], DIVES, 8.0 if lawful else 4.5)
        differ = BREATHS if lawful else 1
        self.out, outs = _normal(n.breath_out, n.breath_sd, differ)
        self.into, intos = _normal(n.breath_in, 2 * n.breath_sd, differ)
        care, cares = _normal(0.0, n.care_sd, differ)
        self.care = np.exp(care)
        offsets = np.exp(-0.5 * np.linspace(-4.5, 4.5, OFFSETS) ** 2)
        self.chance = np.einsum("a,c,o,i,k->acoik", offsets / offsets.sum(), suits, outs, intos, cares)
        self.years = 0.0
        self.seen: FloatArray | None = None

    def dive(self, n: int) -> None:
        """Let the time pass until a dive."""
        years = float(self.crew.years[self.d, n])
        steps = (self.nature.drift**2 * (years - self.years), 0.0)
        self.years, self.seen = years, None
        if n:
            turn = self.nature.turned / 25 * self.lawful
            moved = _moved(self.offset, steps[0])
            moved = (1 - turn) * moved + turn * _moved(self.offset, steps[0] + self.nature.turn**2)
            self.chance = np.einsum("ab,bcoik->acoik", moved, self.chance)

    def _need(self, n: int, place: str) -> FloatArray:
        """Over offset, suit and scatter."""
        r, at = self.crew.reality, (self.d, n)
        suit = self.known[place][at] + r.suit[place][at] * self.suit
        return np.asarray(self.offset[:, None, None] + suit[:, None] + self.scatter)

    def check(self, n: int, sighting: Sighting, *, when: str) -> None:
        """Take in a surface check."""
        wrong, litre = self.nature.wrong, self.crew.reality.litre
        need, word = self._need(n, f"eye {when}"), LINES.index(sighting.waterline)
        edges = [np.inf, *(sighting.lead_kg + litre * EDGES), -np.inf]
        high, low = (ndtr((end - need) / LINE_NOISE) for end in (edges[word], edges[word + 1]))
        line = (1 - wrong) * (high - low) + wrong / 3 * (1 - high + low)
        sinks = ndtr((sighting.lead_kg - self._need(n, f"out {when}")) / SINK_NOISE)
        sinks = sinks if sighting.exhale_sinks == "yes" else 1 - sinks
        self._take(line * ((1 - wrong) * sinks + wrong * (1 - sinks)))

    def _zones(self, n: int, lead: float) -> list[FloatArray]:
        """Chances of being taken for light, neutral and heavy; over offset, suit, scatter, out, in."""
        need = self._need(n, "stop")[..., None]
        light = ndtr((need - lead - self.out) / JUDGEMENT)[..., :, None]
        heavy = ndtr((lead - self.into - need) / JUDGEMENT)[..., None, :]
        wrong = self.nature.wrong
        parts = (light, np.maximum(1 - light - heavy, 0.0), heavy)
        return [(1 - wrong) * part + wrong / 2 * (1 - part) for part in parts]

    def stop(self, n: int, stop: Stop) -> None:
        """Take in what was written of a stop, or that nothing was."""
        if not (self.lawful or stop.result):
            return
        zones = self._zones(n, stop.lead)
        written = self._written(stop) if self.lawful else _meant(stop)
        if written.shape[1] == 1:
            told = sum(zone * float(share[0]) for zone, share in zip(zones, written, strict=True))
            if stop.handed and stop.after:
                told = told * self._zones(n, stop.lead - stop.handed)[_RESULTS.index(stop.after)]
            self._take(np.asarray(told))
        else:
            self._take(np.asarray(sum(z[..., None] * s for z, s in zip(zones, written, strict=True))))

    def _written(self, stop: Stop) -> FloatArray:
        """Chance of what was written in each zone, over care; shape (3, 1) or (3, k)."""
        n = self.nature
        if stop.asked:
            return np.array(np.eye(3)[_RESULTS.index(stop.result)][:, None])
        noted = np.array([n.rose_noted, n.neutral_noted, n.heavy_noted])[:, None]
        if not stop.result:
            return 1 - noted
        closed = np.stack([0 * self.care + 1, n.neutral_closed * self.care, n.heavy_closed * self.care])
        closed = np.minimum(closed, 1.0)
        if stop.bc == "empty":
            return np.asarray(noted * closed * np.eye(3)[_RESULTS.index(stop.result)][:, None])
        return np.asarray(noted * (1 - closed) / 2)

    def _take(self, told: FloatArray) -> None:
        """One more observation of the dive at hand; all of a dive share its scatter."""
        told = told.reshape(told.shape + (1,) * (6 - told.ndim))
        self.seen = told if self.seen is None else self.seen * told

    def close(self) -> None:
        """The dive is over: its scatter is of no use any more."""
        if self.seen is not None:
            self.chance = self.chance * np.einsum("acsoik,s->acoik", self.seen, self.scatters)
            self.chance /= self.chance.sum()
            self.seen = None

    def expected(self, n: int) -> Marginal:
        """Expected need of dive n at the reserve, as the choice of a step wants it."""
        need, joint = self._joint(n)
        return _gridded((need - self.scatter)[..., None], joint, self.nature.scatter, self.spacing)

    def need(self, n: int) -> Marginal:
        """Need of dive n at the reserve, its own scatter and breath range in it."""
        need, joint = self._joint(n)
        own = need[..., None] - (self.out - self.nature.breath_out)
        return _gridded(own, joint, 0.05, 0.05)

    @property
    def spacing(self) -> float:
        """Step of a grid of need, finer than that of offsets. [kg]."""
        return float(self.offset[1] - self.offset[0]) / 2

    def _joint(self, n: int) -> tuple[FloatArray, FloatArray]:
        """Need over offset, suit, scatter; chances over these and breath out."""
        need = self._need(n, "plan")
        if self.seen is None:
            return need, np.einsum("acoik,s->acso", self.chance, self.scatters)
        joint = np.einsum("acoik,acsoik,s->acso", self.chance, self._whole(), self.scatters)
        return need, joint / joint.sum()

    def _whole(self) -> FloatArray:
        seen: Any = self.seen
        shape = (*self.chance.shape[:2], DIVES, *self.chance.shape[2:])
        return np.broadcast_to(seen, shape)


_RESULTS: Final = ("rose", "hovered", "sank")


def _meant(stop: Stop) -> FloatArray:
    """The zones that a record names, and no more; shape (3, 1)."""
    if stop.bc == "empty":
        return np.array(np.eye(3)[_RESULTS.index(stop.result)][:, None])
    return np.array([[0.0], [1.0], [1.0]])


def _moved(points: FloatArray, variance: float) -> FloatArray:
    """Matrix of a random step on a grid, of the right variance however small."""
    step = points[1] - points[0]
    if variance < step**2:
        side = variance / step**2 / 2
        size = len(points)
        matrix = (1 - 2 * side) * np.eye(size) + side * (np.eye(size, k=1) + np.eye(size, k=-1))
    else:
        matrix = np.exp(-0.5 * (points[:, None] - points) ** 2 / variance)
    return np.asarray(matrix / matrix.sum(axis=0))


def _gridded(need: FloatArray, chance: FloatArray, scatter: float, step: float) -> Marginal:
    """Chances put on an even grid, each shared between its two neighbours so that means are kept."""
    need, chance = (np.ravel(part) for part in np.broadcast_arrays(need, chance))
    low = float(need.min())
    place = (need - low) / step
    under = np.floor(place).astype(np.int64)
    part = place - under
    weights = np.bincount(under, chance * (1 - part), under.max() + 2)
    weights += np.bincount(under + 1, chance * part, under.max() + 2)
    return Marginal(low + step * np.arange(len(weights), dtype=float), weights / weights.sum(), scatter)
