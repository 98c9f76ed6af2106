"""Gaussian posterior on the nest of occasions in suits in divers in the population, by elimination.

The latent vector is (beta, diver offsets a, diver-in-suit offsets c, scatter e of occasions with several
observations). Given Gaussian sites for the rows, e, c and a are scalars that fall away one after the
other by Schur complements; a p by p remainder for beta is left, so one solution is linear in the number
of rows and independent of how divers are grouped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky, solve_triangular

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Observations

__all__ = ["Moments", "Share", "Variances", "eliminate", "moments"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Variances:
    """Prior variances of the latent scalars.

    Parameters
    ----------
    diver : ndarray, shape (divers,)
        Of the offsets. [kg²]
    suit : float
        Of the standardised diver-in-suit offsets. [-]
    occasion : ndarray, shape (occasions,)
        Of the scatter; 0 where a single observation carries it as noise. [kg²]
    """

    diver: FloatArray
    suit: float
    occasion: FloatArray

    @classmethod
    def of(cls, observations: Observations, theta: Hyperparameters) -> Variances:
        """Variances for `observations` under `theta`."""
        return cls(
            theta.diver_sd**2 + (theta.body_factor * observations.body_sd) ** 2,
            theta.suit_factor**2,
            np.where(observations.is_shared, theta.scatter**2, 0.0),
        )


@dataclass(frozen=True)
class Share:
    """What the rows say about beta once all scalars are eliminated, and the way back.

    Parameters
    ----------
    precision, shift : ndarray, shape (p, p), (p,)
        Natural parameters added to those of beta's prior.
    log_determinant : float
        Of the scalars' posterior precision times their prior variance.
    occasion_inverse, suit_precision, diver_precision : ndarray
        Pivots, shapes (occasions,), (suits,), (divers,).
    occasion_one, occasion_suit, occasion_beta : ndarray, shape (occasions,), (occasions,), (occasions, p)
        Couplings of e to a, c and beta.
    suit_one, suit_beta : ndarray, shape (suits,), (suits, p)
        Couplings of c to a and beta.
    diver_beta : ndarray, shape (divers, p)
        Coupling of a to beta.
    occasion_shift, suit_shift, diver_shift : ndarray
        Right-hand sides met on the way.
    """

    precision: FloatArray
    shift: FloatArray
    log_determinant: float
    occasion_inverse: FloatArray
    suit_precision: FloatArray
    diver_precision: FloatArray
    occasion_one: FloatArray
    occasion_suit: FloatArray
    occasion_beta: FloatArray
    suit_one: FloatArray
    suit_beta: FloatArray
    diver_beta: FloatArray
    occasion_shift: FloatArray
    suit_shift: FloatArray
    diver_shift: FloatArray


def _sum(values: FloatArray, starts: NDArray[np.int64]) -> FloatArray:
    return np.asarray(np.add.reduceat(values, starts, axis=0))


def eliminate(
    observations: Observations, variances: Variances, precision: FloatArray, shift: FloatArray
) -> Share:
    """Eliminate occasions, suits and divers.

    Parameters
    ----------
    observations : Observations
        m >= 1 rows.
    variances : Variances
        Of the scalars.
    precision, shift : ndarray, shape (m,)
        Natural parameters of each row's site, in need; precision at least 0. [1/kg², 1/kg]

    Returns
    -------
    Share
        For `moments`.
    """
    o = observations
    z, w, t = o.exposure, o.suit_weight, precision
    b = shift - t * o.prior
    tz = t[:, None] * z
    one, suit, beta = (_sum(v, o.occasion_starts) for v in (t, t * w, tz))
    shift_one = _sum(b, o.occasion_starts)
    inverse = variances.occasion / (1 + variances.occasion * one)
    left = 1 - inverse * one
    # Suits: sums over their occasions, the scatter of each occasion taken out.
    taken = inverse * suit
    suit_precision = 1 / variances.suit + _sum(
        _sum(t * w**2, o.occasion_starts) - taken * suit, o.suit_occasion_starts
    )
    suit_one = _sum(suit * left, o.suit_occasion_starts)
    suit_beta = _sum(_sum(tz * w[:, None], o.occasion_starts) - taken[:, None] * beta, o.suit_occasion_starts)
    suit_shift = _sum(_sum(b * w, o.occasion_starts) - taken * shift_one, o.suit_occasion_starts)
    ratio = suit_one / suit_precision
    # Divers: sums over their suits.
    diver_precision = 1 / variances.diver + _sum(
        _sum(one * left, o.suit_occasion_starts) - ratio * suit_one, o.diver_suit_starts
    )
    diver_beta = _sum(
        _sum(beta * left[:, None], o.suit_occasion_starts) - ratio[:, None] * suit_beta, o.diver_suit_starts
    )
    diver_shift = _sum(
        _sum(shift_one * left, o.suit_occasion_starts) - ratio * suit_shift, o.diver_suit_starts
    )
    information = (
        z.T @ tz
        - beta.T @ (inverse[:, None] * beta)
        - suit_beta.T @ (suit_beta / suit_precision[:, None])
        - diver_beta.T @ (diver_beta / diver_precision[:, None])
    )
    return Share(
        (information + information.T) / 2,
        b @ z
        - (inverse * shift_one) @ beta
        - (suit_shift / suit_precision) @ suit_beta
        - (diver_shift / diver_precision) @ diver_beta,
        float(
            np.sum(np.log1p(variances.occasion * one))
            + np.sum(np.log(suit_precision * variances.suit))
            + np.sum(np.log(diver_precision * variances.diver))
        ),
        inverse,
        suit_precision,
        diver_precision,
        one,
        suit,
        beta,
        suit_one,
        suit_beta,
        diver_beta,
        shift_one,
        suit_shift,
        diver_shift,
    )


@dataclass(frozen=True)
class Moments:
    """Posterior means and variances, given beta's.

    Parameters
    ----------
    beta, diver, suit, occasion : ndarray
        Means of the latent vector, shapes (p,), (divers,), (suits,), (occasions,).
    diver_square, suit_square, occasion_square : ndarray
        Posterior expectations of the squares of the scalars.
    need, need_variance : ndarray, shape (m,)
        Expected need in the state of each row, the shared scatter included. [kg, kg²]
    """

    beta: FloatArray
    diver: FloatArray
    suit: FloatArray
    occasion: FloatArray
    diver_square: FloatArray
    suit_square: FloatArray
    occasion_square: FloatArray
    need: FloatArray
    need_variance: FloatArray


def _column(values: FloatArray) -> FloatArray:
    return values[:, None]


def moments(observations: Observations, share: Share, beta: FloatArray, precision: FloatArray) -> Moments:
    """Means and variances of everything, for a Gaussian beta.

    Parameters
    ----------
    observations : Observations
        The rows behind `share`.
    share : Share
        From `eliminate`.
    beta, precision : ndarray, shape (p,), (p, p)
        Posterior mean and precision of beta.

    Returns
    -------
    Moments
        Each variance is gathered pivot by pivot on the way from the row to beta.
    """
    o, s = observations, share
    k, c, a = s.occasion_inverse, s.suit_precision, s.diver_precision
    od, os = o.suit_diver, o.occasion_suit
    diver = (s.diver_shift - s.diver_beta @ beta) / a
    suit = (s.suit_shift - s.suit_beta @ beta - s.suit_one * diver[od]) / c
    pulled = s.occasion_suit * suit[os] + s.occasion_one * diver[od[os]] + s.occasion_beta @ beta
    occasion = k * (s.occasion_shift - pulled)
    root = cholesky(precision, lower=True) if len(beta) else precision

    def spread(of_beta: FloatArray) -> FloatArray:
        if not len(beta):
            return np.zeros(len(of_beta))
        return np.asarray(np.sum(solve_triangular(root, of_beta.T, lower=True) ** 2, axis=0))

    def from_diver(weight: FloatArray, of_beta: FloatArray, at: NDArray[np.int64]) -> FloatArray:
        return weight**2 / a[at] + spread(of_beta - _column(weight / a[at]) * s.diver_beta[at])

    def from_suit(
        weight: FloatArray, one: FloatArray, of_beta: FloatArray, at: NDArray[np.int64]
    ) -> FloatArray:
        ratio = weight / c[at]
        rest = from_diver(one - ratio * s.suit_one[at], of_beta - _column(ratio) * s.suit_beta[at], od[at])
        return weight * ratio + rest

    row = o.occasion
    need_variance = k[row] + from_suit(
        o.suit_weight - (k * s.occasion_suit)[row],
        (1 - k * s.occasion_one)[row],
        o.exposure - (_column(k) * s.occasion_beta)[row],
        o.suit,
    )
    divers, suits = np.arange(len(a)), np.arange(len(c))
    shared = np.flatnonzero(o.is_shared)
    ks = k[shared]
    occasion_square = np.zeros(len(k))
    occasion_square[shared] = occasion[shared] ** 2 + (
        ks
        + from_suit(
            -ks * s.occasion_suit[shared],
            -ks * s.occasion_one[shared],
            -_column(ks) * s.occasion_beta[shared],
            os[shared],
        )
    )
    return Moments(
        beta,
        diver,
        suit,
        occasion,
        diver**2 + from_diver(np.ones(len(a)), np.zeros((len(a), len(beta))), divers),
        suit**2 + from_suit(np.ones(len(c)), np.zeros(len(c)), np.zeros((len(c), len(beta))), suits),
        occasion_square,
        o.prior + o.exposure @ beta + diver[o.diver] + o.suit_weight * suit[o.suit] + occasion[row],
        need_variance,
    )


def beta_posterior(share: Share) -> tuple[FloatArray, FloatArray, float]:
    """Mean and precision of beta under its prior N(0, I), and the log determinant of the precision."""
    p = len(share.shift)
    precision = share.precision + np.eye(p)
    if not p:
        return np.zeros(0), precision, 0.0
    root = cholesky(precision, lower=True)
    return cho_solve((root, True), share.shift), precision, 2 * float(np.log(np.diag(root)).sum())
