"""Divers in the water whose world is not the model's: needs as they are, and what is seen and written down.

Parameters and rules of writing are those of `tests.reference.nature`, here with real kit: the ledger's
physics, another law of foam, heavy tails, a biased type of suit, drift, beginners who relax, ageing suits.
All chances of a diver's dives are drawn beforehand, so that whoever chooses the lead meets the same sea.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Records, columns_from_rows
from leadline.decide.assessment import Assessment
from leadline.model.population import prior_fit
from leadline.physics.head import WATERLINES, emerged_head
from leadline.physics.ledger import State, breath_volume, evaluate, exposures
from leadline.physics.rig import Rigs
from leadline.physics.state import setting
from leadline.records import CHECKS, DIVERS, DIVES, GEAR
from leadline.timeline import DIVE
from tests.reference.nature import Nature

__all__ = [
    "EDGES",
    "GEAR_ROWS",
    "LINES",
    "RESERVE",
    "START",
    "Crew",
    "Reality",
    "Sighting",
    "crew",
    "effects",
    "words",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

RESERVE: Final = 35.0
START: Final = 200.0
JUDGEMENT: Final = 0.2
LINE_NOISE: Final = 0.5
SINK_NOISE: Final = 0.5
"""Sds of an observer's judgement at the stop, of a waterline and of sinking on breathing out. [kg]"""

FOAM_POWER: Final = 0.8
"""Foam gas as this power of the pressure, where the ledger has Boyle's law for all but a small share."""

CYLINDERS: Final = ("alu 11", "steel 12")
SUITS: Final = ("full 3", "full 5", "full 7")
BIASED: Final = "type:full 7"
GEAR_ROWS: Final[list[dict[str, Any]]] = [
    *({"item": name, "kind": "suit", "style": "full", "thickness_mm": int(name[-1])} for name in SUITS),
    {"item": "jacket", "kind": "bc", "style": "jacket"},
    {"item": "steel 12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12, "rated_bar": 232},
    {"item": "alu 11", "kind": "cylinder", "material": "aluminium", "water_capacity_l": 11.1},
]
LINES: Final = ("chin", "eye", "crown", "under")
_LITRES: Final = np.array([WATERLINES[line][0] for line in LINES])
EDGES: Final = (_LITRES[:-1] + _LITRES[1:]) / 2 - WATERLINES["eye"][0]
"""Heads out beyond that of a right check at which the next line is nearer. [L]"""

PLACES: Final = ("plan", "stop", "eye end", "out end", "eye start", "out start")
"""States in which need is wanted: the stop at the reserve and as it was; checks after and before the dive."""


@dataclass(frozen=True)
class Reality:
    """Needs of d divers on n dives.

    Parameters
    ----------
    known : dict of ndarray, shape (d, n)
        By place: need without what is the diver's own. [kg]
    suit : dict of ndarray, shape (d, n)
        By place: the physics' own sd of a diver in this suit. [kg]
    ledger, plain : dict of ndarray, shape (d, n)
        By place: need as the ledger has it; and with the shared effects, as the model has it. [kg]
    offset_sd : ndarray, shape (d,)
        Of the diver's offset. [kg]
    own : ndarray, shape (d, n)
        The diver's offset, with drift. [kg]
    in_suit : ndarray, shape (d,)
        Of the diver in this suit, in the physics' own sds. [-]
    scatter : ndarray, shape (d, n)
        Of the dive. [kg]
    breath_out, breath_in, care : ndarray, shape (d,)
        Breath range [kg], and how often an empty BC is noted, over the usual. [-]
    litre : float
        Lead that balances a litre. [kg]
    """

    known: dict[str, FloatArray]
    suit: dict[str, FloatArray]
    ledger: dict[str, FloatArray]
    plain: dict[str, FloatArray]
    offset_sd: FloatArray
    own: FloatArray
    in_suit: FloatArray
    scatter: FloatArray
    breath_out: FloatArray
    breath_in: FloatArray
    care: FloatArray
    litre: float

    def expected(self, place: str) -> FloatArray:
        """Need without the scatter of the dive, shape (d, n). [kg]."""
        return self.known[place] + self.suit[place] * self.in_suit[:, None] + self.own


@dataclass(frozen=True)
class Crew:
    """Divers, their kit and dives, and all the chances that await them.

    Parameters
    ----------
    nature : Nature
        Parameters of the world.
    people : list of dict
        Rows of the divers table.
    dives : list of list of dict
        For each diver the rows of the dives table, without lead and results.
    reality : Reality
        Their needs.
    years : ndarray, shape (d, n)
        Time of each dive since the first. [years]
    luck : dict of ndarray, shape (d, n, ...)
        Uniform and normal chances of what is seen and noted.
    """

    nature: Nature
    people: list[dict[str, Any]]
    dives: list[list[dict[str, Any]]]
    reality: Reality
    years: FloatArray
    luck: dict[str, FloatArray]

    @property
    def shape(self) -> tuple[int, int]:
        """Divers and dives."""
        return len(self.people), len(self.dives[0])

    def zone(self, d: int, n: int, lead: float, look: int) -> int:
        """Where need lies on a dive: 0 light, 1 neutral, 2 heavy; as the diver and leader take it."""
        r = self.reality
        felt = r.expected("stop")[d, n] + r.scatter[d, n] + JUDGEMENT * self.luck["judged"][d, n, look]
        zone = int(felt < lead + r.breath_out[d]) + int(felt < lead - r.breath_in[d])
        if self.luck["mistaken"][d, n, look] < self.nature.wrong:
            zone = (zone + 1 + int(self.luck["other"][d, n, look] * 2)) % 3
        return zone

    def check(self, d: int, n: int, lead: float, *, when: str, look: int = 0) -> Sighting:
        """A surface check on a dive's day, `when` it starts or ends."""
        r, here = self.reality, self.luck["line"][d, n, look]
        need = r.expected(f"eye {when}")[d, n] + r.scatter[d, n] + LINE_NOISE * here[0]
        line = int(np.sum(need < lead + r.litre * EDGES))
        if here[1] < self.nature.wrong:
            line = (line + 1 + int(here[2] * 3)) % 4
        need = r.expected(f"out {when}")[d, n] + r.scatter[d, n] + SINK_NOISE * here[3]
        sinks = (need < lead) != (here[4] < self.nature.wrong)
        return Sighting(LINES[line], "yes" if sinks else "no", lead)


@dataclass(frozen=True)
class Sighting:
    """What a surface check showed, and the lead it was made with."""

    waterline: str
    exhale_sinks: str
    lead_kg: float


def words(crew: Crew, d: int, n: int, zone: int) -> tuple[str, str, bool]:
    """What is written of a stop at which nobody was asked to look: result, BC, and whether it is at all.

    The heavier, the less often with the BC empty, and the less often at all.
    """
    nature, care = crew.nature, float(crew.reality.care[d])
    closed = (1.0, nature.neutral_closed * care, nature.heavy_closed * care)[zone]
    noted = (nature.rose_noted, nature.neutral_noted, nature.heavy_noted)[zone]
    u, v, w = crew.luck["noted"][d, n]
    if v < closed:
        result, bc = ("rose", "hovered", "sank")[zone], "empty"
    else:
        result, bc = "hovered", "gas" if w < 0.5 else "unknown"
    return result, bc, bool(u < noted)


def effects(rng: np.random.Generator, nature: Nature) -> dict[str, float]:
    """Shared effects of a world by name, one type of suit off the catalogue as told. [prior sd]."""
    people = [{"diver": "Nobody", "sex": "f"}, {"diver": "No one", "sex": "m"}]
    worn = [{"suit": suit, "cylinder": cylinder} for suit in SUITS for cylinder in CYLINDERS]
    rows = [
        {"dive": f"{i}", "diver": person["diver"], "bc": "jacket", "water": "salt", "lead_kg": 1} | kit
        for i, kit in enumerate(worn)
        for person in people
    ]
    assessment = Assessment.of(_records(people, rows), prior_fit())
    names = assessment.evidence.observations.names
    drawn = dict(zip(names, rng.normal(size=len(names)), strict=True))
    return drawn if nature.catalogue is None else drawn | {BIASED: nature.catalogue}


def _records(people: list[dict[str, Any]], dives: list[dict[str, Any]]) -> Records:
    return Records(
        columns_from_rows(DIVERS, people),
        columns_from_rows(GEAR, GEAR_ROWS),
        columns_from_rows(DIVES, dives),
        columns_from_rows(CHECKS, []),
    )


def _people(rng: np.random.Generator, count: int, beginner: NDArray[np.bool_], who: str) -> list[Any]:
    female = rng.random(count) < 0.5
    height = np.where(female, 167, 180) + 6.5 * rng.standard_normal(count)
    mass = np.where(female, 23.5, 25) * (height / 100) ** 2 * np.exp(0.12 * rng.standard_normal(count))
    before = np.where(beginner, rng.integers(0, 8, count), rng.integers(25, 250, count))
    born = rng.integers(1960, 2004, count)
    return [
        {
            "diver": f"{who} {i:03d}", "mass_kg": round(float(mass[i]), 1),
            "height_cm": round(float(height[i])), "birth_year": int(born[i]),
            "sex": "f" if female[i] else "m", "dives_before": int(before[i]),
        }
        for i in range(count)
    ]  # fmt: skip


def _dives(rng: np.random.Generator, people: list[Any], years: FloatArray) -> list[list[dict[str, Any]]]:
    suit = rng.choice(len(SUITS), len(people), p=[0.25, 0.4, 0.35])
    steel = rng.random(len(people)) < 0.3
    end = rng.integers(7, 15, years.shape) * 5
    first = np.datetime64("2025-03-01")
    return [
        [
            {
                "dive": f"{n}", "diver": person["diver"], "water": "salt", "suit": SUITS[suit[d]],
                "date": str(first + np.timedelta64(int(years[d, n] * 365.25) + n, "D")),
                "bc": "jacket", "cylinder": CYLINDERS[int(steel[d])], "gas": "air",
                "start_bar": f"{START:.0f}", "end_bar": f"{end[d, n]}", "max_depth_m": 14,
            }
            for n in range(years.shape[1])
        ]
        for d, person in enumerate(people)
    ]  # fmt: skip


def _foam_law(rigs: Rigs, state: State) -> FloatArray:
    """Lead that the ledger's law of foam takes too little. [kg]."""
    here = setting(rigs, state)
    ratio = (1.01325 / here.ambient_pressure) ** FOAM_POWER
    litres = rigs.foam.sum(axis=0) * (ratio - here.foam_ratio)
    return np.asarray(litres * here.water_density / here.lead_factor)


def _states(assessment: Assessment, rows: IntArray) -> dict[str, State]:
    rigs = assessment.rigs.take(rows)
    normal, _ = breath_volume(np.full(len(rows), "normal", object), rigs.lungs)
    low, _ = breath_volume(np.full(len(rows), "out", object), rigs.lungs)
    head, _ = emerged_head(rigs, "eye")
    end = assessment.state(rows).cylinder_pressure
    reserve, start = (np.where(rigs.present, bar, 0.0) for bar in (RESERVE, START))
    found = {"plan": State(5.0, reserve, rigs.carried), "stop": State(5.0, end, rigs.carried)}
    for when, pressure in (("end", end), ("start", start)):
        found[f"eye {when}"] = State(0.0, pressure, rigs.present, breath=normal, head_out=head)
        found[f"out {when}"] = State(0.0, pressure, rigs.present, breath=low)
    return found


def _reality(
    rng: np.random.Generator, nature: Nature, found: Records, beta: dict[str, float],
    beginner: NDArray[np.bool_], years: FloatArray,
) -> Reality:  # fmt: skip
    n, shape = nature, years.shape
    assessment = Assessment.of(found, prior_fit())
    rows = assessment.line.at(DIVE)
    rigs = assessment.rigs.take(rows)
    number = np.arange(shape[1])
    steady = n.relaxing * beginner[:, None] * np.exp(-number / n.relaxing_dives)
    steady = steady - np.minimum(n.ageing * number, n.aged)
    known, suit, ledger, plain = {}, {}, {}, {}
    for place, state in _states(assessment, rows).items():
        drawn, shared = evaluate(rigs, state), exposures(rigs, state)
        need = drawn.need + shared.values @ [beta[name] for name in shared.names]
        plain[place] = need.reshape(shape)
        known[place] = plain[place] + n.other_foam * _foam_law(rigs, state).reshape(shape) + steady
        suit[place], ledger[place] = shared.suit_sd.reshape(shape), drawn.need.reshape(shape)
        body = np.hypot(shared.body_sd, shared.rest_sd).reshape(shape)[:, 0]
    offset_sd = np.hypot(n.diver_sd, n.body_factor * body)
    walk = np.cumsum(np.sqrt(np.diff(years, axis=1, prepend=0.0)) * rng.normal(size=shape), axis=1)
    turns = np.where(rng.random(shape[0]) < n.turned, rng.integers(1, 26, shape[0]), 99)
    turned = n.turn * rng.standard_normal(len(years))[:, None] * (number >= turns[:, None])
    return Reality(
        known=known, suit=suit, ledger=ledger, plain=plain, offset_sd=offset_sd,
        own=(offset_sd * rng.normal(size=shape[0]))[:, None] + n.drift * walk + turned,
        in_suit=n.suit_factor * rng.standard_t(n.suit_tail, shape[0]) * np.sqrt(1 - 2 / n.suit_tail),
        scatter=n.scatter * rng.standard_t(n.scatter_tail, shape) * np.sqrt(1 - 2 / n.scatter_tail),
        breath_out=np.maximum(rng.normal(n.breath_out, n.breath_sd, shape[0]), 0.1),
        breath_in=np.maximum(rng.normal(n.breath_in, 2 * n.breath_sd, shape[0]), 0.3),
        care=np.exp(rng.normal(0, n.care_sd, shape[0])),
        litre=float(np.median(drawn.water_density / 1e3 / drawn.lead_factor)),
    )  # fmt: skip


def crew(
    rng: np.random.Generator,
    nature: Nature,
    *,
    divers: int,
    dives: int,
    beta: dict[str, float],
    who: str = "Diver",
) -> Crew:
    """Divers who are about to make their dives.

    Parameters
    ----------
    rng : Generator
        Source of all chance.
    nature : Nature
        Parameters of the world.
    divers, dives : int
        How many.
    beta : dict of float
        Shared effects of the world, from `effects`.
    who : str
        First word of their names.

    Returns
    -------
    Crew
        With all their chances drawn.
    """
    shape = (divers, dives)
    beginner = rng.random(divers) < nature.beginners
    gaps = rng.exponential(1 / nature.dives_a_year, shape) * rng.choice([0.3, 3.0], shape, p=[0.75, 0.25])
    years = np.cumsum(gaps, axis=1) - gaps[:, :1]
    people = _people(rng, divers, beginner, who)
    rows = _dives(rng, people, years)
    found = _records(people, [row for own in rows for row in own])
    reality = _reality(rng, nature, found, beta, beginner, years)
    normal, uniform = rng.standard_normal, rng.random
    line = np.moveaxis(
        np.stack([normal((*shape, 4)) if i in (0, 3) else uniform((*shape, 4)) for i in range(5)]), 0, -1
    )
    luck = {
        "judged": normal((*shape, 2)), "mistaken": uniform((*shape, 2)), "other": uniform((*shape, 2)),
        "noted": uniform((*shape, 3)), "line": line, "free": uniform(shape), "habit": normal(shape),
        "excess": normal(divers),
    }  # fmt: skip
    return Crew(nature, people, rows, reality, years, luck)
