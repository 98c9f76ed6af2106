"""Conversions at the edge: imperial to house units and back, and the range check that names the unit.

Inside the package every quantity is in the house unit of its name: kg, L, m, mm, bar (gauge unless
called absolute), °C, g/kg.

References
----------
A. Thompson and B. N. Taylor, "Guide for the Use of the International System of Units (SI)", NIST
Special Publication 811 (2008), appendix B: the factors below are exact but for psi, which follows
from the exact pound, inch and standard gravity.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.errors import OutOfRangeError

__all__ = ["IMPERIAL", "about_text", "check_range", "from_imperial", "mass_text", "to_imperial"]

POUND: Final = 0.45359237  # kg, exact
FOOT: Final = 0.3048  # m, exact
INCH: Final = 0.0254  # m, exact
STANDARD_GRAVITY: Final = 9.80665  # m s⁻², exact
PSI: Final = POUND * STANDARD_GRAVITY / INCH**2 / 1e5  # bar
CUBIC_FOOT: Final = FOOT**3 * 1e3  # L, exact

# imperial unit -> (house unit, factor, offset): house = (imperial - offset) * factor
IMPERIAL: Final[dict[str, tuple[str, float, float]]] = {
    "lb": ("kg", POUND, 0.0),
    "psi": ("bar", PSI, 0.0),
    "ft": ("m", FOOT, 0.0),
    "in": ("cm", INCH * 100, 0.0),
    "in_mm": ("mm", INCH * 1000, 0.0),
    "degF": ("°C", 5 / 9, 32.0),
    "cuft": ("L", CUBIC_FOOT, 0.0),
}


def from_imperial(value: ArrayLike, unit: str) -> NDArray[np.float64]:
    """House-unit value of an imperial quantity.

    Parameters
    ----------
    value : float or array_like
        Quantity in `unit`.
    unit : str
        A key of `IMPERIAL`: lb, psi, ft, in (to cm), in_mm (to mm), degF, cuft.

    Returns
    -------
    ndarray, shape of `value`
        Quantity in the house unit. NaN stays NaN.

    Examples
    --------
    >>> round(float(from_imperial(3000, "psi")), 3)
    206.843
    """
    _, factor, offset = IMPERIAL[unit]
    return np.asarray((np.asarray(value, float) - offset) * factor)


def to_imperial(value: ArrayLike, unit: str) -> NDArray[np.float64]:
    """Imperial value of a house-unit quantity; the inverse of `from_imperial`.

    Parameters
    ----------
    value : float or array_like
        Quantity in the house unit that belongs to `unit`.
    unit : str
        A key of `IMPERIAL`.

    Returns
    -------
    ndarray, shape of `value`
        Quantity in `unit`. NaN stays NaN.
    """
    _, factor, offset = IMPERIAL[unit]
    return np.asarray(np.asarray(value, float) / factor + offset)


def check_range(name: str, value: ArrayLike, low: float, high: float, *, unit: str) -> NDArray[np.float64]:
    """Return `value` as a float array, refusing what lies outside [low, high]; NaN passes.

    Parameters
    ----------
    name : str
        Name of the quantity, for the message.
    value : float or array_like
        Quantity. [`unit`]
    low, high : float
        Inclusive range. [`unit`]
    unit : str
        Unit for the message.

    Returns
    -------
    ndarray, shape of `value`
        The same numbers as float64.

    Raises
    ------
    OutOfRangeError
        Naming the first offending value, its position in an array, the unit and the range.

    Examples
    --------
    >>> check_range("depth", [5, 70], 0, 60, unit="m")
    Traceback (most recent call last):
    ...
    leadline.errors.OutOfRangeError: depth must lie in [0, 60] m, got 70 at position 1
    """
    array = np.asarray(value, float)
    bad = (array < low) | (array > high)
    if np.any(bad):
        where = int(np.flatnonzero(bad.ravel())[0])
        place = f" at position {where}" if array.ndim else ""
        raise OutOfRangeError(
            f"{name} must lie in [{low:g}, {high:g}] {unit}, got {array.ravel()[where]:g}{place}"
        )
    return array


def mass_text(mass: float, *, imperial: bool = False) -> str:
    """Mass in the reader's unit, such as `6.5 kg` or `14 lb`.

    Examples
    --------
    >>> mass_text(6.5), mass_text(6.35029, imperial=True)
    ('6.5 kg', '14 lb')
    """
    # What rounds to nothing has no sign.
    return f"{round(mass / POUND, 1) + 0.0:g} lb" if imperial else f"{round(mass, 2) + 0.0:g} kg"


def about_text(mass: float, imperial: bool) -> str:
    """Mass to a tenth, in the reader's unit; rounded once, so that it is the number of the tables.

    Examples
    --------
    >>> about_text(6.4239, False), about_text(6.4239, True)
    ('6.4 kg', '14.2 lb')
    """
    return mass_text(mass if imperial else round(mass, 1), imperial=imperial)
