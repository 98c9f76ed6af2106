"""What a surface check says: where the water comes on the still diver, and whether breathing out sinks."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.evidence.statement import AT_CHECK, Statements, join, statements

__all__ = ["HEAD_OUT", "surface_checks"]

HEAD_OUT: Final = {"chin": (3.9, 0.6), "eye": (1.7, 0.27), "crown": (0.2, 0.15), "under": (0.0, 0.0)}
"""Head above water at each line: mean and own sd [L], the error shared by all divers apart.

Eye level 1.7 L, 0.4 L in all, is common practice, no source; the others follow from a head and upper neck
of about 4.5 L (judged).
"""

_HOOD_OUT: Final = {"chin": 0.6, "eye": 0.35, "crown": 0.05, "under": 0.0}
"""Foam of a hood above the line. [L] (judged: a 5 mm hood displaces about 0.7 L)"""

JUDGEMENT: Final = 0.3
"""Waves, posture and a moving waterline. [kg] (judged, no source)"""

SINK_JUDGEMENT: Final = 0.4
"""Whether one sinks on breathing out depends on how far and how fast one breathes out. [kg] (judged)"""


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
        Chin, eye and crown read need itself with that much head out; under bounds it from above. Breathing
        out bounds it from above (sinks) or below (does not).
    """
    lead = rows["lead_kg"]
    known = ~np.isnan(lead)
    breath = np.where(rows["breath"] == "", "normal", rows["breath"])
    parts = []
    for word, (out, sd) in HEAD_OUT.items():
        used = np.flatnonzero((rows["waterline"] == word) & known)
        parts.append(
            statements(
                row[used],
                "waterline",
                AT_CHECK,
                depth=0.0,
                breath=breath[used],
                head_out=out + _HOOD_OUT[word] * hood[used],
                head_out_sd=sd,
                lead=lead[used],
                reading_sd=JUDGEMENT,
                fit=(0.0, 1.0, 1.0) if word == "under" else (0.0, 1.0, 0.0),
                point=word != "under",
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
