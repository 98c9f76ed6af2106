"""Posterior mode of all effects for given hyperparameters, and the Laplace marginal likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.model.elimination import Remainder, curvature_rows, eliminate, step
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Observations
from leadline.model.occasion import OccasionTerms, occasion_terms

__all__ = ["Effects", "Mode", "diver_variance", "expected_need", "solve"]

FloatArray = NDArray[np.float64]

MOST_STEPS: Final = 200
TOLERANCE: Final = 1e-7
"""Newton stops when the expected rise of the log posterior falls below this. [-]"""

NEAR: Final = 1.0
"""Expected rise below which steps use the true Hessian, where it is positive definite. [-]"""


@dataclass(frozen=True)
class Effects:
    """One value of the latent vector.

    Parameters
    ----------
    beta : ndarray, shape (p,)
        Shared effects, in prior sds. [-]
    diver : ndarray, shape (divers,)
        Offsets of the divers. [kg]
    suit : ndarray, shape (suits,)
        Offsets of divers in suits, in physics sds. [-]
    """

    beta: FloatArray
    diver: FloatArray
    suit: FloatArray

    def moved(self, other: tuple[FloatArray, FloatArray, FloatArray], size: float) -> Effects:
        """These effects plus `size` times a step."""
        return Effects(self.beta + size * other[0], self.diver + size * other[1], self.suit + size * other[2])


@dataclass(frozen=True)
class Mode:
    """Posterior mode and what the Laplace approximation needs around it.

    Parameters
    ----------
    effects : Effects
        At the mode.
    terms : OccasionTerms
        Log likelihood there.
    remainder : Remainder
        Negative Hessian there, divers eliminated.
    log_marginal : float
        Laplace approximation of the log marginal likelihood. [-]
    steps : int
        Newton steps taken.
    concave : bool
        False where the true Hessian was not positive definite and its concave part was used.
    """

    effects: Effects
    terms: OccasionTerms
    remainder: Remainder
    log_marginal: float
    steps: int
    concave: bool


def diver_variance(observations: Observations, theta: Hyperparameters) -> FloatArray:
    """Prior variance [kg²] of each diver's offset, shape (divers,)."""
    return theta.diver_sd**2 + (theta.body_factor * observations.body_sd) ** 2


def expected_need(observations: Observations, effects: Effects) -> FloatArray:
    """Expected need [kg] in the state of each row, shape (m,)."""
    o = observations
    return np.asarray(
        o.prior + o.exposure @ effects.beta + effects.diver[o.diver] + o.suit_weight * effects.suit[o.suit]
    )


def _log_effects(effects: Effects, variance: FloatArray, suit_variance: float) -> float:
    return float(
        -0.5
        * (
            effects.beta @ effects.beta
            + np.sum(effects.diver**2 / variance + np.log(variance))
            + np.sum(effects.suit**2) / suit_variance
            + len(effects.suit) * np.log(suit_variance)
        )
    )


def solve(observations: Observations, theta: Hyperparameters, *, start: Effects | None = None) -> Mode:
    """Find the posterior mode by Newton steps on the block structure.

    Parameters
    ----------
    observations : Observations
        m >= 1 rows.
    theta : Hyperparameters
        Held fixed.
    start : Effects, optional
        Where to begin; default all zero.

    Returns
    -------
    Mode
        At convergence.

    Raises
    ------
    FitError
        If the steps do not converge; the message says how far they came.

    Notes
    -----
    Steps use the concave part of the Hessian, so they always climb, with halving; the determinant uses
    the true Hessian where it is positive definite.
    """
    o = observations
    variance, suit_variance = diver_variance(o, theta), theta.suit_factor**2
    effects = start or Effects(
        np.zeros(o.n_exposures), np.zeros(len(o.body_sd)), np.zeros(len(o.suit_starts))
    )
    terms = occasion_terms(o, theta, expected_need(o, effects))
    value = float(terms.value) + _log_effects(effects, variance, suit_variance)
    close = start is not None
    for count in range(MOST_STEPS):
        for damping in (0.0, 0.1, 0.3, 1.0) if close else (1.0,):
            squares = curvature_rows(o, terms, damping=damping)
            remainder = eliminate(o, squares, diver_variance=variance, suit_variance=suit_variance)
            if remainder is not None:
                break
        if remainder is None:
            break
        slopes = (
            o.exposure.T @ terms.slope - effects.beta,
            np.bincount(o.diver, terms.slope, len(variance)) - effects.diver / variance,
            np.bincount(o.suit, terms.slope * o.suit_weight, len(o.suit_starts))
            - effects.suit / suit_variance,
        )
        move = step(o, remainder, beta_slope=slopes[0], diver_slope=slopes[1], suit_slope=slopes[2])
        rise = float(sum(np.sum(s * m) for s, m in zip(slopes, move, strict=True)))
        if rise < TOLERANCE and close:
            return Mode(
                effects, terms, remainder, value - 0.5 * remainder.log_determinant, count, damping == 0.0
            )
        close = rise < NEAR
        size = 1.0
        while True:
            candidate = effects.moved(move, size)
            candidate_terms = occasion_terms(o, theta, expected_need(o, candidate))
            candidate_value = float(candidate_terms.value) + _log_effects(candidate, variance, suit_variance)
            if candidate_value >= value + 1e-4 * size * rise - 1e-11 * abs(value):
                break
            size /= 2
            if size < 1e-6:
                raise FitError(
                    f"the fit stalled after {count} steps with {rise:.2g} still to gain: "
                    "look for records that contradict each other",
                    {"steps": float(count), "rise": rise},
                )
        effects, terms, value = candidate, candidate_terms, candidate_value
    raise FitError(
        f"the fit did not converge in {MOST_STEPS} steps: look for records that contradict each other",
        {"steps": float(MOST_STEPS), "value": value},
    )
