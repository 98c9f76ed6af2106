"""The normal distribution function and its logarithm, to the last digits in both tails.

Whoever asks for one lead waits for what has to be loaded first, and a library of special functions takes
longer to load than an answer takes to reckon. For a few numbers Python's own `math.erfc` is quickest; many
are done at once by rational approximations; for very many the library is worth the wait.
"""

from __future__ import annotations

from math import erfc, exp, log, sqrt
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["distribution", "log_distribution", "quantile"]

FloatArray = NDArray[np.float64]
Quotient = tuple[tuple[float, ...], tuple[float, ...]]

FEW: Final = 500  # numbers
MANY: Final = 1_000_000  # numbers from which on it pays to wait for a library
BLOCK: Final = 16384  # numbers that, with what is reckoned on the way, fit a processor's cache
ROOT_HALF: Final = 0.7071067811865476
LOG_ROOT_TAU: Final = 0.9189385332046727  # of 2 pi
STEPS: Final = 50
CLOSE: Final = 4e-15
"""Most steps to a quantile, ten times what it takes, and the step that ends them. [-, -]"""
FAR: Final = -25.0
"""Score below which the series takes over, long before the chance is too small for a number. [-]"""

# W. J. Cody, "Rational Chebyshev approximations for the error function", Math. Comp. 23 (1969) 631-637,
# doi:10.1090/S0025-5718-1969-0247736-4; the coefficients from memory, held against other libraries by test.
_NEAR: Final = 0.46875
_WIDE: Final = 4.0
_SURE: Final = -6.0  # below it, the function is 2 to the last digit
_ONE_OVER_ROOT_PI: Final = 0.5641895835477563
_SMALL: Final[Quotient] = (
    (1.85777706184603153e-1, 3.16112374387056560, 1.13864154151050156e2, 3.77485237685302021e2,
     3.20937758913846947e3),
    (1.0, 2.36012909523441209e1, 2.44024637934444173e2, 1.28261652607737228e3, 2.84423683343917062e3),
)  # fmt: skip
_MIDDLE: Final[Quotient] = (
    (2.15311535474403846e-8, 5.64188496988670089e-1, 8.88314979438837594, 6.61191906371416295e1,
     2.98635138197400131e2, 8.81952221241769090e2, 1.71204761263407058e3, 2.05107837782607147e3,
     1.23033935479799725e3),
    (1.0, 1.57449261107098347e1, 1.17693950891312499e2, 5.37181101862009858e2, 1.62138957456669019e3,
     3.29079923573345963e3, 4.36261909014324716e3, 3.43936767414372164e3, 1.23033935480374942e3),
)  # fmt: skip
_LARGE: Final[Quotient] = (
    (1.63153871373020978e-2, 3.05326634961232344e-1, 3.60344899949804439e-1, 1.25781726111229246e-1,
     1.60837851487422766e-2, 6.58749161529837803e-4),
    (1.0, 2.56852019228982242, 1.87295284992346725, 5.27905102951428412e-1, 6.05183413124413191e-2,
     2.33520497626869185e-3),
)  # fmt: skip


def _quotient(coefficients: Quotient, at: FloatArray) -> FloatArray:
    """Quotient of two polynomials by Horner's rule; the lower one begins with 1."""
    (first, second, *above_rest), (_, last, *below_rest) = coefficients
    above, below = first * at, at + last
    above += second
    for over, under in zip(above_rest, below_rest, strict=True):
        above *= at
        above += over
        below *= at
        below += under
    above /= below
    return above


def _near(x: FloatArray) -> FloatArray:
    """Complementary error function up to `_NEAR`."""
    return np.asarray(1 - x * _quotient(_SMALL, x * x))


def _middle(x: FloatArray) -> FloatArray:
    """The same between `_NEAR` and `_WIDE`."""
    y = np.abs(x)
    tail = np.exp(-y * y)
    tail *= _quotient(_MIDDLE, y)
    return np.asarray(np.where(x > 0, tail, 2 - tail))


def _wide(x: FloatArray) -> FloatArray:
    """The same beyond `_WIDE`."""
    y = np.abs(x)
    tail, inverse = np.exp(-y * y), 1 / (y * y)
    tail *= (_ONE_OVER_ROOT_PI - inverse * _quotient(_LARGE, inverse)) / y
    return np.asarray(np.where(x > 0, tail, 2 - tail))


def _block(x: FloatArray) -> FloatArray:
    """Complementary error function of many numbers."""
    y = np.abs(x)
    found = np.full_like(x, 2.0)  # what is below _SURE stays so
    near, wide = y <= _NEAR, y > _WIDE
    for these, way in ((near, _near), (~(near | wide), _middle), (wide & (x >= _SURE), _wide)):
        # Places are quicker to read and to write than a mask, where there are many.
        if len(places := np.flatnonzero(these)):
            found[places] = way(x.take(places))
    return found


def distribution(score: ArrayLike) -> FloatArray:
    """Chance that a standard normal is below a score.

    Parameters
    ----------
    score : array_like
        Any shape; NaN gives NaN. [-]

    Returns
    -------
    ndarray
        Same shape. [-]

    Examples
    --------
    >>> distribution([-1.96, 0.0]).round(4)
    array([0.025, 0.5  ])
    """
    z = np.asarray(score, float)
    if z.size <= FEW:
        x = (z * -ROOT_HALF).ravel()
        found = np.fromiter(map(erfc, x.tolist()), float, len(x))
        found *= 0.5
    elif z.size < MANY:
        flat, found = z.ravel(), np.empty(z.size)
        for i in range(0, len(flat), BLOCK):
            np.multiply(_block(flat[i : i + BLOCK] * -ROOT_HALF), 0.5, out=found[i : i + BLOCK])
    else:
        from scipy.special import ndtr

        return np.asarray(ndtr(z))
    return np.asarray(found.reshape(z.shape))


def log_distribution(score: ArrayLike) -> FloatArray:
    """Logarithm of that chance.

    Parameters
    ----------
    score : array_like
        Any shape; NaN gives NaN. [-]

    Returns
    -------
    ndarray
        Same shape; exact where the chance itself is too small for a number. [-]

    Examples
    --------
    >>> log_distribution([-40.0]).round(3)
    array([-804.608])
    """
    z = np.asarray(score, float)
    tail = distribution(-np.abs(z))
    with np.errstate(divide="ignore"):
        found = np.asarray(np.where(z > 0, np.log1p(-tail), np.log(tail)))
    far = np.isfinite(z) & (z < FAR)
    if far.any():
        square = z[far] ** -2.0
        series = 1 - square * (1 - 3 * square * (1 - 5 * square * (1 - 7 * square * (1 - 9 * square))))
        found[far] = -0.5 * z[far] ** 2 - np.log(-z[far]) - LOG_ROOT_TAU + np.log(series)
    return found


def quantile(chance: float) -> float:
    """Score below which a standard normal is with a given chance.

    Parameters
    ----------
    chance : float
        Between 0 and 1. [-]

    Returns
    -------
    float
        [-]

    Notes
    -----
    Newton's rule on the logarithm of the chance, which bends one way only, so that from below it cannot miss.
    A chance is less than exp(-z²/2), which gives the beginning.

    Examples
    --------
    >>> round(quantile(0.05), 6)
    -1.644854
    """
    tail = min(chance, 1 - chance)
    z = -sqrt(-2 * log(tail))
    for _ in range(STEPS):
        below = 0.5 * erfc(-z * ROOT_HALF)
        step = log(below / tail) * below / exp(-0.5 * z * z - LOG_ROOT_TAU)
        z -= step
        if abs(step) <= CLOSE * max(1.0, -z):
            break
    return z if chance < 0.5 else abs(z)
