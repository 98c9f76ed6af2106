"""What does not fit the records before it, in words: stops that failed, and others."""

from __future__ import annotations

from typing import Final

import numpy as np

from leadline.decide.history_data import LikeKit
from leadline.units import about_text, mass_text

__all__ = ["ELSEWHERE", "FAILED", "UNFIT", "failed_texts"]

ELSEWHERE: Final = 0.75
"""Lead that was worth so much more or less where it was carried is told as such. [kg] (judged: more than
a few bar make, less than fresh water does)"""

FAILED: Final = "Rose at the stop with"
"""How the caution begins that tells of a lead which failed, and was not held since."""

SLIGHT: Final = 0.05
"""Lead that is none. [kg]"""

UNFIT: Final = (FAILED, "Sank at the stop with", "The surface check with", "Held the stop, BC empty, with")
"""How the cautions begin that tell of what does not fit the records before it."""


def _lead_text(worn: float, lead: float, imperial: bool) -> tuple[str, bool]:
    """Lead that was on at a stop, and whether it is told what it is worth on this dive, where it is `lead`.

    Water, kit, body, gas in the BC and pressure may each have been others: what moved it is not told apart.
    """
    text = mass_text(worn, imperial=imperial)
    if abs(worn - lead) < ELSEWHERE:
        return text, False
    worth = f"about {about_text(lead, imperial)}" if lead >= SLIGHT else "next to no lead"
    return f"{text}, worth {worth} here (other water, kit, body, gas or pressure)", True


def failed_texts(history: LikeKit, begin: float, imperial: bool, *, doubted: bool = False) -> list[str]:
    """Why a check comes first where stops do not fit the records before them.

    Parameters
    ----------
    history : LikeKit
        Of the diver of the answer.
    begin : float
        Lead to begin the check with. [kg]
    imperial : bool
        Whether to speak in pounds.
    doubted : bool
        Whether the check of that day asks for another look: it asks for less than what failed then.
    """
    slip = "does not fit the records before: a slip of the pen, or kit, body or water have changed"
    found = []
    if len(stops := history.failed):
        most = int(np.argmax(stops.lead))
        lead, elsewhere = _lead_text(float(stops.worn[most]), float(stops.lead[most]), imperial)
        here = " here" if elsewhere else ""
        never = f" and do not go down with so little{here}" if SLIGHT <= stops.lead[most] < begin else ""
        why = "and the last check asks for no more, so look again" if doubted else f"which {slip}, so check"
        found.append(f"{FAILED} {lead}, and none was held with as little since, {why} before the dive{never}")
    dives = history.odd.take(history.odd.dive)
    held = dives.fit[:, 1] > 0
    if len(stops := dives.take(held)):
        lead = mass_text(float(stops.worn[np.argmax(stops.lead)]), imperial=imperial)
        found.append(
            f"{UNFIT[3]} {lead}, with which the diver should sink, so that it {slip}; check before the dive"
        )
    if len(stops := dives.take(~held)):
        least = int(np.argmin(stops.lead))
        lead, _ = _lead_text(float(stops.worn[least]), float(stops.lead[least]), imperial)
        found.append(
            f"{UNFIT[1]} {lead}, and none was held with as much since, which {slip}, so check before the dive"
        )
    if len(looks := history.odd.take(~history.odd.dive)):
        lead = mass_text(float(looks.worn[-1]), imperial=imperial)
        found.append(f"{UNFIT[2]} {lead} {slip}, so check before the dive")
    return found
