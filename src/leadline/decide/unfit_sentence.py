"""What does not fit the records before it, in words: stops that failed, and others."""

from __future__ import annotations

from typing import Final

import numpy as np

from leadline.decide.history_data import LikeKit
from leadline.units import mass_text

__all__ = ["FAILED", "UNFIT", "failed_texts"]

FAILED: Final = "Rose at the stop with"
"""How the caution begins that tells of a lead which failed, and was not held since."""

UNFIT: Final = (FAILED, "Sank at the stop with", "The surface check with", "Held the stop, BC empty, with")
"""How the cautions begin that tell of what does not fit the records before it."""


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
        lead = mass_text(float(stops.worn[np.argmax(stops.lead)]), imperial=imperial)
        never = " and do not go down with so little" if float(stops.lead.max()) < begin else ""
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
        lead = mass_text(float(stops.worn[np.argmin(stops.lead)]), imperial=imperial)
        found.append(
            f"{UNFIT[1]} {lead}, and none was held with as much since, which {slip}, so check before the dive"
        )
    if len(looks := history.odd.take(~history.odd.dive)):
        lead = mass_text(float(looks.worn[-1]), imperial=imperial)
        found.append(f"{UNFIT[2]} {lead} {slip}, so check before the dive")
    return found
