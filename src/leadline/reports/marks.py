"""The marks of the charts: each kind of observation has its own shape, so that none rests on colour alone."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.season_data import SeasonChecks, SeasonDives
from leadline.frozen import dataclass

__all__ = ["MARKS", "Mark", "marks_in"]

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Mark:
    """Shape and colour of one kind of observation; `filled` is part of the shape.

    Parameters
    ----------
    label : str
        Words of the legend.
    shape : str
        matplotlib's letter: o, x, ^, v, s, D.
    colour : str
        Key of `COLOURS`.
    filled : bool
        Solid or outline.
    """

    label: str
    shape: str
    colour: str
    filled: bool = True


MARKS: Final = {
    "hovered": Mark("hovered, BC empty", "o", "ink"),
    "hovered-gas": Mark(
        "hovered, gas in BC or suit, or not known: need may lie far below", "o", "ink", filled=False
    ),
    "hovered-doubted": Mark(
        "hovered, but not believed: all else makes it unlikely", "x", "ink", filled=False
    ),
    "rose": Mark("rose at the stop", "^", "rose"),
    "sank": Mark("sank at the stop", "v", "sank"),
    "hand": Mark("lead changed at the stop, then hovered, BC empty", "s", "hand"),
    "hand-open": Mark(
        "lead changed, then hovered with gas in the BC, or not watched", "s", "hand", filled=False
    ),
    "hand-rose": Mark("lead changed, then rose", "^", "hand", filled=False),
    "hand-sank": Mark("lead changed, then sank", "v", "hand", filled=False),
    "check": Mark("surface check, with its standard deviation", "D", "check"),
    "check-bound": Mark(
        "surface check that gives only a bound: need lies where the arrow points", "D", "check", filled=False
    ),
}
"""Kind of observation -> how it is drawn, in the order of the legend."""


def marks_in(dives: SeasonDives, checks: SeasonChecks) -> dict[str, BoolArray]:
    """Which rows show which kind of mark.

    Parameters
    ----------
    dives : SeasonDives
        *n* dives.
    checks : SeasonChecks
        *m* surface checks.

    Returns
    -------
    dict of str to ndarray of bool, shape (n,) or, for checks, (m,)
        Keys of `MARKS`.
    """
    result = dives.stop_result
    # Gas in a dry suit lifts as gas in the BC does.
    empty = (dives.bc_state == "empty") & ((dives.suit_gas == "") | (dives.suit_gas == "least"))
    gave = ~np.isnan(dives.handed_off)
    after = dives.handed_off_result
    # A hand-off is done with the BC empty unless the record says otherwise.
    clear = (dives.handed_off_bc == "empty") | (dives.handed_off_bc == "")
    good = after == "hovered"
    # What went wrong keeps its mark, believed or not.
    held, doubted = result == "hovered", dives.evidence == "doubted"
    bound = np.isnan(checks.need_sd)
    return {
        "hovered": held & empty & ~doubted,
        "hovered-gas": held & ~empty & ~doubted,
        "hovered-doubted": held & doubted,
        "rose": result == "rose",
        "sank": result == "sank",
        "hand": gave & good & clear,
        "hand-open": gave & ((good & ~clear) | (after == "")),
        "hand-rose": gave & (after == "rose"),
        "hand-sank": gave & (after == "sank"),
        "check": ~bound,
        "check-bound": bound,
    }
