"""Pressures of a look: those of all cylinders that are on, as the command line and `load` ask for them."""

from __future__ import annotations

import re

import pytest

from leadline.decide.check_look import Look, require_pressures
from leadline.errors import OutOfRangeError


@pytest.mark.parametrize("bar", ["200;-", "-;200", "-;-"])
def test_a_cylinder_that_was_left_behind_is_refused_and_not_read_as_unknown(bar: str) -> None:
    with pytest.raises(OutOfRangeError, match=f"bar '{re.escape(bar)}': give the pressure of every cylinder"):
        Look(7.0, bar, "eye")
    for known in ("200;190", "200;", "", "-"):  # what `load` takes: a gauge that nobody read
        assert Look(7.0, known, "eye").bar == known


@pytest.mark.parametrize(
    ("bar", "cylinder", "start", "named"),
    [
        ("200;200;200", "steel 12;alu 6", "200;200", "has 3 values for 2 cylinders"),
        ("200;200", "steel 12", "200", "has 2 values for 1 cylinder;"),
        ("200;200", "", "200;200;200", "has 2 values for 3 cylinders"),
    ],
)
def test_a_pressure_too_many_is_refused_and_not_dropped(bar, cylinder, start, named) -> None:
    with pytest.raises(OutOfRangeError, match=f"bar '{bar}': {named}"):
        require_pressures([Look(7.0, "200", "eye"), Look(7.0, bar, "eye")], cylinder, start)
    require_pressures([Look(7.0, "200", "eye"), Look(7.0, start, "eye")], cylinder, start)
