"""What a rental desk hands out: suits worn by more than one diver, with the kit that goes with them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.decide.label import items
from leadline.decide.stranger import MassClass
from leadline.errors import UnknownNameError
from leadline.frozen import dataclass

__all__ = ["Outfit", "outfit_keys", "outfits", "suit_types"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Key = tuple[str, ...]

WITH: Final = ("undersuit", "bc", "other")
"""Columns of what goes with a suit."""

_STYLE: Final = {"two_piece": "two-piece", "dry_membrane": "dry membrane", "dry_foam": "dry foam"}


@dataclass(frozen=True)
class Outfit:
    """One suit, or several worn together, as it is handed out.

    Parameters
    ----------
    key : tuple of str
        Types of the suits.
    label : str
        The same in words.
    suit : tuple of str
        For each class of body mass a cell of the records' `suit`: the sizes it is given.
    worn_with : mapping of str to str
        Cells of undersuit, BC and other items.
    """

    key: Key
    label: str
    suit: tuple[str, ...]
    worn_with: Mapping[str, str]

    @property
    def kit(self) -> tuple[str, ...]:
        """Labels of what goes with the suit."""
        return tuple(item for name in WITH for item in items(self.worn_with[name]))

    @property
    def pieces(self) -> tuple[str, ...]:
        """Suits of all sizes and what goes with them."""
        return (*(item for cell in self.suit for item in items(cell)), *self.kit)


def suit_types(gear: Columns) -> dict[str, str]:
    """Type of each suit, item to type; where none is given, its style and thickness.

    Parameters
    ----------
    gear : Columns
        The gear table.

    Returns
    -------
    dict of str to str
        Suits only.
    """
    found = {}
    for row in np.flatnonzero(gear["kind"] == "suit"):
        style = gear["style"][row]
        thickness = float(gear["thickness_mm"][row])
        plain = _STYLE.get(style, style or str(gear["item"][row]))
        # To half a millimetre: 0.276 in and 7 mm are one kind of suit.
        reckoned = plain if np.isnan(thickness) else f"{plain} {round(2 * thickness) / 2:g} mm"
        found[str(gear["item"][row])] = str(gear["type"][row]) or reckoned
    return found


def outfit_keys(dives: Columns, types: Mapping[str, str]) -> NDArray[np.object_]:
    """Types of the suits of each dive, sorted; shape (n,), an empty tuple for none."""
    memo = {cell: tuple(sorted(types[i] for i in items(cell) if i in types)) for cell in set(dives["suit"])}
    keys = np.empty(len(dives["suit"]), object)
    keys[:] = [memo[cell] for cell in dives["suit"].tolist()]
    return keys


def _shared_types(dives: Columns, types: Mapping[str, str]) -> set[str]:
    """Types of which some piece was worn by more than one diver."""
    wearers: dict[str, set[str]] = {}
    for cell, diver in set(zip(dives["suit"].tolist(), dives["diver"].tolist(), strict=True)):
        for item in items(cell):
            wearers.setdefault(item, set()).add(diver)
    return {types[item] for item, who in wearers.items() if len(who) > 1 and item in types}


def _named(texts: Sequence[str], types: Mapping[str, str]) -> list[Key]:
    """Outfits asked for, by type or by item."""
    known = {name.casefold(): name for name in types.values()}
    known |= {item.casefold(): name for item, name in types.items() if item.casefold() not in known}
    found = []
    for text in texts:
        names = items(text)
        missing = [name for name in names if name.casefold() not in known]
        if missing or not names:
            raise UnknownNameError(
                f"no suit or type of suit {', '.join(missing) or text!r} in the book; known types: "
                f"{', '.join(sorted(set(types.values()))) or 'none'}"
            )
        found.append(tuple(sorted(known[name.casefold()] for name in names)))
    return list(dict.fromkeys(found))


def _sizes(
    key: Key, dives: Columns, body_mass: FloatArray, types: Mapping[str, str], classes: Sequence[MassClass]
) -> tuple[str, ...]:
    """For each class the pieces of these types whose wearers were nearest in body mass."""
    middle = np.array([(c.low + c.high) / 2 for c in classes])
    parts = []
    for name in key:
        pieces = [item for item, of in types.items() if of == name]
        mean = np.full(len(pieces), np.nan)
        for i, item in enumerate(pieces):
            cells = [cell for cell in set(dives["suit"].tolist()) if item in items(cell)]
            worn = body_mass[np.isin(dives["suit"], cells)] if cells else np.zeros(0)
            if (~np.isnan(worn)).any():
                mean[i] = np.nanmean(worn)
        apart = np.abs(middle[:, None] - np.where(np.isnan(mean), np.inf, mean))
        parts.append([pieces[i] for i in np.argmin(apart, axis=1)])
    return tuple(";".join(column) for column in zip(*parts, strict=True))


def _most_common(dives: Columns, rows: BoolArray, given: Mapping[str, str], *, dry: bool) -> dict[str, str]:
    """What most often went with the suit on these dives; what was named on top.

    A BC is always worn, and something under a dry suit: cells without one were not filled in. Of all else a
    dive without is a dive without: what one diver wore once is not handed to everybody.
    """
    found = {}
    for name in WITH:
        always = name == "bc" or (name == "undersuit" and dry)
        counted = Counter(cell for cell in dives[name][rows].tolist() if cell or not always)
        found[name] = (
            given[name].strip().removeprefix("-")
            if name in given
            else counted.most_common(1)[0][0]
            if counted
            else ""
        )
    return found


def _dry(gear: Columns) -> set[str]:
    """Types of dry suits."""
    types, dry = suit_types(gear), np.char.startswith(gear["style"].astype(str), "dry")
    return {types[item] for item in gear["item"][dry].tolist() if item in types}


def outfits(
    gear: Columns,
    dives: Columns,
    body_mass: FloatArray,
    *,
    classes: Sequence[MassClass],
    recent: BoolArray | None = None,
    suits: Sequence[str] = (),
    worn_with: Mapping[str, str] | None = None,
) -> tuple[Outfit, ...]:
    """Outfits of a rental table, the most worn first.

    Parameters
    ----------
    gear, dives : Columns
        Of the book.
    body_mass : ndarray, shape (n,)
        Of the diver on each dive; NaN where unknown. [kg]
    classes : sequence of MassClass
        Classes of body mass.
    recent : ndarray of bool, shape (n,), optional
        Dives that count for what is handed out; default all.
    suits : sequence of str
        Types or items asked for, several worn together joined by `;`; default those that divers share.
    worn_with : mapping of str to str, optional
        Undersuit, BC or other items, instead of what is most often worn with each suit.

    Returns
    -------
    tuple of Outfit
        By default the suits on the dives of which every piece is of a type that more than one diver has
        worn the same piece of: kit that passes from hand to hand. If there is none, every suit but vests.

    Raises
    ------
    UnknownNameError
        If a suit asked for is not in the book.
    """
    types, dry = suit_types(gear), _dry(gear)
    keys = outfit_keys(dives, types)
    counts = np.ones(len(keys), bool) if recent is None else recent
    if suits:
        wanted = _named(suits, types)
    else:
        shared = _shared_types(dives, types)
        worn = Counter(key for key in keys[counts].tolist() if key and shared.issuperset(key))
        wanted = [key for key, _ in worn.most_common()] or _whole(gear, types)
    made = []
    for key in wanted:
        here = np.array([other == key for other in keys], bool)
        worn_on = here & counts if (here & counts).any() else here
        with_it = _most_common(dives, worn_on, worn_with or {}, dry=not dry.isdisjoint(key))
        made.append(Outfit(key, " + ".join(key), _sizes(key, dives, body_mass, types, classes), with_it))
    return tuple(made)


def _whole(gear: Columns, types: Mapping[str, str]) -> list[Key]:
    """Every type of suit that is one by itself."""
    vests = set(gear["item"][gear["style"] == "vest"].tolist())
    return list(dict.fromkeys((name,) for item, name in types.items() if item not in vests))
