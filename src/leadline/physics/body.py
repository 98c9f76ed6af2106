"""The body without its gas: volume, surface, and how sure they are for what is known of the diver.

Density comes from body fat by the two-component formula of Siri. Fat is measured, or predicted from body
mass index, age and sex; what is not known is averaged over, and its spread carried into the sd.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.frozen import dataclass
from leadline.units import check_range

__all__ = ["ADULT_AGE", "Body", "body", "predicted_fat", "surface_area", "tissue_volume"]

FloatArray = NDArray[np.float64]

ADULT_AGE: Final = 18.0  # years: the published formulas are for adults

# Residual of predicted against underwater-weighed tissue buoyancy in 248 men, 81 kg on average: 0.94 kg
# for the formula below with height, mass, age and sex known. No open density data for women: the same.
FORMULA_SD: Final = 0.012  # kg of buoyancy per kg of body mass
JUNIOR_FORMULA_SD: Final = 0.022  # the same for a child: assumed, wider
MEASURED_FAT_SD: Final = 3.0  # % fat: method and the variable density of the fat-free body
JUNIOR_MEASURED_FAT_SD: Final = 5.0  # % fat: a child's fat-free body holds more water; assumed

# Adults nobody measured: common practice, no source.
_AGE: Final = (38.0, 12.0)  # years, mean and sd
_HEIGHT: Final = {"f": (1.66, 0.065), "m": (1.79, 0.070)}  # m
_MASS_INDEX: Final = (25.0, 3.5)  # kg m⁻²
_HEIGHT_OVER_MASS: Final = 0.0025  # m per kg: heavier people are taller on average
_MEAN_MASS: Final = {"f": 67.0, "m": 82.0}  # kg
# Children: age [years], height [m] and body mass index [kg m⁻²] near the middle; common practice, no source.
_GROWTH_AGE: Final = (8.0, 10.0, 12.0, 14.0, 16.0, 18.0)
_GROWTH_HEIGHT: Final = (1.28, 1.39, 1.50, 1.62, 1.69, 1.72)
_GROWTH_INDEX: Final = (16.2, 17.0, 18.2, 19.6, 21.0, 22.0)
# Hardly any adult weighs less: of unknown age, that is a child, as old as children of that mass are. Judged.
_LEAST_ADULT_MASS: Final = 40.0  # kg
_AGE_BY_MASS_SD: Final = 2.0  # years
# Between these a child's height lies: two sd below the median girl and above the median boy, which leaves out
# one in forty at either end; from memory, WHO Reference 2007 (de Onis et al., Bull. World Health Organ. 85
# (2007) 660-667).
_GROWTH_SHORT: Final = (1.15, 1.26, 1.38, 1.46, 1.49, 1.50)
_GROWTH_TALL: Final = (1.39, 1.51, 1.63, 1.79, 1.88, 1.91)


@dataclass(frozen=True)
class Body:
    """Bodies without lung gas, one a row.

    Parameters
    ----------
    mass : ndarray, shape (n,)
        Known, or the mean where unknown. [kg]
    height : ndarray, shape (n,)
        Known, or the mean for that mass where unknown. [m]
    age : ndarray, shape (n,)
        Known, or an adult mean; of a child's mass, a child's. [years]
    male : ndarray, shape (n,)
        1 male, 0 female, 0.5 unknown. [-]
    volume : ndarray, shape (n,)
        Tissue volume. [L]
    volume_sd : ndarray, shape (n,)
        What stays unknown about this one body, less what its mass outweighs. [L]
    surface : ndarray, shape (n,)
        Body surface area. [m²]
    junior : ndarray of bool, shape (n,)
        Under 18, or of unknown age and of a child's mass: the adult formulas do not apply.
    measured : ndarray of bool, shape (n,)
        Body fat was measured.
    unknown : ndarray, shape (n,)
        0 where mass and height are known, 0.5 where one is, 1 where none is. [-]
    """

    mass: FloatArray
    height: FloatArray
    age: FloatArray
    male: FloatArray
    volume: FloatArray
    volume_sd: FloatArray
    surface: FloatArray
    junior: NDArray[np.bool_]
    measured: NDArray[np.bool_]
    unknown: FloatArray


def tissue_volume(mass: ArrayLike, body_fat: ArrayLike) -> FloatArray:
    """Volume of a body without its gas.

    Parameters
    ----------
    mass : float or array_like
        Body mass. [kg] Valid 0 to 300.
    body_fat : float or array_like, broadcastable
        Fat share of the mass. [%] Valid 0 to 100.

    Returns
    -------
    ndarray, broadcast shape
        Volume. [L] NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    References
    ----------
    W. E. Siri, "Body composition from fluid spaces and density: analysis of methods", in Techniques for
    Measuring Body Composition, National Academy of Sciences (1961): fat% = 495/density - 450.

    Examples
    --------
    >>> float(tissue_volume(80, 20.5).round(2))
    76.04
    """
    kilograms = check_range("mass", mass, 0.0, 300.0, unit="kg")
    fat = check_range("body_fat", body_fat, 0.0, 100.0, unit="%")
    return np.asarray(kilograms * (450.0 + fat) / 495.0)


def surface_area(mass: ArrayLike, height: ArrayLike) -> FloatArray:
    """Body surface area.

    Parameters
    ----------
    mass : float or array_like
        Body mass. [kg] Valid 0 to 300.
    height : float or array_like, broadcastable
        Body height. [m] Valid 0.5 to 2.5.

    Returns
    -------
    ndarray, broadcast shape
        Area. [m²] NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    References
    ----------
    R. D. Mosteller, "Simplified calculation of body-surface area", N. Engl. J. Med. 317 (1987) 1098,
    doi:10.1056/NEJM198710223171717. It holds in obesity too, where older formulas fall short.

    Examples
    --------
    >>> surface_area(80, 1.80)
    array(2.)
    """
    kilograms = check_range("mass", mass, 0.0, 300.0, unit="kg")
    metres = check_range("height", height, 0.5, 2.5, unit="m")
    return np.asarray(np.sqrt(kilograms * metres * 100 / 3600))


def predicted_fat(mass_index: ArrayLike, age: ArrayLike, *, male: ArrayLike) -> FloatArray:
    """Fat share predicted from body mass index, age and sex.

    Parameters
    ----------
    mass_index : float or array_like
        Mass over height squared. [kg m⁻²] Valid 8 to 80; the paper covers up to 35.
    age : float or array_like, broadcastable
        Age. [years] Valid 4 to 110.
    male : float or array_like, broadcastable
        1 male, 0 female; between: a weighted mean. [-]

    Returns
    -------
    ndarray, broadcast shape
        Fat. [%] Held within 4 to 60. NaN where an input is NaN.

    Raises
    ------
    OutOfRangeError
        If an input lies outside the range above.

    Notes
    -----
    Adults by Gallagher et al., standard error 2.8 to 5.4 % fat in the paper; against underwater weighing of
    248 men it makes the body 0.34 kg too buoyant on average. Up to 15 years the children's formula of
    Deurenberg et al. serves; in between the two are blended. The coefficients are from memory, and
    reproduce published examples.

    References
    ----------
    D. Gallagher et al., "Healthy percentage body fat ranges: an approach for developing guidelines based on
    body mass index", Am. J. Clin. Nutr. 72 (2000) 694-701, doi:10.1093/ajcn/72.3.694 (the non-Asian form);
    P. Deurenberg, J. A. Weststrate, J. C. Seidell, "Body mass index as a measure of body fatness", Br. J.
    Nutr. 65 (1991) 105-114, doi:10.1079/BJN19910073.

    Examples
    --------
    >>> predicted_fat([24.69, 21.77], [40, 32], male=[1, 0]).round(1)
    array([20.5, 28.1])
    """
    index = check_range("mass_index", mass_index, 8.0, 80.0, unit="kg/m²")
    years = check_range("age", age, 4.0, 110.0, unit="years")
    m = np.asarray(male, float)
    adult_years = np.maximum(years, ADULT_AGE)
    adult = 64.5 - 848.0 / index + 0.079 * adult_years - 16.4 * m + 0.05 * m * adult_years + 39.0 * m / index
    child = 1.51 * index - 0.70 * np.minimum(years, 15.0) - 3.6 * m + 1.4
    grown = np.clip((years - 15.0) / 3.0, 0.0, 1.0)
    return np.asarray(np.clip(grown * adult + (1 - grown) * child, 4.0, 60.0))


def _ages(age: FloatArray, mass: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Ages with means where unknown, and their sd."""
    unknown = np.isnan(age)
    small = unknown & (mass < _LEAST_ADULT_MASS)
    grown_to = np.multiply(_GROWTH_INDEX, np.square(_GROWTH_HEIGHT))
    usual = np.where(small, np.interp(mass, grown_to, _GROWTH_AGE), _AGE[0])
    usual_sd = np.where(small, _AGE_BY_MASS_SD, _AGE[1])
    return np.where(unknown, usual, age), np.where(unknown, usual_sd, 0.0)


def _filled(
    mass: FloatArray, height: FloatArray, age: FloatArray, male: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mass and height with means where unknown, and the sd of the body mass index."""
    grown = age >= ADULT_AGE
    mean_height = np.where(
        grown,
        male * _HEIGHT["m"][0] + (1 - male) * _HEIGHT["f"][0],
        np.interp(age, _GROWTH_AGE, _GROWTH_HEIGHT),
    )
    index = np.where(grown, _MASS_INDEX[0], np.interp(age, _GROWTH_AGE, _GROWTH_INDEX))
    mean_mass = male * _MEAN_MASS["m"] + (1 - male) * _MEAN_MASS["f"]
    # A child's height follows from its mass by the body mass index, an adult's only leans towards it.
    leaning = np.where(grown, mean_height + _HEIGHT_OVER_MASS * (mass - mean_mass), np.sqrt(mass / index))
    # A heavy child is not as tall as an adult of that mass.
    least = np.where(grown, 0.9, np.interp(age, _GROWTH_AGE, _GROWTH_SHORT))
    most = np.where(grown, 2.3, np.interp(age, _GROWTH_AGE, _GROWTH_TALL))
    from_mass = np.clip(leaning, least, most)
    height_filled = np.where(np.isnan(height), np.where(np.isnan(mass), mean_height, from_mass), height)
    spread = male * _HEIGHT["m"][1] + (1 - male) * _HEIGHT["f"][1] + 0.08 * male * (1 - male)
    height_sd = np.where(np.isnan(height), spread, 0.0)
    mass_filled = np.where(np.isnan(mass), index * height_filled**2, mass)
    index_sd = np.where(np.isnan(mass), _MASS_INDEX[1], 2 * height_sd / height_filled * index)
    return mass_filled, height_filled, index_sd


def _need_like(mass: FloatArray, index: FloatArray, age: FloatArray, male: FloatArray) -> FloatArray:
    """Tissue volume less mass [L]: what a change in mass really does to buoyancy."""
    bounded = np.clip(index, 8.0, 80.0)
    return mass * (450.0 + predicted_fat(bounded, age, male=male)) / 495.0 - mass


def _predicted_sd(
    mass: FloatArray,
    index: FloatArray,
    age: FloatArray,
    male: FloatArray,
    age_sd: FloatArray,
    index_sd: FloatArray,
    moved: FloatArray,
) -> FloatArray:
    """Sd [L] of a tissue volume from predicted fat: the formula's own and what the unknowns add."""
    junior = age < ADULT_AGE
    stretch = 1 + 0.1 * (np.maximum(index - 35.0, 0.0) + np.maximum(17.0 - index, 0.0) * ~junior)
    formula = np.where(junior, JUNIOR_FORMULA_SD, FORMULA_SD) * mass * stretch
    more = _need_like(mass * (1 + moved), index + index_sd, age, male)
    less = _need_like(mass * (1 - moved), index - index_sd, age, male)
    older = _need_like(mass, index, age + age_sd, male) - _need_like(mass, index, age, male)
    men = _need_like(mass, index, age, np.ones_like(male))
    women = _need_like(mass, index, age, np.zeros_like(male))
    by_sex = (men - women) * np.sqrt(male * (1 - male))
    return np.asarray(np.sqrt(formula**2 + ((more - less) / 2) ** 2 + older**2 + by_sex**2))


def body(
    mass: ArrayLike,
    height: ArrayLike,
    *,
    age: ArrayLike,
    male: ArrayLike,
    body_fat: ArrayLike = np.nan,
) -> Body:
    """Tissue volume and its sd for whatever is known of each diver.

    Parameters
    ----------
    mass : float or array_like, shape (n,)
        Body mass; NaN unknown. [kg] Valid 20 to 250.
    height : float or array_like, broadcastable
        Body height; NaN unknown. [m] Valid 0.9 to 2.3.
    age : float or array_like, broadcastable
        Age; NaN unknown, and then taken for an adult's, below 40 kg for a child's. [years] Valid 4 to 110.
    male : float or array_like, broadcastable
        1 male, 0 female, NaN unknown. [-]
    body_fat : float or array_like, broadcastable
        Measured fat; NaN not measured. [%] Valid 2 to 65.

    Returns
    -------
    Body
        Nothing in it is NaN.

    Raises
    ------
    OutOfRangeError
        If a known input lies outside the range above.

    Notes
    -----
    With mass, height, age and sex known the sd is 0.012 kg per kg of body mass, the residual found against
    underwater weighing. Each unknown adds the spread it causes; where the body mass index is outside 17 to
    35 the formula is stretched and the sd grows. The error that all predictions share is not in the sd.

    Examples
    --------
    >>> known = body(80, 1.80, age=40, male=1)
    >>> float(known.volume.round(2)), float(known.volume_sd.round(2))
    (76.04, 0.96)
    """
    given_mass, given_height, given_age, given_male, fat = np.broadcast_arrays(
        check_range("mass", mass, 20.0, 250.0, unit="kg"),
        check_range("height", height, 0.9, 2.3, unit="m"),
        check_range("age", age, 4.0, 110.0, unit="years"),
        np.asarray(male, float),
        check_range("body_fat", body_fat, 2.0, 65.0, unit="%"),
    )
    years, years_sd = _ages(given_age, given_mass)
    sex = np.where(np.isnan(given_male), 0.5, given_male)
    kilograms, metres, index_sd = _filled(given_mass, given_height, years, sex)
    index = np.clip(kilograms / metres**2, 8.0, 80.0)
    # An error of the index at known mass comes from the height; with unknown mass it moves the mass too.
    moved = np.where(np.isnan(given_mass), index_sd / index, 0.0)
    junior = years < ADULT_AGE
    measured = ~np.isnan(fat)
    method = np.where(junior, JUNIOR_MEASURED_FAT_SD, MEASURED_FAT_SD) * kilograms / 495.0
    # Of an unknown mass, only the part that its own buoyancy does not carry counts.
    unweighed = moved * kilograms * np.abs((450.0 + np.nan_to_num(fat)) / 495.0 - 1)
    share = np.where(measured, fat, predicted_fat(index, years, male=sex))
    predicted_sd = _predicted_sd(kilograms, index, years, sex, years_sd, index_sd, moved)
    return Body(
        mass=kilograms,
        height=metres,
        age=years,
        male=sex,
        volume=tissue_volume(kilograms, share),
        volume_sd=np.where(measured, np.hypot(method, unweighed), predicted_sd),
        surface=surface_area(kilograms, metres),
        junior=junior,
        measured=measured,
        unknown=(np.isnan(given_mass) * 0.5 + np.isnan(given_height) * 0.5) * ~measured,
    )
