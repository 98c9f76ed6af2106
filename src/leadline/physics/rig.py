"""Divers, kit and water put together: everything about a dive that does not change during it."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Occasions, Records
from leadline.distinct import distinct
from leadline.frozen import dataclass
from leadline.physics import gas, suit, water
from leadline.physics.body import Body, body
from leadline.physics.kit import FOAM_PARTS, PARTS, Kit, kit
from leadline.physics.lung import Lungs, lungs

__all__ = ["Rigs", "assemble"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# Beginners breathe high and hold air: common practice, no source.
BEGINNER_GAS: Final = 0.36  # L, about 0.4 kg of lead
BEGINNER_DIVES: Final = 25.0
UNKNOWN_EXPERIENCE: Final = 0.25  # share of it where nobody counted the dives
REFERENCE_DEPTH: Final = 50.0  # m, for the slope of density with depth


@dataclass(frozen=True)
class Rigs:
    """Divers in their kit and water; *n* rows, *C* cylinders, *L* slots for gear, *k* parts.

    Parameters
    ----------
    kit : Kit
        The gear as pieces; not sliced by `take`.
    types : tuple of str
        Types of gear in use, in the order of the gear table; not sliced by `take`.
    slots : ndarray of int, shape (n, L)
        Rows of the kit: all worn or carried but cylinders, the assumed pieces included.
    slot_foam : ndarray, shape (n, L)
        Foam gas of each at 1 atm, wear taken off. [L]
    slot_sd : ndarray, shape (n, L)
        Doubt about the net buoyancy of each, beyond its foam. [kg]
    cylinder : ndarray of int, shape (n, C)
        Rows of the kit. Where none is listed the first is an assumed one.
    present, carried : ndarray of bool, shape (n, C)
        There is such a cylinder; it is carried at the stop.
    assumed_regulator : ndarray of bool, shape (n,)
        No regulator is listed: each further cylinder brings a small one.
    capacity : ndarray, shape (n, C)
        Water capacity. [L]
    gas : gas.Virial
        Arrays of shape (n, C).
    mass, solid, foam, foam_doubt, variance : ndarray, shape (k, n)
        By `PARTS`: mass [kg], volume that pressure leaves alone [L], foam gas at 1 atm [L], the same times
        the doubt of its type [L], and the variance of what is not foam [kg²].
    foam_catalogue : ndarray, shape (4, n)
        Foam gas of the pieces nobody measured, by `FOAM_PARTS`. [L]
    foam_lost : ndarray, shape (n,)
        Suit gas that wear is reckoned to have taken, at 1 atm. [L]
    dry : ndarray of bool, shape (n,)
        In a dry suit.
    suited : ndarray of bool, shape (n,)
        In a suit of any kind.
    trapped, trapped_catalogue, trapped_own_sd, trapped_sd : ndarray, shape (n,)
        Least gas in the dry suit; the part of it that nobody measured; what stays unknown about this diver;
        all doubt together. [L]
    body : Body
        Tissue.
    lungs : Lungs
        Lung gas.
    beginner : ndarray, shape (n,)
        More of it in a beginner. [L]
    dives_made : ndarray, shape (n,)
        NaN where unknown.
    sex : ndarray of str, shape (n,)
        f, m or empty.
    water : ndarray of str, shape (n,)
        Word of the records.
    salinity_given, temperature_given : ndarray of bool, shape (n,)
        They were noted.
    surface_density, density_slope, density_per_salinity, density_per_temperature : ndarray, shape (n,)
        Density at the surface [kg/m³] and its change per metre, per g/kg and per °C.
    atmosphere : ndarray, shape (n,)
        Pressure at the surface. [bar absolute]
    """

    kit: Kit
    types: tuple[str, ...]
    slots: IntArray
    slot_foam: FloatArray
    slot_sd: FloatArray
    cylinder: IntArray
    present: BoolArray
    carried: BoolArray
    assumed_regulator: BoolArray
    capacity: FloatArray
    gas: gas.Virial
    mass: FloatArray
    solid: FloatArray
    foam: FloatArray
    foam_doubt: FloatArray
    variance: FloatArray
    foam_catalogue: FloatArray
    foam_lost: FloatArray
    dry: BoolArray
    suited: BoolArray
    trapped: FloatArray
    trapped_catalogue: FloatArray
    trapped_own_sd: FloatArray
    trapped_sd: FloatArray
    body: Body
    lungs: Lungs
    beginner: FloatArray
    dives_made: FloatArray
    sex: NDArray[np.object_]
    water: NDArray[np.object_]
    salinity_given: BoolArray
    temperature_given: BoolArray
    surface_density: FloatArray
    density_slope: FloatArray
    density_per_salinity: FloatArray
    density_per_temperature: FloatArray
    atmosphere: FloatArray

    def __len__(self) -> int:
        return len(self.atmosphere)

    def take(self, rows: NDArray[Any] | slice) -> Rigs:
        """The rigs at `rows` (indices, a mask or a slice), in that order; kit and types stay whole."""
        by_part = {"mass", "solid", "foam", "foam_doubt", "variance", "foam_catalogue"}
        taken: dict[str, Any] = {}
        for f in fields(self):
            value = getattr(self, f.name)
            if f.name in ("kit", "types"):
                continue
            if isinstance(value, Body | Lungs | gas.Virial):
                taken[f.name] = type(value)(*(getattr(value, g.name)[rows] for g in fields(value)))
            elif f.name in by_part:
                taken[f.name] = value[:, rows]
            else:
                taken[f.name] = value[rows]
        return replace(self, **taken)


def _ages(records: Records, occasions: Occasions) -> FloatArray:
    """Age in years at each date; the latest date of all stands in where a row has none."""
    date = occasions.date
    known = ~np.isnat(date)
    if not known.any():
        return np.full(len(date), np.nan)
    day = np.where(known, date, date[known].max()).astype("datetime64[D]").astype(float)
    age = 1970.0 + day / 365.2425 - (records.divers["birth_year"][occasions.diver] + 0.5)
    return np.clip(age, 4.0, 110.0)


def _people(records: Records, occasions: Occasions) -> dict[str, Any]:
    """Body, lungs and experience."""
    divers, who = records.divers, occasions.diver
    sex = divers["sex"][who]
    male = np.select([sex == "m", sex == "f"], [1.0, 0.0], np.nan)
    tissue = body(
        occasions.body_mass,
        divers["height_cm"][who] / 100,
        age=_ages(records, occasions),
        male=male,
        body_fat=divers["body_fat_pct"][who],
    )
    made = occasions.dives_made
    share = np.where(np.isnan(made), UNKNOWN_EXPERIENCE, np.exp(-np.nan_to_num(made) / BEGINNER_DIVES))
    return {
        "body": tissue,
        "lungs": lungs(tissue.height, tissue.age, male=tissue.male),
        "beginner": BEGINNER_GAS * share,
        "dives_made": made,
        "sex": sex,
    }


def _by_word(words: NDArray[np.object_], table: dict[str, float]) -> FloatArray:
    """Number that belongs to each word; the empty word's for any other."""
    out = np.full(len(words), table[""])
    for word, value in table.items():
        out[words == word] = value
    return out


def _waters(occasions: Occasions) -> tuple[dict[str, Any], FloatArray]:
    """Water fields, and the temperature used."""
    word = occasions.water
    salinity_given, temperature_given = ~np.isnan(occasions.salinity), ~np.isnan(occasions.temperature)
    guess = _by_word(word, {name: row.mean for name, row in water.WATERS.items()})
    salinity = np.where(salinity_given, occasions.salinity, guess)
    usual = _by_word(word, {name: row.mean for name, row in water.TEMPERATURES.items()})
    temperature = np.where(temperature_given, occasions.temperature, usual)
    surface = water.density(salinity, temperature)
    deep = water.density(salinity, temperature, depth=REFERENCE_DEPTH)
    fresher, warmer = np.maximum(salinity - 1.0, 0.0), np.minimum(temperature + 1.0, 40.0)
    by_salinity = water.density(fresher + 1.0, temperature) - water.density(fresher, temperature)
    by_warmth = water.density(salinity, warmer) - water.density(salinity, warmer - 1.0)
    altitude = np.nan_to_num(occasions.altitude)  # most water is near sea level, and says nothing of it
    return {
        "water": word,
        "salinity_given": salinity_given,
        "temperature_given": temperature_given,
        "surface_density": surface,
        "density_slope": (deep - surface) / REFERENCE_DEPTH,
        "density_per_salinity": by_salinity,
        "density_per_temperature": by_warmth,
        "atmosphere": water.atmospheric_pressure(altitude),
    }, temperature


def _slots(gear: Kit, occasions: Occasions) -> tuple[IntArray, BoolArray]:
    """Rows of the kit worn or carried, assumed pieces included; and where the regulator is assumed."""
    listed = np.concatenate([occasions.suit, occasions.undersuit, occasions.bc, occasions.other], axis=1)
    columns = []
    for kind in ("regulator", "fins", "bc"):
        missing = ~(gear.kind == kind)[listed].any(axis=1)
        columns.append(np.where(missing, gear.assumed(kind), -1))
    columns.append(np.full(len(listed), gear.assumed("small")))
    return np.concatenate([listed, np.stack(columns, axis=1)], axis=1), columns[0] >= 0


def _cylinders(gear: Kit, occasions: Occasions, temperature: FloatArray) -> dict[str, Any]:
    """Cylinder fields; a diver without one is given a usual one."""
    listed = occasions.cylinder.copy()
    bare = ~(listed >= 0).any(axis=1)
    listed[bare, 0] = gear.assumed("cylinder")
    carried = occasions.carried.copy()
    carried[bare, 0] = True
    return {
        "cylinder": listed,
        "present": listed >= 0,
        "carried": carried,
        "capacity": gear.pieces.capacity[listed],
        "gas": gas.virial(temperature[:, None], oxygen=occasions.oxygen, helium=occasions.helium),
    }


def _trapped(gear: Kit, slots: IntArray, surface: FloatArray) -> dict[str, Any]:
    """Least gas of dry suits: what the undersuit holds open."""
    pieces = gear.pieces
    dry_slot = pieces.dry[slots]
    under_slot = (gear.kind == "undersuit")[slots]
    dry = np.asarray(dry_slot.any(axis=1))
    room = pieces.room[slots].max(axis=1)
    litres = np.where(under_slot, pieces.trapped_per_area[slots], 0.0) * surface[:, None]
    reckoned = under_slot & ~pieces.measured[slots]
    litres = np.where(reckoned, litres * room[:, None], litres)
    catalogue = np.where(reckoned, litres, 0.0).sum(axis=1)
    variance = ((litres * pieces.trapped_sd[slots]) ** 2).sum(axis=1)
    # Litres near enough kilograms: the sd of what one type of undersuit holds.
    type_sd = litres * np.where(reckoned, suit.TYPE_GAS_SD, pieces.trapped_sd[slots]) * dry[:, None]
    bare = ~np.any(under_slot, axis=1)
    usual, usual_sd = suit.UNDERSUITS[""]
    size = surface / 2.0 * room
    total = np.where(bare, usual * size, litres.sum(axis=1)) * dry
    catalogue = np.where(bare, usual * size, catalogue) * dry
    variance = np.where(bare, (usual_sd * size) ** 2, variance) * dry
    common = suit.SHARED_GAS_SD**2 + np.where(bare, 0.0, suit.TYPE_GAS_SD**2)
    own = np.sqrt(np.maximum(variance - common * catalogue**2, suit.LEAST_GAS_SD**2)) * dry
    return {
        "dry": dry,
        "slot_sd": np.where(under_slot, type_sd, pieces.sd[slots]),
        "trapped": total,
        "trapped_catalogue": catalogue,
        "trapped_own_sd": own,
        "trapped_sd": np.sqrt(own**2 + common * catalogue**2),
    }


def _parts(gear: Kit, occasions: Occasions, slots: IntArray, surface: FloatArray) -> dict[str, Any]:
    """Sums of the pieces by part of the ledger."""
    n, k = len(slots), len(PARTS)
    pieces, area = gear.pieces, surface[:, None]
    wear = np.zeros(slots.shape)
    suits = occasions.suit.shape[1]
    wear[:, :suits] = suit.permanent_set(occasions.suit_dives)
    fresh = np.maximum(pieces.foam[slots] + pieces.foam_per_area[slots] * area, 0.0)
    lost = fresh * wear * pieces.ages[slots]
    foam = fresh - lost
    where = (gear.part[slots] * n + np.arange(n)[:, None]).ravel()

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(where, values.ravel(), k * n).reshape(k, n), float)

    measured = pieces.measured[slots]
    return {
        "slots": slots,
        "slot_foam": foam,
        "mass": total(pieces.mass[slots] + pieces.mass_per_area[slots] * area),
        "solid": total(pieces.solid[slots] + pieces.solid_per_area[slots] * area),
        "foam": total(foam),
        "foam_doubt": total(foam * pieces.foam_sd[slots]),
        "variance": total(pieces.sd[slots] ** 2 + pieces.shared_sd[slots] ** 2),
        "foam_catalogue": total(np.where(measured, 0.0, foam))[: len(FOAM_PARTS)],
        "foam_lost": lost.sum(axis=1),
        "suited": (gear.kind == "suit")[slots].any(axis=1),
    }


def assemble(records: Records, occasions: Occasions) -> Rigs:
    """Divers, kit and water put together, for any number of dives, plans or surface checks.

    Parameters
    ----------
    records : Records
        Divers and gear; its dives and checks are not looked at.
    occasions : Occasions
        From `leadline.arrays.occasions`, over the same records.

    Returns
    -------
    Rigs
        One a row of `occasions`.

    Raises
    ------
    OutOfRangeError
        If a noted value lies outside what the formulas cover.

    Notes
    -----
    What is not noted is filled: altitude 0, temperature and salinity by the word for the water, a usual
    cylinder, regulator, fins and buoyancy compensator where none is listed, mask and instruments always.
    An empty suit means none is worn. Hood, gloves and boots count only where they are listed.
    """
    gear = kit(records.gear)
    people = _people(records, occasions)
    waters, temperature = _waters(occasions)
    slots, assumed_regulator = _slots(gear, occasions)
    surface = people["body"].surface
    used = distinct(np.concatenate([slots.ravel(), occasions.cylinder.ravel()]))
    types = sorted({str(name) for name in gear.type[used[used >= 0]]})
    return Rigs(
        kit=gear,
        types=tuple(name for name in types if name),
        assumed_regulator=assumed_regulator,
        **_cylinders(gear, occasions, temperature),
        **_parts(gear, occasions, slots, surface),
        **_trapped(gear, slots, surface),
        **people,
        **waters,
    )
