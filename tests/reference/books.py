"""Seeded books drawn from the model, with time, and with leads that are ignorable.

What is drawn is exactly what the model takes for the chance of a record, so that ranks of the truth in the
exact posterior are uniform (`.ci/sbc.py`). Two things are needed for that. The lead of a dive is chosen from
the reading of habit, which is a record too: then it says nothing beyond it. And a draw with a sound reading
beyond the range of wrong ones is thrown away as a whole. No draw may be thrown away for a result: that would
hide chances that do not sum to one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Form, Observations

from .theory import LIGHT_PART, POINT_RANGE, Book, chances

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

KNOT: Final = 4 * 7 / 365.25
"""Offsets are constant within this time. [years]"""

TRUE: Final = Hyperparameters(
    closed_low=0.6, closed_high=0.4, closed_heavy=0.2, sank_open=0.01, habit=1.2, habit_sd=1.1
)

# Fit to the light, neutral and heavy zone, and form: what is noted where the BC was looked at.
KINDS: Final = (
    ((1.0, 0.0, 0.0), Form.ANY),
    ((0.0, 1.0, 0.0), Form.HOVERED_CLOSED),
    ((0.0, 1.0, 1.0), Form.HOVERED_OPEN),
    ((0.0, 0.0, 1.0), Form.SANK_CLOSED),
    ((0.0, 0.0, 1.0), Form.SANK_OPEN),
)
KIND: Final = np.array([(float(form), *fit) for fit, form in KINDS])
"""The same as numbers: form, then the three fits."""

FITS: Final = KIND[:, 1:]
FORMS: Final = KIND[:, 0].astype(np.int64)
JUDGEMENT: Final = 0.2
READING: Final = 0.5
"""Sds of an observer's judgement and of a reading of need. [kg]"""

FOAM: Final = 1.25
LIFTED: Final = 0.5
"""A reading is taken in another state: there the suit counts for more, and need is less. [-, kg]"""


class ImpossibleError(ValueError):
    """A reading fell where the likelihood leaves no room for one."""


@dataclass(frozen=True)
class _Latent:
    """True state of all dives, sorted by diver, suit and time."""

    diver: IntArray
    suit: IntArray
    time: FloatArray
    jumped: FloatArray
    walk: FloatArray
    offset: FloatArray
    in_suit: FloatArray
    beta: FloatArray
    prior: FloatArray
    exposure: FloatArray
    weight: FloatArray
    body_sd: FloatArray

    def need(self, at: IntArray, *, foam: float = 1.0) -> FloatArray:
        """Expected need on dives `at`; `foam` scales what the suit says."""
        k = self.suit[at]
        there = self.prior[k] - LIFTED * (foam != 1.0) + foam * self.exposure[k] @ self.beta
        return np.asarray(
            there + self.offset[self.diver[at]] + self.walk[at] + foam * self.weight[k] * self.in_suit[k]
        )


def _times(rng: np.random.Generator, diver: IntArray, *, years: float) -> FloatArray:
    """Elapsed time of each dive, by diver and time, on knots; a diver's first dive at 0."""
    at = np.floor(rng.uniform(0, max(years, 1e-9), len(diver)) / KNOT) * KNOT
    at = at[np.lexsort((at, diver))]
    starts = np.flatnonzero(np.diff(diver, prepend=-1))
    return np.asarray(at - at[starts][diver])


def _walk(
    rng: np.random.Generator, diver: IntArray, time: FloatArray, jumped: FloatArray, drift: float
) -> FloatArray:
    """Brownian walk of each diver, rows by diver and time."""
    first = np.diff(diver, prepend=-1) != 0
    variance = drift**2 * np.diff(time, prepend=0.0) + np.diff(jumped, prepend=0.0)
    steps = np.where(first, 0.0, np.sqrt(np.maximum(variance, 0.0)) * rng.normal(size=len(diver)))
    total = np.cumsum(steps)
    return np.asarray(total - total[first][diver])


def _latent(
    rng: np.random.Generator,
    counts: IntArray,
    theta: Hyperparameters,
    *,
    exposures: int,
    years: float,
) -> _Latent:
    divers = len(counts)
    diver = np.repeat(np.arange(divers), counts)
    time = _times(rng, diver, years=years)
    jumps = np.where(rng.random(divers) < 0.15, 0.5, 0.0)
    jumped = np.where(time > years * rng.uniform(0.2, 0.8, divers)[diver], jumps[diver], 0.0) * (years > 0)
    walk = _walk(rng, diver, time, jumped, theta.drift)
    wardrobe = rng.integers(1, 4, divers)
    local = rng.integers(0, 10**6, len(diver)) % wardrobe[diver] + 10 * diver
    order = np.lexsort((time, local))
    suit = np.unique(local[order], return_inverse=True)[1].reshape(-1)
    suits = int(suit.max()) + 1
    body_sd = rng.choice([0.9, 1.2, 2.0], divers)
    exposure = rng.normal(size=(suits, exposures)) * 0.3
    exposure[:, 0] = 0.5
    return _Latent(
        diver,
        suit,
        time[order],
        jumped[order],
        walk[order],
        rng.normal(size=divers) * np.sqrt(theta.diver_sd**2 + (theta.body_factor * body_sd) ** 2),
        rng.normal(size=suits) * theta.suit_factor,
        rng.normal(size=exposures),
        4 + 2 * np.sin(np.arange(suits)),
        exposure,
        rng.choice([0.4, 0.7, 2.0], suits),
        body_sd,
    )


def _recorded(
    rng: np.random.Generator, felt: FloatArray, lead: FloatArray, values: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Fit and form of each record of a stop."""
    theta = Hyperparameters.from_vector(values)
    middle = lead - min(LIGHT_PART, theta.breath_in)
    edges = np.stack([lead + theta.breath_out, middle, lead - theta.breath_in])
    zone = np.sum(felt < edges, axis=0)
    chance = chances(KIND, values).T[zone]
    if np.any(abs(chance.sum(axis=1) - 1) > 1e-9):
        raise ValueError("the chances of records must sum to 1 in each zone")
    kind = np.sum(rng.random(len(felt))[:, None] > np.cumsum(chance, axis=1)[:, :-1], axis=1)
    return FITS[kind], FORMS[kind]


def _readings(
    rng: np.random.Generator, truth: FloatArray, middle: FloatArray, theta: Hyperparameters, *, exact: bool
) -> FloatArray:
    """Readings of need; a wrong one is uniform around `middle`, the prior."""
    sound = truth + rng.normal(0, READING, len(truth))
    nonsense = middle + rng.uniform(-0.5, 0.5, len(truth)) * POINT_RANGE
    value = np.where(rng.random(len(truth)) < theta.wrong, nonsense, sound)
    if exact and np.any(np.abs(value - middle) > POINT_RANGE / 2):
        raise ImpossibleError("a sound reading beyond the range of wrong ones")
    return np.asarray(value)


def _blind(
    rng: np.random.Generator, felt: FloatArray, lead: FloatArray, theta: Hyperparameters, *, known: float
) -> tuple[FloatArray, IntArray]:
    """Fit and form where the BC was mostly not noted: one-sided, but for a share of `known`."""
    zone = np.sum(felt < np.stack([lead + theta.breath_out, lead - theta.breath_in]), axis=0)
    wrong = rng.random(len(felt)) < theta.wrong
    zone = np.where(wrong, (zone + rng.integers(1, 3, len(felt))) % 3, zone)
    seen = rng.random(len(felt)) < known
    # Someone heavy of whom the BC is not known has mostly put gas in it and hovers.
    sinks = rng.random(len(felt)) < 0.2
    unknown = np.array([[1.0, 0.5, 0.5], [0.0, 1.0, 1.0], [0.0, 0.0, 1.0]])
    said = np.where((zone == 2) & ~sinks, 1, zone)
    fit = np.where(seen[:, None], np.eye(3)[zone], unknown[said])
    closed = np.array([Form.ANY, Form.HOVERED_CLOSED, Form.SANK_CLOSED], np.int64)
    return fit, np.where(seen, closed[zone], Form.ANY)


@dataclass(frozen=True)
class _Rows:
    """Rows of a book before they are sorted: habits (0), results (1) and readings (2)."""

    at: IntArray
    kind: IntArray
    given: FloatArray
    fit: FloatArray
    form: IntArray

    def sorted(self, x: _Latent) -> _Rows:
        """By suit, the habit first, then dive by dive."""
        place = np.where(self.kind == 0, -1, self.at)
        order = np.lexsort((self.kind, place, x.suit[self.at]))
        return _Rows(self.at[order], self.kind[order], self.given[order], self.fit[order], self.form[order])


def _rows(
    rng: np.random.Generator,
    x: _Latent,
    values: FloatArray,
    *,
    readings: float,
    blind: bool,
    exact: bool,
) -> _Rows:
    """What was recorded of all dives."""
    theta = Hyperparameters.from_vector(values)
    each, first = np.arange(len(x.diver)), np.flatnonzero(np.diff(x.suit, prepend=-1))
    excess = theta.habit + rng.normal(size=len(first)) * np.hypot(theta.habit_sd, theta.scatter)
    chosen = x.need(first) + excess
    # Chosen from the reading of habit, the lead says nothing beyond it.
    lead = np.round((chosen[x.suit] + rng.normal(0, 0.7, len(each))) * 2) / 2
    scatter = rng.normal(0, theta.scatter, len(each))
    felt = x.need(each) + scatter + rng.normal(0, JUDGEMENT, len(each))
    if blind:
        fit, form = _blind(rng, felt, lead, theta, known=0.1)
        first = first[:0]
    else:
        fit, form = _recorded(rng, felt, lead, values)
    read = np.flatnonzero((rng.random(len(each)) < readings) & (not blind))
    middle = x.prior[x.suit[read]] - LIFTED
    value = _readings(rng, x.need(read, foam=FOAM) + scatter[read], middle, theta, exact=exact)
    habit, point = np.ones(len(first), int), np.ones(len(read), int)
    return _Rows(
        np.concatenate([first, each, read]),
        np.repeat([0, 1, 2], [len(first), len(each), len(read)]),
        np.concatenate([chosen[: len(first)], lead, value]),
        np.concatenate([FITS[habit], fit, FITS[point]]),
        np.concatenate([habit * Form.HABIT, form, point * Form.ANY]),
    )


def _observations(x: _Latent, rows: _Rows) -> Observations:
    at, kind, k = rows.at, rows.kind, x.suit[rows.at]
    foam = np.where(kind == 2, FOAM, 1.0)
    occasion = np.where(kind == 0, -1 - k, at)
    result = (kind == 1).astype(float)
    return Observations(
        prior=x.prior[k] - LIFTED * (kind == 2),
        exposure=x.exposure[k] * foam[:, None],
        suit_weight=x.weight[k] * foam,
        lower=rows.given,
        upper=rows.given,
        lower_breath=result,
        upper_breath=result,
        reading_sd=np.choose(kind, [0.0, JUDGEMENT, READING]),
        fit=rows.fit,
        form=rows.form.astype(np.int64),
        point=kind != 1,
        occasion=np.cumsum(np.diff(occasion, prepend=occasion[:1]) != 0),
        suit=k,
        diver=x.diver[at],
        body_sd=x.body_sd,
        names=tuple(f"z{j}" for j in range(x.exposure.shape[1])),
        elapsed=x.time[at],
        jumped=x.jumped[at],
    )


def draw(
    rng: np.random.Generator,
    *,
    divers: int,
    dives: float,
    values: FloatArray,
    exposures: int = 6,
    years: float = 2.0,
    readings: float = 0.2,
    blind: bool = False,
    exact: bool = False,
) -> Book:
    """A book of `divers` with one to three suits each.

    Parameters
    ----------
    rng : Generator
        Source of chance.
    divers : int
        Number of divers.
    dives : float
        Dives of each: on average, or exactly if `exact`.
    values : ndarray, shape (14,)
        True unconstrained hyperparameters.
    exposures : int
        Number of shared effects.
    years : float
        Over which the dives are spread; 0: no time passes. [years]
    readings : float
        Share of dives with a reading of need in another state of the same dive.
    blind : bool
        Results only, the BC noted on one dive in ten, no lead of habit, no readings.
    exact : bool
        Each diver makes exactly `dives`, and `ImpossibleError` is raised where it applies.

    Returns
    -------
    Book

    Raises
    ------
    ImpossibleError
        If `exact`, and a reading fell where the likelihood leaves no room for one.
    """
    theta = Hyperparameters.from_vector(values)
    counts = np.full(divers, round(dives)) if exact else rng.poisson(dives - 1, divers) + 1
    x = _latent(rng, counts, theta, exposures=exposures, years=years)
    rows = _rows(rng, x, values, readings=readings, blind=blind, exact=exact).sorted(x)
    # A diver's last time is where both have grown most.
    latest = np.lexsort((x.time + x.jumped, x.diver))[np.cumsum(counts) - 1]
    return Book(
        _observations(x, rows),
        values,
        x.beta,
        x.offset + x.walk[latest],
    )


def possible(
    rng: np.random.Generator, made: Callable[[np.random.Generator], Book], *, tries: int = 1000
) -> Book:
    """The first draw in which every record has its place in the likelihood."""
    for _ in range(tries):
        try:
            return made(rng)
        except ImpossibleError:
            continue
    raise RuntimeError(f"none of {tries} draws was possible")


def _standing(rng: np.random.Generator) -> Book:
    return draw(rng, divers=40, dives=3.75, values=TRUE.to_vector(), years=0.0)


def _sparse(rng: np.random.Generator) -> Book:
    return draw(rng, divers=40, dives=3.75, values=TRUE.to_vector())


def _rich(rng: np.random.Generator) -> Book:
    return draw(rng, divers=200, dives=20, values=TRUE.to_vector())


def _one_sided(rng: np.random.Generator) -> Book:
    return draw(rng, divers=60, dives=10, values=TRUE.to_vector(), blind=True)


RECIPES: Final[dict[str, tuple[int, Callable[[np.random.Generator], Book]]]] = {
    "standing": (41, _standing),
    "sparse": (42, _sparse),
    "rich": (43, _rich),
    "one_sided": (44, _one_sided),
}
"""Seed and recipe of each reference book; in 'standing' no time passes."""


def reference(name: str) -> Book:
    """The reference book of that name."""
    seed, made = RECIPES[name]
    return made(np.random.default_rng(seed))
