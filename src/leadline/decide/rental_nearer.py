"""What a rental desk gains by one more look: whether the renter is a woman or a man.

At the same body mass women need more lead than men, since less of it is dense tissue. A class of body mass
holds both, so its cells stand between the two, nearer to whom there are more of.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.advice import QUANTILES
from leadline.decide.block import Block
from leadline.decide.crowd import Crowd
from leadline.decide.rental_crowd import RentalCrowd
from leadline.decide.rental_data import Nearer
from leadline.decide.stranger import CROWD, MassClass
from leadline.model.marginal import Marginal

__all__ = ["nearer"]

FloatArray = NDArray[np.float64]

FEWEST: Final = 2
"""Strangers of one sex in a class from which it is told. [-]"""


def nearer(crowd: RentalCrowd, classes: Sequence[MassClass], step: Block) -> tuple[Nearer, ...]:
    """Shift of both figures of a cell where the sex is known, one a class.

    Parameters
    ----------
    crowd : RentalCrowd
        Strangers in every outfit; the first water and cylinder are taken.
    classes : sequence of MassClass
        Classes of body mass.
    step : Block
        The smallest block: shifts are whole numbers of it.

    Returns
    -------
    tuple of Nearer
        The mean over the outfits, which differ by little.
    """
    sex = crowd.assessment.line.records.divers["sex"]
    return tuple(_row(crowd, i, sex[i * CROWD : (i + 1) * CROWD], step) for i in range(len(classes)))


def _row(crowd: RentalCrowd, group: int, sex: NDArray[np.object_], step: Block) -> Nearer:
    found: dict[str, list[FloatArray]] = {"f": [], "m": []}
    whole = []
    for outfit in range(crowd.shape[3]):
        members = crowd.of(group, 0, outfit)
        everybody = _middle_and_width(members)
        whole.append(everybody[1])
        for word, rows in found.items():
            own = [one for one, s in zip(members, sex.tolist(), strict=True) if s == word]
            if len(own) >= FEWEST:
                middle, width = _middle_and_width(own)
                rows.append(np.array([middle - everybody[0], width]))
    woman, man = (np.mean(rows, axis=0) if rows else np.full(2, np.nan) for rows in found.values())
    return Nearer(
        woman_kg=_in_blocks(float(woman[0]), step),
        man_kg=_in_blocks(float(man[0]), step),
        width_kg=float(np.mean(whole)),
        woman_width_kg=float(woman[1]),
        man_width_kg=float(man[1]),
    )


def _middle_and_width(members: Sequence[Marginal]) -> tuple[float, float]:
    """Median of need, and the width of its band of 80 %. [kg]."""
    low, middle, high = Crowd.of(members).quantile([QUANTILES[1], QUANTILES[2], QUANTILES[3]])
    return float(middle), float(high - low)


def _in_blocks(shift: float, step: Block) -> float:
    return shift if np.isnan(shift) else float(np.round(shift / step.mass) * step.mass + 0.0)
