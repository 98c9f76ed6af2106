"""The balance of forces: mass and volume of every item at a state, and the lead that balances them."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline import constants as c
from leadline.frozen import dataclass
from leadline.physics import accessory, lung, suit
from leadline.physics.kit import FOAM_PARTS, PARTS
from leadline.physics.rig import Rigs
from leadline.physics.state import Setting, State, setting
from leadline.units import to_imperial

__all__ = ["BODY_EQUATION_SD", "ITEMS", "Item", "Ledger", "describe_need", "evaluate", "gas_mass"]

FloatArray = NDArray[np.float64]

# kg: the mean error of published body equations, 0.3 to 0.9 kg against 248 men weighed under water.
BODY_EQUATION_SD: Final = 0.40
GAUGE_SD: Final = 4.0  # bar: gauges are read to 5 or 10 bar; common practice, no source
HEAD_SHARE_SD: Final = 0.18  # of the emerged volume: 0.3 L in 1.7 L

ITEMS: Final = (
    "body",
    "lungs",
    "beginner",
    "suit",
    "suit_gas",
    "hood",
    "gloves",
    "boots",
    "fins",
    "bc",
    "plate",
    "cylinder",
    "gas",
    "regulator",
    "other",
    "bc_gas",
    "head_out",
)
"""Items of a ledger, in order."""


@dataclass(frozen=True)
class Item:
    """One line of a ledger, an entry a row.

    Parameters
    ----------
    mass : ndarray, shape (n,)
        [kg]
    volume : ndarray, shape (n,)
        Water it displaces. [L]
    sd : ndarray, shape (n,)
        Standard deviation of its net buoyancy, every doubt about it together. [kg]
    """

    mass: FloatArray
    volume: FloatArray
    sd: FloatArray


@dataclass(frozen=True)
class Ledger:
    """Forces on *n* divers at one state.

    Parameters
    ----------
    need : ndarray, shape (n,)
        Lead in air that makes the diver neutral at this state; negative where the diver is heavy without
        any. [kg]
    water_density : ndarray, shape (n,)
        [kg m⁻³]
    ambient_pressure : ndarray, shape (n,)
        [bar absolute]
    lead_factor : ndarray, shape (n,)
        What a kilogram of lead weighs under water, 1 - rho/rho_lead. [-]
    items : dict of str to Item
        In the order of `ITEMS`; lead is not among them.
    """

    need: FloatArray
    water_density: FloatArray
    ambient_pressure: FloatArray
    lead_factor: FloatArray
    items: dict[str, Item]

    def net_buoyancy(self, item: str) -> FloatArray:
        """Net buoyancy of one item, positive floats.

        Parameters
        ----------
        item : str
            A name of `ITEMS`.

        Returns
        -------
        ndarray, shape (n,)
            [kg]
        """
        line = self.items[item]
        return self.water_density / 1000 * line.volume - line.mass

    def margin(self, lead: ArrayLike) -> FloatArray:
        """Lead carried less the need; positive is heavy.

        Parameters
        ----------
        lead : float or array_like, shape (n,)
            Lead carried, in air. [kg]

        Returns
        -------
        ndarray, shape (n,)
            [kg]
        """
        return np.asarray(np.asarray(lead, float) - self.need)

    def describe_need(self, row: int = 0, *, imperial: bool = False) -> str:
        """The need of one row in words; see `describe_need`."""
        return describe_need(float(self.need[row]), imperial=imperial)


def describe_need(need: float, *, imperial: bool = False) -> str:
    """A need in words, which a negative one needs.

    Parameters
    ----------
    need : float
        Lead for neutral. [kg]
    imperial : bool
        Pounds instead of kilograms.

    Returns
    -------
    str
        Such as `6.5 kg` or `none: already heavy by 1.2 kg`.

    Examples
    --------
    >>> describe_need(6.48), describe_need(-1.17)
    ('6.5 kg', 'none: already heavy by 1.2 kg')
    """
    if np.isnan(need):
        return "unknown"
    amount = float(to_imperial(abs(need), "lb")) if imperial else abs(need)
    text = f"{amount:.1f} {'lb' if imperial else 'kg'}"
    return text if need >= 0 or round(amount, 1) == 0 else f"none: already heavy by {text}"


def _full(value: ArrayLike, n: int) -> FloatArray:
    """A number for each row, without a copy where it is one number."""
    return np.broadcast_to(np.asarray(value, float), (n,))


def _people(rigs: Rigs, state: State, here: Setting) -> dict[str, Item]:
    """Body, lungs and beginner's gas."""
    rho, zero = here.water_density, _full(0.0, len(rigs))
    doubt = np.hypot(rho * rigs.body.volume_sd, BODY_EQUATION_SD)
    middle_sd = np.hypot(lung.SHARED_SD, rigs.lungs.own_sd)
    return {
        "body": Item(rigs.body.mass, rigs.body.volume, doubt),
        "lungs": Item(zero, rigs.lungs.middle + np.asarray(state.breath, float), rho * middle_sd),
        "beginner": Item(zero, rigs.beginner, rho * rigs.beginner),
    }


def foam_lift(rigs: Rigs, here: Setting, gas_at_surface: FloatArray) -> FloatArray:
    """Net lift [kg] that goes with foam gas [L at 1 atm]: an error in the amount of foam is a share of it."""
    ratio = here.water_density * here.foam_ratio
    sinking = (1 - suit.GAS_SHARE) / suit.GAS_SHARE * (c.FOAM_SOLID_DENSITY - here.water_density)
    if gas_at_surface.ndim == 2:
        ratio, sinking = ratio[:, None], sinking[:, None]
    return np.asarray(gas_at_surface * (ratio - sinking))


def _gear(rigs: Rigs, here: Setting) -> dict[str, Item]:
    """Everything of `PARTS`."""
    items = {}
    for i, name in enumerate(PARTS):
        volume, variance = rigs.solid[i], rigs.variance[i]
        if name in FOAM_PARTS:
            volume = volume + rigs.foam[i] * here.foam_ratio
            lift = foam_lift(rigs, here, rigs.foam_catalogue[i])
            shared = (
                suit.SHARED_FOAM_SD**2 + suit.FIT_SD**2 if name == "suit" else accessory.SHARED_FOAM_SD**2
            )
            own = foam_lift(rigs, here, rigs.foam_doubt[i])
            variance = variance + shared * lift**2 + own**2
        items[name] = Item(rigs.mass[i], volume, np.sqrt(variance))
    if rigs.carried.shape[1] > 1:
        # A further cylinder comes and goes with its regulator, unless regulators are listed.
        further = np.maximum(here.carried.sum(axis=1) - 1, 0) * rigs.assumed_regulator
        usual, line = accessory.ASSUMED["further_regulator"], items["regulator"]
        items["regulator"] = Item(
            line.mass + further * usual.mass,
            line.volume + further * usual.volume,
            np.hypot(line.sd, accessory.further_sd(further)),
        )
    return items


def gas_mass(rigs: Rigs, here: Setting) -> FloatArray:
    """Mass of the gas in the cylinders carried, shape (n,). [kg]."""
    density = rigs.gas.density(here.cylinder_pressure + rigs.atmosphere[:, None])
    return np.asarray((density * np.where(here.carried, rigs.capacity, 0.0)).sum(axis=1) / 1000)


def _cylinders(rigs: Rigs, here: Setting) -> dict[str, Item]:
    """Shells of the cylinders carried, and the gas in them."""
    pieces, zero = rigs.kit.pieces, _full(0.0, len(rigs))
    on = here.carried
    litres = np.where(on, rigs.capacity, 0.0)
    sd = pieces.sd[rigs.cylinder] ** 2 + pieces.shared_sd[rigs.cylinder] ** 2
    return {
        "cylinder": Item(
            np.where(on, pieces.mass[rigs.cylinder], 0.0).sum(axis=1),
            np.where(on, pieces.solid[rigs.cylinder], 0.0).sum(axis=1),
            np.sqrt(np.where(on, sd, 0.0).sum(axis=1)),
        ),
        "gas": Item(gas_mass(rigs, here), zero, GAUGE_SD * 1.2e-3 * litres.sum(axis=1)),
    }


def _loose_gas(rigs: Rigs, state: State, here: Setting) -> dict[str, Item]:
    """Gas in the dry suit and the buoyancy compensator, and the head above water."""
    n, rho = len(rigs), here.water_density
    zero = _full(0.0, n)
    head = _full(state.head_out, n)
    return {
        "suit_gas": Item(zero, rigs.trapped + _full(state.suit_gas, n), rho * rigs.trapped_sd),
        "bc_gas": Item(zero, _full(state.bc_gas, n), zero),
        "head_out": Item(zero, 0.0 - head, rho * HEAD_SHARE_SD * head),
    }


def evaluate(rigs: Rigs, state: State) -> Ledger:
    """Ledger of every row at one state.

    Parameters
    ----------
    rigs : Rigs
        From `leadline.physics.rig.assemble`.
    state : State
        Depth, pressures, breath and gas.

    Returns
    -------
    Ledger
        Need, surroundings and items.

    Raises
    ------
    OutOfRangeError
        If a value is out of range, or the pressure of a carried cylinder unknown.

    Notes
    -----
    need = (rho sum V - sum m) / (1 - rho / rho_lead), at equal weight and lift. Gas in lungs, suit and
    buoyancy compensator is taken to weigh nothing.
    """
    here = setting(rigs, state)
    lines = {
        **_people(rigs, state, here),
        **_gear(rigs, here),
        **_cylinders(rigs, here),
        **_loose_gas(rigs, state, here),
    }
    items = {name: lines[name] for name in ITEMS}
    force = np.zeros(len(rigs))
    for line in items.values():
        force += here.water_density * line.volume - line.mass
    return Ledger(
        need=force / here.lead_factor,
        water_density=here.water_density * 1000,
        ambient_pressure=here.ambient_pressure,
        lead_factor=here.lead_factor,
        items=items,
    )
