"""One Newton system on the block structure: occasions to suits to divers to the population.

The latent vector is (beta, all diver offsets a, all diver-in-suit offsets c). Its negative Hessian is
diagonal in c, then in a once the suits are eliminated, with a border of the few betas: two scalar Schur
complements a diver leave a p by p remainder, so one step is linear in the number of rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from leadline.model.observations import Observations
from leadline.model.occasion import OccasionTerms

__all__ = ["Curvature", "Remainder", "curvature_rows", "eliminate"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Curvature:
    """Negative Hessian of the log likelihood as a weighted sum of squares of rows.

    Parameters
    ----------
    weight : ndarray, shape (m,)
        Weight of each square; negative where the mixture is not concave. [1/kg²]
    exposure, suit_weight, diver_weight : ndarray, shape (m, p), (m,), (m,)
        What each row of the square sees of beta, c and a. [kg], [kg], [-]
    """

    weight: FloatArray
    exposure: FloatArray
    suit_weight: FloatArray
    diver_weight: FloatArray


def curvature_rows(observations: Observations, terms: OccasionTerms, *, damping: float = 0.0) -> Curvature:
    """Squares whose sum is the negative Hessian of the log likelihood.

    Parameters
    ----------
    observations : Observations
        m rows.
    terms : OccasionTerms
        At one vector of expected needs, shape (m,).
    damping : float
        Share of the damping to add, 0 (true Hessian) to 1 (a step that always climbs; what is still
        negative is clipped). [-]

    Returns
    -------
    Curvature
        Rows alone in their occasion as they are; those that share one turned to its eigenvectors.
    """
    o = observations
    weight = np.zeros(len(o))
    diver_weight = np.ones(len(o))
    weight[o.single] = -terms.curvature
    weight[o.single] += damping * terms.damping[o.single]
    if damping >= 1:
        weight = np.maximum(weight, 0.0)
    if not o.shared.size:
        return Curvature(weight, o.exposure, o.suit_weight, diver_weight)
    real = o.shared >= 0
    gather = np.where(real, o.shared, 0)
    blocks = -terms.blocks
    index = np.arange(blocks.shape[1])
    blocks[:, index, index] += np.where(real, damping * terms.damping[gather], 0.0)
    values, vectors = np.linalg.eigh(blocks)
    if damping >= 1:
        values = np.maximum(values, 0.0)
    vectors = vectors * real[:, :, None]
    exposure, suit_weight = o.exposure.copy(), o.suit_weight.copy()
    # An occasion of k rows has k eigenvectors that live on its real rows; padding adds null ones, which
    # sort anywhere among the eigenvalues, so keep the k with the largest share on real rows.
    keep = np.argsort(-np.sum(vectors**2, axis=1), axis=1, kind="stable")
    values = np.take_along_axis(values, keep, axis=1)
    vectors = np.take_along_axis(vectors, keep[:, None, :], axis=2)
    rows = o.shared[real]
    weight[rows] = values[real]
    exposure[rows] = np.einsum("okj,okp->ojp", vectors, o.exposure[gather])[real]
    suit_weight[rows] = np.einsum("okj,ok->oj", vectors, o.suit_weight[gather])[real]
    diver_weight[rows] = vectors.sum(axis=1)[real]
    return Curvature(weight, exposure, suit_weight, diver_weight)


@dataclass(frozen=True)
class Remainder:
    """What is left of the Newton system after all divers are eliminated, and how to go back.

    Parameters
    ----------
    precision : ndarray, shape (p, p)
        Posterior precision of beta. [-]
    log_determinant : float
        Of the whole negative Hessian.
    suit_precision, diver_precision : ndarray, shape (suits,), (divers,)
        Diagonals met on the way.
    suit_diver : ndarray, shape (suits,)
        Coupling of each suit to its diver.
    suit_beta, diver_beta : ndarray, shape (suits, p), (divers, p)
        Couplings to beta.
    """

    precision: FloatArray
    log_determinant: float
    suit_precision: FloatArray
    diver_precision: FloatArray
    suit_diver: FloatArray
    suit_beta: FloatArray
    diver_beta: FloatArray


def _by_suit(observations: Observations, values: FloatArray) -> FloatArray:
    return np.asarray(np.add.reduceat(values, observations.suit_starts, axis=0))


def _by_diver(observations: Observations, values: FloatArray) -> FloatArray:
    return np.asarray(np.add.reduceat(values, observations.diver_suit_starts, axis=0))


def eliminate(
    observations: Observations,
    curvature: Curvature,
    *,
    diver_variance: FloatArray,
    suit_variance: float,
) -> Remainder | None:
    """Eliminate suits and divers from the negative Hessian.

    Parameters
    ----------
    observations : Observations
        m rows, at least one.
    curvature : Curvature
        Squares of the log likelihood.
    diver_variance : ndarray, shape (divers,)
        Prior variance of each diver's offset. [kg²]
    suit_variance : float
        Prior variance of the standardised diver-in-suit offsets. [-]

    Returns
    -------
    Remainder or None
        None where the matrix is not positive definite.
    """
    o, q = observations, curvature
    wx = q.weight * q.suit_weight
    wd = q.weight * q.diver_weight
    suit_precision = 1 / suit_variance + _by_suit(o, wx * q.suit_weight)
    if np.any(suit_precision <= 0):
        return None
    suit_diver = _by_suit(o, wx * q.diver_weight)
    suit_beta = _by_suit(o, wx[:, None] * q.exposure)
    diver_precision = 1 / diver_variance + _by_diver(
        o, _by_suit(o, wd * q.diver_weight) - suit_diver**2 / suit_precision
    )
    if np.any(diver_precision <= 0):
        return None
    ratio = suit_diver / suit_precision
    diver_beta = _by_diver(o, _by_suit(o, wd[:, None] * q.exposure) - ratio[:, None] * suit_beta)
    scaled_suit = suit_beta / suit_precision[:, None]
    scaled_diver = diver_beta / diver_precision[:, None]
    precision = (
        np.eye(o.n_exposures)
        + q.exposure.T @ (q.weight[:, None] * q.exposure)
        - suit_beta.T @ scaled_suit
        - diver_beta.T @ scaled_diver
    )
    precision = (precision + precision.T) / 2
    if o.n_exposures and np.linalg.eigvalsh(precision)[0] <= 0:
        return None
    log_determinant = np.linalg.slogdet(precision)[1]
    return Remainder(
        precision,
        float(log_determinant + np.log(suit_precision).sum() + np.log(diver_precision).sum()),
        suit_precision,
        diver_precision,
        suit_diver,
        suit_beta,
        diver_beta,
    )


def step(
    observations: Observations,
    remainder: Remainder,
    *,
    beta_slope: FloatArray,
    diver_slope: FloatArray,
    suit_slope: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Solve the Newton system for a gradient.

    Parameters
    ----------
    observations : Observations
        The rows behind `remainder`.
    remainder : Remainder
        From `eliminate`.
    beta_slope, diver_slope, suit_slope : ndarray, shape (p,), (divers,), (suits,)
        Gradient of the log posterior.

    Returns
    -------
    beta, diver, suit : ndarray
        Inverse negative Hessian times the gradient, same shapes.
    """
    o, r = observations, remainder
    ratio = r.suit_diver / r.suit_precision
    diver_left = diver_slope - _by_diver(o, ratio * suit_slope)
    beta_left = (
        beta_slope
        - r.suit_beta.T @ (suit_slope / r.suit_precision)
        - r.diver_beta.T @ (diver_left / r.diver_precision)
    )
    beta = cho_solve(cho_factor(r.precision), beta_left) if len(beta_left) else beta_left
    diver = (diver_left - r.diver_beta @ beta) / r.diver_precision
    suit = (suit_slope - r.suit_beta @ beta - r.suit_diver * diver[o.suit_diver]) / r.suit_precision
    return beta, diver, suit
