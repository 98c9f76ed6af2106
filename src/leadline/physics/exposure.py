"""Exposures: how the need moves with each doubt that many dives share, and what doubt is left."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline import constants as c
from leadline.frozen import dataclass
from leadline.physics import accessory, lung, suit, water
from leadline.physics.balance import (
    BODY_EQUATION_SD,
    GAUGE_SD,
    HEAD_SHARE_SD,
    Ledger,
    evaluate,
    foam_lift,
)
from leadline.physics.kit import PARTS
from leadline.physics.rig import BEGINNER_GAS, Rigs
from leadline.physics.state import Setting, State, setting

__all__ = ["CATALOGUE", "Exposures", "exposures", "prior_sd"]

FloatArray = NDArray[np.float64]

CATALOGUE: Final[dict[str, str]] = {
    "constant": "error common to all bodies",
    "female": "women against the body formula",
    "male": "men against the body formula",
    "junior": "under-18s against the formulas for adults",
    "body_unknown": "divers whose mass or height nobody noted",
    "lungs": "lung gas under water",
    "foam": "foam of suits",
    "foam_compression": "how little foam shrinks with depth",
    "foam_age": "how much gas worn suits keep",
    "dry_gas": "gas that undersuits hold",
    "bc_jacket": "jackets",
    "bc_wing": "wings",
    "cylinder_aluminium": "aluminium cylinders",
    "cylinder_steel": "steel cylinders",
    "hood": "hoods",
    "gloves": "gloves",
    "boots": "boots",
    "unlisted": "kit everybody carries and nobody lists",
    "water_fresh": "salinity of fresh water",
    "water_brackish": "salinity of brackish water",
    "water_salt": "salinity of the sea",
    "inexperience": "how high beginners breathe",
    "head_out": "head above water at the surface",
}
"""Doubts shared by many dives, in order, and what they are called; a column for each gear type follows."""

# Standard deviations in kg of buoyancy; those of the body rest on checks against 248 men weighed under
# water, for whom the published equations erred by 0.3 to 0.9 kg on average. The others are assumed.
_SEX_SD: Final = {"f": 0.30, "m": 0.15}  # no open density data for women
_JUNIOR_SD: Final = 0.8
_UNKNOWN_BODY_SD: Final = 0.6
_DAY_SD: Final = 0.15  # small kit that comes and goes
_SUIT_FLOOR, _BARE = 0.2, 0.1
_MEASURED_FIT: Final = 0.05  # of foam lift: a measured suit still stretches
_UNCOUNTED_SD: Final = 0.15  # kg: beginner's gas where nobody counted the dives
_BOOTS: Final = PARTS.index("boots")
_BOOTS_SD: Final = 0.18  # kg: boots worn and not listed


@dataclass(frozen=True)
class Exposures:
    """What is not known of the need at one state; *n* rows, *p* shared doubts.

    Parameters
    ----------
    names : tuple of str, length p
        `CATALOGUE`, then `type:<name>` for each type of gear in use.
    labels : tuple of str, length p
        The same for people.
    values : ndarray, shape (n, p)
        Change of need for one standard deviation of each doubt, so that beta ~ Normal(0, 1). [kg of lead]
    body_sd : ndarray, shape (n,)
        From what is unknown about this one body and its lungs. [kg of lead]
    suit_sd : ndarray, shape (n,)
        From how this suit fits this diver. [kg of lead]
    rest_sd : ndarray, shape (n,)
        From what is independent from dive to dive or noted nowhere. [kg of lead]
    """

    names: tuple[str, ...]
    labels: tuple[str, ...]
    values: FloatArray
    body_sd: FloatArray
    suit_sd: FloatArray
    rest_sd: FloatArray

    def take(self, rows: NDArray[np.int64] | slice) -> Exposures:
        """The same for some rows."""
        own = (value[rows] for value in (self.values, self.body_sd, self.suit_sd, self.rest_sd))
        return Exposures(self.names, self.labels, *own)

    def column(self, name: str) -> FloatArray:
        """Values of one doubt, shape (n,). [kg of lead]."""
        return np.asarray(self.values[:, self.names.index(name)])


def _people(rigs: Rigs, here: Setting) -> dict[str, FloatArray]:
    """Buoyancy [kg] per sd of the doubts about bodies and breath."""
    rho, made = here.water_density, rigs.dives_made
    decay = rigs.beginner / BEGINNER_GAS
    return {
        "constant": np.full(len(rigs), BODY_EQUATION_SD),
        "female": np.where(rigs.sex == "f", _SEX_SD["f"], 0.0),
        "male": np.where(rigs.sex == "m", _SEX_SD["m"], 0.0),
        "junior": np.where(rigs.body.junior, _JUNIOR_SD, 0.0),
        "body_unknown": _UNKNOWN_BODY_SD * rigs.body.unknown,
        "lungs": rho * lung.SHARED_SD,
        "inexperience": np.where(np.isnan(made), _UNCOUNTED_SD, rho * BEGINNER_GAS * decay),
    }


def _suits(rigs: Rigs, here: Setting) -> dict[str, FloatArray]:
    """Buoyancy [kg] per sd of the doubts about foam and trapped gas."""
    rho = here.water_density
    all_foam = rigs.foam.sum(axis=0)
    unreached = 1 - c.ATMOSPHERE / here.ambient_pressure
    worn = {
        name: accessory.SHARED_FOAM_SD * foam_lift(rigs, here, rigs.foam_catalogue[i])
        for i, name in enumerate(("hood", "gloves", "boots"), start=1)
    }
    return {
        "foam": suit.SHARED_FOAM_SD * foam_lift(rigs, here, rigs.foam_catalogue[0]),
        "foam_compression": suit.STIFFNESS[1] * rho * all_foam * unreached,
        "foam_age": suit.AGE_SD * rho * here.foam_ratio * rigs.foam_lost,
        "dry_gas": suit.SHARED_GAS_SD * rho * rigs.trapped_catalogue,
        **worn,
    }


def _kit(rigs: Rigs, here: Setting) -> dict[str, FloatArray]:
    """Buoyancy [kg] per sd of the errors that pieces of a kind share."""
    gear, slots = rigs.kit, rigs.slots
    shared = gear.pieces.shared_sd
    assumed = slots >= gear.assumed("regulator")  # -1, nothing, is not
    guess = slots == gear.assumed("bc")
    is_wing = (gear.kind == "bc") & (gear.style == "wing")
    is_jacket = (gear.kind == "bc") & ~is_wing
    is_jacket[gear.assumed("bc")] = True
    shell = np.where(here.carried, shared[rigs.cylinder], 0.0)
    return {
        "bc_jacket": np.where(is_jacket, shared, 0.0)[slots].sum(axis=1),
        "bc_wing": np.where(is_wing, shared, 0.0)[slots].sum(axis=1),
        "unlisted": np.sqrt((np.where(assumed & ~guess, shared[slots], 0.0) ** 2).sum(axis=1)),
        "cylinder_aluminium": ((gear.material == "aluminium")[rigs.cylinder] * shell).sum(axis=1),
        "cylinder_steel": ((gear.material == "steel")[rigs.cylinder] * shell).sum(axis=1),
    }


def _waters(rigs: Rigs, by_salinity: FloatArray) -> dict[str, FloatArray]:
    """Need [kg of lead] per sd of what a word leaves open of the salinity."""
    columns = {}
    for word in ("fresh", "brackish", "salt"):
        here = (rigs.water == word) & ~rigs.salinity_given
        columns[f"water_{word}"] = np.where(here, by_salinity * water.WATERS[word].shared_sd, 0.0)
    return columns


def _types(rigs: Rigs, here: Setting) -> FloatArray:
    """Buoyancy [kg] per sd of each type in use, shape (n, types)."""
    gear, n = rigs.kit, len(rigs)
    position = {name: i for i, name in enumerate(rigs.types)}
    column = np.array([position.get(name, -1) for name in gear.type], np.int64)
    out = np.zeros((n, len(position) + 1))  # the last column takes what has no type
    rows = np.arange(n)
    for slot in range(rigs.slots.shape[1]):
        item = rigs.slots[:, slot]
        foam = foam_lift(rigs, here, rigs.slot_foam[:, slot]) * gear.pieces.foam_sd[item]
        out[rows, column[item]] += np.hypot(rigs.slot_sd[:, slot], foam)
    for j in range(rigs.cylinder.shape[1]):
        item = rigs.cylinder[:, j]
        out[rows, column[item]] += np.where(here.carried[:, j], gear.pieces.sd[item], 0.0)
    return out[:, :-1]


def _suit_sd(rigs: Rigs, here: Setting) -> FloatArray:
    """Buoyancy [kg] left open by how the suit fits and is vented."""
    reckoned = foam_lift(rigs, here, rigs.foam_catalogue[0])
    measured = foam_lift(rigs, here, rigs.foam[0] - rigs.foam_catalogue[0])
    fit = np.hypot(suit.FIT_SD * reckoned, _MEASURED_FIT * measured)
    spread = np.hypot(fit, here.water_density * rigs.trapped_own_sd)
    return np.where(rigs.suited, np.maximum(spread, _SUIT_FLOOR), _BARE)


def _rest_sd(rigs: Rigs, here: Setting, by_density: FloatArray, by_salinity: FloatArray) -> FloatArray:
    """Need [kg of lead] left open by what is noted nowhere."""
    gear, word = rigs.kit, rigs.water
    local = np.full(len(rigs), water.WATERS[""].local_sd)
    warmth = np.full(len(rigs), water.TEMPERATURES[""].sd)
    for name in water.WATERS:
        local[word == name] = water.WATERS[name].local_sd
        warmth[word == name] = water.TEMPERATURES[name].sd
    local[rigs.salinity_given] = 0.0
    warmth[rigs.temperature_given] = 0.0
    assumed = rigs.slots >= gear.assumed("regulator")
    own = (np.where(assumed, rigs.slot_sd, 0.0) ** 2).sum(axis=1)
    pieces, guess = gear.pieces, rigs.cylinder == gear.assumed("cylinder")
    own += np.where(guess, pieces.sd[rigs.cylinder] ** 2 + pieces.shared_sd[rigs.cylinder] ** 2, 0.0).sum(
        axis=1
    )
    further = np.maximum(here.carried.sum(axis=1) - 1, 0) * rigs.assumed_regulator
    own += accessory.further_sd(further) ** 2
    # Boots are often worn and not listed; a dry suit has its own.
    own += np.where(rigs.suited & ~rigs.dry & (rigs.mass[_BOOTS] == 0), _BOOTS_SD**2, 0.0)
    gauge = GAUGE_SD * 1.2e-3 * np.where(here.carried, rigs.capacity, 0.0).sum(axis=1)
    in_lead = (own + gauge**2 + _DAY_SD**2) / here.lead_factor**2
    by_warmth = by_density * rigs.density_per_temperature
    return np.asarray(np.sqrt(in_lead + (by_warmth * warmth) ** 2 + (by_salinity * local) ** 2))


def exposures(rigs: Rigs, state: State, *, ledger: Ledger | None = None) -> Exposures:
    """Shared doubts about the need of every row at one state, and what doubt is left.

    Parameters
    ----------
    rigs : Rigs
        From `leadline.physics.rig.assemble`.
    state : State
        Depth, pressures, breath and gas.
    ledger : Ledger, optional
        Of the same rigs and state, if it is at hand already.

    Returns
    -------
    Exposures
        Linear: need = ledger need + values @ beta + personal terms.

    Raises
    ------
    OutOfRangeError
        If a value is out of range, or the pressure of a carried cylinder unknown.

    Notes
    -----
    A piece whose buoyancy was measured has its measurement sd in its type column and no part in the
    catalogue columns, but for `foam_compression`. Doubts count with the sign of the need: positive means
    more lead.
    """
    here = setting(rigs, state)
    drawn = evaluate(rigs, state) if ledger is None else ledger
    volume = np.sum([line.volume for line in drawn.items.values()], axis=0)
    # Derivative of the need by the density of the water, lead's own displacement included.
    by_density = (volume + drawn.need / c.LEAD_DENSITY) / here.lead_factor / 1000
    by_salinity = by_density * rigs.density_per_salinity
    head = np.broadcast_to(np.asarray(state.head_out, float), (len(rigs),))
    in_buoyancy = {
        **_people(rigs, here),
        **_suits(rigs, here),
        **_kit(rigs, here),
        "head_out": -HEAD_SHARE_SD * here.water_density * head,
    }
    columns = {name: value / here.lead_factor for name, value in in_buoyancy.items()}
    columns.update(_waters(rigs, by_salinity))
    values = np.empty((len(rigs), len(CATALOGUE) + len(rigs.types)))
    for i, name in enumerate(CATALOGUE):
        values[:, i] = columns[name]
    values[:, len(CATALOGUE) :] = _types(rigs, here) / here.lead_factor[:, None]
    rho = here.water_density / here.lead_factor
    return Exposures(
        names=(*CATALOGUE, *(f"type:{name}" for name in rigs.types)),
        labels=(*CATALOGUE.values(), *rigs.types),
        values=values,
        body_sd=rho * np.hypot(rigs.body.volume_sd, rigs.lungs.own_sd),
        suit_sd=_suit_sd(rigs, here) / here.lead_factor,
        rest_sd=_rest_sd(rigs, here, by_density, by_salinity),
    )


def prior_sd(exposures: Exposures) -> FloatArray:
    """Standard deviation of the prior need, every doubt together.

    Parameters
    ----------
    exposures : Exposures
        At one state.

    Returns
    -------
    ndarray, shape (n,)
        [kg of lead]
    """
    own = exposures.body_sd**2 + exposures.suit_sd**2 + exposures.rest_sd**2
    return np.asarray(np.sqrt((exposures.values**2).sum(axis=1) + own))
