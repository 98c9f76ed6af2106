"""Cylinders: the water they displace, from mass, metal and capacity."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline import constants as c
from leadline.physics.piece import Measured, Pieces
from leadline.units import check_range

__all__ = ["HEAVIEST", "LARGEST", "external_volume", "pieces", "usual_mass", "valve_mass"]

FloatArray = NDArray[np.float64]

_VALVE: Final = 0.85  # kg of brass, from memory
_TWIN_FROM: Final = 17.5  # L: above that it is two bottles with two valves and bands
_TWIN_FITTINGS: Final = 2.9  # kg: two valves, a bridge, bands

# Bare mass per litre, generic sizes, from memory: aluminium 207 bar 1.30, steel 232 bar 1.165 kg/L, and
# steel grows with the rating faster than in proportion (300 bar: 1.65 kg/L).
_METAL: Final = {
    "aluminium": (c.ALUMINIUM_DENSITY, 1.30, 207.0, 1.0),
    "steel": (c.STEEL_DENSITY, 1.165, 232.0, 1.35),
}
HEAVIEST: Final = 60.0
"""A cylinder or twin set that is dived with weighs no more. [kg] (judged)"""
LARGEST: Final = 40.0
"""Two bottles of 20 L; what is larger is no usual cylinder. [L] (judged)"""
_USUAL_CAPACITY: Final = {"aluminium": 11.1, "steel": 12.0, "": 11.6}  # L

# Net buoyancy, kg for 12 L, in proportion to size: common practice, no source.
_UNWEIGHED_SD, _WEIGHED_SD = 0.32, 0.16
_UNWEIGHED_SHARED_SD, _WEIGHED_SHARED_SD = 0.24, 0.10
_UNKNOWN_CAPACITY_SD: Final = 0.35
_UNKNOWN_METAL_SD: Final = 1.2  # half the difference between the metals, at the usual size


def valve_mass(water_capacity: ArrayLike) -> FloatArray:
    """Mass of brass on a cylinder or twin set.

    Parameters
    ----------
    water_capacity : float or array_like
        [L] Valid 0 to 50.

    Returns
    -------
    ndarray, shape of `water_capacity`
        [kg] NaN where the input is NaN.

    Raises
    ------
    OutOfRangeError
        If the capacity lies outside the range above.
    """
    litres = check_range("water_capacity", water_capacity, 0.0, 50.0, unit="L")
    brass = np.where(litres > _TWIN_FROM, _TWIN_FITTINGS, np.where(litres < 2.0, 0.4, _VALVE))
    return np.asarray(np.where(np.isnan(litres), np.nan, brass))


def usual_mass(water_capacity: ArrayLike, material: str, *, rated_pressure: ArrayLike = np.nan) -> FloatArray:
    """Mass, with valve and empty of gas, of a usual cylinder of that size.

    Parameters
    ----------
    water_capacity : float or array_like
        [L] Valid 0 to 50.
    material : str
        aluminium or steel.
    rated_pressure : float or array_like, broadcastable
        Working pressure; NaN: 207 for aluminium, 232 for steel. [bar] Valid 50 to 400.

    Returns
    -------
    ndarray, broadcast shape
        [kg] NaN where the capacity is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Examples
    --------
    >>> usual_mass([10, 12, 15], "steel").round(1)
    array([12.5, 14.8, 18.3])
    """
    litres = check_range("water_capacity", water_capacity, 0.0, 50.0, unit="L")
    rated = check_range("rated_pressure", rated_pressure, 50.0, 400.0, unit="bar")
    _, per_litre, usual_rating, power = _METAL[material]
    ratio = np.where(np.isnan(rated), 1.0, rated / usual_rating)
    return np.asarray(litres * per_litre * np.clip(ratio, 0.8, 1.5) ** power + valve_mass(litres))


def external_volume(mass: ArrayLike, water_capacity: ArrayLike, *, metal_density: ArrayLike) -> FloatArray:
    """Volume of water that a cylinder displaces, its valve included.

    Parameters
    ----------
    mass : float or array_like
        With valve, empty of gas. [kg] Valid 0 to 60.
    water_capacity : float or array_like, broadcastable
        [L] Valid 0 to 50.
    metal_density : float or array_like, broadcastable
        Of the shell. [kg L⁻¹] Valid 1 to 12.

    Returns
    -------
    ndarray, broadcast shape
        [L] NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Examples
    --------
    >>> float(external_volume(14.85, 12, metal_density=7.85).round(2))
    13.88
    """
    kilograms = check_range("mass", mass, 0.0, HEAVIEST, unit="kg")
    litres = check_range("water_capacity", water_capacity, 0.0, 50.0, unit="L")
    metal = check_range("metal_density", metal_density, 1.0, 12.0, unit="kg/L")
    brass = np.minimum(valve_mass(litres), 0.5 * kilograms)
    return np.asarray(litres + (kilograms - brass) / metal + brass / c.BRASS_DENSITY)


def _capacity_from_mass(mass: FloatArray, material: NDArray[np.object_]) -> FloatArray:
    """Water capacity [L] that goes with a mass [kg]; the usual size where the mass is unknown too."""
    usual = np.array([_USUAL_CAPACITY.get(word, _USUAL_CAPACITY[""]) for word in material], float)
    per_litre = np.array([_METAL[word][1] if word in _METAL else 1.23 for word in material], float)
    from_mass = np.clip((mass - _VALVE) / per_litre, 1.0, 26.0)
    return np.where(np.isnan(mass), usual, from_mass)


def pieces(
    material: NDArray[np.object_],
    water_capacity: FloatArray,
    mass: FloatArray,
    rated_pressure: FloatArray,
    measured: Measured,
) -> Pieces:
    """Cylinders as pieces, empty of gas.

    Parameters
    ----------
    material : ndarray of str, shape (g,)
        aluminium, steel; anything else: between, with a wide sd.
    water_capacity, mass, rated_pressure : ndarray, shape (g,)
        NaN where unknown: the usual for the rest. [L, kg with valve, bar]
    measured : Measured
        Weighings under water, empty of gas; they replace what is reckoned.

    Returns
    -------
    Pieces
        In the given order.
    """
    no_size = np.isnan(water_capacity)
    litres = np.where(no_size, _capacity_from_mass(mass, material), water_capacity)
    weighed, known = ~np.isnan(mass), measured.known
    masses, volumes = [], []
    for name in ("aluminium", "steel"):
        # The metal it is not may make it heavier than there are; the book asks for the mass of what it is.
        usual = np.minimum(usual_mass(litres, name, rated_pressure=rated_pressure), HEAVIEST)
        kilograms = np.where(weighed, mass, usual)
        masses.append(kilograms)
        volumes.append(external_volume(kilograms, litres, metal_density=_METAL[name][0]))
    metals = [material == "aluminium", material == "steel"]
    kilograms = np.select(metals, masses, (masses[0] + masses[1]) / 2)
    external = np.select(metals, volumes, (volumes[0] + volumes[1]) / 2)
    believed, displaced = measured.volume(kilograms)
    size = litres / 12.0
    own = np.where(weighed, _WEIGHED_SD, _UNWEIGHED_SD) * size
    no_metal = ~(metals[0] | metals[1])
    own = np.sqrt(own**2 + (no_metal * _UNKNOWN_METAL_SD * size) ** 2 + (no_size * _UNKNOWN_CAPACITY_SD) ** 2)
    return Pieces.of(
        len(litres),
        mass=np.where(known, believed, kilograms),
        solid=np.where(known, displaced, external),
        capacity=litres,
        sd=np.where(known, measured.sd, own),
        shared_sd=np.where(known, 0.0, np.where(weighed, _WEIGHED_SHARED_SD, _UNWEIGHED_SHARED_SD) * size),
        measured=known,
    )
