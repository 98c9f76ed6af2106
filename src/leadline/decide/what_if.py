"""One change to a planned dive, as cells: what it takes with it, and what it leaves as it was."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from leadline.arrays import Columns
from leadline.decide.answering import NOTHING
from leadline.errors import OutOfRangeError
from leadline.latest import gas_in
from leadline.records import DIVES
from leadline.units import POUND

__all__ = ["CHANGES", "changed_cells"]

CHANGES: Final[dict[str, str]] = {
    "suit": "suit",
    "undersuit": "undersuit",
    "bc": "bc",
    "cylinder": "cylinder",
    "gas": "gas",
    "other": "other",
    "water": "water",
    "salinity": "salinity_gkg",
    "temp": "water_temp_c",
    "altitude": "altitude_m",
    "stop-depth": "stop_depth_m",
    "body-mass": "body_mass_kg",
    "reserve": "stop_bar",
}
"""What can be changed, and the column of a dive that holds it."""

# What belongs to the thing that changes, and goes with it.
_GOES_TOO: Final[dict[str, tuple[str, ...]]] = {
    "cylinder": ("gas", "start_bar", "end_bar", "stop_bar"),
    "water": ("salinity_gkg", "altitude_m"),
    "reserve": ("end_bar",),
}
_DRY: Final = ("dry_membrane", "dry_foam")


def _parts(cell: str) -> list[str]:
    return [part.strip() for part in cell.split(";") if part.strip()]


def _without(cells: Mapping[str, str], column: str) -> dict[str, str]:
    """The cells without a column, in either unit."""
    twin = DIVES.column(column).twin
    return {name: cell for name, cell in cells.items() if name not in (column, twin.name if twin else column)}


def _header(column: str, imperial: bool) -> str:
    twin = DIVES.column(column).twin
    return twin.name if imperial and twin else column


def _body_mass(text: str, mass: float, imperial: bool) -> str:
    """Body mass as such, or as what is gained (`+5`) or lost (`-5`), in the reader's unit."""
    if not text.startswith(("+", "-")):
        return text
    try:
        gained = float(text)
    except ValueError:
        raise OutOfRangeError(
            f"--what-if body-mass={text}: give a mass, or what is gained such as +5"
        ) from None
    return f"{mass / POUND + gained if imperial else mass + gained:.4f}"


def _reserve(text: str, cells: Mapping[str, str]) -> str:
    """One pressure in every cylinder that is carried at the stop, where a single one is named."""
    if ";" in text:
        return text
    marks = _parts(cells.get("stop_bar", "") or cells.get("end_bar", ""))
    return ";".join(NOTHING if mark == NOTHING else text for mark in marks) if NOTHING in marks else text


def _planned(cells: Mapping[str, str]) -> dict[str, str]:
    """Pressures planned at the stop and the end for another number of cylinders: the least of all carried."""
    kept = {}
    for column in map(DIVES.column, ("end_bar", "stop_bar")):
        for name in filter(None, (column.name, column.twin.name if column.twin else "")):
            marks = [mark for mark in _parts(cells.get(name, "")) if mark != NOTHING]
            if marks and all(map(_is_number, marks)):
                kept[name] = min(marks, key=float)
    return kept


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def changed_cells(
    cells: Mapping[str, str], text: str, *, gear: Columns, body_mass: float, imperial: bool = False
) -> dict[str, str]:
    """Cells of a planned dive with one thing changed.

    Parameters
    ----------
    cells : mapping of str to str
        Column, or imperial twin, to cell.
    text : str
        Such as `suit=full 7`, `water=fresh`, `body-mass=+5` or `reserve=50`; `-` for none of it.
    gear : Columns
        The gear table.
    body_mass : float
        Now. [kg]
    imperial : bool
        Whether plain numbers are in ft, °F, lb and psi.

    Returns
    -------
    dict of str to str
        Gas and pressures go with a cylinder, salinity and altitude with the water (nobody's lake in the hills
        is salt), an undersuit with its dry suit. What is planned for the end stays, for another number of
        cylinders the least of it in each.

    Raises
    ------
    OutOfRangeError
        If nothing of that name can be changed.

    Examples
    --------
    >>> from leadline.arrays import empty
    >>> plan = {"suit": "full 5", "water": "salt", "salinity_gkg": "38"}
    >>> changed_cells(plan, "water=fresh", gear=empty("gear"), body_mass=70)
    {'suit': 'full 5', 'water': 'fresh'}
    """
    name, sign, value = (part.strip() for part in text.partition("="))
    if not sign or not value or name not in CHANGES:
        raise OutOfRangeError(f"--what-if {text!r}: give name=value, the name one of {', '.join(CHANGES)}")
    column = CHANGES[name]
    if name == "body-mass":
        value = _body_mass(value, body_mass, imperial)
    elif name == "reserve":
        value = _reserve(value, cells)
    changed = _without(cells, column)
    gone = _GOES_TOO.get(name, ())
    if name == "cylinder" and len(_parts(value)) == len(_parts(cells.get("cylinder", ""))):
        gone = ("start_bar",)
    if name == "water" and value.strip().casefold() == cells.get("water", "").strip().casefold():
        gone = ()
    for other in gone:
        changed = _without(changed, other)
    if name == "cylinder" and value != NOTHING and "end_bar" in gone:
        changed |= _planned(cells)
    if name == "suit" and not _is_dry(value, gear):
        changed = _without(changed, "undersuit")
    if name == "cylinder" and (gas := gas_in(value, cells.get("cylinder", ""), cells.get("gas", ""))):
        changed.setdefault("gas", gas)
    if value != NOTHING:
        changed[_header(column, imperial)] = value
    return changed


def _is_dry(suit: str, gear: Columns) -> bool:
    worn = {part.casefold() for part in _parts(suit)}
    items, styles = gear["item"].tolist(), gear["style"].tolist()
    return any(item.casefold() in worn and style in _DRY for item, style in zip(items, styles, strict=True))
