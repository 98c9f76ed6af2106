"""Rows whose cells are each allowed and together make no sense: set aside with a reason, or noted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from leadline.book import Book

Write = Callable[[str, str], Path]


def reasons(path: Path, table: str, row: dict[str, str]) -> list[str]:
    with Book.open(path) as book:
        return [fault.reason for fault in book.judge(table, [row])]


BANK = {"item": "bank", "kind": "cylinder", "material": "steel", "rated_bar": "200"}


# Kind: arithmetic. 36 L of steel for 300 bar by the usual mass: 36 x 1.165 x 1.293^1.35 + 2.9 = 62.2 kg.
@pytest.mark.parametrize(("litres", "bar"), [("50", "200"), ("40.5", "232"), ("36", "300")])
def test_cylinder_beyond_all_usual_ones_is_asked_for_its_mass(path: Path, litres: str, bar: str) -> None:
    row = BANK | {"water_capacity_l": litres, "rated_bar": bar}
    assert reasons(path, "gear", row) == [
        f"mass_kg is empty; a cylinder of {litres} L for {bar} bar is beyond all usual ones: give its mass, "
        "empty, with valve"
    ]
    assert reasons(path, "gear", row | {"mass_kg": "58"}) == []
    assert reasons(path, "gear", row | {"buoyancy_kg": "-12"}) == []
    assert reasons(path, "gear", row | {"water_capacity_l": "24"}) == []


def test_its_mass_is_asked_for_in_the_units_of_the_file(path: Path, write: Write) -> None:
    file = write("gear.csv", "item,kind,mass_lb,water_capacity_l\nbank,cylinder,,50\n")
    with Book.open(path, write=True) as book:
        (fault,) = book.load(gear=file).faults
    assert fault.reason.startswith("mass_lb is empty; a cylinder of 50 L is beyond")
