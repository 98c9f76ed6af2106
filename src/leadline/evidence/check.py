"""What a surface check says: where the water comes on the still diver, and whether breathing out sinks."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.evidence.statement import AT_CHECK, Statements, join, statements

__all__ = ["HEAD_OUT", "surface_checks"]

HEAD_OUT: Final = {"chin": 3.9, "eye": 1.7, "crown": 0.2, "under": 0.0}
"""Head above water at each line. [L]

Eye level 1.7 L is common practice, no source; the others follow from a head and upper neck of about
4.5 L (judged). How much heads differ is an exposure of the ledger.
"""

_HOOD_OUT: Final = {"chin": 0.6, "eye": 0.35, "crown": 0.05, "under": 0.0}
"""Foam of a hood above the line. [L] (judged: a 5 mm hood displaces about 0.7 L)"""

_BETWEEN: Final = (
    (HEAD_OUT["chin"] + HEAD_OUT["eye"]) / 2,
    (HEAD_OUT["eye"] + HEAD_OUT["crown"]) / 2,
    (HEAD_OUT["crown"] + HEAD_OUT["under"]) / 2,
)
"""A waterline is noted by the nearest of the four words: these are the limits between them. [L]"""

_HEAD_SD: Final = 0.25
"""How heads and hoods differ from diver to diver, at any line. [L] (judged)"""

JUDGEMENT: Final = 0.3
"""Waves, posture and a moving waterline. [kg] (judged, no source)"""

SINK_JUDGEMENT: Final = 0.4
"""Whether one sinks on breathing out depends on how far and how fast one breathes out. [kg] (judged)"""

# word: line of the state, neutral zone around it as litres of head (more out, less out), zones that fit
_WORDS: Final = {
    "chin": ("between", 0.0, None, (1.0, 0.0, 0.0)),
    "eye": ("eye", _BETWEEN[0] - HEAD_OUT["eye"], HEAD_OUT["eye"] - _BETWEEN[1], (0.0, 1.0, 0.0)),
    "crown": ("crown", _BETWEEN[1] - HEAD_OUT["crown"], HEAD_OUT["crown"] - _BETWEEN[2], (0.0, 1.0, 0.0)),
    "under": ("under", _BETWEEN[2], None, (0.0, 1.0, 1.0)),
}


def surface_checks(rows: Columns, row: NDArray[np.int64], hood: NDArray[np.bool_]) -> Statements:
    """Statements of the waterline and of breathing out.

    Parameters
    ----------
    rows : Columns
        The checks table, kit filled in from the dives.
    row : ndarray of int, shape (n,)
        Their rows in the timeline.
    hood : ndarray of bool, shape (n,)
        Whether a hood is worn.

    Returns
    -------
    Statements
        Eye and crown hold need between two limits, chin only bounds it from below (more than the head may
        be out) and under only from above. Breathing out bounds it from above (sinks) or below (does not).

    Notes
    -----
    The state has that much of the head out of the water; a litre more or less of it is a litre of water
    displaced, so the limits are taken at 1 kg per litre times the ledger's own litre.
    """
    lead = rows["lead_kg"]
    known = ~np.isnan(lead)
    breath = np.where(rows["breath"] == "", "normal", rows["breath"])
    parts = []
    for word, (line, more, less, zones) in _WORDS.items():
        used = np.flatnonzero((rows["waterline"] == word) & known)
        out = _BETWEEN[0] if line == "between" else HEAD_OUT[line]
        parts.append(
            statements(
                row[used],
                "waterline",
                AT_CHECK,
                depth=0.0,
                breath=breath[used],
                head_out=out + _HOOD_OUT[word] * hood[used],
                head_out_sd=_HEAD_SD,
                lead=lead[used],
                reading_sd=JUDGEMENT,
                above=more,
                below=less or 0.0,
                lower=less is not None,
                fit=zones,
            )
        )
    for word, zones in (("yes", (0.0, 1.0, 1.0)), ("no", (1.0, 0.0, 0.0))):
        # Sinking means going under with the head: no part of it is left out of the water. A check that was
        # made breathed out already says so by its waterline.
        used = np.flatnonzero((rows["exhale_sinks"] == word) & known & (breath != "out"))
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
            )
        )
    return join(parts)
