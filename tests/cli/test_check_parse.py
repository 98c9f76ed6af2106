"""Numbers typed at the water's edge."""

from __future__ import annotations

import pytest

from leadline.cli.check_parse import looks_of, number_of
from leadline.errors import OutOfRangeError


# Kind: by hand.
@pytest.mark.parametrize(
    ("name", "text", "units", "message"),
    [
        ("bar", "3,000", "imperial", "bar 3,000: may mean .*; write 3000, or 3 if that is meant"),
        ("bar", "3.000", "imperial", "write 3000, or 3 if that is meant"),
        ("bar", "2,950", "imperial", r"write 2950, or 2\.95 if that is meant"),
        ("bar", "5000", "imperial", r"bar 5000: must lie in \[0, 4786\] psi"),  # 330 bar x 14.5038 psi
        ("lead_kg", "200", "imperial", r"lead_kg 200: must lie in \[0, 132\.3\] lb"),  # 60 kg / 0.45359 kg
        ("lead_kg", "70", "metric", r"lead_kg 70: must lie in \[0, 60\] kg"),
    ],
)
def test_number_that_is_refused(name, text, units, message) -> None:
    with pytest.raises(OutOfRangeError, match=message):
        number_of(name, text, units)


def test_comma_before_decimals_is_read() -> None:
    assert number_of("lead_kg", "5,125", "metric") == 5.125
    assert number_of("bar", "200,000", "metric") == 200.0


def test_look_with_a_thousands_mark_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="write 3000, or 3 if"):
        looks_of(["12:3,000:chin:no"], "imperial")
