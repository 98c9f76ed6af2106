"""The words of the roster: what needs doing, what a number rests on, which way it goes."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan
from typing import Final

from leadline.decide.disbelief import DISBELIEF
from leadline.decide.roster_data import LIKELY, Student

__all__ = ["BASIS", "KINDS", "basis", "course", "next_apart", "not_believed", "span", "title"]

KINDS: Final = {
    "light": (
        "Near too light",
        "On one dive in five or more this lead is expected not to hold the stop on relaxed breathing with a "
        "nearly empty cylinder. This comes before all else: add lead before the next dive.",
    ),
    "short": (
        "A little short",
        "This lead holds most stops, but not as surely as was asked for. Take the lead named on the "
        "next dive, or make the check that is named first.",
    ),
    "heavy": (
        "Carrying too much",
        "Flagged: over the limit on most of the latest dives in this suit, and likely on the next with the "
        "lead of the latest. Take lead off in small steps, or by the check; where none is carried, change "
        "kit that sinks. Note each stop.",
    ),
    "latest": (
        "Too much on the latest dive",
        "Not flagged: on most of the latest dives not likely over the limit. But with the lead of the latest "
        "one the next is likely to be. Take off what the row says, or check first; where none is carried, "
        "change kit that sinks. Note the stop.",
    ),
    "likely": (
        "Likely too much",
        "Not flagged: likelier than not over the limit on most of the latest dives, yet more of such flags "
        "would be false than is allowed. The likeliest first; one look or the check named says more, see "
        "below.",
    ),
    "look": (
        "Not known yet",
        "Never looked at, or the band is too wide to act on, or no stop with so little lead is on record, or "
        "the record of the latest dive is not believed. "
        "Find out first; the likeliest too heavy come first, and that is no verdict.",
    ),
    "righted": (
        "Was carrying too much",
        "Over the limit on most of the latest dives in this suit, or likely so, but with the lead of the "
        "latest one the next is likelier within it. Keep that lead or change it as the row says, and note "
        "the stop.",
    ),
    "settled": (
        "Nothing pressing",
        "Neither near too light nor likely too heavy, and looked at. Small steps of lead may still be named.",
    ),
}
"""Status -> heading, and what it means."""

APART: Final = ("latest", "righted")
"""Status of students of whom the next dive says something else than most of the latest ones."""

SURER: Final = 0.1
"""From so much more on, a chance of too heavy on the next dive says something else too. [-] (judged)"""

BASIS: Final = {
    "physics": "From physics only: never looked at",
    "elsewhere": "From physics in this suit; looked at in another suit only",
    "sank": "Sank at a stop, which shows too much; not looked at in this suit",
    "both": "Looked at",
    "measured": "Measured",
}
"""What an excess rests on; a word of `BASES` -> words."""

_DRY: Final = {
    "physics": "From physics only: no look with the suit vented",
    "sank": "Sank at a stop, which shows too much; no look with the suit vented",
}
"""The same where stops with an empty BC may be on record, but in a dry suit not known to be vented."""

STEADY: Final = 0.25
"""Change of margin that is called none. [kg]"""


def basis(one: Student) -> str:
    """What the excess of one student rests on.

    Parameters
    ----------
    one : Student
        Who.

    Returns
    -------
    str
        With the number of looks where there are any in this suit; where there are none, with the stops that
        only lack a note that a dry suit was vented.
    """
    words = BASIS[one.basis]
    if not one.looks:
        if one.dry or one.unvented:
            words = _DRY.get(one.basis, words)
        if not one.lead_kg:
            words = words.replace("Sank at a stop, which shows too much", "Sank at a stop without any lead")
        if one.unvented:
            stops = "1 stop" if one.unvented == 1 else f"{one.unvented} stops"
            words += f"; BC empty at {stops} in a dry suit, without a note that it was vented"
        return words
    return f"{words}; {one.looks} look{'' if one.looks == 1 else 's'} in this suit"


def next_apart(one: Student) -> bool:
    """Whether of one student the next dive says something else than most of the latest ones.

    Parameters
    ----------
    one : Student
        Who.

    Returns
    -------
    bool
        By the lead of the latest dive the next is within the limit or over it against the others, or much
        likelier over it than they were.
    """
    surer = one.p_too_heavy >= LIKELY and one.p_too_heavy >= one.p_heavy_most + SURER
    return one.status in APART or bool(surer)


def not_believed(one: Student) -> tuple[str, ...]:
    """What of a student's records is not believed.

    Parameters
    ----------
    one : Student
        Who.

    Returns
    -------
    tuple of str
        The caution of the answer; where it has none, that of the latest dive.
    """
    found = tuple(text for text in one.cautions if text.startswith(DISBELIEF))
    latest = (
        f"{DISBELIEF}: the record of the latest dive. Correct it if it is a slip, and if not, check first"
    )
    return found or ((latest,) if one.doubted else ())


def span(dives: int) -> str:
    """The dives that a chance of too heavy is about.

    Parameters
    ----------
    dives : int
        How many.

    Returns
    -------
    str
        Such as `of the last 5`.
    """
    return "on the last dive" if dives == 1 else f"of the last {dives}"


def course(change_kg: float) -> str:
    """Which way a margin went.

    Parameters
    ----------
    change_kg : float
        Last less first. [kg]

    Returns
    -------
    str
        down, up, steady, or empty where it is not known.

    Examples
    --------
    >>> course(-1.2), course(0.1), course(float("nan"))
    ('down', 'steady', '')
    """
    if isnan(change_kg):
        return ""
    if abs(change_kg) < STEADY:
        return "steady"
    return "down" if change_kg < 0 else "up"


def title(groups: Sequence[str]) -> str:
    """Heading of the page.

    Parameters
    ----------
    groups : sequence of str
        Groups asked for.

    Returns
    -------
    str
        Plain text; names are escaped by the page.
    """
    return ", ".join(groups) if groups else "All students"
