"""The words of an answer: the next step and the cautions that apply to it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from leadline.decide.history import LikeKit
from leadline.model.marginal import Marginal
from leadline.units import POUND

if TYPE_CHECKING:
    from leadline.decide.assessment import Assessment

__all__ = ["STANDING", "cautions", "mass_text", "next_step"]

STANDING: Final = (
    "An estimate, not an instruction: a check in the water overrules it. Follow your instructor, your "
    "training agency and local rules."
)
"""The caution that goes with every answer, once."""

LONG_BREAK: Final = 180  # days
LOOK: Final = 1.5  # kg of band from which a look at the stop is worth the trouble


def mass_text(mass: float, *, imperial: bool = False) -> str:
    """Mass in the reader's unit, such as `6.5 kg` or `14 lb`.

    Examples
    --------
    >>> mass_text(6.5), mass_text(6.35029, imperial=True)
    ('6.5 kg', '14 lb')
    """
    return f"{round(mass / POUND, 1):g} lb" if imperial else f"{round(mass, 2):g} kg"


def next_step(
    lead: float,
    bring: float,
    *,
    check: bool,
    held: bool,
    history: LikeKit,
    need: Marginal,
    imperial: bool = False,
) -> str:
    """What to do next, in one sentence.

    Parameters
    ----------
    lead, bring : float
        As in the answer. [kg]
    check, held : bool
        Whether a surface check comes first; whether a step down was held back.
    history : LikeKit
        Of this diver in like kit.
    need : Marginal
        Posterior of need.
    imperial : bool
        Whether to speak in pounds.

    Returns
    -------
    str
        One sentence; no act in it rewards breathing below the reserve.
    """
    wear, most = (mass_text(m, imperial=imperial) for m in (lead, bring))
    if check:
        begin = f"begin with {wear}" if lead > 0 else "begin without lead"
        hand = f" and have {most} at hand" if bring > lead else ""
        return (
            f"Check at the surface before the dive: {begin}{hand}; "
            "add or take off until the water comes to eye level on a normal breath, BC empty."
        )
    if held:
        return (
            f"The records point lower, to {most}, but go down in small steps: dive {wear}, "
            "note the stop, then step down again."
        )
    low, high = (float(q) for q in need.quantile([0.1, 0.9]))
    if not (history.point or (history.upper and history.lower)):
        return (
            "Nobody has looked yet with an empty BC: near the end of the stop, at a line or over a near "
            "bottom with the leader in reach, empty the BC, breathe quietly and note whether you hover, "
            "rise or sink."
        )
    if high - low > LOOK:
        return (
            "A surface check with a nearly empty cylinder after the dive, at the planned reserve, "
            "would narrow this most."
        )
    return "Nothing more to learn for now: carry this, and note the stop as usual."


def _about_diver(assessment: Assessment, position: int) -> list[str]:
    """What is missing or special about the diver."""
    line = assessment.line
    divers, who = line.records.divers, line.occasions.diver[position]
    found = []
    year = divers["birth_year"][who]
    date = line.occasions.date[position]
    if not np.isnat(date) and not np.isnan(year):
        age = int(str(date)[:4]) - year
        if age < 18:
            found.append(
                "Under 18: the body and lung formulas are for adults, so the band is wide; check in the water"
            )
    gaps = [
        word
        for word, missing in (
            ("body mass", np.isnan(line.occasions.body_mass[position])),
            ("height", np.isnan(divers["height_cm"][who])),
            ("sex", divers["sex"][who] == ""),
            ("year of birth", np.isnan(year)),
        )
        if missing
    ]
    if gaps:
        found.append(f"Not known of this diver, so that the band is wider: {', '.join(gaps)}")
    return found


def cautions(
    assessment: Assessment,
    position: int,
    *,
    need: Marginal,
    history: LikeKit,
    check: bool,
    imperial: bool = False,
) -> tuple[str, ...]:
    """Cautions that apply to this answer, most urgent first; the standing one is not among them.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    position : int
        Row of the timeline.
    need : Marginal
        Posterior of need.
    history : LikeKit
        Of this diver in like kit.
    check : bool
        Whether the answer asks for a surface check.
    imperial : bool
        Whether to speak in pounds.

    Returns
    -------
    tuple of str
        Whole clauses without a semicolon, so that they can be joined by one.
    """
    line = assessment.line
    found = []
    middle = float(need.quantile(0.5))
    if history.light_signs:
        times = "once" if history.light_signs == 1 else f"{history.light_signs} times"
        found.append(f"Too light at the stop {times} in like kit")
    if middle < -0.05:
        spare = mass_text(round(-middle, 1), imperial=imperial)
        found.append(f"Already heavy by about {spare} without any lead")
    if not history.known:
        found.append("Nothing is known of this diver in this suit and type of cylinder")
    found += _about_diver(assessment, position)
    date = line.occasions.date[position]
    if not np.isnat(date) and not np.isnat(history.last_dive):
        days = int((date - history.last_dive) / np.timedelta64(1, "D"))
        if days > LONG_BREAK:
            found.append(f"Last dive in the records {days} days before this one: check again")
    water = line.occasions.water[position]
    if history.dives_used and water and not history.water_seen:
        found.append(
            f"First {water} water in the records: fresh to salt takes about 3 % of all that is carried"
        )
    if water == "brackish" and np.isnan(line.occasions.salinity[position]):
        found.append("Brackish water of unknown salinity: measure it or check in the water")
    if assessment.fit.diagnostics.get("observations", 0) == 0 and not check:
        found.append("The book has not been learned yet, so this rests on general assumptions")
    return tuple(found)
