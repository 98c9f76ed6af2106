"""The truth: the forces of the package's ledger, changed where this world differs from it.

The package's physics gives the starting point; its foam, its kit and its bodies are then made to
differ from the formulas by known amounts, all stated here, so that there is something to learn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from generator.chance import Chance
from generator.gear import Item
from generator.people import Person
from generator.season import Dive
from leadline.arrays import Records, columns_from_rows, empty, occasions
from leadline.constants import ATMOSPHERE
from leadline.physics import suit
from leadline.physics.kit import PARTS
from leadline.physics.ledger import Ledger, State, evaluate
from leadline.physics.rig import Rigs, assemble
from leadline.records import DIVERS, DIVES, GEAR

__all__ = ["Needs", "needs_of"]

FloatArray = NDArray[np.float64]

BODY_BIAS: Final = 0.5
"""Everyone needs this much more than the body formulas say [kg]."""

FEMALE_BIAS: Final = -0.2
"""Women, on top of that [kg]."""

SCATTER_SD: Final = 0.4
"""Dive to dive, heavy-tailed [kg]."""

HIGH_BREATH_DIVES: Final = 14.0
"""Dives over which high breathing falls to 1/e."""

FOAM_EXPONENT: Final = 0.82
"""Foam gas shrinks as pressure to this power: 1 would be free gas."""

FOAM_FIT_SD: Final = 0.12
"""Spread of one diver's foam gas in one suit, as a share."""

DRY_GAS_SHARE: Final = 1.12
"""Trapped dry-suit gas as a share of what the ledger assumes."""

DRY_FIT_SD: Final = 1.2
"""Spread of one diver's trapped gas in one dry suit [L]."""

SURFACE_DEPTH: Final = 0.5
"""Mean depth of a body upright at the surface [m]."""

RESERVE: Final = 35.0
"""Cylinder pressure at which `need_reserve_kg` is stated [bar]."""

FOAM_BY_TYPE: Final = {
    "rental full 7": 1.08,
    "rental full 5": 0.92,
    "rental full 3": 1.05,
    "rental two-piece 7": 0.94,
    "two-piece 7": 1.06,
    "full 5": 0.97,
    "rental dry foam": 0.9,
}
"""True foam gas over the ledger's, for the first suit worn; 1 for types not named."""

KIT_BY_TYPE: Final = {
    "hood": 0.12,
    "gloves": -0.05,
    "boots": 0.15,
    "jacket": 0.2,
    "wing": -0.1,
    "alu 11": 0.15,
    "steel 12": -0.2,
    "steel 10": 0.1,
    "steel 15": 0.3,
    "twin 12": -0.5,
}
"""Lead that one item of a type needs beyond the ledger [kg]."""

TRUE_GEAR: Final[dict[str, Item]] = {"steel 15": {"mass_kg": 18.1}}
"""What the records leave out."""


@dataclass(frozen=True, slots=True)
class Needs:
    """The true needs of one dive, all with mid-breath, BC empty, suit gas least [kg].

    Parameters
    ----------
    at_stop, at_reserve : float
        At the stop, at its own cylinder pressures and with `RESERVE` bar in each cylinder carried.
    surface_start, surface_end : float
        At the surface, with the cylinders as at the start and as at the end.
    usual : float
        `at_reserve` without this dive's scatter and high breathing.
    per_litre : float
        Lead a litre of displaced water is worth. [kg/L]
    scatter : float
        This dive's own departure.
    """

    at_stop: float
    at_reserve: float
    surface_start: float
    surface_end: float
    usual: float
    per_litre: float
    scatter: float


def _records(dives: Sequence[Dive], gear: Sequence[Item]) -> Records:
    people = {dive.person.name: dive.person for dive in dives}
    divers: list[dict[str, Any]] = [
        {
            "diver": p.name,
            "mass_kg": p.mass,
            "height_cm": p.height,
            "birth_year": 2026 - p.age,
            "sex": p.sex,
            "dives_before": 30000,  # high breathing is this world's own
        }
        for p in people.values()
    ]
    items = [{**row, **TRUE_GEAR.get(row["item"], {})} for row in gear]
    rows = [_true_row(dive) for dive in dives]
    return Records(
        columns_from_rows(DIVERS, divers),
        columns_from_rows(GEAR, items),
        columns_from_rows(DIVES, rows),
        empty("checks"),
    )


def _list(values: Sequence[float]) -> str:
    return ";".join("-" if np.isnan(value) else f"{value:g}" for value in values)


def _true_row(dive: Dive) -> dict[str, Any]:
    return {
        "dive": dive.key,
        "diver": dive.person.name,
        "date": dive.outing.when.isoformat(),
        "water": dive.outing.place.water,
        "salinity_gkg": dive.water.salinity,
        "water_temp_c": dive.water.temperature,
        "altitude_m": dive.outing.place.altitude,
        "body_mass_kg": dive.person.mass_on(dive.outing.when.date()),
        "suit": ";".join(dive.outfit.suits),
        "undersuit": dive.outfit.undersuit,
        "bc": dive.bc,
        "cylinder": ";".join(dive.cylinders),
        "gas": ";".join(dive.gases),
        "start_bar": _list(dive.start),
        "end_bar": _list(dive.end),
        "stop_bar": _list(dive.stop),
        "other": ";".join(dive.extras),
    }


def _foam(pressure: FloatArray) -> FloatArray:
    """Volume of this world's foam gas over that at 1 atm; pressure in bar absolute [-]."""
    return np.asarray((ATMOSPHERE / pressure) ** FOAM_EXPONENT)


def _personal(dives: Sequence[Dive]) -> FloatArray:
    """Offset, body bias and kit by type [kg]."""
    return np.array(
        [dive.person.offset + BODY_BIAS + FEMALE_BIAS * (dive.person.sex == "f") for dive in dives]
    )


def _kit(dives: Sequence[Dive], types: dict[str, str]) -> FloatArray:
    """What the items need beyond the ledger, by type [kg]."""
    worn = [(dive.bc, *dive.cylinders, *dive.extras) for dive in dives]
    return np.array([sum(KIT_BY_TYPE.get(types[item], 0.0) for item in items) for items in worn])


def high_breath(person: Person, made: int) -> float:
    """Extra need of someone still learning to breathe low [kg]."""
    return person.high_breath * float(np.exp(-made / HIGH_BREATH_DIVES))


def _fit(dives: Sequence[Dive], gear: Sequence[Item]) -> tuple[FloatArray, FloatArray]:
    """Foam gas over the ledger's [-] and trapped gas beyond it [L], for each diver in each suit."""
    items = {row["item"]: row for row in gear}
    foam, gas = np.ones(len(dives)), np.zeros(len(dives))
    for row, dive in enumerate(dives):
        if not dive.outfit.suits:
            continue
        worn = dive.outfit.suits[0]
        chance, item = Chance("fit", dive.person.name, worn), items[worn]
        usual, spread = FOAM_BY_TYPE.get(item["type"], 1.0), FOAM_FIT_SD
        if "buoyancy_kg" in item:  # somebody has weighed this one
            usual, spread = 1.0, item["buoyancy_sd_kg"] / item["buoyancy_kg"]
        foam[row] = usual * chance.normal(1.0, spread, low=0.65, high=1.35)
        gas[row] = chance.normal(0.0, DRY_FIT_SD, low=-2.5, high=2.5)
    return foam, gas


@dataclass(frozen=True)
class _World:
    """Everything but the state; `need` adds the state."""

    rigs: Rigs
    fixed: FloatArray
    foam: FloatArray
    gas: FloatArray

    def ledger(self, depth: FloatArray, pressure: FloatArray, carried: NDArray[np.bool_]) -> Ledger:
        return evaluate(self.rigs, State(depth=depth, cylinder_pressure=pressure, carried=carried))

    def need(self, depth: FloatArray, pressure: FloatArray, carried: NDArray[np.bool_]) -> FloatArray:
        """True need without scatter and high breathing [kg]."""
        here = self.ledger(depth, pressure, carried)
        foam_gas = self.rigs.foam[PARTS.index("suit")]
        ratio = self.foam * _foam(here.ambient_pressure) - suit.foam_ratio(here.ambient_pressure)
        trapped = here.items["suit_gas"].volume
        dry = trapped > 0
        gas = np.where(dry, np.maximum(0.8, DRY_GAS_SHARE * trapped + self.gas), 0.0)
        litres = foam_gas * ratio + gas - trapped
        return np.asarray(here.need + litres * _per_litre(here) + self.fixed)


def _per_litre(ledger: Ledger) -> FloatArray:
    return np.asarray(ledger.water_density / 1000 / ledger.lead_factor)


def needs_of(dives: Sequence[Dive], gear: Sequence[Item]) -> list[Needs]:
    """The truth of each dive.

    Parameters
    ----------
    dives : sequence of Dive
        Occasions.
    gear : sequence of Item
        Rows of the gear table as recorded; what the records leave out is filled in.

    Returns
    -------
    list of Needs
        In the order of `dives`, rounded to 0.1 g so that no machine's last digit decides anything.
    """
    records = _records(dives, gear)
    where = occasions(records, records.dives)
    types = {str(row["item"]): str(row["type"]) for row in gear}
    foam, gas = _fit(dives, gear)
    world = _World(assemble(records, where), _personal(dives) + _kit(dives, types), foam, gas)
    every = where.cylinder >= 0
    stop_depth = np.array([dive.stop_depth for dive in dives])
    surface = np.full(len(dives), SURFACE_DEPTH)
    stop = np.where(where.carried, np.nan_to_num(where.stop), 0.0)
    end = np.zeros_like(stop)
    for row, dive in enumerate(dives):
        end[row, : len(dive.end)] = np.nan_to_num(dive.end)
    start = np.where(every, np.nan_to_num(where.start), 0.0)
    reserve = np.full_like(stop, RESERVE)
    at_stop = world.need(stop_depth, stop, where.carried)
    usual = world.need(stop_depth, reserve, where.carried)
    under = world.need(surface, start, every)
    after = world.need(surface, end, where.carried)
    per_litre = _per_litre(world.ledger(stop_depth, stop, where.carried))
    out = []
    for row, dive in enumerate(dives):
        scatter = Chance("scatter", dive.key, dive.person.name).heavy_tailed(SCATTER_SD)
        extra = scatter + high_breath(dive.person, dive.made)
        values = [at_stop[row] + extra, usual[row] + extra, under[row] + extra, after[row] + extra]
        values += [usual[row], per_litre[row], scatter]
        out.append(Needs(*(round(float(value), 4) for value in values)))
    return out
