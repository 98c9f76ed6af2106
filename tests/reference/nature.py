"""Worlds that are not the model's: what divers need, how it changes, and what of it gets written down."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.observations import Form, Observations

from .books import KNOT

__all__ = ["Nature", "Next", "Plan", "World", "lived"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_SUITS: Final = 3
ROUNDS: Final = (0, 2, 5, 10, 17)
"""Numbers of dives after which the advice is looked at again."""

_GAS: Final = (((0.0, 1.0, 1.0), Form.HOVERED_OPEN), ((0.0, 1.0, 1.0), Form.ANY))
_NOTED: Final = (
    (((1.0, 0.0, 0.0), Form.ANY), *_GAS),
    (((0.0, 1.0, 0.0), Form.HOVERED_CLOSED), *_GAS),
    (((0.0, 0.0, 1.0), Form.SANK_CLOSED), *_GAS),
)
"""By zone: fit and form of what is written with the BC empty, with gas in it, and with nothing said of it."""


@dataclass(frozen=True)
class Nature:
    """Parameters of a world; each breaks the model in its own way.

    Parameters
    ----------
    divers : int
        Number of divers.
    diver_sd, body_factor, suit_factor, suit_tail : float
        Spread of offsets [kg, -, -]; suits by Student's t with so many degrees of freedom.
    catalogue : float
        Error of one type of suit, in prior sds; the model expects one of 1.
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
    wrong : float
        Share of results that say something else than what was, and of readings that are nonsense.
    rose_noted, neutral_closed, neutral_noted, heavy_closed, heavy_noted : float
        Share of stops noted in each zone, and of those with the BC empty and noted so. Divers differ in it.
    reading, reading_first, reading_sd, reading_tail : float
        Share of dives with a reading of need, and of the first two; its sd [kg], by Student's t.
    excess, excess_sd : float
        What divers carry over their need, by habit. [kg]
    dives_a_year : float
        How often they dive.
    """

    divers: int = 150
    diver_sd: float = 0.5
    body_factor: float = 1.0
    suit_factor: float = 1.0
    suit_tail: float = 5.0
    catalogue: float = 2.5
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
    dives_a_year: float = 12.0


@dataclass(frozen=True)
class Next:
    """The next dive of every diver.

    Parameters
    ----------
    prior, exposure, suit_weight, body_sd : ndarray
        Shapes (divers,), (divers, p), (divers,), (divers,): as of observations.
    suit : ndarray of int, shape (divers,)
        Suit label in the whole world, as `World.label` holds it for the observations.
    elapsed : ndarray, shape (divers,)
        Since the diver's first record. [years]
    earlier : ndarray of int, shape (divers,)
        Dives made before.
    fresh, need : ndarray, shape (divers,)
        Whether this suit is new to the diver, and the truth, scatter included. [-, kg]
    """

    prior: FloatArray
    exposure: FloatArray
    suit_weight: FloatArray
    body_sd: FloatArray
    suit: IntArray
    elapsed: FloatArray
    earlier: IntArray
    fresh: NDArray[np.bool_]
    need: FloatArray


@dataclass(frozen=True)
class World:
    """What was recorded, and the dives to be predicted.

    Parameters
    ----------
    observations : Observations
        Divers without a record are not in it.
    diver, label : ndarray of int
        Diver and suit in the whole world of the observations' divers and suits.
    next : Next
        One dive of each diver.
    """

    observations: Observations
    diver: IntArray
    label: IntArray
    next: Next


Plan = Callable[[World, list[Next]], FloatArray]
"""Lead that the tool advises for each diver in each suit, shape (divers, suits), from the records alone."""


def _student(rng: np.random.Generator, size: Any, *, sd: float, tail: float) -> FloatArray:
    """Student's t, scaled to its sd."""
    return np.asarray(rng.standard_t(tail, size) * sd * np.sqrt((tail - 2) / tail))


class _Divers:
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
        self.in_suit = _student(rng, shape, sd=n.suit_factor, tail=n.suit_tail)
        self.prior = rng.normal(5, 1.5, shape)
        self.exposure = rng.normal(size=(*shape, 6)) * 0.3
        self.exposure[..., 0] = 0.5
        self.exposure[..., 1:4] = np.where(kind[..., None] == np.arange(3), 0.4, 0.0)
        self.beta = rng.normal(size=6)
        self.beta[2] = n.catalogue
        self.wardrobe = rng.integers(1, MOST_SUITS + 1, count)
        self.beginner = rng.random(count) < n.beginners
        self.breath_out = np.maximum(rng.normal(n.breath_out, n.breath_sd, count), 0.1)
        self.breath_in = np.maximum(rng.normal(n.breath_in, 2 * n.breath_sd, count), 0.3)
        self.care = np.exp(rng.normal(0, 0.4, count))
        self.excess = rng.normal(n.excess, n.excess_sd, shape) + 0.8 * self.beginner[:, None]
        self.turn = np.where(rng.random(count) < n.turned, rng.integers(1, 26, count), 99)
        self.turn_by = rng.normal(0, n.turn, count)
        self.time, self.walk = np.zeros(count), np.zeros(count)
        self.worn = np.zeros(shape, int)

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


@dataclass
class _Notes:
    """Records as they come in: one row each."""

    rows: list[dict[str, FloatArray]] = field(default_factory=list)

    def add(self, **columns: Any) -> None:
        self.rows.append({name: np.asarray(values, float) for name, values in columns.items()})

    def all(self) -> dict[str, FloatArray]:
        return {name: np.concatenate([row[name] for row in self.rows]) for name in (self.rows[:1] or [{}])[0]}


def _noted(
    p: _Divers, zone: IntArray, rng: np.random.Generator
) -> tuple[NDArray[np.bool_], FloatArray, FloatArray]:
    """Which stops were noted, with fit and form; the heavier, the less often with the BC empty."""
    n = p.nature
    mistaken = rng.random(len(zone)) < n.wrong
    zone = np.where(mistaken, (zone + rng.integers(1, 3, len(zone))) % 3, zone)
    noted = rng.random(len(zone)) < np.choose(zone, [n.rose_noted, n.neutral_noted, n.heavy_noted])
    closed = np.choose(zone, [1.0 + 0 * p.care, n.neutral_closed * p.care, n.heavy_closed * p.care])
    how = np.where(rng.random(len(zone)) < closed, 0, rng.integers(1, 3, len(zone)))
    table = np.array([[(*each[0], float(each[1])) for each in row] for row in _NOTED])[zone, how]
    return noted, table[:, :3], table[:, 3]


def _dive(p: _Divers, notes: _Notes, number: int, suit: IntArray, lead: FloatArray) -> None:
    """One dive of all who make it: result, reading, and the lead that was carried."""
    n, rng, d = p.nature, p.rng, np.arange(len(suit))
    scatter = _student(rng, len(d), sd=n.scatter, tail=n.scatter_tail)
    felt = p.expected(suit, number) + scatter + rng.normal(0, 0.2, len(d))
    zone = np.sum(felt < np.stack([lead + p.breath_out, lead - p.breath_in]), axis=0)
    noted, fit, form = _noted(p, zone, rng)
    value = p.expected(suit, number, foam=1.25) + scatter
    value = value + _student(rng, len(d), sd=n.reading_sd, tail=n.reading_tail)
    nonsense = rng.random(len(d)) < n.wrong
    value = np.where(nonsense, p.prior[d, suit] + rng.uniform(-7, 7, len(d)), value)
    read = rng.random(len(d)) < (n.reading if number > 1 else n.reading_first)
    made = number < p.count
    time = np.floor(p.time / KNOT) * KNOT
    for kind, given, who, fits, forms in (
        (0, lead, made, np.eye(3)[np.ones(len(d), int)], np.full(len(d), float(Form.HABIT))),
        (1, lead, made & noted, fit, form),
        (2, value, made & read, np.eye(3)[np.ones(len(d), int)], np.zeros(len(d))),
    ):
        k = d[who]
        label = k * MOST_SUITS + suit[who]
        columns = {
            "diver": k,
            "label": label,
            "number": np.full(len(k), number),
            "kind": np.full(len(k), kind),
        }
        notes.add(**columns, given=given[who], fit=fits[who], form=forms[who], time=time[who])


def _habits(whole: dict[str, FloatArray], prior: FloatArray) -> NDArray[np.bool_]:
    """Of the leads carried, one for each diver in each suit: that of the median excess over the prior."""
    carried = whole["kind"] == 0
    excess = np.where(carried, whole["given"] - prior, np.inf)
    order = np.lexsort((excess, whole["label"]))
    label, counts = np.unique(whole["label"][carried], return_counts=True)
    first = np.searchsorted(whole["label"][order], label)
    kept = np.zeros(len(prior), bool)
    kept[order[first + (counts - 1) // 2]] = True
    return kept


def _observed(p: _Divers, notes: _Notes) -> tuple[Observations, IntArray, IntArray] | None:
    """Observations, and whose divers and suits they are; none without a record."""
    whole = notes.all()
    if not len(whole.get("diver", ())):
        return None
    suit = (whole["label"] % MOST_SUITS).astype(int), whole["diver"].astype(int)
    used = (whole["kind"] > 0) | _habits(whole, p.prior[suit[1], suit[0]])
    place = np.where(whole["kind"] == 0, -1, whole["number"])
    order = np.lexsort((whole["kind"], place, whole["label"]))
    order = order[used[order]]
    w = {name: values[order] for name, values in whole.items()}
    kind, d = w["kind"].astype(int), w["diver"].astype(int)
    k = (w["label"] % MOST_SUITS).astype(int)
    foam = np.where(kind == 2, 1.25, 1.0)
    divers, diver = np.unique(d, return_inverse=True)
    labels, label = np.unique(w["label"].astype(int), return_inverse=True)
    occasion = np.where(kind == 0, -1.0, w["number"]) + 1000.0 * w["label"]
    observations = Observations(
        prior=p.prior[d, k] - 0.5 * (kind == 2),
        exposure=p.exposure[d, k] * foam[:, None],
        suit_weight=p.weight[d, k] * foam,
        lower=w["given"],
        upper=w["given"],
        lower_breath=(kind == 1).astype(float),
        upper_breath=(kind == 1).astype(float),
        reading_sd=np.choose(kind, [0.0, 0.2, 0.5]),
        fit=w["fit"],
        form=w["form"].astype(np.int64),
        point=kind != 1,
        occasion=np.cumsum(np.diff(occasion, prepend=occasion[:1]) != 0),
        suit=label,
        diver=diver,
        body_sd=p.body_sd[divers],
        names=tuple(f"z{j}" for j in range(6)),
        elapsed=w["time"],
    )
    return observations, divers, labels


def _next(p: _Divers, suit: IntArray, number: IntArray, need: FloatArray) -> Next:
    d = np.arange(len(suit))
    return Next(
        p.prior[d, suit],
        p.exposure[d, suit],
        p.weight[d, suit],
        p.body_sd,
        d * MOST_SUITS + suit,
        np.floor(p.time / KNOT) * KNOT,
        number,
        p.worn[d, suit] == 0,
        need,
    )


def lived(rng: np.random.Generator, nature: Nature, *, plan: Plan | None = None) -> World:
    """A world in which everybody has made their dives.

    Parameters
    ----------
    rng : Generator
    nature : Nature
        Its parameters.
    plan : callable, optional
        Lead by the tool's own advice, looked at again after a few dives; without it by habit. Before there is
        any record, all begin with their habit.

    Returns
    -------
    World
        With the next dive of everyone.
    """
    p, notes, d = _Divers(rng, nature), _Notes(), np.arange(nature.divers)
    advised = np.full((nature.divers, MOST_SUITS), np.nan)
    ahead: Next | None = None
    for number in range(int(p.count.max()) + 1):
        p.pass_time(number)
        if plan is not None and number in ROUNDS:
            advised = _advised(p, notes, number, plan)
        suit = p.choose(number)
        expected = p.expected(suit, number)
        lead = np.round((expected + p.excess[d, suit] + rng.normal(0, 0.5, len(d))) * 2) / 2
        lead = np.where(np.isnan(advised[d, suit]), lead, advised[d, suit])
        truth = expected + _student(rng, len(d), sd=nature.scatter, tail=nature.scatter_tail)
        now = _next(p, suit, p.count, truth)
        ahead = now if ahead is None else _merged(ahead, now, p.count == number)
        _dive(p, notes, number, suit, lead)
        p.worn[d, suit] += number < p.count
    found = _observed(p, notes)
    if found is None or ahead is None:
        raise ValueError("a world needs at least one record")
    return World(*found, ahead)


def _advised(p: _Divers, notes: _Notes, number: int, plan: Plan) -> FloatArray:
    """Advice for all divers in all suits from what is recorded so far; NaN before there is anything."""
    found, unknown = _observed(p, notes), np.full(len(p.count), np.nan)
    if found is None:
        return np.full((len(unknown), MOST_SUITS), np.nan)
    made = np.minimum(number, p.count)
    choices = [_next(p, np.full(len(unknown), k), made, unknown) for k in range(MOST_SUITS)]
    return plan(World(*found, choices[0]), choices)


def _merged(old: Next, new: Next, where: NDArray[np.bool_]) -> Next:
    """The dives of `new` in `where`, else those of `old`."""
    columns = {}
    for name, before in vars(old).items():
        after = getattr(new, name)
        shape = where.reshape((-1,) + (1,) * (before.ndim - 1))
        columns[name] = np.where(shape, after, before)
    return Next(**columns)
