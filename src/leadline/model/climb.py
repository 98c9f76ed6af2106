"""The hyperparameters of the highest posterior, climbed to by the slopes of each diver: in few settlings.

References
----------
E. K. Berndt, B. H. Hall, R. E. Hall and J. A. Hausman, "Estimation and inference in nonlinear structural
models", Annals of Economic and Social Measurement 3(4) (1974) 653-665;
J. Nocedal and S. J. Wright, Numerical Optimization, Springer (2006), chapters 4 (trust regions), 6 and 7
(curvature from how the slope fell along the last steps) and 16 (a parabola in a box).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters, log_prior
from leadline.model.observations import Form, Observations
from leadline.model.partition import Holder
from leadline.model.propagation import Sweeper
from leadline.model.search import REACH
from leadline.model.sites import Propagation, Sites, Start

__all__ = ["ROUGHLY", "Climb", "curvature", "has_several", "step_to_top"]

FloatArray = NDArray[np.float64]

ROUGHLY: Final = 5e-3
HASTILY: Final = 0.1
"""Tolerance of the sites of very many divers, and of those that are but where others begin, in the sd of a
row: the evidence is flat in the sites. [-]"""

GAIN: Final = 0.5
AGAIN: Final = 3.0
"""Nats that one step more must promise, and how many times as much may be left where shorter and shorter
steps led nowhere. [-, -]"""

LITTLE: Final = 0.1
"""Share of the former that a shortened step must promise to be tried. [-]"""

MOST_STEPS: Final = 40
"""Settlings of one sample; ordinary books take two to ten. [-]"""

STRIDE: Final = 0.7
"""How far the first step may lead, in prior sds: beyond that a parabola says little. [-]"""

KEPT: Final = 0.8
"""Share of what it promised from which a step says nothing against the curvature. [-]"""

LONGER: Final = 2.0
SHORTER: Final = 3.0
"""How much longer a step may be than one that kept half of what it promised, and how much shorter it is than
one that led down. [-, -]"""

REMEMBERED: Final = 8
NEAR: Final = 1.0
"""Steps along which it is known how the slope fell, and how long they may be, in prior sds: a longer one
tells of another place. [-, -]"""

MOST_TURNS: Final = 8
STILL: Final = 1e-9
"""Changes of what ends hold a step, for each coordinate; slope that counts as none. [-, nats]"""


class Climb:
    """A search for the hyperparameters of the highest posterior over larger and larger samples, in prior sds.

    Parameters
    ----------
    point : ndarray, shape (k,)
        Where to begin.
    mean, covariance : ndarray, shape (p,), (p, p)
        Of the shared effects there.
    hasty : bool
        Whether it waits for nobody: where its sites are but where others begin.
    """

    def __init__(
        self, point: FloatArray, mean: FloatArray, covariance: FloatArray, *, hasty: bool = False
    ) -> None:
        self.hasty = hasty
        self.point, self.mean, self.covariance = point, mean, covariance
        self.step: FloatArray = np.zeros(len(point))
        self.curve: FloatArray = np.eye(len(point))
        self.corrected: FloatArray = self.curve
        self.follow: FloatArray = np.zeros((len(mean), len(point)))
        self.calls = self.sweeps = self.rounds = self.rows = 0
        self.arrived = self.several = False

    def _at(
        self, sweeper: Sweeper, point: FloatArray, start: Start, *, inform: bool = True
    ) -> tuple[Propagation, float]:
        theta = Hyperparameters.from_vector(CENTRE + SPREAD * point)
        tolerance = HASTILY if self.hasty else ROUGHLY
        found = sweeper.propagate(
            theta, start=start, sketch=True, tolerance=tolerance, inform=inform, hasty=self.hasty
        )
        self.calls += 1
        self.sweeps += found.sweeps
        return found, found.log_evidence + log_prior(CENTRE + SPREAD * point)

    def _look(self, found: Propagation) -> None:
        """Curvature where the sites have settled."""
        self.curve, self.follow = curvature(found)

    @staticmethod
    def _slope(found: Propagation, point: FloatArray) -> FloatArray:
        return np.asarray(found.gradient * SPREAD - point)

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

        Notes
        -----
        Products of slopes are the curvature until a step keeps too little of what it promised. They say too
        little of it where those of all divers are alike: no event among many. From then on what the slope
        lost along short steps is added to them. Steps are no longer than what has been found to hold: where
        a sample leaves much open, the top of the parabola lies beyond all sense. `curve` stays as the
        slopes have it, `corrected` has what was added.
        """
        self.several = self.several or has_several(o)
        sweeper, begin = Sweeper(o), Start(Sites.flat(len(o)), self.mean, self.covariance)
        found, height = self._at(sweeper, self.point, begin)
        self._look(found)
        stride, falls, tries = STRIDE, list[tuple[FloatArray, FloatArray]](), 0
        while True:
            here, curve = self._slope(found, self.point), _corrected(self.curve, falls)
            self.step = step_to_top(self.point, curve, here)
            gain = _promised(curve, here, self.step)
            step = self.step
            if np.abs(step).max() > stride:
                step = step_to_top(self.point, curve, here, stride)
            promised = _promised(curve, here, step)
            if gain < enough or promised < LITTLE * enough or tries == most:
                break
            tries += 1
            point = np.clip(self.point + step, -REACH, REACH)
            tried, reached = self._at(sweeper, point, found.start)
            if (falls or reached - height < KEPT * promised) and np.abs(step).max() <= NEAR:
                falls = [*falls, (point - self.point, here - self._slope(tried, point))][-REMEMBERED:]
            if reached > height:
                stride *= LONGER if reached - height > 0.5 * promised else 1.0
                self.point, found, height = point, tried, reached
                self._look(found)
                self.rounds += 1
            else:
                stride = float(np.abs(step).max()) / SHORTER
        self.arrived, self.corrected = gain < AGAIN * enough, curve
        self.mean, self.covariance, self.rows = found.mean, found.start.covariance, len(o)
        return found


def curvature(found: Propagation) -> tuple[FloatArray, FloatArray]:
    """Curvature by products of slopes, in prior sds, and how the shared effects follow the hyperparameters.

    Parameters
    ----------
    found : Propagation
        With its information.

    Returns
    -------
    curve, follow : ndarray, shape (k, k), (p, k)
    """
    k = len(CENTRE)
    information = np.zeros((k, k)) if found.information is None else found.information
    scale = np.concatenate([SPREAD, np.ones(len(information) - k)])
    whole = information * np.outer(scale, scale) + np.eye(len(information))
    cross, inner = whole[k:, :k], whole[k:, k:]
    follow = -np.linalg.solve(inner, cross)
    return np.asarray(whole[:k, :k] + cross.T @ follow, float), np.asarray(follow, float)


def has_several(o: Observations) -> bool:
    """Whether some diver has two records, so that they can contradict each other."""
    return bool(np.bincount(o.diver[o.form != Form.HABIT]).max(initial=0) > 1)


def _promised(curve: FloatArray, slope: FloatArray, step: FloatArray) -> float:
    return float(slope @ step - 0.5 * step @ curve @ step)


def _corrected(curve: FloatArray, falls: Sequence[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Curvature that agrees with how the slope fell along these steps, where it fell faster than it says."""
    found = curve
    for step, fallen in falls:
        if step @ fallen > step @ curve @ step:
            bent = found @ step
            found = found + np.outer(fallen, fallen) / (step @ fallen) - np.outer(bent, bent) / (step @ bent)
    return found


def step_to_top(
    point: FloatArray, curve: FloatArray, slope: FloatArray, stride: float = 2 * REACH
) -> FloatArray:
    """Step to the top of a parabola, in no coordinate further than the range reaches, nor than a stride.

    Parameters
    ----------
    point : ndarray, shape (k,)
        In prior sds; no further than `REACH`.
    curve, slope : ndarray, shape (k, k), (k,)
        Curvature (positive definite) and slope there.
    stride : float
        In prior sds.

    Returns
    -------
    ndarray, shape (k,)
        In prior sds. Ends that hold a coordinate are taken up one by one, and let go where the slope leads
        away from them.
    """
    low, high = np.maximum(-REACH - point, -stride), np.minimum(REACH - point, stride)
    step, free = np.zeros(len(point)), np.ones(len(point), bool)
    for _ in range(MOST_TURNS * len(point)):
        held = slope[free] - curve[np.ix_(free, ~free)] @ step[~free]
        move = np.zeros(len(point))
        move[free] = np.linalg.solve(curve[np.ix_(free, free)], held) - step[free]
        room = np.full(len(point), np.inf)
        up, down = step + move > high, step + move < low
        room[up], room[down] = (high - step)[up] / move[up], (low - step)[down] / move[down]
        at = int(np.argmin(room))
        if room[at] < 1.0:
            step, free[at] = step + room[at] * move, False
            step[at] = high[at] if up[at] else low[at]
            continue
        step = step + move
        pull = (slope - curve @ step) * np.where(step >= high, -1.0, 1.0)
        pull[free] = 0.0
        at = int(np.argmax(pull))
        if pull[at] <= STILL:
            break
        free[at] = True
    return step
