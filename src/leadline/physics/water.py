"""Density of the water, what a word says of its salinity, and the pressure in it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline import constants as c
from leadline.frozen import dataclass
from leadline.units import check_range

__all__ = [
    "SALINITIES",
    "TEMPERATURES",
    "WATERS",
    "Guess",
    "Salinity",
    "ambient_pressure",
    "atmospheric_pressure",
    "density",
    "salinities",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Salinity:
    """What a word says of the salinity.

    Parameters
    ----------
    mean : float
        [g kg⁻¹]
    shared_sd : float
        Part of the doubt that is the same wherever the word is used. [g kg⁻¹]
    local_sd : float
        Part that differs from site to site and day to day. [g kg⁻¹]
    """

    mean: float
    shared_sd: float
    local_sd: float


@dataclass(frozen=True)
class Guess:
    """A mean and a standard deviation that stand in for a value nobody noted."""

    mean: float
    sd: float


WATERS: Final[dict[str, Salinity]] = {
    "fresh": Salinity(0.2, 0.1, 0.17),  # together 0.2
    "brackish": Salinity(8.0, 3.5, 3.6),  # together 5: fjords and the heads of bays differ that much
    "salt": Salinity(35.0, 0.8, 0.9),  # together 1.2: open shelf seas 33 to 37
    # No word at all: two dives in three in the sea, one in three in fresh water, gives 24 ± 16. None of it
    # is shared, because the next unlabelled dive may be in the other water.
    "": Salinity(24.0, 0.0, 16.0),
}
"""Salinity by the words of the records; common practice, no source."""

SALINITIES: Final = {"fresh": (0.0, 5.0), "brackish": (0.5, 30.0), "salt": (15.0, 42.0)}
"""What the words allow: wider than anybody uses them, and apart by more than a tenth, which is what per cent
under per mille makes. [g/kg] (judged)"""

TEMPERATURES: Final[dict[str, Guess]] = {
    "fresh": Guess(13.0, 6.0),
    "brackish": Guess(12.0, 6.0),
    "salt": Guess(18.0, 7.0),
    "": Guess(16.0, 7.0),
}
"""Water temperature [°C] where none was noted; common practice, no source."""


def salinities(word: str) -> str:
    """Range of `SALINITIES` in words, such as `at most 5`. [g/kg]."""
    low, high = SALINITIES[word]
    if low == 0:
        return f"at most {high:g}"
    return f"{low:g} or more" if word == "salt" else f"{low:g} to {high:g}"


@cache
def _toolbox() -> tuple[Callable[..., Any], Callable[..., Any]]:
    """Sea pressure from height, and density: the toolbox's compiled functions.

    What it puts around them is for masked arrays, which there are none of here, and which take longer to load
    than the toolbox.
    """
    try:
        from gsw._gsw_ufuncs import p_from_z, rho_t_exact
    except ImportError:  # a version that is put together otherwise
        from gsw import p_from_z, rho_t_exact
    return p_from_z, rho_t_exact


def density(salinity: ArrayLike, temperature: ArrayLike, *, depth: ArrayLike = 0.0) -> FloatArray:
    """Density of natural water.

    Parameters
    ----------
    salinity : float or array_like
        Absolute salinity. [g kg⁻¹] Valid 0 to 42.
    temperature : float or array_like, broadcastable
        In-situ temperature, ITS-90. [°C] Valid -2 to 40.
    depth : float or array_like, broadcastable
        Depth, positive down. [m] Valid 0 to 300.

    Returns
    -------
    ndarray, broadcast shape
        Density. [kg m⁻³] NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Notes
    -----
    Sea pressure is taken at latitude 45°; the difference to the equator is below 0.001 kg m⁻³ at 30 m.

    References
    ----------
    IOC, SCOR and IAPSO, "The international thermodynamic equation of seawater - 2010: Calculation and use
    of thermodynamic properties", Manuals and Guides 56, UNESCO (2010); T. J. McDougall and P. M. Barker,
    "Getting started with TEOS-10 and the Gibbs Seawater (GSW) Oceanographic Toolbox" (2011).

    Examples
    --------
    >>> density([0, 35], 20).round(3)
    array([ 998.207, 1024.641])
    """
    pressure, rho = _toolbox()
    s = check_range("salinity", salinity, 0.0, 42.0, unit="g/kg")
    t = check_range("temperature", temperature, -2.0, 40.0, unit="°C")
    z = check_range("depth", depth, 0.0, 300.0, unit="m")
    return np.asarray(rho(s, t, pressure(-z, 45.0, 0.0, 0.0)), float)


def atmospheric_pressure(altitude: ArrayLike = 0.0) -> FloatArray:
    """Pressure of the standard atmosphere at the water's surface.

    Parameters
    ----------
    altitude : float or array_like
        Altitude of the surface. [m] Valid -430 to 5000.

    Returns
    -------
    ndarray, shape of `altitude`
        Pressure. [bar absolute] NaN where the input is NaN.

    Raises
    ------
    OutOfRangeError
        If the altitude lies outside the range above.

    References
    ----------
    ISO 2533:1975, "Standard Atmosphere".

    Examples
    --------
    >>> atmospheric_pressure([0, 2000]).round(4)
    array([1.0132, 0.795 ])
    """
    height = check_range("altitude", altitude, -430.0, 5000.0, unit="m")
    exponent = c.STANDARD_GRAVITY / (c.ISO_GAS_CONSTANT * c.ISO_LAPSE_RATE)
    return np.asarray(c.ATMOSPHERE * (1 - c.ISO_LAPSE_RATE * height / c.ISO_TEMPERATURE) ** exponent)


def ambient_pressure(
    depth: ArrayLike, *, water_density: ArrayLike = 1025.0, altitude: ArrayLike = 0.0
) -> FloatArray:
    """Absolute pressure at a depth.

    Parameters
    ----------
    depth : float or array_like
        Depth, positive down. [m] Valid 0 to 300.
    water_density : float or array_like, broadcastable
        Density of the water above. [kg m⁻³] Valid 950 to 1100.
    altitude : float or array_like, broadcastable
        Altitude of the surface. [m] Valid -430 to 5000.

    Returns
    -------
    ndarray, broadcast shape
        Pressure. [bar absolute] NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Examples
    --------
    >>> ambient_pressure([0, 5, 30], water_density=1025).round(3)
    array([1.013, 1.516, 4.029])
    """
    z = check_range("depth", depth, 0.0, 300.0, unit="m")
    rho = check_range("water_density", water_density, 950.0, 1100.0, unit="kg/m³")
    return np.asarray(atmospheric_pressure(altitude) + rho * c.STANDARD_GRAVITY * z / 1e5)
