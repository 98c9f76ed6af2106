"""The model in the words of its description: hyperparameters, times and chances of records.

Shared by the sampler, the drawn books and the calibration, and written apart from the engine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import CENTRE, SPREAD
from leadline.model.observations import Form, Observations

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LIGHT_PART: Final = 0.4
"""Where the neutral zone is parted: so much over need still feels level. [kg]"""

HEAVY: Final = 3
"""Place of the heavy zone."""

POINT_RANGE: Final = 15.0
"""Range over which a wrong reading is uniform. [kg]"""


@dataclass(frozen=True)
class Book:
    """Observations and the truth behind them.

    Parameters
    ----------
    observations : Observations
        m rows.
    theta : ndarray, shape (14,)
        Unconstrained hyperparameters.
    beta : ndarray, shape (p,)
        Shared effects. [prior sd]
    offset : ndarray, shape (divers,)
        Each diver's offset at the last time. [kg]
    """

    observations: Observations
    theta: FloatArray
    beta: FloatArray
    offset: FloatArray


def from_prior(rng: np.random.Generator) -> FloatArray:
    """Unconstrained hyperparameters drawn from their prior."""
    return CENTRE + SPREAD * rng.normal(size=len(CENTRE))


def chances(kind: FloatArray, values: Any, xp: Any = np) -> Any:
    """Chance of a record of each kind in each part of the range of need.

    Parameters
    ----------
    kind : ndarray, shape (k, 4)
        Form and the fit to the light, neutral and heavy zone.
    values : array, shape (14,)
        Unconstrained hyperparameters.
    xp : module
        numpy, or what stands for it.

    Returns
    -------
    array, shape (k, 4)
        In the light zone, the lighter and heavier part of the neutral zone, and the heavy zone.
    """
    wrong, low, high, heavy, sank = (
        1 / (1 + xp.exp(-each))
        for each in (
            values[6],
            values[7],
            values[7] + values[8],
            values[7] + values[8] + values[9],
            values[10],
        )
    )
    # A wrong record has the form of what it says: of the neutral zone's light part, or of the heavy zone.
    rows = {
        Form.ANY: (1.0, 1.0, 1.0, 1.0),
        Form.HOVERED_CLOSED: (low, low, high, low),
        Form.HOVERED_OPEN: (1 - low, 1 - low, 1 - high, (1 - sank) * (1 - heavy)),
        Form.SANK_CLOSED: ((1 - sank) * heavy,) * 4,
        Form.SANK_OPEN: (sank,) * 4,
    }
    form = xp.stack([xp.stack([xp.asarray(c) for c in rows[Form(int(f))]]) for f in kind[:, 0]])
    fit = kind[:, [1, 2, 2, 3]]
    # What fits the neutral and the heavy zone may also be wrong: a heavy diver noted as if neutral, any other
    # as if heavy.
    both = ((kind[:, 2] == 1) & (kind[:, 3] == 1))[:, None]
    named = xp.where(np.arange(4) == HEAVY, form[:, 1:2], form[:, 3:4])
    return form * (fit * (1 - wrong) + (1 - fit) * wrong / 2) + both * named * wrong / 2


def knots(observations: Observations) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Distinct times of each diver.

    Returns
    -------
    knot : ndarray of int, shape (m,)
        Of each row; numbered by diver, then time.
    diver : ndarray of int, shape (knots,)
        Whose it is.
    elapsed, jumped : ndarray, shape (knots,)
        Since the knot before, or since the diver's first record. [years, kg²]
    """
    keys = np.column_stack([observations.diver, observations.elapsed, observations.jumped])
    found, knot = np.unique(keys, axis=0, return_inverse=True)
    diver = found[:, 0].astype(np.int64)
    steps = np.diff(found[:, 1:], axis=0, prepend=0.0)
    first = np.diff(diver, prepend=-1) != 0
    steps[first] = found[first, 1:]
    if np.any(steps < 0):
        raise ValueError("elapsed and jumped must grow together")
    return knot.reshape(-1), diver, steps[:, 0], steps[:, 1]


def last_knots(observations: Observations) -> IntArray:
    """Last knot of each diver."""
    diver = knots(observations)[1]
    return np.flatnonzero(np.diff(diver, append=-1))
