"""Real-gas density against reference equations of state, and its limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from leadline import constants as c
from leadline.errors import OutOfRangeError
from leadline.physics import gas

from . import fit_gas

AIR = float("nan")
MIXES = [
    ("air", AIR, 0.0),
    ("nitrogen", 0.0, 0.0),
    ("nitrox 21", 0.21, 0.0),
    ("nitrox 28", 0.28, 0.0),
    ("nitrox 32", 0.32, 0.0),
    ("nitrox 36", 0.36, 0.0),
    ("nitrox 40", 0.40, 0.0),
    ("nitrox 50", 0.50, 0.0),
    ("nitrox 80", 0.80, 0.0),
    ("oxygen", 1.0, 0.0),
    ("21/35", 0.21, 0.35),
    ("18/45", 0.18, 0.45),
    ("15/55", 0.15, 0.55),
    ("10/70", 0.10, 0.70),
    ("12/65", 0.12, 0.65),
    ("30/30", 0.30, 0.30),
]


@pytest.mark.parametrize(("name", "oxygen", "helium"), MIXES)
def test_density_against_reference_equations(name, oxygen, helium):
    """Kind: independent. CoolProp's HEOS back end: `AbstractState("HEOS", "Nitrogen&Oxygen&Helium")`.

    For air `AbstractState("HEOS", "Air")` (Lemmon et al. 2000). Most mixes are not among those fitted to.
    """
    pressures = np.array([0.6, 1.0, 3, 8, 15, 30, 36, 51, 80, 110, 160, 201, 233, 260, 290, 301, 315, 331])
    temperatures = np.array([0.0, 4.0, 11.0, 17.0, 24.0, 30.0, 35.0])
    z = fit_gas.compressibility(oxygen, helium, pressures, temperatures)
    share = c.AIR_OXYGEN if np.isnan(oxygen) else oxygen
    molar_mass = (
        c.AIR_MOLAR_MASS
        if np.isnan(oxygen)
        else oxygen * c.OXYGEN_MOLAR_MASS
        + helium * c.HELIUM_MOLAR_MASS
        + (1 - oxygen - helium) * c.NITROGEN_MOLAR_MASS
    )
    t = temperatures[:, None]
    expected = pressures * molar_mass / (z * c.GAS_CONSTANT * (t + c.ZERO_CELSIUS))
    assert_allclose(gas.density(pressures, t, oxygen=share, helium=helium), expected, rtol=0.002)


@pytest.mark.parametrize(
    ("fit", "shipped"), [(fit_gas.fit_air, c.AIR_VIRIAL), (fit_gas.fit_mixtures, c.MIXTURE_VIRIAL)]
)
def test_shipped_coefficients_come_from_the_script(fit, shipped):
    coefficients, worst = fit()
    assert worst < 0.002
    # Least squares on another processor may differ in the last digits, the densities must not.
    assert_allclose(coefficients, shipped, rtol=1e-4, atol=1e-9)


def test_low_pressure_is_the_ideal_gas():
    ideal = 0.01 * c.AIR_MOLAR_MASS / (c.GAS_CONSTANT * (15 + c.ZERO_CELSIUS))
    assert_allclose(gas.density(0.01, 15.0), ideal, rtol=1e-5)
    assert gas.density(0.0, 15.0) == 0.0


def test_newton_has_converged():
    pressure = np.array([1.0, 100.0, 335.0])
    for oxygen, helium in ((c.AIR_OXYGEN, 0.0), (1.0, 0.0), (0.1, 0.7)):
        v = gas.virial(np.full(3, -2.0), oxygen=oxygen, helium=helium)
        molar = v.density(pressure) / v.molar_mass
        back = v.thermal * molar * (1 + molar * (v.second + molar * (v.third + molar * v.fourth)))
        assert_allclose(back, pressure, rtol=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    pressure=st.floats(1, 330),
    step=st.floats(0.1, 5),
    temperature=st.floats(-2, 38),
    oxygen=st.floats(0, 1),
    helium=st.floats(0, 0.8),
)
def test_denser_with_pressure_and_cold(pressure, step, temperature, oxygen, helium):
    oxygen = min(oxygen, 1 - helium)
    here = gas.density(pressure, temperature, oxygen=oxygen, helium=helium)
    assert gas.density(min(pressure + step, 335), temperature, oxygen=oxygen, helium=helium) > here
    assert gas.density(pressure, temperature + 2, oxygen=oxygen, helium=helium) < here


def test_ideal_gas_overstates_what_is_used():
    """Kind: independent (CoolProp, Lemmon et al. 2000): 6.7 % for 12 L from 232 to 50 bar, 20 °C."""
    used = gas.mass(232, 12, temperature=20) - gas.mass(50, 12, temperature=20)
    per_bar = 12 * c.AIR_MOLAR_MASS / (c.GAS_CONSTANT * (20 + c.ZERO_CELSIUS)) / 1000
    assert 182 * per_bar / used - 1 == pytest.approx(0.067, abs=0.003)


def test_shapes_broadcast_and_rows_keep_their_gas():
    oxygen = np.array([[0.2095, 0.32], [0.18, 1.0]])
    helium = np.array([[0.0, 0.0], [0.45, 0.0]])
    pressure = np.array([[200.0, 50.0], [150.0, 10.0]])
    together = gas.density(pressure, 12.0, oxygen=oxygen, helium=helium)
    alone = [
        [float(gas.density(pressure[i, j], 12.0, oxygen=oxygen[i, j], helium=helium[i, j])) for j in (0, 1)]
        for i in (0, 1)
    ]
    assert_allclose(together, alone, rtol=1e-12)


def test_missing_in_missing_out():
    assert np.isnan(gas.density([np.nan, 10], 15.0)).tolist() == [True, False]
    assert np.isnan(gas.density(10, [np.nan, 15.0])).tolist() == [True, False]
    assert np.isnan(gas.density(10, 15.0, oxygen=[np.nan, 0.32])).tolist() == [True, False]
    assert np.isnan(gas.mass(100, [np.nan, 12.0])).tolist() == [True, False]
    assert np.isnan(gas.water_capacity_from_gas_capacity([np.nan, 80], 207)).tolist() == [True, False]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: gas.density(336, 15), r"absolute_pressure must lie in \[0, 335\] bar, got 336"),
        (lambda: gas.density(-1, 15), r"absolute_pressure must lie in .*got -1"),
        (lambda: gas.density(10, 41), r"temperature must lie in \[-2, 40\] °C, got 41"),
        (lambda: gas.density(10, 15, oxygen=32), r"oxygen must lie in \[0, 1\] .*got 32"),
        (lambda: gas.density(10, 15, helium=0.9), r"helium must lie in \[0, 0.8\] .*got 0.9"),
        (lambda: gas.density(10, 15, oxygen=0.5, helium=0.6), r"must not exceed 1 together, got 1.1"),
        (lambda: gas.mass(3000, 12), r"cylinder_pressure must lie in \[0, 330\] bar, got 3000"),
        (lambda: gas.mass(200, 80), r"water_capacity must lie in \[0, 50\] L, got 80"),
        (
            lambda: gas.water_capacity_from_gas_capacity(80, 3000),
            r"rated_pressure must lie in \[50, 330\] bar, got 3000",
        ),
    ],
)
def test_range_errors_name_the_value(call, message):
    with pytest.raises(OutOfRangeError, match=message):
        call()
