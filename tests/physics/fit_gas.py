"""Refit the gas coefficients of `leadline.constants` from reference equations of state.

Run `python tests/physics/fit_gas.py`: it prints the two tuples that stand in `leadline.constants` and the
largest deviation from the data fitted to. Nothing is drawn at random, so the same library gives the same
digits; `tests/physics/test_gas.py` checks that it still does.

The data are compressibility factors from CoolProp's multi-fluid Helmholtz equations: pseudo-pure air
(Lemmon et al. 2000) and nitrogen, oxygen and helium mixtures (Kunz and Wagner 2012 mixing).
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

from leadline import constants as c
from leadline.physics import gas

PRESSURES = np.array([0.5, 1, 5, 10, 20, 35, 50, 75, 100, 125, 150, 175, 200, 225, 250, 275, 300, 320, 340])
TEMPERATURES = np.linspace(-2, 40, 8)
OXYGEN = (0.0, 0.1, 0.2, 0.3, 0.4, 0.6, 0.8, 1.0)
HELIUM = (0.0, 0.1, 0.2, 0.4, 0.6, 0.8)
DIGITS = 7


def compressibility(
    oxygen: float, helium: float, pressures: NDArray[np.float64], temperatures: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Reference Z, shape (temperatures, pressures); `oxygen` NaN means pseudo-pure air."""
    from CoolProp import CoolProp

    if np.isnan(oxygen):
        state = CoolProp.AbstractState("HEOS", "Air")
    else:
        parts = {"Nitrogen": 1 - oxygen - helium, "Oxygen": oxygen, "Helium": helium}
        parts = {name: share for name, share in parts.items() if share > 1e-9}
        state = CoolProp.AbstractState("HEOS", "&".join(parts))
        if len(parts) > 1:
            state.set_mole_fractions(list(parts.values()))
    state.specify_phase(CoolProp.iphase_supercritical_gas)  # far above every critical temperature
    out = np.empty((len(temperatures), len(pressures)))
    for i, temperature in enumerate(temperatures):
        for j, pressure in enumerate(pressures):
            state.update(CoolProp.PT_INPUTS, pressure * 1e5, temperature + c.ZERO_CELSIUS)
            out[i, j] = state.compressibility_factor()
    return out


def _solve(columns: list[NDArray[np.float64]], z: NDArray[np.float64]) -> tuple[list[float], float]:
    """Least squares on relative error; coefficients and the largest deviation."""
    matrix = np.stack([column.ravel() for column in columns], axis=1) / z.ravel()[:, None]
    target = (z.ravel() - 1) / z.ravel()
    solution = np.linalg.lstsq(matrix, target, rcond=None)[0]
    return [float(f"{value:.{DIGITS}g}") for value in solution], float(
        np.abs(matrix @ solution - target).max()
    )


def fit_air() -> tuple[list[float], float]:
    """Coefficients of pseudo-pure air and their largest relative deviation."""
    z = compressibility(np.nan, 0.0, PRESSURES, TEMPERATURES)
    t, p = np.meshgrid(TEMPERATURES, PRESSURES, indexing="ij")
    density = p / (z * c.GAS_CONSTANT * (t + c.ZERO_CELSIUS))
    return _solve([density**power * gas.warmth(t) ** k for power, k in gas.TERMS], z)


def fit_mixtures() -> tuple[list[float], float]:
    """Coefficients of oxygen, helium and nitrogen mixtures and their largest relative deviation."""
    mixes = np.array([(o, h) for o in OXYGEN for h in HELIUM if o + h <= 1 + 1e-9])
    z = np.stack([compressibility(o, h, PRESSURES, TEMPERATURES) for o, h in mixes])
    t, p = np.meshgrid(TEMPERATURES, PRESSURES, indexing="ij")
    density = p / (z * c.GAS_CONSTANT * (t + c.ZERO_CELSIUS))
    columns = []
    for power, k in gas.TERMS:
        for share in gas.composition(mixes[:, 0], mixes[:, 1], power + 1):
            columns.append(share[:, None, None] * density**power * gas.warmth(t) ** k)
    return _solve(columns, z)


def main() -> None:
    """Print both sets of coefficients."""
    for name, fit in (("AIR_VIRIAL", fit_air), ("MIXTURE_VIRIAL", fit_mixtures)):
        coefficients, worst = fit()
        sys.stdout.write(f"# largest deviation {worst:.2%}\n{name} = (\n")
        sys.stdout.write("".join(f"    {value!r},\n" for value in coefficients) + ")\n")


if __name__ == "__main__":
    main()
