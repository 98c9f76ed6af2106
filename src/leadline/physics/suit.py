"""Suits: closed foam that shrinks with pressure and wear, dry suits, and the gas kept in them."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline import constants as c
from leadline.frozen import dataclass
from leadline.physics.piece import REFERENCE_SURFACE, Measured, Pieces
from leadline.units import check_range

__all__ = [
    "FOAM_DENSITY",
    "GAS_SHARE",
    "STIFFNESS",
    "STYLES",
    "UNDERSUITS",
    "foam_buoyancy",
    "foam_ratio",
    "permanent_set",
    "pieces",
    "undersuits",
]

FloatArray = NDArray[np.float64]

FOAM_DENSITY: Final = 0.25  # kg/L with its fabric, new; sheets run from 0.17 to 0.30, from memory
GAS_SHARE: Final = 1 - FOAM_DENSITY / c.FOAM_SOLID_DENSITY  # 0.80
NEW_THICKNESS: Final = 0.90  # real over nominal, new: stretch on the body, thinner limbs; assumed
# Cell walls carry a little of the load. Free Boyle gas, the limit of zero stiffness, already halves the
# thickness at about 15 m, as is reported; so the mean is small and its sd as large.
STIFFNESS: Final = (0.05, 0.06)
# Repeated compression leaves a permanent set; laminated samples do not recover. The amount per dive is
# assumed: about a third of the gas in the end.
_SET_LIMIT: Final = 0.32
_SET_DIVES: Final = 150.0
UNKNOWN_SUIT_DIVES: Final = 60.0

SHARED_FOAM_SD: Final = 0.12  # of foam lift: density, stretch and coverage of suits at large
FIT_SD: Final = 0.115  # of foam lift: this diver in this suit
_UNKNOWN_STYLE_SD: Final = 0.25  # of foam lift
_SUIT_SD: Final = 0.10  # kg: zips and linings
_TYPE_FOAM_SD: Final = 0.06  # of foam lift: one make of suit against another
AGE_SD: Final = 0.5  # of the ageing loss
SHARED_GAS_SD: Final = 0.18  # of trapped gas: undersuits at large
TYPE_GAS_SD: Final = 0.10  # of trapped gas: one undersuit against another
LEAST_GAS_SD: Final = 1.4  # L: no two divers vent alike


@dataclass(frozen=True)
class Style:
    """How a style of suit covers the body.

    Parameters
    ----------
    coverage : float
        Foam area over body surface. [-]
    thickness, thickness_sd : float
        Where none is given. [mm]
    room : float
        Gas of an undersuit that a dry suit leaves room for; 0: not a dry suit. [-]
    """

    coverage: float
    thickness: float
    thickness_sd: float
    room: float = 0.0


# Area shares from the adult burns chart (Lund and Browder 1944, from memory): head 7, neck 2, trunk 26,
# buttocks 5, genitals 1, upper arms 8, forearms 6, hands 5, thighs 19, lower legs 14, feet 7 %.
STYLES: Final[dict[str, Style]] = {
    "full": Style(0.80, 5.0, 1.6),  # to wrist, ankle and neck
    "shorty": Style(0.48, 3.0, 0.8),  # trunk, half the upper arms, half the thighs
    "two_piece": Style(1.14, 5.5, 1.5),  # sleeveless overall and a jacket: the trunk counts twice
    "vest": Style(0.31, 3.0, 1.2),
    "dry_membrane": Style(0.0, 0.0, 0.0, room=1.0),
    "dry_foam": Style(0.86, 4.0, 1.3, room=0.7),  # to the neck, feet included
}
_MEMBRANE: Final = (1.60, 0.975, 0.45)  # kg/m², L/m², sd kg: about -1.2 kg for 2 m², from memory
_DRY_HARDWARE: Final = (1.6, 0.95, 0.40)  # kg, L, sd kg: boots, zip and valves of a foam dry suit, assumed

UNDERSUITS: Final[dict[str, tuple[float, float]]] = {
    "thin": (3.5, 1.5),
    "medium": (6.0, 2.0),
    "thick": (9.0, 2.5),
    "": (5.5, 3.0),
}
"""Trapped gas and its sd [L] on a body surface of 2 m²: reckoned from the thickness of loft that suit squeeze
leaves; no measurement was found."""


def permanent_set(suit_dives: ArrayLike) -> FloatArray:
    """Share of its gas that foam has lost for good.

    Parameters
    ----------
    suit_dives : float or array_like
        Dives the suit has seen; NaN stands for an ordinary used suit. [-] Valid 0 to 100000.

    Returns
    -------
    ndarray, shape of `suit_dives`
        Share, 0 for a new suit. [-]

    Raises
    ------
    OutOfRangeError
        If a number is out of range.

    References
    ----------
    Repeated cycling to 3 atm costs laminated 5 mm samples a third to a half of their insulation: Undersea
    Biomed. Res. 16(4) (1989) 313-319. The number of dives is assumed.

    Examples
    --------
    >>> permanent_set([0, 60, 1000]).round(2)
    array([0.  , 0.11, 0.32])
    """
    seen = check_range("suit_dives", suit_dives, 0.0, 1e5, unit="dives")
    used = np.where(np.isnan(seen), UNKNOWN_SUIT_DIVES, seen)
    return np.asarray(-_SET_LIMIT * np.expm1(-used / _SET_DIVES))


def foam_ratio(ambient_pressure: ArrayLike, *, stiffness: ArrayLike = STIFFNESS[0]) -> FloatArray:
    """Volume of foam gas over its volume at 1 atm, where the foam was made.

    Parameters
    ----------
    ambient_pressure : float or array_like
        Pressure. [bar absolute] Valid 0.4 to 35.
    stiffness : float or array_like, broadcastable
        Share of the gas that pressure does not reach. [-] Valid 0 to 1.

    Returns
    -------
    ndarray, broadcast shape
        Ratio: 1 at one atmosphere, above 1 at altitude. [-] NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Notes
    -----
    k + (1 - k) p0 / p: Boyle's law for all but the share k. With the solid of the foam this gives half the
    thickness at 15 m, as reported.

    Examples
    --------
    >>> foam_ratio([0.8, 1.01325, 1.516, 4.03]).round(3)
    array([1.253, 1.   , 0.685, 0.289])
    """
    pressure = check_range("ambient_pressure", ambient_pressure, 0.4, 35.0, unit="bar")
    k = check_range("stiffness", stiffness, 0.0, 1.0, unit="(share)")
    return np.asarray(k + (1 - k) * c.ATMOSPHERE / pressure)


def foam_buoyancy(
    thickness: ArrayLike,
    area: ArrayLike,
    *,
    ambient_pressure: ArrayLike,
    water_density: ArrayLike = 1025.0,
    suit_dives: ArrayLike = 0.0,
) -> FloatArray:
    """Net buoyancy of sheet foam of a nominal thickness.

    Parameters
    ----------
    thickness : float or array_like
        Nominal thickness. [mm] Valid 0 to 20.
    area : float or array_like, broadcastable
        Foam area. [m²] Valid 0 to 5.
    ambient_pressure : float or array_like, broadcastable
        Pressure. [bar absolute] Valid 0.4 to 35.
    water_density : float or array_like, broadcastable
        Of the water. [kg m⁻³] Valid 950 to 1100.
    suit_dives : float or array_like, broadcastable
        Dives the foam has seen. [-]

    Returns
    -------
    ndarray, broadcast shape
        Net buoyancy, positive floats. [kg] NaN where an input but `suit_dives` is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Examples
    --------
    >>> foam_buoyancy(5, 1.6, ambient_pressure=[1.01325, 1.516]).round(2)
    array([5.58, 3.72])
    """
    millimetres = check_range("thickness", thickness, 0.0, 20.0, unit="mm")
    square_metres = check_range("area", area, 0.0, 5.0, unit="m²")
    rho = check_range("water_density", water_density, 950.0, 1100.0, unit="kg/m³") / 1000
    new = millimetres * square_metres * NEW_THICKNESS
    gas = GAS_SHARE * (1 - permanent_set(suit_dives)) * foam_ratio(ambient_pressure)
    return np.asarray(new * (rho * (1 - GAS_SHARE + gas) - FOAM_DENSITY))


def foam_pieces(
    area: FloatArray,
    thickness: FloatArray,
    mass: FloatArray,
    measured: Measured,
    *,
    foam_sd: FloatArray,
) -> dict[str, FloatArray]:
    """Fields of `Pieces` for sheet foam covering `area` times the body surface, measured or reckoned."""
    litres = area * thickness * NEW_THICKNESS
    weighed = ~np.isnan(mass)
    # A stated mass fixes the solid part; half the volume at most, or the mass is not that of foam.
    solid = np.minimum(np.nan_to_num(mass) / c.FOAM_SOLID_DENSITY, 0.5 * litres * REFERENCE_SURFACE)
    by_area = ~weighed & ~measured.known
    fitting = measured.buoyancy / (measured.water_density - FOAM_DENSITY) * FOAM_DENSITY
    typical = np.where(fitting > 0, fitting, litres * FOAM_DENSITY * REFERENCE_SURFACE)
    kilograms, volume = measured.volume(np.where(weighed, mass, typical))
    kept = np.minimum(kilograms / c.FOAM_SOLID_DENSITY, volume)
    known = measured.known
    return {
        "mass": np.where(known, kilograms, np.where(weighed, mass, 0.0)),
        "mass_per_area": np.where(by_area, litres * FOAM_DENSITY, 0.0),
        "solid": np.where(known, kept, np.where(weighed, solid, 0.0)),
        "solid_per_area": np.where(by_area, litres * (1 - GAS_SHARE), 0.0),
        "foam": np.where(known, volume - kept, np.where(weighed, -solid, 0.0)),
        "foam_per_area": np.where(known, 0.0, np.where(weighed, litres, litres * GAS_SHARE)),
        "foam_sd": np.where(known, 0.0, foam_sd),
    }


def pieces(style: NDArray[np.object_], thickness: FloatArray, mass: FloatArray, measured: Measured) -> Pieces:
    """Suits as pieces.

    Parameters
    ----------
    style : ndarray of str, shape (g,)
        A key of `STYLES`; anything else is taken for a full suit, with a wider sd.
    thickness : ndarray, shape (g,)
        Nominal; NaN where unknown. [mm]
    mass : ndarray, shape (g,)
        In air; NaN where unknown. [kg]
    measured : Measured
        Weighings under water; they replace what is reckoned. A dry suit's is its solid part.

    Returns
    -------
    Pieces
        The suits, without the gas of an undersuit.
    """
    membrane = np.array([name == "dry_membrane" for name in style], bool)
    foam, bare = np.flatnonzero(~membrane), np.flatnonzero(membrane)
    parts = [
        (foam, _foam_suits(style[foam], thickness[foam], mass[foam], measured.take(foam))),
        (bare, _membrane_suits(mass[bare], measured.take(bare))),
    ]
    return Pieces.join(parts, len(style))


def _foam_suits(
    style: NDArray[np.object_], thickness: FloatArray, mass: FloatArray, measured: Measured
) -> Pieces:
    """Suits of foam, dry ones included."""
    rows = [STYLES.get(name, STYLES["full"]) for name in style]
    coverage, usual, usual_sd, room = (
        np.array([getattr(row, name) for row in rows], float)
        for name in ("coverage", "thickness", "thickness_sd", "room")
    )
    given, known, dry = ~np.isnan(thickness), measured.known, room > 0
    unsure = np.where(given, 0.0, usual_sd / usual)
    guessed = np.array([0.0 if name in STYLES else _UNKNOWN_STYLE_SD for name in style])
    # Boots, zip and valves of a foam dry suit are part of its mass, but no foam.
    fitted = dry & ~known
    soft = np.where(fitted, np.maximum(mass - _DRY_HARDWARE[0], 0.5 * mass), mass)
    made = foam_pieces(
        coverage,
        np.where(given, thickness, usual),
        soft,
        measured,
        foam_sd=np.sqrt(_TYPE_FOAM_SD**2 + unsure**2 + guessed**2),
    )
    made["mass"] += np.where(fitted, np.where(np.isnan(mass), _DRY_HARDWARE[0], mass - soft), 0.0)
    made["solid"] += np.where(fitted, _DRY_HARDWARE[1], 0.0)
    return Pieces.of(
        len(style),
        **made,
        sd=np.where(known, measured.sd, np.where(dry, _DRY_HARDWARE[2], _SUIT_SD)),
        room=room,
        ages=~known,
        dry=dry,
        measured=known,
    )


def _membrane_suits(mass: FloatArray, measured: Measured) -> Pieces:
    """Dry suits without foam: what they are made of sinks, in proportion to its mass."""
    per_area, litres_per_area, own = _MEMBRANE
    known, weighed = measured.known, ~np.isnan(mass)
    kilograms, litres = measured.volume(np.where(weighed, mass, per_area * REFERENCE_SURFACE))
    by_mass, by_area = weighed & ~known, ~weighed & ~known
    return Pieces.of(
        len(mass),
        mass=np.where(known, kilograms, np.where(by_mass, mass, 0.0)),
        mass_per_area=np.where(by_area, per_area, 0.0),
        solid=np.where(known, litres, np.where(by_mass, mass * litres_per_area / per_area, 0.0)),
        solid_per_area=np.where(by_area, litres_per_area, 0.0),
        sd=np.where(known, measured.sd, own),
        room=np.full(len(mass), STYLES["dry_membrane"].room),
        dry=np.ones(len(mass), bool),
        measured=known,
    )


def undersuits(style: NDArray[np.object_], measured: Measured) -> Pieces:
    """Undersuits as pieces: the gas they hold inside a membrane dry suit.

    Parameters
    ----------
    style : ndarray of str, shape (g,)
        thin, medium, thick; anything else lies between, with a wide sd.
    measured : Measured
        Lift of the gas held, if measured.

    Returns
    -------
    Pieces
        Trapped gas only; cloth and fibre count with it.
    """
    table = np.array([UNDERSUITS.get(name, UNDERSUITS[""]) for name in style], float).reshape(-1, 2)
    known = measured.known
    litres = np.where(known, np.maximum(measured.buoyancy / measured.water_density, 0.0), table[:, 0])
    return Pieces.of(
        len(style),
        trapped_per_area=np.where(known, litres / REFERENCE_SURFACE, litres / 2.0),
        trapped_sd=np.where(known, measured.sd / np.maximum(litres, 0.1), table[:, 1] / table[:, 0]),
        measured=known,
    )
