"""The words of the reports: what was seen, how likely, when; in plain English for a boat."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from math import isnan, log
from typing import Final

import numpy as np

__all__ = [
    "BREATH",
    "DESCENT",
    "EVIDENCE",
    "EXHALE",
    "STATE",
    "WATERLINE",
    "after_hand_off",
    "calendar_day",
    "chance",
    "day",
    "left_out_kit",
    "look",
    "percent",
    "says",
    "seen_at_stop",
]

MINUS: Final = "−"
NO_BREAK: Final = "\u00a0"
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

_ONE_IN: Final = (4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 25, 30, 40, 50, 75, 100, 150, 200)

EVIDENCE: Final = {
    "none": "Nothing is recorded of this diver in kit like this that shows a lead to be enough: the number "
    "rests on physics, and on what other kit and other divers have taught.",
    "upper_only": "The records show only what was enough or too much, not how much less would do.",
    "two_sided": "The records bound need from both sides.",
    "measured": "A surface check in kit like this shows where need was on that day.",
}
"""What a suggestion rests on."""

_SAYS: Final = {
    "none": "nothing",
    "upper_only": "enough lead",
    "lower_only": "too little lead",
    "too_much": "too much lead",
    "hint": "a hint of too little",
    "two_sided": "about right",
    "measured": "a measurement",
    "doubted": "not believed: all else makes it unlikely",
}
"""What one dive says."""

STATE: Final = {"stop": "At the stop", "start": "At the start", "surface": "At the surface"}

WATERLINE: Final = {
    "chin": "water at the chin",
    "eye": "water at eye level",
    "crown": "water at the crown",
    "under": "sank",
}
BREATH: Final = {"normal": "normal breath", "full": "full breath", "out": "breathed out"}
EXHALE: Final = {"yes": "; sinks on breathing out", "no": "; does not sink on breathing out"}

DESCENT: Final = {"effort": "; effort to get under", "no": "; could not get under"}
"""What is worth saying about the start: an easy descent goes without saying."""

_RESULT: Final = {"hovered": "Hovered", "rose": "Rose", "sank": "Sank"}
_SUIT: Final = {"least": ", suit vented", "more": ", gas in suit", "unknown": ", gas in suit not noted"}
_BC: Final = {"empty": "BC empty", "gas": "gas in BC", "unknown": "BC not known"}


def says(evidence: str, lead: float) -> str:
    """What one dive says of the lead that was on.

    Parameters
    ----------
    evidence : str
        A word of `DIVE_EVIDENCE`; any other reads as it stands.
    lead : float
        Lead on. [kg] NaN where it was not noted.

    Returns
    -------
    str
        Of no lead is not said that it was too much.

    Examples
    --------
    >>> says("too_much", 4.0), says("too_much", 0.0)
    ('too much lead', 'heavy without any lead')
    """
    if evidence == "too_much" and lead == 0:
        return "heavy without any lead"
    return _SAYS.get(evidence, evidence)


def chance(probability: float) -> str:
    """A probability as so many dives out of so many, rounded to numbers people use.

    Parameters
    ----------
    probability : float
        Chance on one dive. [-] Valid 0 to 1; NaN reads "not known".

    Returns
    -------
    str
        Words that follow "on".

    Examples
    --------
    >>> chance(0.041), chance(0.62), chance(0.001)
    ('about 1 dive in 25', 'about 6 dives in 10', 'fewer than 1 dive in 200')
    """
    if isnan(probability):
        return "an unknown share of dives"
    if probability < 0.005:
        return "fewer than 1 dive in 200"
    if probability < 0.29:
        nearest = min(_ONE_IN, key=lambda n: abs(log(n * probability)))
        return f"about 1 dive in {nearest}"
    if probability < 0.95:
        return f"about {round(10 * probability)} dives in 10"
    return "almost every dive"


def percent(probability: float, *, below: float = 1.0) -> str:
    """A probability in whole per cent; the ends are never rounded to certainty.

    Parameters
    ----------
    probability : float
        Chance. [-] Valid 0 to 1.
    below : float
        A chance from which on something else is said, so that nothing less is rounded to it. [-]

    Returns
    -------
    str
        Such as `4 %`; a dash where unknown.

    Examples
    --------
    >>> [percent(p).replace(NO_BREAK, " ") for p in (0.041, 0.002, 0.998, float("nan"))]
    ['4 %', '<1 %', '>99 %', '–']
    >>> [percent(p, below=0.2).replace(NO_BREAK, " ") for p in (0.1972, 0.1949, 0.2)]
    ['<20 %', '19 %', '20 %']
    """
    if isnan(probability):
        return "–"
    if probability < 0.005:
        return f"<1{NO_BREAK}%"
    if probability > 0.995:
        return f">99{NO_BREAK}%"
    if probability < below <= round(probability, 2):
        return f"<{100 * below:.0f}{NO_BREAK}%"
    return f"{100 * probability:.0f}{NO_BREAK}%"


def calendar_day(moment: datetime | np.datetime64 | None) -> date | None:
    """The day of a moment; None where there is none.

    Parameters
    ----------
    moment : datetime, datetime64 or None
        NaT counts as none.

    Returns
    -------
    date or None
        Its calendar day.
    """
    if isinstance(moment, np.datetime64):
        known: date | None = moment.astype("datetime64[D]").item()
        return known
    return None if moment is None else moment.date()


def day(moment: date | None) -> str:
    """A day written out, the same in every locale.

    Parameters
    ----------
    moment : date or None
        None reads "no date".

    Returns
    -------
    str
        Such as `6 Apr 2024`.

    Examples
    --------
    >>> day(calendar_day(np.datetime64("2024-04-06T10:00")))
    '6 Apr 2024'
    """
    return "no date" if moment is None else f"{moment.day} {MONTHS[moment.month - 1]} {moment.year}"


def left_out_kit(changed: Sequence[str]) -> str:
    """What is said of kit whose row was changed after the fit.

    Parameters
    ----------
    changed : sequence of str
        Items; at least one.

    Returns
    -------
    str
        A clause that names the first three.

    Examples
    --------
    >>> left_out_kit(["W5"])
    'what was learned of W5 is left out, for it was changed in the gear since: run `leadline learn` again'
    """
    few = ", ".join(changed[:3])
    more = f" and {len(changed) - 3} more" if len(changed) > 3 else ""
    was = "it was" if len(changed) == 1 else "they were"
    return (
        f"what was learned of {few}{more} is left out, for {was} changed in the gear since: run "
        "`leadline learn` again"
    )


def seen_at_stop(result: str, bc_state: str, suit_gas: str = "") -> str:
    """What happened at the stop, and with which BC and dry suit.

    Parameters
    ----------
    result : str
        hovered, rose, sank; anything else reads as not watched.
    bc_state : str
        empty, gas, unknown or empty text.
    suit_gas : str
        Of a dry suit: least, more or unknown; empty for other suits.

    Returns
    -------
    str
        A phrase.

    Examples
    --------
    >>> seen_at_stop("rose", "empty", "unknown")
    'Rose, BC empty, gas in suit not noted'
    >>> seen_at_stop("hovered", "gas")
    'Hovered, gas in BC'
    >>> seen_at_stop("", "")
    'Stop not watched'
    """
    if result not in _RESULT:
        return "Stop not watched"
    return f"{_RESULT[result]}, {_BC.get(bc_state, 'BC not noted')}{_SUIT.get(suit_gas, '')}"


def after_hand_off(result: str, bc_state: str) -> str:
    """What happened once lead had been handed off; the BC is named only where it was not empty.

    Parameters
    ----------
    result : str
        hovered, rose, sank; anything else reads as not watched.
    bc_state : str
        empty, gas, unknown; empty text counts as empty.

    Returns
    -------
    str
        A phrase.

    Examples
    --------
    >>> after_hand_off("rose", "empty")
    'rose'
    """
    if result not in _RESULT:
        return "not watched"
    return result if bc_state in ("", "empty") else f"{result}, {_BC.get(bc_state, 'BC not noted')}"


def look(*, dry: bool, checks: bool) -> str:
    """What counts as having looked at a diver; pages and terminal take their one definition from here.

    Parameters
    ----------
    dry : bool
        Whether somebody may be in a dry suit.
    checks : bool
        Whether surface checks are among what is counted, or dives alone.

    Returns
    -------
    str
        Follows "Looked at: ".

    Examples
    --------
    >>> look(dry=False, checks=True)
    'BC empty at the stop or its litres estimated, lead handed off, or a surface check'
    """
    vented = " (in a dry suit: vented as well)" if dry else ""
    rest = ", lead handed off, or a surface check" if checks else ", or lead handed off"
    return f"BC empty at the stop or its litres estimated{vented}{rest}"
