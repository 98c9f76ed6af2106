"""What is seen at the stop, after a hand-off, and at the descent."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.evidence.statement import AT_START, AT_STOP, HABIT, Statements, join, statements
from leadline.model.observations import Form
from leadline.records import STOP_DEPTH

__all__ = ["descents", "habits", "stop_results"]

BoolArray = NDArray[np.bool_]

JUDGEMENT: Final = 0.2
"""How sharply an observer tells hovering from rising or sinking. [kg] (judged, no source)"""

LITRES_SHARE: Final = 0.4
LITRES_LEAST: Final = 0.45
"""Sd of an estimate of BC gas: 40 % of it, and at least this many litres (0.5 kg)."""

# light, neutral, heavy: 1 fits, 0 would be a wrong record, between is a hint.
_TWO_SIDED: Final = {"hovered": (0.0, 1.0, 0.0), "rose": (1.0, 0.0, 0.0), "sank": (0.0, 0.0, 1.0)}
_ONE_SIDED: Final = {"hovered": (0.0, 1.0, 1.0), "sank": (0.0, 0.0, 1.0)}
_UNKNOWN: Final = {**_ONE_SIDED, "rose": (1.0, 0.5, 0.5)}
_DESCENT: Final = {"effort": (0.8, 0.8, 0.35), "no": (1.0, 0.4, 0.15)}
"""Hints, not bounds: haste, nerves and trapped air also make a descent hard (judged, no source)."""


def _seen(
    rows: Columns,
    row: NDArray[np.int64],
    dry: BoolArray,
    *,
    kind: str,
    result: NDArray[np.object_],
    bc: NDArray[np.object_],
    litres: NDArray[np.float64],
    lead: NDArray[np.float64],
) -> Statements:
    """One statement for each row with a result, by the state of BC and suit."""
    noted = np.flatnonzero((result != "") & ~np.isnan(lead))  # words are slow to compare, and mostly missing
    row, dry, lead, litres, result, bc = (
        row[noted], dry[noted], lead[noted], litres[noted], result[noted], bc[noted],
    )  # fmt: skip
    suit_gas, depth = rows["suit_gas"][noted], rows["stop_depth_m"][noted]
    bc = np.where((bc != "gas") & (litres == 0), "empty", bc)  # an estimate of no gas is that it was empty
    suit_least = ~dry | (suit_gas == "least")
    suit_more = dry & (suit_gas == "more")
    estimated = np.nan_to_num(litres) > 0
    measured = estimated & suit_least
    two_sided = (bc == "empty") & suit_least & ~estimated
    gas = ((bc == "gas") | suit_more | (estimated & ~suit_least)) & ~measured & ~two_sided
    unknown = ~(two_sided | measured | gas)
    fit = np.full((len(result), 3), np.nan)
    for table, where in ((_TWO_SIDED, two_sided | measured), (_ONE_SIDED, gas), (_UNKNOWN, unknown)):
        for word, zones in table.items():
            fit[where & (result == word)] = zones
    # Whether the BC was empty depends on how the stop went, where it was noted at all; a hand-off is noted
    # because it was made, and litres because somebody estimated them.
    form = np.full(len(result), Form.ANY, np.int64)
    if kind == "stop":
        for word, closed, opened in (
            ("hovered", Form.HOVERED_CLOSED, Form.HOVERED_OPEN),
            ("sank", Form.SANK_CLOSED, Form.SANK_OPEN),
        ):
            form[(result == word) & two_sided] = closed
            form[(result == word) & gas] = opened
    depth = np.where(np.isnan(depth), STOP_DEPTH, depth)
    used = np.flatnonzero(~np.isnan(fit[:, 0]))
    return statements(
        row[used],
        kind,
        AT_STOP,
        depth=depth[used],
        lead=lead[used],
        litres=np.where(measured, np.nan_to_num(litres), 0.0)[used],
        reading_sd=JUDGEMENT,
        lower=True,
        breathing=True,
        fit=fit[used],
        form=form[used],
    )


def stop_results(rows: Columns, row: NDArray[np.int64], dry: BoolArray) -> Statements:
    """Statements of the stop and of the hand-off after it.

    Parameters
    ----------
    rows : Columns
        The dives table.
    row : ndarray of int, shape (n,)
        Their rows in the timeline.
    dry : ndarray of bool, shape (n,)
        Whether a dry suit is worn, so that gas in the suit matters.

    Returns
    -------
    Statements
        None for a dive without result or lead, or where the result says nothing about need (rose with gas
        in the BC).

    Notes
    -----
    BC empty and suit gas least: all three zones are told apart. Gas of unknown amount: only an upper
    bound. Estimated litres: the lead less what the gas lifts, with the sd of the estimate. Anything
    unknown: an upper bound, and for 'rose' a hint that need was above.
    """
    stop = _seen(
        rows, row, dry, kind="stop", result=rows["stop_result"], bc=rows["bc_state"], litres=rows["bc_gas_l"],
        lead=rows["lead_kg"],
    )  # fmt: skip
    after_bc = np.where(rows["handed_off_bc"] == "", "empty", rows["handed_off_bc"])
    after = _seen(
        rows, row, dry, kind="hand_off", result=rows["handed_off_result"], bc=after_bc,
        litres=np.full(len(row), np.nan), lead=rows["lead_kg"] - rows["handed_off_kg"],
    )  # fmt: skip
    return join([stop, after])


def habits(rows: Columns, row: NDArray[np.int64]) -> Statements:
    """Statements that a lead was carried; nothing of what was seen.

    Parameters
    ----------
    rows : Columns
        The dives table.
    row : ndarray of int, shape (n,)
        Their rows in the timeline.

    Returns
    -------
    Statements
        One for each dive with a lead, in the state of its stop.
    """
    used = np.flatnonzero(~np.isnan(rows["lead_kg"]))
    depth = np.where(np.isnan(rows["stop_depth_m"]), STOP_DEPTH, rows["stop_depth_m"])
    return statements(
        row[used],
        HABIT,
        AT_STOP,
        depth=depth[used],
        lead=rows["lead_kg"][used],
        reading_sd=0.0,
        fit=(0.0, 1.0, 0.0),
        form=Form.HABIT,
        point=True,
    )


def descents(rows: Columns, row: NDArray[np.int64]) -> Statements:
    """Weak statements of descents that took an effort or failed: full cylinder, breathed out, just under.

    Parameters
    ----------
    rows : Columns
        The dives table.
    row : ndarray of int, shape (n,)
        Their rows in the timeline.

    Returns
    -------
    Statements
        An easy descent says nothing: a heavy diver has one too.
    """
    parts = []
    for word, zones in _DESCENT.items():
        used = np.flatnonzero((rows["descent"] == word) & ~np.isnan(rows["lead_kg"]))
        parts.append(
            statements(
                row[used],
                "descent",
                AT_START,
                depth=0.3,
                breath="out",
                lead=rows["lead_kg"][used],
                reading_sd=0.7,
                below=1.0,
                lower=True,
                fit=zones,
            )
        )
    return join(parts)
