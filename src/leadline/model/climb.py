"""The hyperparameters of the highest posterior, climbed to by the slopes of each diver: in few settlings.

References
----------
E. K. Berndt, B. H. Hall, R. E. Hall and J. A. Hausman, "Estimation and inference in nonlinear structural
models", Annals of Economic and Social Measurement 3(4) (1974) 653-665.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters, log_prior
from leadline.model.observations import Observations
from leadline.model.partition import Holder
from leadline.model.propagation import Sweeper
from leadline.model.search import REACH
from leadline.model.sites import Propagation, Sites, Start

__all__ = ["ROUGHLY", "Climb"]

FloatArray = NDArray[np.float64]

ROUGHLY: Final = 5e-3
"""Tolerance of the sites of very many divers, in the sd of a row. [-]"""

GAIN: Final = 0.5
AGAIN: Final = 3.0
"""Nats that one step more must promise, and how many times as much after one that led nowhere. [-, -]"""

MOST_STEPS: Final = 25
"""Settlings of one sample. [-]"""


class Climb:
    """A search for the hyperparameters of the highest posterior over larger and larger samples, in prior sds.

    Parameters
    ----------
    point : ndarray, shape (k,)
        Where to begin.
    mean, covariance : ndarray, shape (p,), (p, p)
        Of the shared effects there.
    """

    def __init__(self, point: FloatArray, mean: FloatArray, covariance: FloatArray) -> None:
        self.point, self.mean, self.covariance = point, mean, covariance
        self.step: FloatArray = point
        self.curve: FloatArray = np.eye(len(point))
        self.follow: FloatArray = np.zeros((len(mean), len(point)))
        self.calls = self.sweeps = self.rounds = self.rows = 0
        self.arrived = False

    def _at(
        self, sweeper: Sweeper, point: FloatArray, start: Start, *, inform: bool = True
    ) -> tuple[Propagation, float]:
        theta = Hyperparameters.from_vector(CENTRE + SPREAD * point)
        found = sweeper.propagate(theta, start=start, sketch=True, tolerance=ROUGHLY, inform=inform)
        self.calls += 1
        self.sweeps += found.sweeps
        return found, found.log_evidence + log_prior(CENTRE + SPREAD * point)

    def _look(self, found: Propagation) -> float:
        """Curvature and next step where the sites have settled; the nats that it promises."""
        k = len(self.point)
        information = np.zeros((0, 0)) if found.information is None else found.information
        scale = np.concatenate([SPREAD, np.ones(len(information) - k)])
        whole = information * np.outer(scale, scale) + np.eye(len(information))
        cross, inner = whole[k:, :k], whole[k:, k:]
        self.follow = np.asarray(-np.linalg.solve(inner, cross), float)
        self.curve = np.asarray(whole[:k, :k] + cross.T @ self.follow, float)
        return self._aim(self._slope(found, self.point))

    @staticmethod
    def _slope(found: Propagation, point: FloatArray) -> FloatArray:
        return np.asarray(found.gradient * SPREAD - point)

    def _aim(self, slope: FloatArray) -> float:
        """Set the next step; the nats that it promises."""
        self.step = _step(self.point, self.curve, slope)
        return float(slope @ self.step - 0.5 * self.step @ self.curve @ self.step)

    def stay(self, rows: Observations | Holder) -> Propagation:
        """Sites of these rows where the climb has come to."""
        begin = Start(Sites.flat(0), self.mean, self.covariance)
        return self._at(Sweeper(rows), self.point, begin, inform=False)[0]

    def up(self, o: Observations, *, enough: float = GAIN, most: int = MOST_STEPS) -> Propagation:
        """Climb on these rows; the last sites that led upwards.

        Parameters
        ----------
        o : Observations
        enough : float
            Nats that one step more must promise.
        most : int
            Settlings, the first not counted. Where they were too few, `arrived` is false.
        """
        sweeper, begin = Sweeper(o), Start(Sites.flat(len(o)), self.mean, self.covariance)
        found, height = self._at(sweeper, self.point, begin)
        gain, least = self._look(found), enough
        for _ in range(most):
            if gain < least:
                break
            point = np.clip(self.point + self.step, -REACH, REACH)
            tried, reached = self._at(sweeper, point, found.start)
            if reached > height:
                self.point, found, height = point, tried, reached
                gain = self._look(found)
                self.rounds += 1
            else:
                here = self._slope(found, self.point)
                fallen = here - self._slope(tried, point)
                self.curve, least = _corrected(self.curve, point - self.point, fallen), AGAIN * enough
                gain = self._aim(here)
        self.arrived = gain < least
        self.mean, self.covariance, self.rows = found.mean, found.start.covariance, len(o)
        return found


def _corrected(curve: FloatArray, step: FloatArray, fallen: FloatArray) -> FloatArray:
    """Curvature that agrees with how the slope has fallen along a step that led too far.

    Slopes squared say too little of it where those of all divers are alike: no event among many.
    """
    bent, least = curve @ step, step @ curve @ step
    if step @ fallen < least:
        return 4 * curve
    return np.asarray(curve + np.outer(fallen, fallen) / (step @ fallen) - np.outer(bent, bent) / least)


def _step(point: FloatArray, curve: FloatArray, slope: FloatArray) -> FloatArray:
    """To the top of a parabola, no further than each range reaches."""
    step, free = np.zeros(len(point)), np.ones(len(point), bool)
    for _ in point:
        held = slope[free] - curve[np.ix_(free, ~free)] @ step[~free]
        step[free] = np.linalg.solve(curve[np.ix_(free, free)], held)
        over = free & (np.abs(point + step) > REACH)
        if not over.any():
            break
        step[over] = np.sign(step[over]) * REACH - point[over]
        free &= ~over
    return step
