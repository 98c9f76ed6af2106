"""Regression on readings alone: one normal distribution, in closed form however small or great the noise.

Rows are brought down to a triangle of those within groups and one row a group, by orthogonal rotations:
squares of small differences would lose their digits. What is left for each choice of sds is small.

References
----------
Å. Björck, Numerical Methods for Least Squares Problems, SIAM (1996), sections 2.4 and 4.4 (rotations, rows
of very unlike weight); S. R. Searle, G. Casella and C. E. McCulloch, Variance Components, Wiley (1992),
chapter 3 (what lies within groups and between them).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model.observations import Observations

__all__ = ["Posterior", "Readings"]

FloatArray = NDArray[np.float64]

LOG_TAU: Final = 1.8378770664093453  # of 2 pi


def _triangle(rows: FloatArray) -> FloatArray:
    """As few rows as there are columns, with the same sums of squares and products."""
    return np.asarray(np.linalg.qr(rows, mode="r"), float)


@dataclass(frozen=True)
class Posterior:
    """Intercept and slopes under given sds, in units of their prior sds.

    Parameters
    ----------
    mean, precision, covariance : ndarray, shape (q,), (q, q), (q, q)
        Of intercept and slopes. [-]
    site_precision, site_shift : ndarray, shape (n,)
        What each row says of its expectation, as a normal curve.
    log_evidence : float
        Log marginal likelihood. [-]
    diver_sd, scatter : float
        Its derivatives in the logarithms of the offsets' sd and of the noise. [-]
    """

    mean: FloatArray
    precision: FloatArray
    covariance: FloatArray
    site_precision: FloatArray
    site_shift: FloatArray
    log_evidence: float
    diver_sd: float
    scatter: float


class Readings:
    """Rows that are all readings, ready for any sds.

    Parameters
    ----------
    rows : Observations
        n >= 1 readings, sorted by group; exposures in unit prior sds.
    """

    def __init__(self, rows: Observations) -> None:
        self.reading = rows.lower
        joint = np.column_stack([rows.exposure, rows.lower])
        starts = np.flatnonzero(np.diff(rows.diver, prepend=-1))
        self.size = np.diff(starts, append=len(joint))
        mean = np.add.reduceat(joint, starts, axis=0) / self.size[:, None]
        self.between = np.sqrt(self.size)[:, None] * mean
        self.within = _triangle(joint - np.repeat(mean, self.size, axis=0))

    def posterior(self, multiple: FloatArray, *, diver_sd: float, scatter: float) -> Posterior:
        """Posterior, evidence and its slope.

        Parameters
        ----------
        multiple : ndarray, shape (q,)
            Prior sds of intercept and slopes, in those of the exposures. [-]
        diver_sd, scatter : float
            Sds of the offsets of groups and of the noise; positive.
        """
        from scipy.linalg import solve_triangular

        q, count, groups = len(multiple), len(self.reading), len(self.size)
        scale = np.append(multiple, 1.0)
        within, between = self.within * scale, self.between * scale
        variance = scatter**2 + self.size * diver_sd**2
        weighed = [within / scatter, between / np.sqrt(variance)[:, None], np.eye(q, q + 1)]
        # The heavy rows come first: the rotations then keep the digits of the light ones.
        whole = _triangle(np.vstack(weighed))
        root = whole[:q, :q]
        mean = np.asarray(solve_triangular(root, whole[:q, q]))
        inverse = np.asarray(solve_triangular(root, np.eye(q)))
        log_size = 2 * (count - groups) * np.log(scatter) + float(np.sum(np.log(variance)))
        log_size += 2 * float(np.sum(np.log(np.abs(np.diag(root)))))
        square = float(np.sum(whole[q:, q] ** 2))
        # Expected squares of what is left, over their variances: one each where the sds are right.
        inside, outside = ((r[:, q] - r[:, :q] @ mean, r[:, :q] @ inverse) for r in (within, between))
        own = (inside[0] @ inside[0] + float(np.sum(inside[1] ** 2))) / scatter**2 - (count - groups)
        beyond = (outside[0] ** 2 + np.sum(outside[1] ** 2, axis=1)) / variance - 1
        part = scatter**2 / variance
        return Posterior(
            mean,
            root.T @ root,
            inverse @ inverse.T,
            np.full(count, scatter**-2.0),
            self.reading / scatter**2,
            -0.5 * (square + log_size + count * LOG_TAU),
            float(beyond @ (1 - part)),
            float(own + beyond @ part),
        )
