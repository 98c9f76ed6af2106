"""The mode of the hyperparameters' posterior for a book that is searched as a whole, and the curvature there.

Climbed to by the slopes of single divers, which costs a tenth of a search where the model describes the book,
and then one step of Newton's rule by the exact curvature. Where records are at odds with the model the
climb's curvature may mislead: then a search begins once more from the middle of the prior.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
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

__all__ = ["MOST_LEFT", "Mode", "climbed", "mode"]

FloatArray = NDArray[np.float64]

GAIN: Final = 0.05
"""Nats that one step more of a climb must promise: what is left, a step of Newton's rule does. [-]"""

MOST_STEPS: Final = 40
"""Settlings of a climb. [-]"""

MOST_ENDS: Final = 3
PARTS: Final = (1.0, 0.5, 0.1)
"""Steps of Newton's rule with a curvature of its own each, and the parts of one that are tried. [-, -]"""

CLOSE: Final = 0.5
"""Posterior sds that one step more may move a hyperparameter after a climb, else it is searched for. [-]"""

MOST_LEFT: Final = 1.0
"""Posterior sds by which one step more may move a hyperparameter of a fit that has converged. (judged: most
stay below 0.5)"""


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
    def converged(self) -> bool:
        """Whether one step more would lead nowhere else."""
        return bool(self.left.max() <= MOST_LEFT)

    @property
    def height(self) -> float:
        """Log of the marginal posterior, up to a constant."""
        return _top(self.settled, self.point)


def climbed(observations: Observations) -> tuple[Climb, Propagation] | None:
    """A climb from the middle of the prior and its end; None where it did not arrive in a few steps."""
    columns = observations.n_exposures
    climb = Climb(np.zeros(len(CENTRE)), np.zeros(columns), np.eye(columns), hasty=True)
    found = climb.up(observations, enough=GAIN, most=MOST_STEPS)
    return (climb, found) if climb.arrived else None


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


def _settled(posterior: Height, point: FloatArray, begin: Start | None, *, inform: bool) -> Propagation:
    """Sites that have settled as closely as those of a fit must."""
    return posterior.at(point, start=begin, sketch=False, tolerance=TOLERANCE, inform=inform)


def _ended(
    posterior: Height, point: FloatArray, settled: Propagation, rounds: int, curve: FloatArray
) -> Mode:
    """Steps of Newton's rule to the mode: one where a climb arrived, more where a search gave up.

    `settled` holds about the sites of `point`, and `curve` is about the curvature there.
    """
    around, moved = curve, False
    for _ in range(MOST_ENDS):
        root = np.linalg.cholesky(np.linalg.inv(around))
        covariance, looks = covariance_around(posterior, point, settled, root)
        around = np.asarray(np.linalg.inv(covariance))
        step, left = _step(covariance, settled, point)
        found = _uphill(posterior, point, settled, step)
        if found is None:
            break
        point, settled = found
        moved = True
        rounds += 1
        left = _step(covariance, settled, point)[1]
        if left.max() <= CLOSE:
            break
    if not moved:
        settled = _settled(posterior, point, settled.start, inform=False)
        left = _step(covariance, settled, point)[1]
    return Mode(posterior, point, settled, covariance, left, rounds, looks)


def _uphill(
    posterior: Height, point: FloatArray, settled: Propagation, step: FloatArray
) -> tuple[FloatArray, Propagation] | None:
    """The whole step or a part of it, whichever leads upwards first; None if none does."""
    for part in PARTS:
        there = np.clip(point + part * step, -REACH, REACH)
        try:
            moved = _settled(posterior, there, settled.start, inform=False)
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
    found: Mode | None = None
    begun = climbed(observations)
    if begun is not None:
        climb, end = begun
        posterior = Height(observations, notify)
        posterior.calls, posterior.sweeps = climb.calls, climb.sweeps
        # Sites that do not settle there may settle at another mode.
        with suppress(FitError):
            found = _ended(posterior, climb.point, end, climb.rounds, climb.corrected)
        if found is not None and found.left.max() <= CLOSE:
            return found
        calls, sweeps = posterior.calls, posterior.sweeps
    posterior = Height(observations, notify)
    posterior.calls, posterior.sweeps = calls, sweeps
    try:
        other = _searched(posterior, observations.n_exposures)
    except FitError:
        if found is None or not found.converged:
            raise
        return found
    return other if found is None else max(found, other, key=lambda each: (each.converged, each.height))


def _searched(posterior: Height, columns: int) -> Mode:
    """The mode where a search from the middle of the prior ends."""
    searched = sought(posterior)
    point = np.asarray(searched.x)
    try:
        settled = _settled(posterior, point, None, inform=True)
    except FitError:
        # Records at odds that chase each other from where the search left them may settle from nothing.
        begin = Start(Sites.flat(0), np.zeros(columns), np.eye(columns))
        settled = _settled(posterior, point, begin, inform=True)
    return _ended(posterior, point, settled, int(searched.nit), curvature(settled)[0])
