"""Cells that are allowed and hardly true: said, not refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from leadline.book.sql import rows
from leadline.units import POUND

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = ["cylinder_notes"]

LIGHT, LIGHT_SHELL, HEAVY = 0.6, 0.35, 1.6
"""Shares of the usual mass between which cylinders lie, and the least where no metal is noted: composite
shells weigh less than half of steel, and 300 bar takes more of it than 232. Pounds under kilograms are 2.2 of
it, the other way round 0.45. (judged)"""

_NAMED: Final = 3
_METALS: Final = ("aluminium", "steel")
_EITHER: Final = (np.minimum, np.maximum)


def cylinder_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """One line for each of the first cylinders whose mass is far from what such cylinders weigh.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of the gear in the temporary table `sound`.
    source : Source
        The file.

    Returns
    -------
    list of str
        Names file, row, column and what is usual; the last line counts those that are left out.
    """
    found = rows(
        connection,
        'SELECT "row", material, mass_kg, water_capacity_l, rated_bar FROM sound'
        " WHERE kind = 'cylinder' AND mass_kg > 0 AND water_capacity_l > 0 ORDER BY \"row\"",
    )
    if not found:
        return []
    from leadline.physics.cylinder import usual_mass  # only where there is something to judge

    number, material, *given = zip(*found, strict=True)
    mass, litres, rated = (np.array(values, float) for values in given)  # what is empty becomes NaN
    size, rating = np.clip(litres, 0.0, 50.0), np.clip(rated, 50.0, 400.0)
    each = {metal: usual_mass(size, metal, rated_pressure=rating) for metal in _METALS}
    is_metal = [np.array([one == metal for one in material]) for metal in _METALS]
    # Where the metal is not noted, either may be meant.
    least, most = (np.select(is_metal, list(each.values()), pick(*each.values())) for pick in _EITHER)
    light = np.where(is_metal[0] | is_metal[1], LIGHT, LIGHT_SHELL)
    odd = np.flatnonzero((mass < light * least) | (mass > HEAVY * most)).tolist()
    unit, per = ("lb", POUND) if "mass_lb" in source.headers else ("kg", 1.0)
    said = [
        f"{source.name}: row {number[i]}: mass_{unit} {mass[i] / per:.4g}: a cylinder of {litres[i]:.3g} L "
        f"usually weighs about {(least[i] + most[i]) / 2 / per:.3g} {unit}; kept as it is: is the unit right?"
        for i in odd[:_NAMED]
    ]
    if len(odd) > _NAMED:
        said.append(f"{source.name}: {len(odd) - _NAMED} more cylinders of an unusual mass")
    return said
