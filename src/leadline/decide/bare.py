"""What being under water without any lead shows of need at the stop: a bound from above, and no more.

The word says that the crown is covered: need then lies below the lead that is on, none, by all of the head
that is out at eye level, and by how much nobody sees. So it weighs with what was known, as `leadline check`
has it, and asks for no more than that did.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import pi, sqrt
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.checked_dive import ASTRAY
from leadline.model.stack import Mixture, stacks
from leadline.normal import distribution

if TYPE_CHECKING:
    from leadline.decide.crowd import Crowd

__all__ = ["crowd_under", "known_under"]

FloatArray = NDArray[np.float64]

ROOT_TAU: Final = sqrt(2 * pi)
PLACES: Final = 72
"""Needs that are weighed: less than the least scatter apart, where what is known is not far off. [-]"""

REACH: Final = 5.0
"""Sds to either side. What is cut off below only adds to what is enough. [-]"""

FURTHER: Final = 2.0
"""Further down than what is known, for days on which it does not hold. [kg]"""


def _places(mean: FloatArray, sd: FloatArray, most: FloatArray, look_sd: FloatArray) -> FloatArray:
    """Needs to weigh, from far below to as much as a look in error may hide; shape (t, k). [kg]."""
    low = np.minimum(mean, most) - REACH * sd - FURTHER
    return np.asarray(np.linspace(low, most + REACH * look_sd, PLACES, axis=-1))


def _beyond(
    places: FloatArray, known: FloatArray, mean: FloatArray, sd: FloatArray, most: FloatArray,
    look_sd: FloatArray, *, risk: float,
) -> FloatArray:  # fmt: skip
    """Need that such a share of those under water is beyond; `known` is the density before the look. [kg]."""
    (holds, _), (astray, off) = ASTRAY
    wide = np.hypot(sd, off)[:, None]
    other = np.exp(-0.5 * ((places - mean[:, None]) / wide) ** 2) / (wide * ROOT_TAU)
    seen = distribution((most[:, None] - places) / look_sd[:, None])
    below = np.cumsum((holds * known + astray * other) * seen, axis=1)
    share = below / below[:, -1:]
    # Each place stands for as much to either side: its share is reached half a step beyond it.
    at, rows, step = np.argmax(share >= 1 - risk, axis=1), np.arange(len(share)), places[:, 1] - places[:, 0]
    before = np.where(at > 0, share[rows, at - 1], 0.0)
    part = (1 - risk - before) / (share[rows, at] - before)
    return np.asarray(places[rows, at] + (part - 0.5) * step)


def known_under(
    needs: Sequence[Mixture], most: FloatArray, look_sd: FloatArray, *, risk: float
) -> FloatArray:
    """Need at the stop of those under water without any lead, which so many of them are beyond.

    Parameters
    ----------
    needs : sequence of Mixture
        Need at the stop, before the look, of *t* divers.
    most, look_sd : ndarray, shape (t,)
        As of a `Way`: `under` and `under_sd`. [kg]
    risk : float
        Accepted chance of too light. [-]

    Returns
    -------
    ndarray, shape (t,)
        [kg]

    Notes
    -----
    As `leadline check` has it, what is known does not hold on one day in fifty.
    """
    found = np.zeros(len(needs))
    for at, stack in stacks(needs, numbers=PLACES):
        told = most[at], look_sd[at]
        mean, sd = np.einsum("ng,ng->n", stack.weights, stack.points), stack.sd
        places, scatter = _places(mean, sd, *told), stack.scatter[:, None]
        apart = (places[..., None] - stack.points[:, None]) / scatter[..., None]
        known = np.einsum("nkg,ng->nk", np.exp(-0.5 * apart * apart), stack.weights) / (scatter * ROOT_TAU)
        found[at] = _beyond(places, known, mean, sd, *told, risk=risk)
    return found


def crowd_under(crowd: Crowd, most: float, look_sd: float, *, risk: float) -> float:
    """The same of one person out of a crowd.

    Parameters
    ----------
    crowd : Crowd
        Need at the stop, before the look.
    most, look_sd, risk : float
        As of `known_under`.

    Returns
    -------
    float
        [kg]
    """
    mean, sd, told = np.array([crowd.mean]), np.array([crowd.sd]), (np.array([most]), np.array([look_sd]))
    places = _places(mean, sd, *told)
    step = places[0, 1] - places[0, 0]
    known = crowd.above(places - step / 2) - crowd.above(places + step / 2)
    return float(_beyond(places, known / step, mean, sd, *told, risk=risk)[0])
