"""Unit factors against an independent unit library."""

from __future__ import annotations

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from leadline import constants as c
from leadline import units
from leadline.errors import OutOfRangeError

PINT = {
    "lb": ("pound", "kilogram"),
    "psi": ("psi", "bar"),
    "ft": ("foot", "meter"),
    "in": ("inch", "centimeter"),
    "in_mm": ("inch", "millimeter"),
    "cuft": ("foot**3", "liter"),
}


@pytest.mark.parametrize("unit", PINT)
def test_factor_against_pint(unit):
    """Kind: independent, pint's registry; it holds the factors of NIST SP 811."""
    theirs, ours = PINT[unit]
    expected = pint.UnitRegistry().Quantity(1.0, theirs).to(ours).magnitude
    assert_allclose(units.from_imperial(1.0, unit), expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("value", "unit", "expected", "tolerance"),
    [
        (1, "lb", 0.45359237, 0),
        (1, "ft", 0.3048, 0),
        (1, "in", 2.54, 1e-15),
        (1, "cuft", 28.316846592, 1e-12),
        (1, "psi", 0.06894757293168, 1e-12),
        (212, "degF", 100, 1e-12),
        (-40, "degF", -40, 1e-12),
    ],
)
def test_published_factors(value, unit, expected, tolerance):
    """Kind: published, NIST Special Publication 811 (2008), appendix B; °F = 9/5 °C + 32 by definition."""
    assert_allclose(units.from_imperial(value, unit), expected, rtol=0, atol=tolerance)


@given(st.sampled_from(sorted(units.IMPERIAL)), st.floats(-1e4, 1e4))
def test_there_and_back(unit, value):
    assert_allclose(units.to_imperial(units.from_imperial(value, unit), unit), value, rtol=1e-12, atol=1e-9)


def test_missing_in_missing_out():
    assert np.isnan(units.from_imperial([np.nan, 1.0], "lb")).tolist() == [True, False]
    assert np.isnan(units.check_range("depth", [np.nan, 1.0], 0, 2, unit="m")).tolist() == [True, False]


def test_range_check_names_value_place_and_unit():
    with pytest.raises(OutOfRangeError, match=r"depth must lie in \[0, 60\] m, got 70 at position 1"):
        units.check_range("depth", [5, 70], 0, 60, unit="m")
    with pytest.raises(OutOfRangeError, match=r"depth must lie in \[0, 60\] m, got -1$"):
        units.check_range("depth", -1, 0, 60, unit="m")


def test_constants_are_the_exact_ones():
    """Kind: published: standard gravity and atmosphere are exact by definition (NIST SP 811)."""
    assert units.STANDARD_GRAVITY == c.STANDARD_GRAVITY == 9.80665
    registry = pint.UnitRegistry()
    assert_allclose(registry.Quantity(1, "atm").to("bar").magnitude, c.ATMOSPHERE, rtol=1e-12)
    molar = registry.Quantity(1, "molar_gas_constant").to("bar * liter / mol / kelvin").magnitude
    assert_allclose(molar, c.GAS_CONSTANT, rtol=1e-9)
