"""Kit and people that no record knows, from a few words: a borrowed cylinder, a guest's body."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np

from leadline.arrays import Columns, Records, empty
from leadline.errors import UnknownNameError

__all__ = ["STRANGER", "described", "extended", "nothing", "piece"]

STRANGER: Final = "a diver without records"
"""Name of a diver who was not named."""

# kind of gear -> styles that may be named, and the column that a number after the word fills
_STYLES: Final = {
    "suit": (("full", "shorty", "two_piece", "vest", "dry_membrane", "dry_foam"), "thickness_mm"),
    "undersuit": (("thin", "medium", "thick"), ""),
    "bc": (("jacket", "wing"), ""),
}
_METALS: Final = ("aluminium", "steel")
_OTHER: Final = {
    "hood": "thickness_mm",
    "gloves": "thickness_mm",
    "boots": "thickness_mm",
    "fins": "mass_kg",
    "regulator": "mass_kg",
    "plate": "mass_kg",
}
_EXAMPLE: Final = {
    "suit": "full 5 (style and mm)",
    "undersuit": "thin, medium or thick",
    "bc": "jacket or wing",
    "cylinder": "steel 12 (metal and litres of water)",
    "other": "hood 5 or plate 2.5 (kind, and mm or kg)",
}


def _number(word: str) -> float | None:
    try:
        return float(word)
    except ValueError:
        return None


def piece(text: str, column: str) -> dict[str, Any] | None:
    """Row of the gear table for a few words.

    Parameters
    ----------
    text : str
        Such as `full 5`, `dry_membrane`, `thick`, `wing`, `steel 12`, `aluminium 11.1`, `hood 5`.
    column : str
        Where it stands: suit, undersuit, bc, cylinder or other.

    Returns
    -------
    dict or None
        The text itself is the item's name. None where the words describe nothing.

    Examples
    --------
    >>> piece("steel 12", "cylinder")
    {'item': 'steel 12', 'kind': 'cylinder', 'material': 'steel', 'water_capacity_l': 12.0}
    >>> piece("my old one", "suit") is None
    True
    """
    first, *rest = text.strip().lower().split()
    amount = _number(rest[0]) if len(rest) == 1 else None
    if len(rest) > 1 or (rest and amount is None):
        return None
    row: dict[str, Any] = {"item": text.strip(), "kind": column}
    if column == "cylinder":
        if first not in _METALS:
            return None
        row["material"], number = first, "water_capacity_l"
    elif column == "other":
        if first not in _OTHER:
            return None
        row["kind"], number = first, _OTHER[first]
    else:
        styles, number = _STYLES[column]
        if first not in styles:
            return None
        row["style"] = first
    if amount is not None:
        if not number:
            return None
        row[number] = amount
    return row


def described(cells: Mapping[str, str], items: Iterable[str]) -> list[dict[str, Any]]:
    """Rows of gear for what the kit columns of a plan name and the gear table does not have.

    Parameters
    ----------
    cells : mapping of str to str
        Column to cell of one planned dive.
    items : iterable of str
        Names of the gear table.

    Returns
    -------
    list of dict
        Rows of gear; empty where every name is an item.

    Raises
    ------
    UnknownNameError
        If a name is neither an item nor a description.
    """
    known = {item.casefold() for item in items}
    found: dict[str, dict[str, Any]] = {}
    for column, example in _EXAMPLE.items():
        for part in cells.get(column, "").split(";"):
            name = part.strip()
            if not name or name == "-" or name.casefold() in known or name in found:
                continue
            row = piece(name, column)
            if row is None:
                raise UnknownNameError(
                    f"{column} {name!r}: not among the gear of the book; give an item of it, "
                    f"or describe it, such as {example}"
                )
            found[name] = row
    return list(found.values())


def extended(records: Records, *, divers: Columns, gear: Columns) -> Records:
    """Records with further divers and gear after those they have.

    Parameters
    ----------
    records : Records
        May be empty.
    divers, gear : Columns
        Rows to add; may be none.

    Returns
    -------
    Records
        Dives and checks as they were.
    """
    joined = [
        {name: np.concatenate([old[name], new[name]]) for name in old}
        for old, new in ((records.divers, divers), (records.gear, gear))
    ]
    return replace(records, divers=joined[0], gear=joined[1])


def nothing() -> Records:
    """Records of nobody and nothing."""
    return Records(*(empty(name) for name in ("divers", "gear", "dives", "checks")))
