"""Gas in the lungs of an immersed diver: in the middle of a quiet breath, and at other breaths."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.frozen import dataclass
from leadline.physics.body import ADULT_AGE
from leadline.units import check_range

__all__ = ["BREATHS", "GUT_GAS", "Lungs", "breath_volume", "dry_volumes", "lungs"]

FloatArray = NDArray[np.float64]

GUT_GAS: Final = 0.1  # L, from memory
SHARED_SD: Final = 0.30  # L: whether the volumes below fit divers under water at all
# L: residual of the regressions, share kept under water, own way to breathe; sex unknown; a child
_PERSONAL_SD: Final = 0.46
_JUNIOR_SD: Final = 0.30
_SEX_GAP: Final = 0.25  # L between men and women of one height, by the regressions below

# Immersion to the neck pushes out 60-70 % of the expiratory reserve: what is left of FRC above RV.
_RESERVE_KEPT: Final = 0.35
_TIDAL: Final = 0.70  # L at rest under water, from memory (0.5 to 0.8)
_TOTAL_KEPT: Final = 0.95  # immersed over dry total lung capacity: -5.6 % in Girandola et al. 1977
# A breath held on purpose is deeper than a quiet one, and breathing out on request stops short of the
# residual volume: common practice, no source.
_HELD_ABOVE_TIDAL: Final = 0.3  # L
_OUT_SHARE: Final = 0.7  # of the way from the immersed resting level to residual volume
BREATHS: Final = ("normal", "full", "out")

# Rows: men, women; TLC = a H + d, RV and FRC = a H + b age + d. H [m], age [years], volumes [L].
_TOTAL: Final = ((7.99, -7.08), (6.60, -5.79))
_RESIDUAL: Final = ((1.31, 0.022, -1.23), (1.81, 0.016, -2.00))
_RESTING: Final = ((2.34, 0.009, -1.09), (2.24, 0.001, -1.00))
_JUNIOR_HEIGHT: Final = (1.75, 1.65)  # m: the young adult whom a child is scaled down from


@dataclass(frozen=True)
class Lungs:
    """Lung volumes [L], one diver a row.

    Parameters
    ----------
    middle : ndarray, shape (n,)
        Gas under water in the middle of a quiet breath, gut gas included.
    resting : ndarray, shape (n,)
        Gas at the end of a quiet breath out, under water.
    residual : ndarray, shape (n,)
        Gas that cannot be breathed out.
    total : ndarray, shape (n,)
        Gas after the deepest breath in, under water.
    tidal : ndarray, shape (n,)
        One quiet breath.
    own_sd : ndarray, shape (n,)
        What stays unknown of `middle` in this one diver.
    """

    middle: FloatArray
    resting: FloatArray
    residual: FloatArray
    total: FloatArray
    tidal: FloatArray
    own_sd: FloatArray


def _regression(
    rows: tuple[tuple[float, ...], ...], height: FloatArray, age: FloatArray, male: FloatArray
) -> FloatArray:
    """Regression line of men and women, weighted by `male`."""
    values = [row[0] * height + (row[1] * age if len(row) == 3 else 0.0) + row[-1] for row in rows]
    return np.asarray(male * values[0] + (1 - male) * values[1])


def _checked(height: ArrayLike, age: ArrayLike, male: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    metres, years, sex = np.broadcast_arrays(
        check_range("height", height, 0.9, 2.3, unit="m"),
        check_range("age", age, 4.0, 110.0, unit="years"),
        check_range("male", male, 0.0, 1.0, unit="(1 male, 0 female)"),
    )
    return metres, years, sex


def _childhood(metres: FloatArray, years: FloatArray, sex: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How much of a child's formula applies, 1 up to 15 years and 0 from 18 on; the child's scale, to 1."""
    model = sex * _JUNIOR_HEIGHT[0] + (1 - sex) * _JUNIOR_HEIGHT[1]
    return np.clip((ADULT_AGE - years) / 3.0, 0.0, 1.0), np.minimum(metres / model, 1.0) ** 3


def dry_volumes(
    height: ArrayLike, age: ArrayLike, *, male: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Lung volumes out of the water.

    Parameters
    ----------
    height : float or array_like
        Body height. [m] Valid 0.9 to 2.3.
    age : float or array_like, broadcastable
        Age. [years] Valid 4 to 110; the regressions cover 18 to 70 and are held beyond.
    male : float or array_like, broadcastable
        1 male, 0 female, between: a weighted mean. [-]

    Returns
    -------
    total, residual, resting : ndarray, broadcast shape
        Total lung capacity, residual volume and functional residual capacity. [L] NaN where an input is
        NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Notes
    -----
    Adults by regression. Children are scaled from a young adult with the cube of their height up to 15
    years, and blended into the adults at 18; a child taller than that adult has the lungs of one as tall.
    The regression coefficients are from memory; they agree with the equations of the Global Lung Initiative
    within 0.2 L (residual volume 0.4 L).

    References
    ----------
    P. H. Quanjer et al., "Lung volumes and forced ventilatory flows", Eur. Respir. J. 6 suppl. 16 (1993)
    5-40, doi:10.1183/09041950.005s1693.

    Examples
    --------
    >>> [float(volume.round(2)) for volume in dry_volumes(1.80, 40, male=1)]
    [7.3, 2.01, 3.48]
    """
    metres, years, sex = _checked(height, age, male)
    held = np.clip(years, 25.0, 70.0)  # the source keeps 18 to 25 at 25
    child, scale = _childhood(metres, years, sex)
    model = sex * _JUNIOR_HEIGHT[0] + (1 - sex) * _JUNIOR_HEIGHT[1]
    # Who outgrew the young adult has an adult's lungs: the cube of the height leads beyond all of them.
    like = np.maximum(metres, model)
    total, residual, resting = (
        child * scale * _regression(rows, like, held, sex)
        + (1 - child) * _regression(rows, metres, held, sex)
        for rows in (_TOTAL, _RESIDUAL, _RESTING)
    )
    residual = np.maximum(residual, 0.2)  # short people leave the range of the regressions
    resting = np.maximum(resting, residual + 0.2)
    return np.maximum(total, resting + 0.5), residual, resting


def lungs(height: ArrayLike, age: ArrayLike, *, male: ArrayLike) -> Lungs:
    """Lung volumes of immersed divers.

    Parameters
    ----------
    height, age, male : float or array_like, broadcastable
        As in `dry_volumes`. [m, years, -]

    Returns
    -------
    Lungs
        NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range of `dry_volumes`.

    Notes
    -----
    Under water a diver rests at RV + 0.35 (FRC - RV) and breathes half a tidal volume above and below the
    middle. The tissue density of `leadline.physics.body` is already free of lung gas, so this gas comes on
    top. A child's sd is wider.

    References
    ----------
    R. N. Girandola et al., "Effects of water immersion on lung volumes: implications for body composition
    analysis", J. Appl. Physiol. 43 (1977) 276-279, doi:10.1152/jappl.1977.43.2.276: immersion takes 61 % of
    the expiratory reserve and 5.6 % of the total.

    Examples
    --------
    >>> float(lungs(1.80, 40, male=1).middle.round(2))
    2.97
    """
    total, residual, dry_resting = dry_volumes(height, age, male=male)
    metres, years, sex = _checked(height, age, male)
    child, scale = _childhood(metres, years, sex)
    tidal = _TIDAL * (child * scale + (1 - child))
    resting = residual + _RESERVE_KEPT * (dry_resting - residual)
    unknown_sex = _SEX_GAP * np.sqrt(sex * (1 - sex))
    return Lungs(
        middle=resting + tidal / 2 + GUT_GAS,
        resting=resting,
        residual=residual,
        total=np.maximum(total * _TOTAL_KEPT, resting + tidal),
        tidal=tidal,
        own_sd=np.sqrt(_PERSONAL_SD**2 + unknown_sex**2 + (_JUNIOR_SD * child) ** 2),
    )


def breath_volume(breath: ArrayLike, lung: Lungs) -> tuple[FloatArray, FloatArray]:
    """Lung gas of a named breath, relative to the middle of a quiet breath.

    Parameters
    ----------
    breath : str or array_like of str, shape (n,)
        normal (a normal breath, held), full (the deepest), out (breathed out), or empty for the middle.
    lung : Lungs
        Lung volumes of the same rows.

    Returns
    -------
    mean, sd : ndarray, shape (n,)
        Litres above the middle, negative below, and how far people differ in what they take the word for.
        [L]

    Examples
    --------
    >>> mean, sd = breath_volume(["normal", "full", "out"], lungs(1.80, 40, male=1))
    >>> mean.round(2), sd
    (array([ 0.65,  4.06, -0.71]), array([0.35, 0.6 , 0.25]))
    """
    word = np.asarray(breath, object)
    middle = lung.middle - GUT_GAS
    normal = lung.tidal / 2 + _HELD_ABOVE_TIDAL
    full = lung.total - middle
    out = lung.resting - _OUT_SHARE * (lung.resting - lung.residual) - middle
    mean = np.select([word == "normal", word == "full", word == "out"], [normal, full, out], 0.0)
    sd = np.select([word == "normal", word == "full", word == "out"], [0.35, 0.60, 0.25], 0.0)
    return np.asarray(mean, float), np.asarray(np.broadcast_to(sd, mean.shape), float)
