"""Worlds that are not the model's: what divers need, how it changes, and what of it gets written down."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.observations import Form, Observations

from .books import KNOT
from .inhabitants import LAWFUL, MOST_SUITS, STEADY, Inhabitants, Nature, student

__all__ = ["LAWFUL", "STEADY", "Nature", "Next", "Plan", "World", "lived"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

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


@dataclass
class _Notes:
    """Records as they come in: one row each."""

    rows: list[dict[str, FloatArray]] = field(default_factory=list)

    def add(self, **columns: Any) -> None:
        self.rows.append({name: np.asarray(values, float) for name, values in columns.items()})

    def all(self) -> dict[str, FloatArray]:
        return {name: np.concatenate([row[name] for row in self.rows]) for name in (self.rows[:1] or [{}])[0]}


def _noted(
    p: Inhabitants, zone: IntArray, rng: np.random.Generator
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


def _dive(p: Inhabitants, notes: _Notes, number: int, suit: IntArray, lead: FloatArray) -> None:
    """One dive of all who make it: result, reading, and the lead that was carried."""
    n, rng, d = p.nature, p.rng, np.arange(len(suit))
    scatter = student(rng, len(d), sd=n.scatter, tail=n.scatter_tail)
    felt = p.expected(suit, number) + scatter + rng.normal(0, 0.2, len(d))
    zone = np.sum(felt < np.stack([lead + p.breath_out, lead - p.breath_in]), axis=0)
    noted, fit, form = _noted(p, zone, rng)
    value = p.expected(suit, number, foam=1.25) + scatter
    value = value + student(rng, len(d), sd=n.reading_sd, tail=n.reading_tail)
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
            "worn": p.worn[k, suit[who]],
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


def _ledger(p: Inhabitants, rows: dict[str, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Prior and exposures of records."""
    whole = (rows[name].astype(int) for name in ("diver", "label", "number", "worn"))
    diver, label, number, worn = whole
    return p.ledger(diver, label % MOST_SUITS, number, worn)


def _observed(p: Inhabitants, notes: _Notes) -> tuple[Observations, IntArray, IntArray] | None:
    """Observations, and whose divers and suits they are; none without a record."""
    whole = notes.all()
    if not len(whole.get("diver", ())):
        return None
    used = (whole["kind"] > 0) | _habits(whole, _ledger(p, whole)[0])
    place = np.where(whole["kind"] == 0, -1, whole["number"])
    order = np.lexsort((whole["kind"], place, whole["label"]))
    order = order[used[order]]
    w = {name: values[order] for name, values in whole.items()}
    kind, d = w["kind"].astype(int), w["diver"].astype(int)
    k = (w["label"] % MOST_SUITS).astype(int)
    prior, exposure = _ledger(p, w)
    foam = np.where(kind == 2, 1.25, 1.0)
    divers, diver = np.unique(d, return_inverse=True)
    labels, label = np.unique(w["label"].astype(int), return_inverse=True)
    occasion = np.where(kind == 0, -1.0, w["number"]) + 1000.0 * w["label"]
    observations = Observations(
        prior=prior - 0.5 * (kind == 2),
        exposure=exposure * foam[:, None],
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
        names=tuple(f"z{j}" for j in range(exposure.shape[1])),
        elapsed=w["time"],
    )
    return observations, divers, labels


def _next(p: Inhabitants, suit: IntArray, number: IntArray, need: FloatArray) -> Next:
    d = np.arange(len(suit))
    return Next(
        *p.ledger(d, suit, number, p.worn[d, suit]),
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
    p, notes, d = Inhabitants(rng, nature), _Notes(), np.arange(nature.divers)
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
        truth = expected + student(rng, len(d), sd=nature.scatter, tail=nature.scatter_tail)
        now = _next(p, suit, p.count, truth)
        ahead = now if ahead is None else _merged(ahead, now, p.count == number)
        _dive(p, notes, number, suit, lead)
        p.worn[d, suit] += number < p.count
    found = _observed(p, notes)
    if found is None or ahead is None:
        raise ValueError("a world needs at least one record")
    return World(*found, ahead)


def _advised(p: Inhabitants, notes: _Notes, number: int, plan: Plan) -> FloatArray:
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
