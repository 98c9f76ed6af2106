"""The head above water at a surface check: what it no longer displaces."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.physics import suit
from leadline.physics.kit import PARTS
from leadline.physics.rig import Rigs

__all__ = ["WATERLINES", "emerged_head"]

FloatArray = NDArray[np.float64]

# Litres above the line and their sd, and the share of a hood above it. The head of an adult is some 4 L
# from the chin up; from memory.
WATERLINES: Final[dict[str, tuple[float, float, float]]] = {
    "chin": (3.9, 0.5, 0.75),
    "eye": (1.7, 0.4, 0.45),
    "crown": (0.15, 0.15, 0.05),
    "under": (0.0, 0.0, 0.0),
}
_HOOD: Final = PARTS.index("hood")


def emerged_head(rigs: Rigs, waterline: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Volume of the head above water on the still, upright diver.

    Parameters
    ----------
    rigs : Rigs
        Divers, kit and water; a hood adds its foam.
    waterline : str or array_like of str, shape (n,)
        chin, eye, crown or under; anything else counts as under.

    Returns
    -------
    mean, sd : ndarray, shape (n,)
        For `State.head_out`. The sd is that of people and of reading the line. [L]
    """
    word = np.broadcast_to(np.asarray(waterline, object), (len(rigs),))
    ratio = suit.foam_ratio(rigs.atmosphere)
    hood = rigs.solid[_HOOD] + rigs.foam[_HOOD] * ratio
    mean, sd = np.zeros(len(rigs)), np.zeros(len(rigs))
    for name, (litres, spread, share) in WATERLINES.items():
        at = np.asarray(word == name)
        mean[at] = litres + share * hood[at]
        sd[at] = spread
    return mean, sd
