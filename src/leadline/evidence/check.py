"""What a surface check says: where the water comes on the still diver, and whether breathing out sinks."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.evidence.statement import AT_CHECK, AT_ODDS, Statements, join, statements
from leadline.model.observations import Form
from leadline.physics.head import WATERLINES, emerged_head
from leadline.physics.odds import CONTRADICTORY, CONTRADICTORY_OUT
from leadline.physics.rig import Rigs

__all__ = ["surface_checks"]

_LINE: Final = {word: litres for word, (litres, _, _) in WATERLINES.items()}
_BETWEEN: Final = (
    (_LINE["chin"] + _LINE["eye"]) / 2,
    (_LINE["eye"] + _LINE["crown"]) / 2,
    (_LINE["crown"] + _LINE["under"]) / 2,
)
"""A waterline is noted by the nearest of the four words: these are the limits between them. [L]"""

_HEAD_SD: Final = 0.25
"""How heads and hoods differ from diver to diver, at any line. [L] (judged)"""

JUDGEMENT: Final = 0.3
"""Waves, posture and a moving waterline. [kg] (judged, no source)"""

SINK_JUDGEMENT: Final = 0.4
"""Whether one sinks on breathing out depends on how far and how fast one breathes out. [kg] (judged)"""

# word: neutral zone around its line as litres of head (more out, less out), zones that fit
_WORDS: Final = {
    "chin": (_BETWEEN[0] - _LINE["chin"], None, (1.0, 0.0, 0.0)),
    "eye": (_BETWEEN[0] - _LINE["eye"], _LINE["eye"] - _BETWEEN[1], (0.0, 1.0, 0.0)),
    "crown": (_BETWEEN[1] - _LINE["crown"], _LINE["crown"] - _BETWEEN[2], (0.0, 1.0, 0.0)),
    "under": (_BETWEEN[2] - _LINE["under"], None, (0.0, 1.0, 1.0)),
}


_BLURRED: Final = 0.037
"""'crown' and 'no' come of judgement alone in 3.3 % of checks, and in 25 % of those with a word misread, by
the noises above and leads of habit: such a check tells of misreading as 0.13 + wrong does. [-]"""


def _at_odds(rows: Columns) -> NDArray[np.bool_]:
    """Checks whose two halves contradict each other: an average of them would look surer than either."""
    found = np.zeros(len(rows["breath"]), bool)
    for breaths, pairs in ((("", "normal"), tuple(CONTRADICTORY)), (("out",), CONTRADICTORY_OUT)):
        for line, sinks in pairs:
            both = (rows["waterline"] == line) & (rows["exhale_sinks"] == sinks)
            found |= both & np.isin(rows["breath"], breaths)
    return found


def surface_checks(rows: Columns, row: NDArray[np.int64], rigs: Rigs) -> Statements:
    """Statements of the waterline and of breathing out.

    Parameters
    ----------
    rows : Columns
        The checks table, kit filled in from the dives.
    row : ndarray of int, shape (n,)
        Their rows in the timeline.
    rigs : Rigs
        Their rigs: heads and hoods.

    Returns
    -------
    Statements
        Eye and crown hold need between two limits, chin only bounds it from below (more than the head may
        be out) and under only from above. Breathing out bounds it from above (sinks) or below (does not). A
        check whose two halves are `CONTRADICTORY`, or breathed out `CONTRADICTORY_OUT`, says nothing.

    Notes
    -----
    The state has that much of the head out of the water; a litre more or less of it is a litre of water
    displaced, so the limits are taken at 1 kg per litre times the ledger's own litre.
    """
    lead = rows["lead_kg"]
    known = ~np.isnan(lead) & ~_at_odds(rows)
    breath = np.where(rows["breath"] == "", "normal", rows["breath"])
    parts = []
    for word, (more, less, zones) in _WORDS.items():
        used = np.flatnonzero((rows["waterline"] == word) & known)
        parts.append(
            statements(
                row[used],
                "waterline",
                AT_CHECK,
                depth=0.0,
                breath=breath[used],
                head_out=emerged_head(rigs.take(used), word)[0],
                head_out_sd=_HEAD_SD,
                lead=lead[used],
                reading_sd=JUDGEMENT,
                above=more,
                below=less or 0.0,
                lower=less is not None,
                fit=zones,
                form=Form.OF_FOUR,
            )
        )
    for word, zones in (("yes", (0.0, 1.0, 1.0)), ("no", (1.0, 0.0, 0.0))):
        # Sinking means going under with the head: no part of it is left out of the water. A check that was
        # made breathed out already says so by its waterline.
        told = (breath == "out") & (rows["waterline"] != "")
        used = np.flatnonzero((rows["exhale_sinks"] == word) & known & ~told)
        parts.append(
            statements(
                row[used],
                "exhale",
                AT_CHECK,
                depth=0.0,
                breath="out",
                lead=lead[used],
                reading_sd=SINK_JUDGEMENT,
                fit=zones,
                form=Form.OF_TWO,
            )
        )
    return join([*parts, _misread(rows, row, ~np.isnan(lead))])


def _misread(rows: Columns, row: NDArray[np.int64], known: NDArray[np.bool_]) -> Statements:
    """Of checks at odds with themselves: that something is misread, and nothing of need.

    Were they only left out, wrong readings would seem as scarce as among those that are left.
    """
    parts = []
    for (line, sinks), sharp in CONTRADICTORY.items():
        here = (rows["waterline"] == line) & (rows["exhale_sinks"] == sinks)
        used = np.flatnonzero(here & known & np.isin(rows["breath"], ("", "normal")))
        parts.append(
            statements(
                row[used],
                AT_ODDS,
                AT_CHECK,
                depth=0.0,
                lead=rows["lead_kg"][used],
                reading_sd=JUDGEMENT,
                fit=3 * (0.0 if sharp else _BLURRED,),
                form=Form.OF_FOUR,
            )
        )
    return join(parts)
