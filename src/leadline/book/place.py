"""What a plan leaves out of place and cylinders, taken over from its diver's latest dive in that suit.

Kit and water have to stand in a plan, and a band allows for those that do not. Altitude, a stop above the
usual depth, the salt of a sea, the gas in a cylinder and one left behind before the stop have no such band:
left out, they would be sea level, 5 m, 35 g/kg, air and carried, and others some kilograms too light.
"""

# Statements are made from constants; all values are bound as parameters.
# ruff: noqa: S608

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from leadline.arrays import Columns, Records, empty
from leadline.book import fetch
from leadline.book.sql import identifier, rows
from leadline.latest import Source, of_cylinders, shallow_stop, source_of
from leadline.records import CHECKS, DIVES, STOP_DEPTH, Table
from leadline.units import FOOT

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["completed"]

_NAMED: Final = 3
_UNUSUAL: Final = (
    "coalesce(altitude_m, 0) <> 0 OR salinity_gkg IS NOT NULL OR stop_depth_m < ? OR contains(gas, '/')"
    " OR contains(end_bar, '-') OR contains(stop_bar, '-')"
)
_MINE: Final = "list_contains(CAST(? AS VARCHAR[]), diver)"
_KEY: Final = ("dive", "check", "diver", "date", "site", "water", "suit", "cylinder")
_READ: Final = (*_KEY, "altitude_m", "salinity_gkg", "stop_depth_m", "gas", "end_bar", "stop_bar")
_UNUSUAL_CHECK: Final = "coalesce(altitude_m, 0) <> 0 OR salinity_gkg IS NOT NULL OR contains(gas, '/')"


def completed(connection: DuckDBPyConnection, plan: Columns, path: Path) -> tuple[Columns, list[str]]:
    """The plan with altitude, stop, salinity, gas and cylinders left behind as on each diver's latest dive.

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
        Only empty cells are filled: altitude in the same kind of water, salinity there and not at another
        site, gas and what was left behind with the same cylinders, a stop no deeper than the greatest depth.
    notes : list of str
        What was taken over, by row.
    """
    known = _records(connection, _unusual(connection, sorted(set(plan["diver"].tolist()))))
    if not known:
        return plan, []
    made = {name: values.copy() for name, values in plan.items()}
    numbers = [number for (number,) in rows(connection, 'SELECT "row" FROM stage ORDER BY "row"')]
    told = []
    for row, number in enumerate(numbers):
        suit, records = plan["suit"][row] or None, known.get(plan["diver"][row])
        source = source_of(records, plan["diver"][row], suit) if records else None
        found = {} if source is None or records is None else _missing(records, source, plan, row, suit)
        for name, cell in found.items():
            made[name][row] = cell
        if source is not None and found:
            on = f"{source.word} {source.key}" + (f" of {source.day}" if source.day else "")
            told.append(f"row {number}: {_said(found)}, as on {on}, since not named")
    more = f" (and {len(told) - _NAMED} more rows)" if len(told) > _NAMED else ""
    return made, [f"{path}: {'; '.join(told[:_NAMED])}{more}"] if told else []


def _unusual(connection: DuckDBPyConnection, divers: list[str]) -> list[str]:
    """Those of them who have dived or checked where something is to be taken over."""
    found = rows(
        connection,
        f"SELECT diver FROM dives WHERE {_MINE} AND ({_UNUSUAL}) UNION"
        f" SELECT diver FROM checks WHERE {_MINE} AND ({_UNUSUAL_CHECK})",
        [divers, STOP_DEPTH, divers],
    )
    return [diver for (diver,) in found]


def _records(connection: DuckDBPyConnection, divers: list[str]) -> dict[str, Records]:
    """Dives and checks of each, as far as they matter here."""
    if not divers:
        return {}
    dives, checks = (_of_each(connection, table, divers) for table in (DIVES, CHECKS))
    none = {table.name: empty(table.name) for table in (DIVES, CHECKS)}
    people, gear = empty("divers"), empty("gear")
    return {
        diver: Records(people, gear, dives.get(diver, none["dives"]), checks.get(diver, none["checks"]))
        for diver in divers
    }


def _of_each(connection: DuckDBPyConnection, table: Table, divers: list[str]) -> dict[str, Columns]:
    """Rows of one table by diver, in file order."""
    columns = [column for column in table.columns if column.name in _READ]
    found = fetch.filled(
        connection, columns, f"FROM {identifier(table.name)} WHERE {_MINE} ORDER BY seq", [divers]
    )
    own: dict[str, list[int]] = {}
    for row, diver in enumerate(found["diver"].tolist()):
        own.setdefault(diver, []).append(row)
    return {diver: {name: values[at] for name, values in found.items()} for diver, at in own.items()}


def _missing(
    records: Records, source: Source, plan: Columns, row: int, suit: str | None
) -> dict[str, float | str]:
    """What to fill in."""
    found: dict[str, float | str] = {}
    height, water = float(source.table["altitude_m"][source.row]), plan["water"][row]
    same = water in ("", source.table["water"][source.row])
    if np.isnan(plan["altitude_m"][row]) and same and height and not np.isnan(height):
        found["altitude_m"] = height
    salt, site = float(source.table["salinity_gkg"][source.row]), plan["site"][row]
    there = site in ("", source.table["site"][source.row])
    if np.isnan(plan["salinity_gkg"][row]) and water and same and there and not np.isnan(salt):
        found["salinity_gkg"] = salt
    stop, deepest = shallow_stop(records, source, plan["diver"][row], suit), plan["max_depth_m"][row]
    if stop and np.isnan(plan["stop_depth_m"][row]) and not float(stop) > deepest:
        found["stop_depth_m"] = float(stop)
    cylinders = of_cylinders(records, source, plan["diver"][row], suit, plan["cylinder"][row])
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
    if "salinity_gkg" in found:
        texts.append(f"{found['salinity_gkg']:g} g/kg of salt")
    if "gas" in found:
        texts.append(f"gas {found['gas']}")
    if "stop_bar" in found:
        texts.append("a cylinder left behind before the stop")
    return ", ".join(texts)
