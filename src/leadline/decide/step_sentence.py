"""The words of the next step: what to do, and what to put on after a surface check."""

from __future__ import annotations

import math
from typing import Final

from leadline.decide.onward import Onward
from leadline.decide.step import Act
from leadline.decide.usual_sentence import SAME_LEAD
from leadline.units import about_text, mass_text

__all__ = ["NOTHING_MORE", "act_text", "after_check", "deeper", "in_all", "next_step"]

NOTHING_MORE: Final = "Nothing more to learn for now: carry this, and note the stop as usual."


def act_text(act: Act, *, dry: bool = False, imperial: bool = False) -> str:
    """An act in words that a diver can follow, the conditions of its safety first.

    Parameters
    ----------
    act : Act
        Not the surface check before a dive, which names leads and is worded by `next_step`.
    dry : bool
        Whether a dry suit is worn.
    imperial : bool
        Whether to speak in pounds.

    Returns
    -------
    str
        One sentence. None of them asks for less gas than the planned reserve, and none to hold the breath
        but at the surface.
    """
    empty = "empty the BC and vent the suit as far as is comfortable" if dry else "empty the BC"
    mass = mass_text(act.mass_kg, imperial=imperial)
    return {
        "look": (
            "Near the end of the stop, at a line or over a near bottom with the leader in reach, "
            f"{empty}, breathe quietly on without holding the breath, and note whether you hover, rise or "
            "sink."
        ),
        "hand_off": (
            "At the end of the stop, never at its start, with a line or bar in the hand and the leader in "
            f"reach, {empty} and see that you hover or sink; then hand {mass} to your buddy, not from the "
            "belt or a ditchable pocket, breathe quietly on, and note whether you hover, rise or sink. If "
            "you rise, take it back."
        ),
        "surface_check": (
            "After the dive, with what is planned to be left in the cylinder and no less, check at the "
            "surface beside the boat or a line: BC empty, upright and still, on a normal breath held only "
            "there; note where the water comes, and whether breathing out sinks you."
        ),
        "carry_less": f"Next time carry {mass} less, if the stop goes well with this, and note it.",
    }[act.name]


def next_step(
    lead: float,
    bring: float,
    *,
    check: bool,
    held: bool,
    chosen: Act | None,
    dry: bool = False,
    imperial: bool = False,
    after: Onward | None = None,
    proven: float = math.nan,
) -> str:
    """What to do next.

    Parameters
    ----------
    lead, bring : float
        As in the answer. [kg]
    check, held : bool
        Whether a surface check comes first; whether a step down was held back.
    chosen : Act or None
        The act that teaches most at acceptable risk; None: nothing more to learn.
    dry : bool
        Whether a dry suit is worn.
    imperial : bool
        Whether to speak in pounds.
    after : Onward, optional
        What to put on after a surface check.
    proven : float
        Lightest lead that is proven enough in like kit, carried to this dive. [kg]

    Returns
    -------
    str
        A sentence or two; no act in it rewards breathing below the reserve.
    """
    wear, most = (mass_text(m, imperial=imperial) for m in (lead, bring))
    if check and after is not None and after.sunk and lead <= 0:
        return _sunk(after, bring, imperial=imperial)
    if check:
        begin = f"begin with {wear}" if lead > 0 else "begin without lead"
        hand = f" and have {most} at hand" if bring > lead else ""
        return (
            f"Check at the surface before the dive: {begin}{hand}; "
            "add or take off until the water comes to eye level on a normal breath, BC empty"
            f"{after_check(after, imperial=imperial)}."
        )
    # On coarse blocks the least that is no more than a small step down can be as much as was proven, or more.
    way = (
        f"but these blocks make no step down as small as one should be from what is proven: dive {wear} and "
        "bring smaller ones; "
        if lead > proven - SAME_LEAD
        else f"but go down in small steps: dive {wear}, note the stop, then step down again; "
    )
    first = (
        f"The records point lower, to {most}, {way}a surface check that day with a nearly empty cylinder "
        "shows at once whether less is enough. "
        if held
        else ""
    )
    if chosen is None or (held and chosen.name == "carry_less"):
        return first.strip() or NOTHING_MORE
    gain = about_text(chosen.shrink_kg, imperial)
    act = act_text(chosen, dry=dry, imperial=imperial)
    return f"{first}{act} That should narrow the band by about {gain}{_goes_wrong(chosen)}."


def _sunk(after: Onward, bring: float, *, imperial: bool) -> str:
    """The next step of whoever is known to be under water without lead: none is to be added or taken off."""
    most, bare = (mass_text(kg, imperial=imperial) for kg in (bring, after.bare_kg))
    hand = f", have {most} at hand" if bring > 0 else ""
    wear = f"dive with {bare}" if after.bare_kg > 0 else "dive without"
    return (
        f"Check at the surface before the dive, without lead{hand}: BC empty, a normal breath, the cylinder "
        f"as full as planned. Under water, as is to be expected: {wear}; only lighter kit makes less of it. "
        "Where the crown is out yet, go by `leadline check`."
    )


def after_check(after: Onward | None, *, imperial: bool = False) -> str:
    """What follows the check, the clause before it left open; empty where that is not known.

    Parameters
    ----------
    after : Onward or None
        What to put on.
    imperial : bool
        Whether to speak in pounds.
    """
    if after is None:
        return ""
    more = (
        f"for the end of the dive put on {mass_text(after.more_kg, imperial=imperial)} more"
        f"{in_all(after, imperial=imperial)}"
        if after.more_kg
        else "dive with that"
    )
    deep = deeper(after, imperial=imperial)
    deep = deep and f". {deep}"
    return f", the cylinder as full as planned; then {more}, or go by `leadline check`{deep}"


def deeper(after: Onward, *, imperial: bool = False) -> str:
    """What whoever is under water without lead dives with; empty where nobody is to expect that.

    Parameters
    ----------
    after, imperial
        As of `after_check`.
    """
    if not after.deep:
        return ""
    bare = after.bare_kg
    wear = f"dive with {mass_text(bare, imperial=imperial)}" if bare > 0 else "dive without"
    return f"Under water without any lead: {wear}; where the crown is out yet, as at eye level"


def in_all(after: Onward, *, imperial: bool = False) -> str:
    """The least lead of the dive, whatever the check shows, with a comma before it; may be empty.

    Parameters
    ----------
    after : Onward
        What to put on.
    imperial : bool
        Whether to speak in pounds.
    """
    if math.isnan(after.at_least):
        return ""
    return f", at least {mass_text(after.at_least, imperial=imperial)} in all"


def _goes_wrong(act: Act) -> str:
    """Chance that the diver goes up and breathing out does not hold it; empty where nobody is at depth."""
    if not act.p_wrong > 0:
        return ""
    share = round(100 * act.p_wrong)
    times = (
        "fewer than 1 dive in 100"
        if share < 1
        else f"about {share} {'dive' if share == 1 else 'dives'} in 100"
    )
    return f"; on {times} the diver goes up"
