"""The words for a lead that was usually carried, or carried last, and that is far from the likely need."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.history import LikeKit
from leadline.units import about_text

__all__ = ["SAME_LEAD", "other_body", "usual_texts"]

ABOUT_USUAL: Final = 0.5
"""Leads that are worth so much more or less than the usual one pass for it. [kg]"""

SAME_LEAD: Final = 0.25
"""Leads that differ by less are one and the same in words. [kg]"""

OTHER_BODY: Final = 1.0
"""Change of body mass that moves what a lead is worth enough to be named. [kg]"""

HEAVY_GAP: Final = 2.0
LIGHT_GAP: Final = 1.0
"""How far the usual lead must be over or under the likely need for a word about it. [kg]"""

LAST_GAP: Final = 1.0
"""How far over a usual lead, itself far from need, the last one must be to be told too. [kg] (judged)"""

FEWEST_USUAL: Final = 3
"""Dives in like kit from which a lead counts as usual."""


def _median(some: list[float]) -> float:
    """Of so few numpy's takes ten times as long, and `statistics` longer to load."""
    ordered, half = sorted(some), len(some) // 2
    return ordered[half] if len(some) % 2 else (ordered[half - 1] + ordered[half]) / 2


def _likest(worn: list[float], away: list[float]) -> int:
    """Place of the lead worn most often of those worth about the usual one, of two the nearer; -1 of none."""
    about = [i for i in range(len(worn)) if away[i] <= max(ABOUT_USUAL, min(away))]
    return max(about, key=lambda i: (sum(worn[i] == worn[j] for j in about), -away[i]), default=-1)


def other_body(mass: NDArray[np.float64], dive: int) -> str:
    """Words for a body mass that was another one on that dive; the first of `mass` [kg] is that of now."""
    return " or with another body mass" if abs(mass[dive] - mass[0]) >= OTHER_BODY else ""


def usual_texts(
    history: LikeKit, middle: float, mass: NDArray[np.float64], *, dry: bool, imperial: bool,
    shown: bool = False,
) -> list[str]:  # fmt: skip
    """Why evidence and what the diver always carried, or else carried last, disagree by much, where they do.

    Parameters
    ----------
    history : LikeKit
        Of this diver in like kit; *d* dives with their lead.
    middle : float
        The likely need: its 50 % point. [kg]
    mass : ndarray, shape (1 + d,)
        The diver's now and on each of those dives. [kg]
    dry : bool
        Whether a dry suit is worn.
    imperial : bool
        Whether to speak in pounds.
    shown : bool
        Whether need goes by a surface check in this suit, with whatever cylinder.

    Returns
    -------
    list of str
        One caution, or none. Where the usual lead is far from need and the last one farther over it, it has
        both.
    """
    if len(history.carried) < FEWEST_USUAL:
        return []
    usual, often = _median(history.carried.tolist()), "Usually carried"
    if -LIGHT_GAP <= usual - middle <= HEAVY_GAP:
        usual, often = float(history.carried[-1]), "Last carried"
        # Too little on the last dive is a danger, and told as such; of none, none can be taken off.
        if usual - middle <= HEAVY_GAP or not history.worn[-1]:
            return []
    # Carried in other water or at another pressure, a lead is as good as another one here: named is the one
    # that was on when it was worth that, not the middle of what was on in any water.
    near = _likest(history.worn.tolist(), [abs(carried - usual) for carried in history.carried.tolist()])
    near = len(history.worn) - 1 if often == "Last carried" else near
    worn = float(history.worn[near]) if near >= 0 else usual
    # An even number of dives has its middle between two leads: what is named was worth what it was worth.
    usual = float(history.carried[near]) if near >= 0 else usual
    gap = usual - middle
    word = "over" if gap > 0 else "under"
    elsewhere = abs(worn - usual) >= SAME_LEAD
    body = other_body(mass, 1 + near) if near >= 0 else ""
    here = f", in other water or at another pressure{body}, and there" if elsewhere else ","
    first = (
        f"{often} {about_text(worn, imperial)} in like kit{here} "
        f"{about_text(abs(gap), imperial)} {word} the likely need{_last(history, usual, middle, imperial)}: "
    )
    look = "with an empty BC and the suit vented, and notes both" if dry else "with an empty BC"
    if history.point:
        why = "that need was read at a surface check"
    elif history.upper and history.lower:
        why = f"{_bounds(history)} the need on both sides"
    elif shown:
        why = "a surface check in this suit puts it there"
    elif gap < 0 and history.light_signs:
        why = "the diver rose at a stop in like kit"
    elif gap < 0 and history.light_hints:
        why = (
            "the diver rose at a stop in like kit, which gas may have done, so it rests on physics and other "
            "divers too"
        )
    elif gap > 0 and history.heavy_signs:
        why = "the diver sank at a stop in like kit, which puts need lower, though not how much lower"
    elif history.upper and gap > 0:
        why = (
            "a stop held with gas in the BC proves that lead enough and never that it is needed, so the "
            f"lower need rests on physics and on other divers until somebody looks {look}"
        )
    else:
        why = "no stop says where need lies, so it rests on physics and on other divers"
    return [first + why]


def _last(history: LikeKit, usual: float, middle: float, imperial: bool) -> str:
    """The lead carried last beside the usual one, where it is far over need and well over the usual."""
    last, worn = float(history.carried[-1]), float(history.worn[-1])
    if last - middle <= HEAVY_GAP or last - usual <= LAST_GAP or not worn:
        return ""
    there = " there" if abs(worn - last) >= SAME_LEAD else ""
    return f", and last {about_text(worn, imperial)}, {about_text(last - middle, imperial)} over it{there}"


def _bounds(history: LikeKit) -> str:
    """What bounds need on both sides."""
    if history.looked:
        return "stops with an empty BC bound"
    if history.estimated:
        return "stops with a known amount of gas in the BC bound"
    return "what stops and surface checks showed bounds"
