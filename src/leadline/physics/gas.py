"""Breathing gas as a real gas: air, nitrox and helium mixtures at the pressures of a cylinder.

The pressure of a gas of molar density rho is rho R T (1 + B rho + C rho² + D rho³). Statistical mechanics
makes B quadratic, C cubic and D quartic in the mole fractions, so one set of fitted numbers serves every
mixture. The density follows from the pressure by Newton's rule.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline import constants as c
from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass
from leadline.units import CUBIC_FOOT, check_range

__all__ = ["Virial", "density", "mass", "virial", "water_capacity_from_gas_capacity"]

FloatArray = NDArray[np.float64]

TERMS: Final = ((1, 0), (1, 1), (1, 2), (2, 0), (2, 1), (3, 0))
"""Powers of molar density and of `warmth` in Z - 1, in the order of the coefficients."""

_NEWTON_STEPS: Final = 4  # quadratic convergence: far below the error of the fit at 331 bar


def warmth(temperature: FloatArray) -> FloatArray:
    """Temperature [°C] as the fit sees it: centred and scaled to order one [-]."""
    return (temperature - 15.0) / 20.0


def composition(oxygen: FloatArray, helium: FloatArray, degree: int) -> FloatArray:
    """All monomials of the two mole fractions up to `degree`, shape (terms, *shape) [-]."""
    return np.stack([oxygen ** (s - k) * helium**k for s in range(degree + 1) for k in range(s + 1)])


@dataclass(frozen=True)
class Virial:
    """What the density of a gas depends on besides its pressure.

    Parameters
    ----------
    thermal : ndarray
        Gas constant times absolute temperature. [bar L mol⁻¹]
    molar_mass : ndarray
        Of the mixture. [g mol⁻¹]
    second, third, fourth : ndarray
        Virial coefficients. [L mol⁻¹, L² mol⁻², L³ mol⁻³]
    """

    thermal: FloatArray
    molar_mass: FloatArray
    second: FloatArray
    third: FloatArray
    fourth: FloatArray

    def density(self, absolute_pressure: ArrayLike) -> FloatArray:
        """Density at an absolute pressure.

        Parameters
        ----------
        absolute_pressure : float or array_like, broadcastable
            Pressure. [bar absolute] 0 to 335; not checked here.

        Returns
        -------
        ndarray, broadcast shape
            Density. [kg m⁻³] NaN where an input is NaN.
        """
        ideal = np.asarray(absolute_pressure, float) / self.thermal
        b, c_, d = self.second, self.third, self.fourth
        molar = ideal
        for _ in range(_NEWTON_STEPS):
            excess = molar * (1 + molar * (b + molar * (c_ + molar * d))) - ideal
            slope = 1 + molar * (2 * b + molar * (3 * c_ + molar * 4 * d))
            molar = molar - excess / slope
        return np.asarray(molar * self.molar_mass)

    def take(self, rows: NDArray[np.int64] | NDArray[np.bool_] | slice) -> Virial:
        """The gases at `rows`."""
        return Virial(
            self.thermal[rows], self.molar_mass[rows], self.second[rows], self.third[rows], self.fourth[rows]
        )


def _mixture_polynomials(oxygen: FloatArray, helium: FloatArray) -> FloatArray:
    """Coefficients of `TERMS` for each mixture, shape (6, mixtures); air has its own."""
    shares = {degree: composition(oxygen, helium, degree) for degree in (2, 3, 4)}
    rows = []
    start = 0
    for power, _ in TERMS:
        share = shares[power + 1]
        rows.append(np.asarray(c.MIXTURE_VIRIAL[start : start + len(share)]) @ share)
        start += len(share)
    polynomials = np.stack(rows)
    polynomials[:, _is_air(oxygen, helium)] = np.asarray(c.AIR_VIRIAL)[:, None]
    return polynomials


def _is_air(oxygen: FloatArray, helium: FloatArray) -> NDArray[np.bool_]:
    return np.asarray((np.abs(oxygen - c.AIR_OXYGEN) < 1e-4) & (helium == 0))


def virial(temperature: ArrayLike, *, oxygen: ArrayLike = c.AIR_OXYGEN, helium: ArrayLike = 0.0) -> Virial:
    """What the density of a gas depends on besides its pressure.

    Parameters
    ----------
    temperature : float or array_like
        Gas temperature. [°C] Valid -2 to 40.
    oxygen, helium : float or array_like, broadcastable
        Mole fractions, helium up to 0.8; the rest is nitrogen. Oxygen of 0.2095 without helium is air,
        argon included. [-]

    Returns
    -------
    Virial
        Arrays of the broadcast shape.

    Raises
    ------
    OutOfRangeError
        If the temperature or a fraction is out of range, or the fractions exceed one.
    """
    t, o, h = np.broadcast_arrays(
        check_range("temperature", temperature, -2.0, 40.0, unit="°C"),
        check_range("oxygen", oxygen, 0.0, 1.0, unit="(mole fraction)"),
        check_range("helium", helium, 0.0, 0.8, unit="(mole fraction)"),
    )
    if np.any(o + h > 1 + 1e-9):
        raise OutOfRangeError(
            f"oxygen and helium must not exceed 1 together, got {np.nanmax(o + h):g}; give mole fractions"
        )
    # A book holds few mixtures: fit terms are formed once for each, then looked up.
    mixes, which = np.unique(o.ravel() + 1j * h.ravel(), return_inverse=True)
    mix_oxygen, mix_helium = mixes.real, mixes.imag
    polynomials = _mixture_polynomials(mix_oxygen, mix_helium)
    molar_mass = (
        mix_oxygen * c.OXYGEN_MOLAR_MASS
        + mix_helium * c.HELIUM_MOLAR_MASS
        + (1 - mix_oxygen - mix_helium) * c.NITROGEN_MOLAR_MASS
    )
    molar_mass = np.where(_is_air(mix_oxygen, mix_helium), c.AIR_MOLAR_MASS, molar_mass)
    which = which.reshape(t.shape)
    a = polynomials[:, which]
    u = warmth(t)
    return Virial(
        thermal=c.GAS_CONSTANT * (t + c.ZERO_CELSIUS),
        molar_mass=molar_mass[which],
        second=a[0] + u * (a[1] + u * a[2]),
        third=a[3] + u * a[4],
        fourth=a[5],
    )


def density(
    absolute_pressure: ArrayLike,
    temperature: ArrayLike,
    *,
    oxygen: ArrayLike = c.AIR_OXYGEN,
    helium: ArrayLike = 0.0,
) -> FloatArray:
    """Density of a breathing gas.

    Parameters
    ----------
    absolute_pressure : float or array_like
        Pressure. [bar absolute] Valid 0 to 335.
    temperature : float or array_like, broadcastable
        Temperature. [°C] Valid -2 to 40.
    oxygen, helium : float or array_like, broadcastable
        Mole fractions; the rest is nitrogen. Oxygen of 0.2095 without helium is air, argon included. [-]

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
    Within 0.15 % of the reference equations from 0.5 to 335 bar, for air, any nitrox up to pure oxygen and
    helium up to 80 %. Mixtures are taken free of argon: a nitrox blended from air and oxygen is up to 0.4 %
    denser (12 g in 3 kg).

    References
    ----------
    E. W. Lemmon, R. T Jacobsen, S. G. Penoncello, D. G. Friend, "Thermodynamic properties of air and
    mixtures of nitrogen, argon, and oxygen from 60 to 2000 K at pressures to 2000 MPa", J. Phys. Chem. Ref.
    Data 29(3) (2000) 331-385, doi:10.1063/1.1285884, for air; O. Kunz, W. Wagner, "The GERG-2008 wide-range
    equation of state for natural gases and other mixtures", J. Chem. Eng. Data 57 (2012) 3032-3091,
    doi:10.1021/je300655b, for the mixing.

    Examples
    --------
    >>> density([1, 100, 300], 20).round(1)
    array([  1.2, 120.3, 322.8])
    """
    pressure = check_range("absolute_pressure", absolute_pressure, 0.0, 335.0, unit="bar")
    return virial(temperature, oxygen=oxygen, helium=helium).density(pressure)


def mass(
    cylinder_pressure: ArrayLike,
    water_capacity: ArrayLike,
    *,
    temperature: ArrayLike = 15.0,
    oxygen: ArrayLike = c.AIR_OXYGEN,
    helium: ArrayLike = 0.0,
) -> FloatArray:
    """Mass of the gas in a cylinder.

    Parameters
    ----------
    cylinder_pressure : float or array_like
        Gauge pressure. [bar] Valid 0 to 330.
    water_capacity : float or array_like, broadcastable
        Internal volume. [L] Valid 0 to 50.
    temperature : float or array_like, broadcastable
        Gas temperature. [°C] Valid -2 to 40.
    oxygen, helium : float or array_like, broadcastable
        Mole fractions; the rest is nitrogen. [-]

    Returns
    -------
    ndarray, broadcast shape
        Mass. [kg] NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Examples
    --------
    >>> used = mass(207, 11.1, temperature=20) - mass(35, 11.1, temperature=20)
    >>> round(float(used), 2)
    2.18
    """
    gauge = check_range("cylinder_pressure", cylinder_pressure, 0.0, 330.0, unit="bar")
    litres = check_range("water_capacity", water_capacity, 0.0, 50.0, unit="L")
    filled = density(gauge + c.ATMOSPHERE, temperature, oxygen=oxygen, helium=helium)
    return np.asarray(filled * litres / 1000)


def water_capacity_from_gas_capacity(gas_capacity: ArrayLike, rated_pressure: ArrayLike) -> FloatArray:
    """Internal volume of a cylinder known by the free air it holds at its rated pressure.

    Parameters
    ----------
    gas_capacity : float or array_like
        Free air at 1 atm and 20 °C. [ft³] Valid 0 to 700.
    rated_pressure : float or array_like, broadcastable
        Gauge pressure at which it holds that much. [bar] Valid 50 to 330.

    Returns
    -------
    ndarray, broadcast shape
        Water capacity. [L] NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Notes
    -----
    The free air is taken to be a measured content, so the compressibility of air enters. A rounded trade
    name may overstate the content by a few per cent, and the water capacity with it; the stamped water
    capacity is always the better number.

    Examples
    --------
    >>> float(water_capacity_from_gas_capacity(78.0, 207).round(1))
    11.1
    """
    free = check_range("gas_capacity", gas_capacity, 0.0, 700.0, unit="ft³") * CUBIC_FOOT
    rated = check_range("rated_pressure", rated_pressure, 50.0, 330.0, unit="bar")
    return np.asarray(free * density(c.ATMOSPHERE, 20.0) / density(rated + c.ATMOSPHERE, 20.0))
