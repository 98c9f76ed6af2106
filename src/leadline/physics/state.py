"""A moment of a dive: depth, pressures, breath, gas in buoyancy compensator and suit."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline import constants as c
from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass
from leadline.physics import suit
from leadline.physics.rig import Rigs
from leadline.units import check_range

__all__ = ["Setting", "State", "setting"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class State:
    """The state in which a ledger is drawn up; each field one number or one a row.

    Parameters
    ----------
    depth : float or array_like, shape (n,)
        Positive down. [m] Valid 0 to 300.
    cylinder_pressure : float or array_like, shape (n,) or (n, C)
        Gauge; one number a row serves all its cylinders. Must be known where a cylinder is carried. [bar]
        Valid 0 to 330.
    carried : array_like of bool, shape (n, C), optional
        Cylinders still with the diver; default all there are. A diver without a listed cylinder has an
        assumed one, carried always.
    breath : float or array_like, shape (n,)
        Lung gas above the middle of a quiet breath, negative below. [L at ambient pressure] Valid -8 to 8.
    bc_gas : float or array_like, shape (n,)
        Gas in the buoyancy compensator. [L at ambient pressure] Valid 0 to 100.
    suit_gas : float or array_like, shape (n,)
        Gas in a dry suit beyond the least. [L at ambient pressure] Valid 0 to 100.
    head_out : float or array_like, shape (n,)
        Part of the head above water. [L] Valid 0 to 8.
    """

    depth: ArrayLike
    cylinder_pressure: ArrayLike
    carried: ArrayLike | None = None
    breath: ArrayLike = 0.0
    bc_gas: ArrayLike = 0.0
    suit_gas: ArrayLike = 0.0
    head_out: ArrayLike = 0.0

    def take(self, rows: NDArray[Any] | slice) -> State:
        """The state at `rows`; single numbers stay as they are."""
        given = (
            self.depth,
            self.cylinder_pressure,
            self.carried,
            self.breath,
            self.bc_gas,
            self.suit_gas,
            self.head_out,
        )
        taken: list[Any] = [v if v is None or np.ndim(v) == 0 else np.asarray(v)[rows] for v in given]
        return State(*taken)


@dataclass(frozen=True)
class Setting:
    """What a state makes of its surroundings, one a row.

    Parameters
    ----------
    water_density : ndarray, shape (n,)
        [kg L⁻¹]
    ambient_pressure : ndarray, shape (n,)
        [bar absolute]
    lead_factor : ndarray, shape (n,)
        What a kilogram of lead weighs under water. [kg]
    foam_ratio : ndarray, shape (n,)
        Foam gas over its volume at 1 atm. [-]
    cylinder_pressure : ndarray, shape (n, C)
        Gauge, 0 where not carried. [bar]
    carried : ndarray of bool, shape (n, C)
        Cylinders still with the diver.
    """

    water_density: FloatArray
    ambient_pressure: FloatArray
    lead_factor: FloatArray
    foam_ratio: FloatArray
    cylinder_pressure: FloatArray
    carried: BoolArray


def _pressures(rigs: Rigs, state: State) -> tuple[FloatArray, BoolArray]:
    """Gauge pressures with 0 where a cylinder is not carried, and who carries what."""
    shape = rigs.present.shape
    carried = rigs.present
    if state.carried is not None:
        assumed = rigs.cylinder == rigs.kit.assumed("cylinder")
        carried = rigs.present & (np.asarray(state.carried, bool) | assumed)
    given = check_range("cylinder_pressure", state.cylinder_pressure, 0.0, 330.0, unit="bar")
    if given.shape not in ((), shape[:1], shape):
        raise OutOfRangeError(
            f"cylinder_pressure has shape {given.shape}; give one number, one a row {shape[:1]}, "
            f"or one a cylinder {shape}"
        )
    pressure = np.broadcast_to(given[:, None] if given.ndim == 1 else given, shape)
    missing = carried & np.isnan(pressure)
    if missing.any():
        row = int(np.flatnonzero(missing.any(axis=1))[0])
        raise OutOfRangeError(
            f"cylinder_pressure is unknown at row {row}; use the planned reserve where nothing is noted"
        )
    return np.where(carried, pressure, 0.0), carried


def setting(rigs: Rigs, state: State) -> Setting:
    """What a state makes of its surroundings.

    Parameters
    ----------
    rigs : Rigs
        Divers, kit and water.
    state : State
        The moment.

    Returns
    -------
    Setting
        One a row of `rigs`.

    Raises
    ------
    OutOfRangeError
        If a value is out of range, or the pressure of a carried cylinder unknown.
    """
    n = len(rigs)
    depth = np.broadcast_to(check_range("depth", state.depth, 0.0, 300.0, unit="m"), (n,))
    check_range("breath", state.breath, -8.0, 8.0, unit="L")
    for name, value, high in (
        ("bc_gas", state.bc_gas, 100.0),
        ("suit_gas", state.suit_gas, 100.0),
        ("head_out", state.head_out, 8.0),
    ):
        check_range(name, value, 0.0, high, unit="L")
    density = rigs.surface_density + rigs.density_slope * depth
    ambient = rigs.atmosphere + rigs.surface_density * (c.STANDARD_GRAVITY / 1e5) * depth
    pressure, carried = _pressures(rigs, state)
    stiffness = suit.STIFFNESS[0]
    return Setting(
        water_density=density / 1000,
        ambient_pressure=ambient,
        lead_factor=1 - density / (1000 * c.LEAD_DENSITY),
        foam_ratio=stiffness + (1 - stiffness) * c.ATMOSPHERE / ambient,
        cylinder_pressure=pressure,
        carried=carried,
    )
