"""Cylinders so large that no usual mass stands for them: they are asked for."""

# Statements are made from constants and headers of the file.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from leadline.book.sql import rows
from leadline.book.written import Written

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["find_unweighed"]


def find_unweighed(connection: DuckDBPyConnection, source: Source) -> None:
    """Add to the temporary table `faults` cylinders without a mass that are beyond all usual ones.

    A bank of 50 L is no diver's cylinder twice as large: what would be reckoned for it, and for all who
    share a book with it, rests on nothing.

    Parameters
    ----------
    connection : duckdb connection
        An open book with the gear in the tables `stage` and `faults`.
    source : Source
        The file.
    """
    found = rows(
        connection,
        f'SELECT "row", {Written(source).asked("mass_kg")}, material, water_capacity_l, rated_bar FROM stage'
        " WHERE kind = 'cylinder' AND mass_kg IS NULL AND buoyancy_kg IS NULL AND water_capacity_l > 10"
        ' AND "row" NOT IN (SELECT "row" FROM faults) ORDER BY "row"',
    )
    if not found:
        return
    from leadline.physics.cylinder import HEAVIEST, LARGEST, usual_mass  # only where there is one to judge

    number, header, material, *given = zip(*found, strict=True)
    litres, rated = (np.array(values, float) for values in given)  # what is empty becomes NaN
    each = {metal: usual_mass(litres, metal, rated_pressure=rated) for metal in ("aluminium", "steel")}
    mass = np.select([[m == metal for m in material] for metal in each], list(each.values()), each["steel"])
    for i in np.flatnonzero((litres > LARGEST) | (mass > HEAVIEST)).tolist():
        size = f"{litres[i]:.3g} L" + ("" if np.isnan(rated[i]) else f" for {rated[i]:.0f} bar")
        reason = f"is empty; a cylinder of {size} is beyond all usual ones: give its mass, empty, with valve"
        connection.execute("INSERT INTO faults VALUES (?, ?, '', ?, '', '')", [number[i], header[i], reason])
