"""People of a world that is not the model's: what they need, how it changes, what the ledger says of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.physics.rig import BEGINNER_DIVES, BEGINNER_GAS
from leadline.physics.suit import AGE_SD, FIT_SD, permanent_set

__all__ = ["LAWFUL", "MOST_SUITS", "STEADY", "Inhabitants", "Nature", "student"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_SUITS: Final = 3


@dataclass(frozen=True)
class Nature:
    """Parameters of a world; each breaks the model in its own way.

    Parameters
    ----------
    divers : int
        Number of divers.
    diver_sd, body_factor, suit_factor, suit_tail : float
        Spread of offsets [kg, -, -]; suits by Student's t with so many degrees of freedom.
    catalogue : float, optional
        Error of one type of suit, in prior sds; the model expects one of 1. None: drawn like all others.
    other_foam : float
        Share of another law of foam at the stop, where the kit is real: 0 for the ledger's, 1 for the other.
    scatter, scatter_tail : float
        Dive-to-dive sd [kg], by Student's t with so many degrees of freedom.
    drift, turned, turn : float
        Walk [kg per square root of a year]; share of divers whose need changes at once, and by how much
        [kg, sd].
    relaxing, relaxing_dives, beginners : float
        What beginners need more at first [kg], the dives over which it goes, their share.
    ageing, aged : float
        What a suit loses with each dive, and at most. [kg]
    breath_out, breath_in, breath_sd : float
        Mean breath range and its sd from diver to diver. [kg]
    care_sd : float
        How divers differ in noting an empty BC: sd of the log of their share over the usual. [-]
    wrong : float
        Share of results that say something else than what was, and of readings that are nonsense.
    rose_noted, neutral_closed, neutral_noted, heavy_closed, heavy_noted : float
        Share of stops noted in each zone, and of those with the BC empty and noted so. Divers differ in it.
    reading, reading_first, reading_sd, reading_tail : float
        Share of dives with a reading of need, and of the first two; its sd [kg], by Student's t.
    excess, excess_sd, excess_beginner : float
        What divers carry over their need, by habit, and what beginners add to it. [kg]
    dives_a_year : float
        How often they dive.
    reckoned : float
        Share of what the ledger says of wear and of beginners that the prior and the exposures hold: 1 as it
        is, 0 as if neither dives nor suits were counted. The truth is another in either case.
    """

    divers: int = 150
    diver_sd: float = 0.5
    body_factor: float = 1.0
    suit_factor: float = 1.0
    suit_tail: float = 5.0
    catalogue: float | None = 2.5
    other_foam: float = 1.0
    scatter: float = 0.45
    scatter_tail: float = 4.0
    drift: float = 0.3
    turned: float = 0.1
    turn: float = 0.8
    relaxing: float = 0.8
    relaxing_dives: float = 6.0
    beginners: float = 0.4
    ageing: float = 0.02
    aged: float = 0.6
    breath_out: float = 0.5
    breath_in: float = 1.2
    breath_sd: float = 0.08
    care_sd: float = 0.4
    wrong: float = 0.05
    rose_noted: float = 0.95
    neutral_closed: float = 0.5
    neutral_noted: float = 0.8
    heavy_closed: float = 0.12
    heavy_noted: float = 0.7
    reading: float = 0.12
    reading_first: float = 0.35
    reading_sd: float = 0.5
    reading_tail: float = 4.0
    excess: float = 1.2
    excess_sd: float = 1.0
    excess_beginner: float = 0.8
    dives_a_year: float = 12.0
    reckoned: float = 1.0


LAWFUL: Final = Nature(
    suit_tail=1e6, scatter_tail=1e6, reading_tail=1e6, catalogue=None, other_foam=0.0,
    turned=0.0, relaxing=0.0, ageing=0.0, breath_sd=0.0, care_sd=0.0, excess_beginner=0.0,
    wrong=0.02, rose_noted=0.8, neutral_noted=0.8, heavy_noted=0.8, neutral_closed=0.3, heavy_closed=0.3,
)  # fmt: skip
"""A world whose law is the model's, its spreads in the middle of the model's prior: normal tails, the
ledger's foam, no change of need but its drift, one breath range, records noted and wrong by chance alone."""

STEADY: Final = Nature(turned=0.0, relaxing=0.0, ageing=0.0)
"""A world that breaks the model in all other ways, but whose needs change as the ledger and drift have it."""


def student(rng: np.random.Generator, size: Any, *, sd: float, tail: float) -> FloatArray:
    """Student's t, scaled to its sd."""
    return np.asarray(rng.standard_t(tail, size) * sd * np.sqrt((tail - 2) / tail))


class Inhabitants:
    """Everyone and their suits; needs as they truly are."""

    def __init__(self, rng: np.random.Generator, nature: Nature) -> None:
        n, count = nature, nature.divers
        self.nature, self.rng = n, rng
        earlier = [np.zeros(count, int), rng.integers(1, 4, count), rng.integers(4, 11, count)]
        earlier.append(rng.integers(11, 26, count))
        self.count = np.choose(rng.choice(4, count, p=[0.12, 0.32, 0.3, 0.26]), earlier)
        self.body_sd = rng.choice([0.9, 1.2, 2.0], count)
        self.offset = rng.normal(size=count) * np.hypot(n.diver_sd, n.body_factor * self.body_sd)
        shape = (count, MOST_SUITS)
        kind = rng.integers(0, 3, shape)
        self.weight = np.choose(kind, [0.4, 0.7, 1.6])
        # Foam at the stop, of which the fit leaves a known share open; a dry suit has none. [kg]
        self.foam = np.where(kind < 2, self.weight / FIT_SD, 0.0)
        self.in_suit = student(rng, shape, sd=n.suit_factor, tail=n.suit_tail)
        self.prior = rng.normal(5, 1.5, shape)
        self.exposure = rng.normal(size=(*shape, 6)) * 0.3
        self.exposure[..., 0] = 0.5
        self.exposure[..., 1:4] = np.where(kind[..., None] == np.arange(3), 0.4, 0.0)
        self.beta = rng.normal(size=6)
        if n.catalogue is not None:
            self.beta[2] = n.catalogue
        self.wardrobe = rng.integers(1, MOST_SUITS + 1, count)
        self.beginner = rng.random(count) < n.beginners
        self.breath_out = np.maximum(rng.normal(n.breath_out, n.breath_sd, count), 0.1)
        self.breath_in = np.maximum(rng.normal(n.breath_in, 2 * n.breath_sd, count), 0.3)
        self.care = np.exp(rng.normal(0, n.care_sd, count))
        self.excess = rng.normal(n.excess, n.excess_sd, shape) + n.excess_beginner * self.beginner[:, None]
        self.turn = np.where(rng.random(count) < n.turned, rng.integers(1, 26, count), 99)
        self.turn_by = rng.normal(0, n.turn, count)
        self.time, self.walk = np.zeros(count), np.zeros(count)
        self.worn = np.zeros(shape, int)

    def ledger(
        self, diver: IntArray, suit: IntArray, number: IntArray, worn: IntArray
    ) -> tuple[FloatArray, FloatArray]:
        """Prior mean of need and exposures, as the ledger reckons them; shapes (n,), (n, p)."""
        wear = self.nature.reckoned * self.foam[diver, suit] * permanent_set(worn)
        learner = self.nature.reckoned * BEGINNER_GAS * np.exp(-number / BEGINNER_DIVES)
        exposure = np.column_stack([self.exposure[diver, suit], -AGE_SD * wear, learner])
        return self.prior[diver, suit] - wear + learner, exposure

    def choose(self, number: int) -> IntArray:
        """Suit of the next dive; now and then one that has not been worn."""
        last = self.rng.integers(0, self.wardrobe)
        fresh = (self.rng.random(len(last)) < 0.25) & (number == self.count)
        return np.where(fresh, np.argmin(self.worn, axis=1), last)

    def pass_time(self, number: int) -> None:
        """Time until the next dive: trips, and breaks of months."""
        if number == 0:
            return
        n, count = self.nature, len(self.time)
        step = self.rng.exponential(1 / n.dives_a_year, count) * self.rng.choice(
            [0.3, 3.0], count, p=[0.75, 0.25]
        )
        self.time += step
        self.walk += n.drift * np.sqrt(step) * self.rng.normal(size=count)

    def expected(self, suit: IntArray, number: int, *, foam: float = 1.0) -> FloatArray:
        """True need before scatter, in the state of the stop (or another with more foam)."""
        n, d = self.nature, np.arange(len(suit))
        effects = foam * (self.exposure[d, suit] @ self.beta + self.weight[d, suit] * self.in_suit[d, suit])
        aged = np.minimum(n.ageing * self.worn[d, suit], n.aged)
        relaxed = n.relaxing * self.beginner * np.exp(-number / n.relaxing_dives)
        turned = self.turn_by * (number >= self.turn)
        base = self.prior[d, suit] - 0.5 * (foam != 1.0)
        return np.asarray(base + effects + self.offset + self.walk + turned + relaxed - aged)
