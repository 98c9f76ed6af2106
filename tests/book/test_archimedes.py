"""Measured buoyancies that no such thing can have, by Archimedes' principle."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.book import Book

CYLINDER = {"kind": "cylinder", "mass_kg": 14.5, "water_capacity_l": 12}


def reasons(folder: Path, **cells: object) -> list[str]:
    with Book.open(folder / "b.duckdb", write=True, create=True) as book:
        return [fault.reason for fault in book.judge("gear", [{"item": "x", **cells}])]


# By hand, fresh water 0.998 kg/L: displaced (mass + buoyancy) / 0.998. Steel 7.85, lead 11.34, aluminium
# 2.70, brass 8.45 kg/L (handbooks, from memory). Kind: independent.
@pytest.mark.parametrize(
    ("cells", "said"),
    [
        # -13 for -1.3: 1.5 L, but 12 L and 14.5 / 8.45 = 1.7 L of metal
        (CYLINDER | {"buoyancy_kg": -13}, "displace 1.5 L, but its 12 L and its metal alone displace 13.7 L"),
        # 9 for -0.9: 23.5 L, but 12.6 L and 14.5 / 5 = 2.9 L, or 10.4 L of something lighter than any metal
        (CYLINDER | {"buoyancy_kg": 9, "material": "steel"}, "12 L inside it takes up 15.5 L at most"),
        (CYLINDER | {"buoyancy_kg": 9}, "it would displace 23.5 L"),
        # Weighed with 200 bar of air in it, 2.9 kg: 13.86 - 14.85 - 2.9 = -3.9
        (CYLINDER | {"mass_kg": 14.85, "buoyancy_kg": -3.9, "material": "steel"}, "weighed with gas"),
        # 3 kg of lead displace 0.265 L and weigh 2.74 kg under water
        (
            {"kind": "plate", "mass_kg": 3, "buoyancy_kg": -3.5},
            "less than nothing, so it would be denser than lead",
        ),
        ({"kind": "other", "mass_kg": 2.6, "buoyancy_kg": -2.8}, "of which so much displaces 0.2 L"),
        ({"kind": "plate", "mass_kg": 3, "buoyancy_kg": 2.6}, "so much of a plate takes up 3.3 L at most"),
        ({"kind": "fins", "mass_kg": 2, "buoyancy_kg": 19}, "so much of a fins takes up 6.7 L at most"),
        # No capacity noted: metal alone cannot be denser than lead either
        ({"kind": "cylinder", "mass_kg": 14.5, "buoyancy_kg": -14.5}, "denser than lead"),
    ],
)
def test_what_cannot_be_is_set_aside(tmp_path: Path, cells, said) -> None:
    (reason,) = reasons(tmp_path, **cells)
    assert reason.startswith("buoyancy_kg ")
    assert said in reason


# The cylinder in the kilograms and pounds of the row; kind: arithmetic. 32 lb are 14.51 kg, -28.7 lb are
# -13.02 kg: (14.51 - 13.02) / 0.998 = 1.5 L, metal 14.51 / 8.45 = 1.7 L.
@pytest.mark.parametrize(
    ("cells", "begin", "mass"),
    [
        ({"mass_lb": "32", "buoyancy_lb": "-28.7"}, "buoyancy_lb -28.7: ", "32 lb"),
        ({"mass_lb": "32", "mass_kg": "", "buoyancy_kg": "-13"}, "buoyancy_kg -13: ", "32 lb"),
        ({"mass_kg": "14.5", "buoyancy_kg": "", "buoyancy_lb": "-28.7"}, "buoyancy_lb -28.7: ", "14.5 kg"),
        ({"mass_kg": "14.5", "buoyancy_kg": "-13", "buoyancy_lb": ""}, "buoyancy_kg -13: ", "14.5 kg"),
    ],
)
def test_it_is_said_in_the_units_of_the_row(tmp_path: Path, cells, begin, mass) -> None:
    (reason,) = reasons(tmp_path, kind="cylinder", water_capacity_l=12, **cells)
    assert reason.startswith(f"{begin}with its mass of {mass} it would displace 1.5 L")


@pytest.mark.parametrize(
    "cells",
    [
        # Steel, 14.85 kg: 12 + 14 / 7.85 + 0.85 / 8.45 = 13.88 L, so 13.86 - 14.85 = -0.99; in salt -0.62
        CYLINDER | {"mass_kg": 14.85, "buoyancy_kg": -0.99, "material": "steel"},
        CYLINDER | {"mass_kg": 14.85, "buoyancy_kg": -0.62, "material": "steel", "buoyancy_in": "salt"},
        CYLINDER | {"mass_kg": 14.85, "buoyancy_kg": -1.3},
        # Aluminium, 11.1 L noted as 11, 15.3 kg: 11.1 + 14.45 / 2.7 + 0.1 = 16.55 L, so +1.2 kg
        {"kind": "cylinder", "mass_kg": 15.3, "water_capacity_l": 11, "buoyancy_kg": 1.2},
        # Steel plate: 3 (1 - 0.998 / 7.85) = 2.62 kg; lead: 2.74 kg, and 0.15 kg by which a scale errs
        {"kind": "plate", "mass_kg": 3, "buoyancy_kg": -2.62},
        {"kind": "other", "mass_kg": 3, "buoyancy_kg": -2.85},
        {"kind": "other", "mass_kg": 2.6, "buoyancy_kg": -2.8, "buoyancy_sd_kg": 0.5},
        # Foam of 0.2 kg/L: 3 kg displace 15 L and float with 12 kg
        {"kind": "suit", "style": "full", "mass_kg": 3, "buoyancy_kg": 12},
        {"kind": "other", "mass_kg": 0.5, "buoyancy_kg": 8},  # a float
        # Without a mass nothing can be said
        {"kind": "cylinder", "water_capacity_l": 12, "buoyancy_kg": -13},
        {"kind": "plate", "buoyancy_kg": -3.5},
    ],
)
def test_what_can_be_is_kept(tmp_path: Path, cells) -> None:
    assert reasons(tmp_path, **cells) == []
