"""The mode of the hyperparameters' posterior for a book that is searched as a whole, and the curvature there.

Climbed to by the slopes of single divers, which costs a tenth of a search where the model describes the book,
and then one step of Newton's rule by the exact curvature. Where records are at odds with the model the
climb's curvature may mislead: then a search begins once more from the middle of the prior.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.frozen import dataclass
from leadline.model.climb import Climb, curvature, step_to_top
from leadline.model.hyperparameters import CENTRE, SPREAD, log_prior
from leadline.model.observations import Observations
from leadline.model.propagation import TOLERANCE
from leadline.model.search import REACH, Height, Looks, covariance_around, sought
from leadline.model.sites import Propagation, Sites, Start

__all__ = ["Mode", "climbed", "mode"]

FloatArray = NDArray[np.float64]

GAIN: Final = 0.05
"""Nats that one step more of a climb must promise. [-]"""

MOST_STEPS: Final = 40
"""Settlings of a climb. [-]"""

MOST_ENDS: Final = 3
PARTS: Final = (1.0, 0.5, 0.1)
"""Steps of Newton's rule with a curvature of its own each, and the parts of one that are tried. [-, -]"""

CLOSE: Final = 0.5
"""Posterior sds that one step more may move a hyperparameter after a climb, else it is searched for. [-]"""


@dataclass(frozen=True)
class Mode:
    """Hyperparameters of the highest posterior, in prior sds around the prior median; k of them.

    Parameters
    ----------
    posterior : Height
        What was climbed.
    point : ndarray, shape (k,)
        The mode. [-]
    settled : Propagation
        Sites there.
    covariance : ndarray, shape (k, k)
        From the curvature of the log posterior. [-]
    left : ndarray, shape (k,)
        By how much one step more would move each, in its posterior sd. [-]
    rounds : int
        Steps that led upwards.
    looks : Looks
        What the curvature was found by.
    """

    posterior: Height
    point: FloatArray
    settled: Propagation
    covariance: FloatArray
    left: FloatArray
    rounds: int
    looks: Looks

    def diagnostics(self, observations: Observations) -> dict[str, float]:
        """As of `Fit`."""
        return {
            "observations": float(len(observations)),
            "divers": float(len(observations.body_sd)),
            "log_evidence": self.settled.log_evidence,
            "rounds": float(self.rounds),
            "calls": float(self.posterior.calls),
            "sweeps": float(self.posterior.sweeps),
            "settled_sweeps": float(self.settled.sweeps),
            "left": float(self.left.max()),
        }

    @property
    def height(self) -> float:
        """Log of the marginal posterior, up to a constant."""
        return _top(self.settled, self.point)


def climbed(observations: Observations) -> tuple[Climb, Start] | None:
    """A climb from the middle of the prior and its sites; None where it did not arrive in a few steps."""
    columns = observations.n_exposures
    climb = Climb(np.zeros(len(CENTRE)), np.zeros(columns), np.eye(columns), hasty=True)
    found = climb.up(observations, enough=GAIN, most=MOST_STEPS)
    return (climb, found.start) if climb.arrived else None


def _slope(settled: Propagation, point: FloatArray) -> FloatArray:
    return np.asarray(settled.gradient * SPREAD - point)


def _top(settled: Propagation, point: FloatArray) -> float:
    return settled.log_evidence + log_prior(CENTRE + SPREAD * point)


def _step(covariance: FloatArray, settled: Propagation, point: FloatArray) -> tuple[FloatArray, FloatArray]:
    """To the top of a parabola within the range, and how far that is in posterior sds."""
    slope = _slope(settled, point)
    step = covariance @ slope
    if np.abs(point + step).max() > REACH:
        step = step_to_top(point, np.asarray(np.linalg.inv(covariance), float), slope)
    return step, np.abs(step) / np.sqrt(np.diag(covariance))


def _ended(
    posterior: Height, point: FloatArray, begin: Start | None, rounds: int, curve: FloatArray | None = None
) -> Mode:
    """Steps of Newton's rule to the mode: one where a climb arrived, more where a search gave up.

    `curve` is about the curvature; without it that of single divers' slopes is taken.
    """
    settled = posterior.at(point, start=begin, sketch=False, tolerance=TOLERANCE, inform=curve is None)
    around = curvature(settled)[0] if curve is None else curve
    for _ in range(MOST_ENDS):
        root = np.linalg.cholesky(np.linalg.inv(around))
        covariance, looks = covariance_around(posterior, point, settled, root)
        around = np.asarray(np.linalg.inv(covariance))
        step, left = _step(covariance, settled, point)
        found = _uphill(posterior, point, settled, step)
        if found is None:
            break
        point, settled = found
        rounds += 1
        left = _step(covariance, settled, point)[1]
        if left.max() <= CLOSE:
            break
    return Mode(posterior, point, settled, covariance, left, rounds, looks)


def _uphill(
    posterior: Height, point: FloatArray, settled: Propagation, step: FloatArray
) -> tuple[FloatArray, Propagation] | None:
    """The whole step or a part of it, whichever leads upwards first; None if none does."""
    for part in PARTS:
        there = np.clip(point + part * step, -REACH, REACH)
        try:
            moved = posterior.at(there, start=settled.start, sketch=False, tolerance=TOLERANCE)
        except FitError:
            continue  # sites that do not settle there may settle nearer
        if _top(moved, there) >= _top(settled, point):
            return there, moved
    return None


def mode(observations: Observations, *, notify: Callable[[str], None] | None = None) -> Mode:
    """The mode, and the curvature there.

    Parameters
    ----------
    observations : Observations
        m >= 1 rows.
    notify : callable, optional
        Called with a short text as the work goes on.

    Returns
    -------
    Mode
        `posterior` counts what it took.

    Raises
    ------
    FitError
        If it does not converge, or the sites at the mode do not settle.
    """
    if notify:
        notify(f"hyperparameters of {len(observations)} observations")
    calls = sweeps = 0
    begun = climbed(observations)
    if begun is not None:
        climb, begin = begun
        posterior = Height(observations, notify)
        posterior.calls, posterior.sweeps = climb.calls, climb.sweeps
        try:
            found = _ended(posterior, climb.point, begin, climb.rounds, climb.corrected)
        except FitError:
            found = None  # sites that do not settle there may settle at another mode
        if found is not None and found.left.max() <= CLOSE:
            return found
        calls, sweeps = posterior.calls, posterior.sweeps
    posterior = Height(observations, notify)
    posterior.calls, posterior.sweeps = calls, sweeps
    searched = sought(posterior)
    point, rounds, columns = np.asarray(searched.x), int(searched.nit), observations.n_exposures
    try:
        return _ended(posterior, point, None, rounds)
    except FitError:
        # Records at odds that chase each other from where the search left them may settle from nothing.
        return _ended(posterior, point, Start(Sites.flat(0), np.zeros(columns), np.eye(columns)), rounds)
