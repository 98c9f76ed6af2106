"""Gaussian stand-ins of observations, and what follows from them once they have settled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass

__all__ = ["Cavity", "Propagation", "Sites", "Start"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Sites:
    """Gaussian stand-ins of the observations, natural parameters in need; shape (m,) each."""

    precision: FloatArray
    shift: FloatArray

    @classmethod
    def flat(cls, count: int) -> Sites:
        """Sites that say nothing yet."""
        return cls(np.zeros(count), np.zeros(count))


@dataclass(frozen=True)
class Start:
    """Where to begin: sites, and the posterior of beta that belongs to them."""

    sites: Sites
    mean: FloatArray
    covariance: FloatArray


@dataclass(frozen=True)
class Cavity:
    """Expected need of each row as all other rows and the prior leave it; mean and variance, shape (m,)."""

    mean: FloatArray
    variance: FloatArray


@dataclass(frozen=True)
class Propagation:
    """Settled sites and what follows from them.

    Parameters
    ----------
    mean, precision : ndarray, shape (p,), (p, p)
        Posterior of beta, the shared effects.
    need, need_variance : ndarray, shape (m,)
        Expected need of each row; the scatter it shares with other rows included. [kg, kg²]
    offset, offset_variance : ndarray, shape (divers,)
        Each diver's offset at its latest time. [kg, kg²]
    start : Start
        For a warm start.
    cavity : Cavity
        For what each row adds.
    log_evidence : float
        Log marginal likelihood.
    gradient : ndarray, shape (k,)
        Its derivative with respect to the unconstrained hyperparameters.
    sweeps : int
        Sweeps over all rows until the sites settled.
    information : ndarray, shape (k + p, k + p), optional
        Sum over the divers of the squares of their own slopes in hyperparameters and shared effects.
    """

    mean: FloatArray
    precision: FloatArray
    need: FloatArray
    need_variance: FloatArray
    offset: FloatArray
    offset_variance: FloatArray
    start: Start
    cavity: Cavity
    log_evidence: float
    gradient: FloatArray
    sweeps: int
    information: FloatArray | None = None
