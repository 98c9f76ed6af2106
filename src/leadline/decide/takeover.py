"""The kit that nobody named, taken over from the diver's latest dive or a later surface check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from leadline.arrays import Records
from leadline.errors import RecordError
from leadline.frozen import dataclass
from leadline.latest import NOTHING, Source, names, of_cylinders, shallow_stop, source_of
from leadline.records import DIVES, Column
from leadline.units import FOOT

__all__ = ["NOTHING", "OPTIONAL", "Taken", "taken_over"]

_OF_WATER: Final = ("altitude_m", "salinity_gkg")
OPTIONAL: Final = ("suit", "undersuit", "bc", "cylinder", "gas", "other", "water", *_OF_WATER)
"""Columns that are taken over where nobody names them."""

_DRY: Final = ("dry_membrane", "dry_foam")


@dataclass(frozen=True)
class Taken:
    """A plan row with the kit that nobody named taken over from an earlier dive or surface check.

    Parameters
    ----------
    cells : dict of str to str
        Column to cell of a plan file.
    source : str
        Key of the dive or check it was taken from; empty where there is none.
    date : str
        Its day, ISO 8601; empty where unknown.
    taken : dict of str to str
        What was taken over, column to cell.
    suit : str
        Its suit, as the records have it; empty where there is none.
    word : str
        dive or check; empty where there is none.
    """

    cells: dict[str, str]
    source: str
    date: str
    taken: dict[str, str]
    suit: str
    word: str


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value
    return "" if np.isnan(value) else f"{float(value):g}"


def _given(column: Column, given: Mapping[str, str]) -> bool:
    """Whether a column is named, in either unit."""
    return column.name in given or (column.twin is not None and column.twin.name in given)


def _deepest(given: Mapping[str, str]) -> float:
    """The greatest depth that was named; infinite where none was, or what it says is no number. [m]."""
    for name, metres in (("max_depth_m", 1.0), ("max_depth_ft", FOOT)):
        try:
            return float(given[name]) * metres
        except (KeyError, ValueError):
            continue
    return float("inf")


def taken_over(records: Records, given: Mapping[str, str]) -> Taken:
    """Cells of one planned dive, completed from the diver's latest dive in that suit, else the latest.

    A surface check after it does as well, if its suit and cylinder were noted.

    Parameters
    ----------
    records : Records
        Of the diver, with all gear.
    given : mapping of str to str
        What was named, column to cell; `-` says none.

    Returns
    -------
    Taken
        Altitude and salinity go with the water, salinity not to another site; gas with each cylinder, what
        was left behind with all of them, an undersuit with the suit. A stop above the usual depth is taken
        over too.

    Raises
    ------
    RecordError
        If no suit is named and there is no dive to take one from.
    """
    suit = given.get("suit")
    source = source_of(records, given["diver"], suit)
    if source is None and suit is None:
        raise RecordError(
            f"no dive of {given['diver']} in the book to take a suit from; give --suit (or --suit - for none)"
        )
    taken = {} if source is None else _kit(records, source, given)
    cells = {
        name: "" if name in OPTIONAL and cell.strip() == NOTHING else cell.strip()
        for name, cell in given.items()
    }
    if source is None:
        return Taken({**taken, **cells}, "", "", taken, "", "")
    return Taken(
        {**taken, **cells},
        source.key,
        source.day,
        taken,
        str(source.table["suit"][source.row]),
        source.word,
    )


def _kit(records: Records, source: Source, given: Mapping[str, str]) -> dict[str, str]:
    """What of that dive or check nobody named otherwise."""
    suit = given.get("suit")
    previous = {name: _text(source.table[name][source.row]) for name in OPTIONAL}
    diver = given["diver"]
    previous |= of_cylinders(records, source, diver, suit, previous["cylinder"])
    previous["stop_depth_m"] = shallow_stop(records, source, diver, suit)
    skip = {column.name for column in DIVES.columns if _given(column, given)}
    # The same word again is the same water; another one is as high and as salt as is usual.
    if "water" in skip and given.get("water", "").strip().casefold() != previous["water"]:
        skip |= set(_OF_WATER)
    if given.get("site", "") not in ("", source.table["site"][source.row] if "site" in source.table else ""):
        skip.add("salinity_gkg")
    if "cylinder" in skip:
        previous |= of_cylinders(records, source, diver, suit, given.get("cylinder", ""))
    if "end_bar" in skip:
        skip.add("stop_bar")
    if previous["stop_depth_m"] and float(previous["stop_depth_m"]) > _deepest(given):
        skip.add("stop_depth_m")
    if suit is not None and names(suit) != names(previous["suit"]) and not _dry(records, suit):
        skip.add("undersuit")
    return {name: cell for name, cell in previous.items() if cell and name not in skip}


def _dry(records: Records, suit: str) -> bool:
    gear, worn = records.gear, names(suit)
    return any(
        style in _DRY and item.casefold() in worn
        for item, style in zip(gear["item"].tolist(), gear["style"].tolist(), strict=True)
    )
