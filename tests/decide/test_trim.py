"""Where lead sits: totals, moments by hand, words nobody knows."""

from __future__ import annotations

import pytest

from leadline.decide.trim import ARMS, trim
from leadline.errors import OutOfRangeError


def test_moment_is_the_sum_of_levers() -> None:
    """By hand: 4 kg at -0.15 m, 2 at -0.10, 2 at 0.15, 1 at 0.20."""
    found = trim("belt:4;pockets:2;back:2;band:1")
    assert found.totals == {"belt": 4, "pockets": 2, "back": 2, "band": 1}
    assert found.moment == pytest.approx(-0.6 - 0.2 + 0.3 + 0.2)
    assert found.pulls == "level"


@pytest.mark.parametrize(
    ("places", "pulls"), [("ankles:1;belt:4", "feet"), ("shoulders:2", "head"), ("", "level")]
)
def test_what_goes_down(places, pulls) -> None:
    assert trim(places).pulls == pulls


def test_lead_moved_towards_the_head_never_pulls_the_feet_down_more() -> None:
    ordered = sorted(ARMS, key=ARMS.__getitem__)
    moments = [trim(f"belt:4;{place}:2").moment for place in ordered]
    assert moments == sorted(moments)


def test_places_are_summed_and_unknown_ones_named() -> None:
    found = trim("Belt:2; belt:1;pocket:2;somewhere:1.5")
    assert found.totals == {"belt": 3, "pocket": 2, "somewhere": 1.5}
    assert found.unplaced == 1.5
    assert found.moment == pytest.approx(3 * ARMS["belt"] + 2 * ARMS["pockets"])


def test_what_is_no_place_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="give a place and a mass"):
        trim("belt")
