"""What a plan leaves out of place and cylinders, taken over from its diver's latest dive in that suit.

Kit and water have to stand in a plan, and a band allows for those that do not. Altitude, a stop above the
usual depth, the gas in a cylinder and a cylinder left behind before the stop have no such band: left out,
they would be sea level, 5 m, air and carried, and the lead for others some kilograms too little.
"""

# Statements are made from constants; all values are bound as parameters.
# ruff: noqa: S608

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from leadline.arrays import Columns, Records
from leadline.book.portion import portion
from leadline.book.sql import rows
from leadline.latest import Source, of_cylinders, shallow_stop, source_of
from leadline.records import STOP_DEPTH
from leadline.units import FOOT

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["completed"]

_NAMED: Final = 3
_UNUSUAL: Final = (
    "coalesce(altitude_m, 0) <> 0 OR stop_depth_m < ? OR contains(gas, '/') OR contains(end_bar, '-')"
    " OR contains(stop_bar, '-')"
)
_UNUSUAL_CHECK: Final = "coalesce(altitude_m, 0) <> 0 OR contains(gas, '/')"


def completed(connection: DuckDBPyConnection, plan: Columns, path: Path) -> tuple[Columns, list[str]]:
    """The plan with altitude, stop, gas and cylinders left behind as on each diver's latest dive.

    Parameters
    ----------
    connection : DuckDBPyConnection
        The book; the plan lies in `stage`.
    plan : Columns
        As it was read, in the order of the file.
    path : Path
        The file, for the notes.

    Returns
    -------
    plan : Columns
        Only empty cells are filled: altitude in the same kind of water, gas and what was left behind with
        the same cylinders, a stop no deeper than the greatest depth.
    notes : list of str
        What was taken over, by row.
    """
    divers = sorted(set(plan["diver"].tolist()))
    if not _unusual(connection, divers):
        return plan, []
    records = portion(connection, divers, ()).records
    made = {name: values.copy() for name, values in plan.items()}
    numbers = [number for (number,) in rows(connection, 'SELECT "row" FROM stage ORDER BY "row"')]
    told = []
    for row, number in enumerate(numbers):
        suit = plan["suit"][row] or None
        source = source_of(records, plan["diver"][row], suit)
        found = {} if source is None else _missing(records, source, plan, row, suit)
        for name, cell in found.items():
            made[name][row] = cell
        if source is not None and found:
            on = f"{source.word} {source.key}" + (f" of {source.day}" if source.day else "")
            told.append(f"row {number}: {_said(found)}, as on {on}, since not named")
    more = f" (and {len(told) - _NAMED} more rows)" if len(told) > _NAMED else ""
    return made, [f"{path}: {'; '.join(told[:_NAMED])}{more}"] if told else []


def _unusual(connection: DuckDBPyConnection, divers: list[str]) -> bool:
    """Whether any of them has dived or checked where something is to be taken over."""
    mine = "list_contains(CAST(? AS VARCHAR[]), diver)"
    found = rows(
        connection,
        f"SELECT 1 FROM dives WHERE {mine} AND ({_UNUSUAL}) UNION ALL"
        f" SELECT 1 FROM checks WHERE {mine} AND ({_UNUSUAL_CHECK}) LIMIT 1",
        [divers, STOP_DEPTH, divers],
    )
    return bool(found)


def _missing(
    records: Records, source: Source, plan: Columns, row: int, suit: str | None
) -> dict[str, float | str]:
    """What to fill in."""
    found: dict[str, float | str] = {}
    height, water = float(source.table["altitude_m"][source.row]), plan["water"][row]
    same = water in ("", source.table["water"][source.row])
    if np.isnan(plan["altitude_m"][row]) and same and height and not np.isnan(height):
        found["altitude_m"] = height
    stop, deepest = shallow_stop(records, source, plan["diver"][row], suit), plan["max_depth_m"][row]
    if stop and np.isnan(plan["stop_depth_m"][row]) and not float(stop) > deepest:
        found["stop_depth_m"] = float(stop)
    cylinders = of_cylinders(source, plan["cylinder"][row])
    if "/" in cylinders["gas"] and not plan["gas"][row]:
        found["gas"] = cylinders["gas"]
    if cylinders["stop_bar"] and not plan["stop_bar"][row] and not plan["end_bar"][row]:
        found["stop_bar"] = cylinders["stop_bar"]
    return found


def _said(found: dict[str, float | str]) -> str:
    """What was taken over, in words."""
    texts = []
    for name, word in (("altitude_m", "altitude"), ("stop_depth_m", "stop at")):
        if name in found:
            metres = float(found[name])
            texts.append(f"{word} {metres:g} m ({metres / FOOT:.0f} ft)")
    if "gas" in found:
        texts.append(f"gas {found['gas']}")
    if "stop_bar" in found:
        texts.append("a cylinder left behind before the stop")
    return ", ".join(texts)
