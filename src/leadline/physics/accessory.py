"""Hood, gloves, boots, fins, buoyancy compensator, plate, regulator and small kit.

Masses and volumes of pieces nobody weighed are common practice, no source.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline import constants as c
from leadline.frozen import dataclass
from leadline.physics.piece import Measured, Pieces
from leadline.physics.suit import foam_pieces

__all__ = [
    "ASSUMED",
    "FOAM_WEAR",
    "HARDWARE",
    "SHARED_FOAM_SD",
    "assumed",
    "foam_wear",
    "further_sd",
    "hardware",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class FoamWear:
    """Foam worn on a part of the body.

    Parameters
    ----------
    area : float
        Share of the body surface. [-]
    thickness, thickness_sd : float
        Where none is given. [mm]
    hard_mass, hard_volume : float
        Soles and the like. [kg, L]
    sd : float
        Of one type, beyond its foam. [kg]
    """

    area: float
    thickness: float
    thickness_sd: float
    hard_mass: float
    hard_volume: float
    sd: float


SHARED_FOAM_SD: Final = 0.20  # of foam lift: hoods, gloves or boots at large

FOAM_WEAR: Final[dict[str, FoamWear]] = {
    "hood": FoamWear(0.075, 5.0, 1.3, 0.0, 0.0, 0.05),  # head and neck less the face
    "gloves": FoamWear(0.050, 3.5, 1.2, 0.0, 0.0, 0.05),
    "boots": FoamWear(0.075, 5.0, 1.3, 0.55, 0.46, 0.10),
}


@dataclass(frozen=True)
class Hardware:
    """A usual piece.

    Parameters
    ----------
    mass : float
        In air. [kg]
    volume : float
        Displaced. [L]
    sd : float
        Of its net buoyancy where neither mass nor buoyancy is given. [kg]
    weighed_sd : float
        Of its net buoyancy, per kg of a given mass. [-]
    shared_sd : float
        Error that all pieces of the kind share. [kg]
    """

    mass: float
    volume: float
    sd: float
    weighed_sd: float
    shared_sd: float = 0.0


HARDWARE: Final[dict[tuple[str, str], Hardware]] = {
    ("fins", ""): Hardware(1.8, 1.85, 0.30, 0.10),
    ("bc", "jacket"): Hardware(3.3, 3.4, 0.27, 0.07, 0.22),
    # Harness and bladder; a plate is a piece of its own.
    ("bc", "wing"): Hardware(2.6, 2.35, 0.27, 0.09, 0.22),
    ("bc", ""): Hardware(3.1, 3.1, 0.40, 0.12, 0.22),
    ("plate", ""): Hardware(2.6, 2.6 / c.STEEL_DENSITY, 0.50, 0.02),
    ("plate", "aluminium"): Hardware(1.0, 1.0 / c.ALUMINIUM_DENSITY, 0.20, 0.02),
    ("regulator", ""): Hardware(2.55, 0.65, 0.25, 0.05),
    ("other", ""): Hardware(0.0, 0.0, 0.30, 0.35),
}
"""Usual pieces by kind and style (plates: material)."""

_OTHER_DENSITY: Final = 1.8  # kg/L for kit of unknown make that was only weighed: wide sd

ASSUMED: Final[dict[str, Hardware]] = {
    "regulator": Hardware(2.55, 0.65, 0.22, 0.0, 0.15),
    # With each further cylinder: the sd holds the set of a stage (1.3 kg, 0.9 to 1.0 kg under water) and
    # a second complete one (2.55 kg, 1.9 kg); judged, common practice, no source.
    "further_regulator": Hardware(1.4, 0.37, 0.40, 0.0, 0.20),
    "fins": Hardware(1.8, 1.85, 0.25, 0.0, 0.15),
    "bc": Hardware(3.1, 3.1, 0.40, 0.0, 0.22),
    "small": Hardware(1.3, 0.80, 0.15, 0.0, 0.10),  # mask with its air, instruments
}
"""What everybody carries: counted where the records list none (small kit: always)."""


def further_sd(count: FloatArray) -> FloatArray:
    """Doubt [kg] about that many further regulators: whoever rigs one lightly rigs them all so."""
    row = ASSUMED["further_regulator"]
    return np.hypot(np.sqrt(count) * row.sd, count * row.shared_sd)


def foam_wear(kind: str, thickness: FloatArray, mass: FloatArray, measured: Measured) -> Pieces:
    """Hoods, gloves or boots as pieces.

    Parameters
    ----------
    kind : str
        A key of `FOAM_WEAR`.
    thickness : ndarray, shape (g,)
        Nominal; NaN where unknown. [mm]
    mass : ndarray, shape (g,)
        In air; NaN where unknown. [kg]
    measured : Measured
        Weighings under water; they replace what is reckoned, and the foam still shrinks.

    Returns
    -------
    Pieces
        In the given order.
    """
    wear = FOAM_WEAR[kind]
    count = len(thickness)
    millimetres = np.where(np.isnan(thickness), wear.thickness, thickness)
    foam_sd = np.where(np.isnan(thickness), np.hypot(0.15, wear.thickness_sd / wear.thickness), 0.15)
    soft = np.where(np.isnan(mass), np.nan, np.maximum(mass - wear.hard_mass, 0.1 * mass))
    known = measured.known
    made = foam_pieces(
        np.full(count, wear.area), millimetres, np.where(known, mass, soft), measured, foam_sd=foam_sd
    )
    made["mass"] = made["mass"] + np.where(known, 0.0, wear.hard_mass)
    made["solid"] = made["solid"] + np.where(known, 0.0, wear.hard_volume)
    return Pieces.of(count, **made, sd=np.where(known, measured.sd, wear.sd), measured=known)


def hardware(
    kind: str,
    style: NDArray[np.object_],
    material: NDArray[np.object_],
    mass: FloatArray,
    measured: Measured,
) -> Pieces:
    """Fins, buoyancy compensators, plates, regulators or other kit as pieces.

    Parameters
    ----------
    kind : str
        fins, bc, plate, regulator or other.
    style, material : ndarray of str, shape (g,)
        Words of the records.
    mass : ndarray, shape (g,)
        In air; NaN where unknown. [kg]
    measured : Measured
        Weighings under water; they replace what is reckoned.

    Returns
    -------
    Pieces
        In the given order.
    """
    words = material if kind == "plate" else style
    rows = [HARDWARE.get((kind, word), HARDWARE[(kind, "")]) for word in words]
    usual_mass, usual_volume, own, per_kilogram, shared = (
        np.array([getattr(row, name) for row in rows], float)
        for name in ("mass", "volume", "sd", "weighed_sd", "shared_sd")
    )
    weighed, known = ~np.isnan(mass), measured.known
    per_mass = np.divide(
        usual_volume, usual_mass, out=np.full(len(rows), 1 / _OTHER_DENSITY), where=usual_mass > 0
    )
    kilograms = np.where(weighed, mass, usual_mass)
    believed, litres = measured.volume(np.where(weighed, mass, np.maximum(usual_mass, 1.0)))
    reckoned_sd = np.where(weighed, per_kilogram * kilograms, own)
    return Pieces.of(
        len(rows),
        mass=np.where(known, believed, kilograms),
        solid=np.where(known, litres, kilograms * per_mass),
        sd=np.where(known, measured.sd, np.maximum(reckoned_sd, 0.03)),
        shared_sd=np.where(known, 0.0, shared),
        measured=known,
    )


def assumed(kind: str) -> Pieces:
    """The usual piece of a kind that no record lists, as one row."""
    row = ASSUMED[kind]
    return Pieces.of(
        1,
        mass=np.array([row.mass]),
        solid=np.array([row.volume]),
        sd=np.array([row.sd]),
        shared_sd=np.array([row.shared_sd]),
    )
