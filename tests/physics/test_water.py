"""Water: limits, monotone facts, missing values, ranges."""

from __future__ import annotations

import gsw
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from leadline.errors import OutOfRangeError
from leadline.physics import water


def test_sensitivity_at_sea():
    """Kind: independent: expansion and contraction coefficients of the 75-term expression, not the exact one.

    `gsw.rho_alpha_beta(35, gsw.CT_from_t(35, 20, 0), 0)`, F. Roquet et al., Ocean Modelling 90 (2015),
    doi:10.1016/j.ocemod.2015.04.002.
    """
    rho, alpha, beta = gsw.rho_alpha_beta(35, gsw.CT_from_t(35, 20, 0), 0)
    warm, cold = water.density(35, [20.5, 19.5])
    salty, sweet = water.density([35.5, 34.5], 20)
    assert warm - cold == pytest.approx(-rho * alpha, rel=0.01)
    assert salty - sweet == pytest.approx(
        rho * beta, rel=0.015
    )  # beta holds conservative, not in-situ temperature


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 41), st.floats(-2, 40), st.floats(0, 290))
def test_denser_with_salt_and_depth(salinity, temperature, depth):
    here = water.density(salinity, temperature, depth=depth)
    assert water.density(salinity + 0.5, temperature, depth=depth) > here
    assert water.density(salinity, temperature, depth=depth + 5) > here


def test_pressure_falls_with_altitude_and_grows_with_depth():
    heights = np.linspace(-400, 5000, 30)
    assert np.all(np.diff(water.atmospheric_pressure(heights)) < 0)
    depths = np.linspace(0, 100, 30)
    assert np.all(np.diff(water.ambient_pressure(depths, altitude=1500)) > 0)
    assert_allclose(water.ambient_pressure(0.0), water.atmospheric_pressure(0.0))


def test_words_widen_in_the_right_order():
    spread = {word: np.hypot(row.shared_sd, row.local_sd) for word, row in water.WATERS.items()}
    assert_allclose([spread["fresh"], spread["brackish"], spread["salt"]], [0.2, 5.0, 1.2], atol=0.05)
    assert spread[""] > spread["brackish"]
    assert water.WATERS[""].mean - 2 * spread[""] < 0.2 < 35 < water.WATERS[""].mean + 2 * spread[""]


def test_missing_in_missing_out():
    assert np.isnan(water.density([np.nan, 35], 20)).tolist() == [True, False]
    assert np.isnan(water.density(35, [np.nan, 20])).tolist() == [True, False]
    assert np.isnan(water.atmospheric_pressure([np.nan, 0])).tolist() == [True, False]
    assert np.isnan(water.ambient_pressure([np.nan, 5])).tolist() == [True, False]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: water.density([35, 50], 5), r"salinity must lie in \[0, 42\] g/kg, got 50 at position 1"),
        (lambda: water.density(35, -3), r"temperature must lie in \[-2, 40\] °C, got -3"),
        (lambda: water.density(35, 5, depth=-5), r"depth must lie in \[0, 300\] m, got -5"),
        (lambda: water.atmospheric_pressure(8848), r"altitude must lie in \[-430, 5000\] m, got 8848"),
        (
            lambda: water.ambient_pressure(5, water_density=1.025),
            r"water_density must lie in .* kg/m³, got 1.025",
        ),
    ],
)
def test_range_errors_name_the_value(call, message):
    with pytest.raises(OutOfRangeError, match=message):
        call()
