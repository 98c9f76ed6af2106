"""Where rental kit is dived: water, cylinder, altitude and stop of each table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.decide.label import items
from leadline.errors import OutOfRangeError, RecordError
from leadline.frozen import dataclass
from leadline.physics.water import SALINITIES, salinities
from leadline.records import DIVES, STOP_DEPTH
from leadline.units import check_range

__all__ = ["Place", "places"]

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Place:
    """What one table of leads holds for.

    Parameters
    ----------
    water : str
        fresh, brackish, salt; empty: not named.
    cylinder : str
        Cell of the records; empty: a usual one.
    altitude_m : float
        Of the surface. [m]
    stop_depth_m : float
        Of the stop. [m]
    salinity_gkg : float
        NaN: as the word has it. [g/kg]
    """

    water: str
    cylinder: str
    altitude_m: float = 0.0
    stop_depth_m: float = STOP_DEPTH
    salinity_gkg: float = float("nan")


def places(
    dives: Columns,
    here: BoolArray,
    *,
    waters: Sequence[str] = (),
    cylinders: Sequence[str] = (),
    altitude: float | None = None,
    stop_depth: float | None = None,
    salinity: float | None = None,
) -> list[Place]:
    """Places of the tables of a desk.

    Parameters
    ----------
    dives : Columns
        Of the book.
    here : ndarray of bool, shape (n,)
        Dives on which its kit was handed out.
    waters, cylinders : sequence of str
        A place for each pair; none: the most common one of those dives.
    altitude, stop_depth : float, optional
        Of all places; default the median of the dives in that water, what was not noted at sea level and at
        the usual depth, and the stop no deeper than that: a shallower one asks for more lead. [m]

    salinity : float, optional
        Of all places; default the median of what was noted in that water. [g/kg]

    Returns
    -------
    list of Place
        Waters in turn, each with every cylinder.

    Raises
    ------
    OutOfRangeError
        If a word is none of the records' for water, or a height or depth is out of their range.
    RecordError
        If word and salinity contradict each other.
    """
    allowed = DIVES.column("water").words
    for water in waters:
        if water not in allowed:
            raise OutOfRangeError(f"water {water!r}: give one of {', '.join(allowed)}")
    _require("altitude_m", altitude)
    _require("stop_depth_m", stop_depth)
    _require("salinity_gkg", salinity)

    def usual(name: str) -> str:
        counted = Counter(c for c in dives[name][here].tolist() if len(items(c)) == 1)
        return str(counted.most_common(1)[0][0]) if counted else ""

    def middle(name: str, water: str, missing: float) -> float:
        noted = dives[name][here & (dives["water"] == water)]
        return float(np.median(np.where(np.isnan(noted), missing, noted))) if len(noted) else missing

    def measured(water: str) -> float:
        noted = dives["salinity_gkg"][here & (dives["water"] == water)]
        low, high = SALINITIES[water]
        noted = noted[(noted >= low) & (noted <= high)]
        return float(np.median(noted)) if len(noted) else float("nan")

    dived_in = list(dict.fromkeys(waters)) or [usual("water") or "salt"]
    for water in dived_in:
        _require_accord(water, salinity)
    return [
        Place(
            water,
            cylinder,
            middle("altitude_m", water, 0.0) if altitude is None else altitude,
            min(middle("stop_depth_m", water, STOP_DEPTH), STOP_DEPTH) if stop_depth is None else stop_depth,
            measured(water) if salinity is None else salinity,
        )
        for water in dived_in
        for cylinder in list(dict.fromkeys(cylinders)) or [usual("cylinder")]
    ]


def _require(name: str, value: float | None) -> None:
    column = DIVES.column(name)
    if value is not None and column.low is not None and column.high is not None:
        check_range(name, value, column.low, column.high, unit=column.unit)


def _require_accord(water: str, salinity: float | None) -> None:
    low, high = SALINITIES[water]
    if salinity is not None and not low <= salinity <= high:
        raise RecordError(
            f"salinity {salinity:g} contradicts water {water}, which has {salinities(water)} (g/kg: per "
            "mille, not per cent)"
        )
