"""What one look at a student with an empty BC would settle, and which look."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass

__all__ = ["MOST_SUNK", "MOST_TRIED", "Heavy", "looked_at"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_TRIED: Final = 0.2
"""Beyond this chance of rising no hand-off is spoken of. [-] (judged)"""

MOST_SUNK: Final = 0.95
"""Beyond this chance of sinking, the lead as given, no look is spoken of. [-] (judged)

It would show what is known, and leave somebody kilograms too heavy with an empty BC. So whoever is asked for
a look carries no more than the 95 % point of need, what breathing high covers, and what is handed over.
"""

NEVER: Final = 1e-6
"""What is less likely is not said to happen. [-]"""


@dataclass(frozen=True)
class Heavy:
    """Chances of carrying too much; one number a student, NaN where no dive with a lead counts.

    Parameters
    ----------
    chance : ndarray, shape (d,)
        Of more than 2 kg over need on most of the dives counted. [-]
    sinks : ndarray, shape (d,)
        That the look ends in sinking: with an empty BC, on the next dive, with the lead `look`. [-]
    if_sinks, if_not : ndarray, shape (d,)
        What `chance` would be after such a look; NaN where it cannot happen. [-]
    look : ndarray, shape (d,)
        Lead on at the look, chosen so that least stays open: that of the latest dive less `handed`; where
        that would all but surely sink, that of the answer for the next dive; NaN where no look is open,
        and then the chances with it are NaN too. [kg]
    handed : ndarray, shape (d,)
        Lead handed over before the look. [kg]
    dives : ndarray of int, shape (d,)
        Dives counted, five at most.
    """

    chance: FloatArray
    sinks: FloatArray
    if_sinks: FloatArray
    if_not: FloatArray
    look: FloatArray
    handed: FloatArray
    dives: IntArray


def looked_at(
    chances: list[FloatArray], sinks: list[FloatArray], weights: list[FloatArray], look: FloatArray
) -> FloatArray:
    """Chances before and after the look that settles most.

    Parameters
    ----------
    chances : list of ndarray, each of shape (g,)
        Of too heavy on most dives, for each value of a student's need; one a student. [-]
    sinks : list of ndarray, each of shape (k, g)
        Of sinking at each of k looks, likewise. [-]
    weights : list of ndarray, each of shape (g,)
        Of the values of need. [-]
    look : ndarray, shape (d, k)
        Lead on at each look; NaN where it is none to make. [kg]

    Returns
    -------
    ndarray, shape (5, d)
        Too heavy; then for the best look sinks, too heavy if so, too heavy if not, lead on: NaN without one.
    """
    down, both = np.zeros(look.shape), np.zeros(look.shape)
    heavy = np.zeros(len(look))
    for i, (chance, sink, weight) in enumerate(zip(chances, sinks, weights, strict=True)):
        heavy[i], down[i], both[i] = weight @ chance, sink @ weight, sink @ (weight * chance)
    with np.errstate(divide="ignore", invalid="ignore"):
        down_heavy = np.where(down > NEVER, both / down, np.nan)
        else_heavy = np.where(down < 1 - NEVER, (heavy[:, None] - both) / (1 - down), np.nan)
    doubt = np.nan_to_num(down * down_heavy * (1 - down_heavy))
    doubt += np.nan_to_num((1 - down) * else_heavy * (1 - else_heavy))
    best = np.argmin(np.where(np.isnan(look), np.inf, np.round(doubt, 3)), axis=1)
    each = np.arange(len(look)), best
    after = np.stack([down[each], down_heavy[each], else_heavy[each], look[each]])
    return np.stack([heavy, *np.where(np.isnan(look[each]), np.nan, after)])
