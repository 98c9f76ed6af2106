"""The words of an answer: the cautions that apply to it.

Those of the next step are in `step_sentence`, those of what is new in `change_sentence`, that of the lead
usually carried in `usual_sentence`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.change_sentence import change_texts
from leadline.decide.history import LikeKit
from leadline.decide.lead_rule import MOST_RISE, WIDE, forbidden
from leadline.decide.listed import listed_texts
from leadline.decide.trigger import Trigger
from leadline.decide.unfit_sentence import ELSEWHERE, FAILED, failed_texts
from leadline.decide.usual_sentence import other_body, usual_texts
from leadline.units import about_text, mass_text, to_imperial

if TYPE_CHECKING:
    from leadline.decide.assessment import Assessment
    from leadline.timeline import Timeline

__all__ = ["DOUBTED", "STANDING", "UNSURE", "cautions", "dangers"]

STANDING: Final = (
    "An estimate, not an instruction: a check in the water overrules it. Follow your instructor, your "
    "training agency and local rules."
)
"""The caution that goes with every answer, once."""

DOUBTED: Final = "The last check"
"""How the caution begins that asks for another look at the surface."""

DANGERS: Final = ("Danger", "Too light at the stop", FAILED, "No suit named", DOUBTED, "Under 18")
"""How the cautions begin that may not be overlooked."""

UNSURE: Final = "Not sure enough to dive on a number"
"""How the caution begins that has a check first for the width of the band."""

LOW_END: Final = "Planned with"
MUCH_LEFT: Final = "Reckoned for a stop with"
"""How the cautions about too little gas at the end, and too much, begin."""

FULL_STOP: Final = 100.0
"""Cylinder pressure planned at the stop that is no reserve any more. [bar gauge] (judged)"""

ROUNDED: Final = 0.05  # bar: pressures in psi are whole ones
LEAST_STOP: Final = 20.0
"""Pressure planned at the stop or the end below which nobody keeps a reserve. [bar gauge] (judged)"""

SLIGHT: Final = 0.25
"""Overweight without any lead that is not worth a word: less than half of the smallest usual block. [kg]"""

_UNNAMED: Final = {
    "cylinder": "No cylinder named: a usual one is reckoned with, and the band holds others",
    "water": "Water not named: the band holds fresh and salt",
}


def _pressure_text(bar: float, imperial: bool) -> str:
    return f"{float(to_imperial(bar, 'psi')):.0f} psi" if imperial else f"{bar:.0f} bar"


def _empty(assessment: Assessment, position: int, bar: float, imperial: bool) -> list[str]:
    """A caution about a plan that leaves too little to breathe, in the fullest cylinder there is."""
    line = assessment.line
    row = line.row[position]
    cells = [str(line.plan[name][row]).split(";") for name in ("stop_bar", "end_bar")]
    noted = [[float(part) for part in cell if part.strip() not in ("", "-")] for cell in cells]
    least = min((max(own) for own in noted if own), default=bar)
    if least > LEAST_STOP - ROUNDED:
        return []
    return [
        f"{LOW_END} {_pressure_text(least, imperial)} left at the stop or the end, below any usual "
        f"reserve of {_pressure_text(LEAST_STOP, imperial)}: keep more gas, and where the pressure is "
        "not known give none"
    ]


def young(line: Timeline, position: int) -> bool:
    """Whether the diver of a row is under 18 in that year; False where the year of birth is not known."""
    date = line.occasions.date[position]
    year = line.records.divers["birth_year"][line.occasions.diver[position]]
    return not np.isnat(date) and int(str(date)[:4]) - year < 18  # NaN is under nothing


def _about_diver(assessment: Assessment, position: int) -> list[str]:
    """What is missing or special about the diver."""
    line = assessment.line
    divers, who = line.records.divers, line.occasions.diver[position]
    found = []
    year = divers["birth_year"][who]
    if young(line, position):
        found.append(
            "Under 18: the body and lung formulas are for adults, so they say less: check in the water"
        )
    elif np.isnan(year) and assessment.rigs.body.junior[position]:
        found.append(
            "Under 18, perhaps: few adults are so light, so note the year of birth and check in the water"
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


def _light(
    history: LikeKit, chance: float, lead: float, mass: NDArray[np.float64], imperial: bool
) -> list[str]:
    """The danger, first: what was too light, or would be with the lead carried last."""
    found = []
    last = forbidden(history, chance, lead)
    if not np.isnan(last):
        # What is not believed was not worn, so far as that goes.
        # Nor is the last dive in like kit always the last.
        other = len(history.carried_row) and history.carried_row[-1] != history.last_row
        which = "carried last in like kit" if other else "carried last"
        which = "of the last dive that is believed" if history.doubted.dive.any() else which
        # What was right in fresh water is none of this diver's faults.
        away = abs(float(history.carried[-1]) - last) >= ELSEWHERE
        there = f" in other water or at another pressure{other_body(mass, -1)}" if away else ""
        found.append(
            f"Danger of an ascent that cannot be held: with the lead {which}, "
            f"{mass_text(last, imperial=imperial)}{there}, this stop fails on {round(100 * chance)} dives in "
            f"100, so never with so little{' here' if there else ''}"
        )
    if history.light_signs:
        times = "once" if history.light_signs == 1 else f"{history.light_signs} times"
        sights = history.doubted
        doubted = sights.alike & sights.dive & ~sights.handed & (sights.fit[:, 0] == 1)
        unlikely = ", which all else makes unlikely" if doubted.sum() >= history.light_signs else ""
        found.append(f"Too light at the stop {times} in like kit{unlikely}")
    return found


def _maybe_light(history: LikeKit, dry: bool) -> list[str]:
    """A rise that gas explains as well as too little lead does."""
    if not history.light_hints:
        return []
    times = "once" if history.light_hints == 1 else f"{history.light_hints} times"
    what, whose = ("BC or suit", "their") if dry else ("the BC", "its")
    return [
        f"Rose at the stop {times} in like kit, {what} not noted as empty: {whose} gas may have done that, "
        "or too little lead"
    ]


def _unsure(
    history: LikeKit,
    band: tuple[float, ...],
    check: bool,
    named: frozenset[str],
    doubted: bool,
    lead: float,
    imperial: bool,
) -> list[str]:
    """Why a check comes first, where no new suit or cylinder says so already."""
    if doubted:
        return [
            f"{DOUBTED} is far from what was known, from the lead on or from what was proven enough, or its "
            "looks from one another: look again before the dive, and go by the water if it shows the same"
        ]
    if not history.known and named & {"suit", "cylinder"}:
        return []
    if not history.known:
        nothing = "Nothing else" if len(history.doubted) else "Nothing"
        return [f"{nothing} is known of this diver in this suit and type of cylinder"]
    if not check:
        return []
    if band[2] - band[0] <= WIDE and len(history.carried) and lead < float(history.carried[-1]):
        return [
            "The last check shows far less than has been enough at a stop: look once more before the dive"
        ]
    if band[2] - band[0] <= WIDE:
        rise = about_text(MOST_RISE, imperial)
        return [f"More than {rise} over the lead carried last, on one observation: a check confirms it first"]
    return [f"{UNSURE}: 8 dives in 10 {_spread(band[0], band[2], imperial)}"]


def _spread(low: float, high: float, imperial: bool) -> str:
    """A band of need in words; below zero the diver is heavy with no lead on."""
    if high <= 0:
        return f"are heavy by {about_text(-high, imperial)} to {about_text(-low, imperial)} without any lead"
    if low < 0:
        return f"need {about_text(high, imperial)} or less, down to heavy without any lead"
    return f"need between {about_text(low, imperial)} and {about_text(high, imperial)}"


def _unnamed(assessment: Assessment, position: int) -> frozenset[str]:
    """Suit, cylinder and water, as far as the plan does not name them."""
    o = assessment.line.occasions
    named = {
        "suit": (o.suit[position] >= 0).any(),
        "cylinder": (o.cylinder[position] >= 0).any(),
        "water": bool(o.water[position]) or not np.isnan(o.salinity[position]),
    }
    return frozenset(name for name, there in named.items() if not there)


def dangers(found: Sequence[str]) -> tuple[str, ...]:
    """Those cautions that may not be overlooked: what was, would or may be too light, and children."""
    return tuple(text for text in found if text.startswith(DANGERS))


def cautions(
    assessment: Assessment,
    position: int,
    *,
    light_as_last: float,
    band: tuple[float, float, float],
    lead: float,
    bar: float,
    history: LikeKit,
    check: bool,
    unlikely: Sequence[str] = (),
    doubted: bool = False,
    looked: bool = False,
    shown: bool = False,
    failed: bool = False,
    rig: tuple[str, ...] = (),
    triggers: tuple[Trigger, ...] = (),
    imperial: bool = False,
) -> tuple[str, ...]:
    """Cautions that apply to this answer, most urgent first; the standing one is not among them.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    position : int
        Row of the timeline.
    light_as_last : float
        Chance of too light with the lead carried last in like kit; NaN where there is none. [-]
    band : tuple of float
        Of need: its 10, 50 and 90 % points. [kg]
    lead : float
        Lead of the answer. [kg]
    bar : float
        Least cylinder pressure planned at the stop. [bar gauge]
    history : LikeKit
        Of this diver in like kit.
    check : bool
        Whether the answer asks for a surface check.
    unlikely : sequence of str
        Caution about stops that are not believed.
    doubted : bool
        Whether because the one of the day is not to be gone by alone.
    looked : bool
        Whether there is one of the day.
    shown : bool
        Whether the answer goes by one of whatever day.
    failed : bool
        Whether because the band would let the diver go down with what failed at the stop.
    rig : tuple of str
        Cautions about the rig.
    triggers : tuple of Trigger
        Reasons to check again.
    imperial : bool
        Whether to speak in pounds.

    Returns
    -------
    tuple of str
        Whole clauses without a semicolon, so that they can be joined by one: danger of too light first,
        then the rig, then what is heavy, then what is not sure.
    """
    dry = bool(assessment.rigs.dry[position])
    mass = assessment.rigs.body.mass[[position, *history.carried_row]]
    found = _light(history, light_as_last, lead, mass, imperial)
    found += failed_texts(history, lead, imperial, doubted=doubted) if failed else []
    if bar > FULL_STOP:
        found.append(
            f"{MUCH_LEFT} {_pressure_text(bar, imperial)} left: later, with less gas, it takes "
            "more lead to hold it, so plan the pressure the dive ends with"
        )
    found += _empty(assessment, position, bar, imperial)
    unnamed = _unnamed(assessment, position)
    if "suit" in unnamed and not history.suit_worn:
        found.append("No suit named, so this is the lead for diving without one: far too little for a suit")
    found += unlikely
    bounded = history.point or (history.upper and history.lower)
    seen = history.sights.row[history.sights.alike] if bounded else None
    found += listed_texts(assessment, position, seen, imperial=imperial)
    found += rig
    middle = band[1]
    if middle < -SLIGHT:
        already = "Already" if band[2] <= 0 else "Likely already"
        found.append(f"{already} heavy by about {about_text(-middle, imperial)} without any lead")
    found += _maybe_light(history, dry)
    # A look in doubt bounds nothing that anybody could be held to.
    if not (failed or doubted):
        found += usual_texts(history, middle, mass, dry=dry, imperial=imperial, shown=shown)
    named = frozenset(t.name for t in triggers)
    found += _unsure(history, band, check and not failed, named, doubted, lead, imperial)
    found += _about_diver(assessment, position)
    found += [text for name, text in _UNNAMED.items() if name in unnamed]
    water = str(assessment.line.occasions.water[position])
    salinity = float(assessment.line.occasions.salinity[position])
    # What is not named is not new: it is not known.
    told = tuple(trigger for trigger in triggers if trigger.name not in unnamed)
    found += change_texts(
        assessment, position, history, told, looked=looked and not doubted, imperial=imperial
    )
    if "break" in named and young(assessment.line, position):
        found.append(
            "A child grows in that time: weigh and measure again, unless that was done for this dive"
        )
    if water == "brackish" and np.isnan(salinity):
        found.append("Brackish water of unknown salinity: measure it or check in the water")
    if assessment.fit.diagnostics.get("observations", 0) == 0 and not check:
        found.append("Nothing has been learned from records yet, so this rests on general assumptions")
    return tuple(found)
