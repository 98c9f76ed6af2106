"""The gear table as pieces, with the kit that everybody carries appended."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.frozen import dataclass
from leadline.physics import accessory, cylinder, suit
from leadline.physics.piece import MEASURED_IN, Measured, Pieces

__all__ = ["ASSUMED_ROWS", "PARTS", "Kit", "kit"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

PARTS: Final = ("suit", "hood", "gloves", "boots", "fins", "bc", "plate", "regulator", "other")
"""Parts of the ledger that gear adds to, besides cylinders and trapped gas."""

FOAM_PARTS: Final = ("suit", "hood", "gloves", "boots")

ASSUMED_ROWS: Final = ("regulator", "fins", "bc", "small", "cylinder")
"""Rows that follow the gear table; the last row of all is nothing, so that the index -1 finds it."""


@dataclass(frozen=True)
class Kit:
    """Gear as numbers; rows are the gear table, then `ASSUMED_ROWS`, then nothing.

    Parameters
    ----------
    pieces : Pieces
        One a row.
    part : ndarray of int, shape (g,)
        Position in `PARTS`; undersuits and cylinders (which the rig treats by themselves) are `other`.
    kind : ndarray of str, shape (g,)
        Kind of the records; empty for what is assumed.
    style, material : ndarray of str, shape (g,)
        Words of the records.
    type : ndarray of str, shape (g,)
        Type, or the item's own name where it has none; empty for what is assumed.
    """

    pieces: Pieces
    part: IntArray
    kind: NDArray[np.object_]
    style: NDArray[np.object_]
    material: NDArray[np.object_]
    type: NDArray[np.object_]

    def assumed(self, name: str) -> int:
        """Row of an assumed piece."""
        return len(self.kind) - 1 - len(ASSUMED_ROWS) + ASSUMED_ROWS.index(name)


def _measured(gear: Columns) -> Measured:
    """Weighings of the gear table, defaults filled in."""
    water = [MEASURED_IN.get(word, MEASURED_IN["fresh"]) for word in gear["buoyancy_in"]]
    sd = np.where(np.isnan(gear["buoyancy_sd_kg"]), Measured.DEFAULT_SD, gear["buoyancy_sd_kg"])
    return Measured(gear["buoyancy_kg"], np.asarray(sd, float), np.array(water, float))


def _none(count: int) -> Measured:
    return Measured(np.full(count, np.nan), np.zeros(count), np.full(count, MEASURED_IN["fresh"]))


def _build(kind: str, gear: Columns, rows: IntArray, measured: Measured) -> Pieces:
    """Pieces of one kind."""
    own = measured.take(rows)
    style, material = gear["style"][rows], gear["material"][rows]
    thickness, mass = gear["thickness_mm"][rows], gear["mass_kg"][rows]
    if kind == "suit":
        return suit.pieces(style, thickness, mass, own)
    if kind == "undersuit":
        return suit.undersuits(style, own)
    if kind == "cylinder":
        return cylinder.pieces(material, gear["water_capacity_l"][rows], mass, gear["rated_bar"][rows], own)
    if kind in accessory.FOAM_WEAR:
        return accessory.foam_wear(kind, thickness, mass, own)
    return accessory.hardware(kind, style, material, mass, own)


def _assumed_cylinder() -> Pieces:
    nothing = np.full(1, np.nan)
    return cylinder.pieces(np.array([""], object), nothing, nothing, nothing, _none(1))


def kit(gear: Columns) -> Kit:
    """The gear table as pieces.

    Parameters
    ----------
    gear : Columns
        Gear columns of `leadline.records`. A piece of unknown kind counts as other.

    Returns
    -------
    Kit
        Gear in table order, the assumed pieces, and a last row of zeros.
    """
    count = len(gear["item"])
    known = (*PARTS, "undersuit", "cylinder")
    kind = np.array([word if word in known else "other" for word in gear["kind"]], object)
    measured = _measured(gear)
    total = count + len(ASSUMED_ROWS) + 1
    parts = []
    for word in known:
        rows = np.flatnonzero(kind == word)
        if len(rows):
            parts.append((rows, _build(word, gear, rows, measured)))
    for offset, word in enumerate(ASSUMED_ROWS):
        made = _assumed_cylinder() if word == "cylinder" else accessory.assumed(word)
        parts.append((np.array([count + offset]), made))
    part_of = {word: i for i, word in enumerate(PARTS)}
    categories = [part_of.get(word, part_of["other"]) for word in (*kind, *ASSUMED_ROWS, "other")]
    blank = [""] * (len(ASSUMED_ROWS) + 1)
    types = [own or item for own, item in zip(gear["type"], gear["item"], strict=True)]
    return Kit(
        pieces=Pieces.join(parts, total),
        part=np.array(categories, np.int64),
        kind=np.array([*kind, *blank], object),
        style=np.array([*gear["style"], *blank], object),
        material=np.array([*gear["material"], *blank], object),
        type=np.array([*types, *blank], object),
    )
