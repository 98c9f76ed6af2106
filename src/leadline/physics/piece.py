"""What one piece of gear weighs and displaces on a body of any size.

Every piece is the same few numbers, linear in the wearer's body surface: mass, volume that no pressure
changes, foam gas that shrinks with pressure, gas that the diver keeps at one volume. Builders for suits,
accessories and cylinders fill them; the rig only adds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline import constants as c
from leadline.frozen import dataclass

__all__ = ["MEASURED_IN", "REFERENCE_SURFACE", "Measured", "Pieces"]

FloatArray = NDArray[np.float64]

REFERENCE_SURFACE = 1.9  # m²: the body that sizes stand for where a piece was weighed, not worn
MEASURED_IN = {"fresh": 0.99836, "salt": 1.02519}  # kg/L: 0.2 g/kg at 20 °C, 35 g/kg at 18 °C, TEOS-10


@dataclass(frozen=True)
class Measured:
    """A weighing under water, one piece a row.

    Parameters
    ----------
    buoyancy : ndarray, shape (g,)
        Net upward force at the surface over g, gas vented; NaN where not measured. [kg]
    sd : ndarray, shape (g,)
        Of the measurement; the default where not stated. [kg]
    water_density : ndarray, shape (g,)
        Of the water it was measured in. [kg L⁻¹]
    """

    buoyancy: FloatArray
    sd: FloatArray
    water_density: FloatArray

    DEFAULT_SD = 0.15  # kg: a luggage scale and a bucket; common practice, no source

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where there is a measurement."""
        return ~np.isnan(self.buoyancy)

    def take(self, rows: NDArray[np.int64]) -> Measured:
        """The measurements at `rows`."""
        return Measured(self.buoyancy[rows], self.sd[rows], self.water_density[rows])

    def volume(self, mass: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mass [kg] and volume [L] that agree with the weighing; the mass grows if it must.

        Nothing in a diver's kit is denser than lead, which bounds the mass of what sinks.
        """
        least = -self.buoyancy / (1 - self.water_density / c.LEAD_DENSITY)
        believed = np.maximum(mass, least)
        return believed, (self.buoyancy + believed) / self.water_density


@dataclass(frozen=True)
class Pieces:
    """Pieces of gear as numbers, one a row; `per_area` counts per m² of the wearer's body surface.

    Parameters
    ----------
    mass, mass_per_area : ndarray, shape (g,)
        In air, empty of gas. [kg, kg m⁻²]
    solid, solid_per_area : ndarray, shape (g,)
        Displaced volume that pressure does not change. [L, L m⁻²]
    foam, foam_per_area : ndarray, shape (g,)
        Gas in closed foam at 1 atm, new. [L, L m⁻²]
    trapped_per_area : ndarray, shape (g,)
        Undersuits: gas kept at one volume by the diver. [L m⁻²]
    room : ndarray, shape (g,)
        Dry suits: the share of that gas they leave room for. [-]
    trapped_sd : ndarray, shape (g,)
        Its relative doubt from diver to diver and type to type. [-]
    sd : ndarray, shape (g,)
        Of the net buoyancy of this type of piece, beyond what its foam or trapped gas makes. [kg]
    foam_sd : ndarray, shape (g,)
        Doubt about its foam as a share of the foam's lift. [-]
    shared_sd : ndarray, shape (g,)
        Error that all pieces of the kind share. [kg]
    ages : ndarray of bool, shape (g,)
        Its foam loses gas with use.
    dry : ndarray of bool, shape (g,)
        A dry suit: holds gas.
    measured : ndarray of bool, shape (g,)
        Its buoyancy was measured.
    capacity : ndarray, shape (g,)
        Cylinders: water capacity. [L]
    """

    mass: FloatArray
    mass_per_area: FloatArray
    solid: FloatArray
    solid_per_area: FloatArray
    foam: FloatArray
    foam_per_area: FloatArray
    trapped_per_area: FloatArray
    room: FloatArray
    trapped_sd: FloatArray
    sd: FloatArray
    foam_sd: FloatArray
    shared_sd: FloatArray
    ages: NDArray[np.bool_]
    dry: NDArray[np.bool_]
    measured: NDArray[np.bool_]
    capacity: FloatArray

    @classmethod
    def of(cls, count: int, **given: NDArray[Any]) -> Pieces:
        """`count` pieces with the given fields, all else zero."""
        blank: dict[str, Any] = {
            f.name: np.zeros(count, bool if f.name in ("ages", "dry", "measured") else float)
            for f in fields(cls)
        }
        return cls(**{name: given.get(name, zero) for name, zero in blank.items()})

    @classmethod
    def join(cls, parts: Sequence[tuple[NDArray[np.int64], Pieces]], count: int) -> Pieces:
        """One table of `count` pieces from parts and the rows where they go."""
        whole = cls.of(count)
        for rows, part in parts:
            for f in fields(cls):
                getattr(whole, f.name)[rows] = getattr(part, f.name)
        return whole
