"""A card for the dive bag: the next dive in other suits, in other waters, with other cylinders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from leadline.arrays import Columns, Records
from leadline.decide.advice import Advice
from leadline.decide.answering import taken_over
from leadline.decide.change_sentence import FIRST
from leadline.decide.label import suit_label
from leadline.decide.onward import Onward
from leadline.decide.season_parts import CardRow
from leadline.records import DIVES

__all__ = ["card", "card_cells"]

MOST: Final = 4
"""Other suits, and other cylinders, that are listed: those used last. [-]"""

_OF_WATER: Final = ("altitude_m", "salinity_gkg")
_KEPT: Final = ("water", *_OF_WATER, "cylinder", "gas", "stop_bar", "stop_depth_m")


def card_cells(records: Records, diver: str, *, date: str) -> list[dict[str, str]]:
    """Cells of the next dive and of what it may be instead.

    Parameters
    ----------
    records : Records
        Of the diver, with all gear.
    diver : str
        Name, with at least one dive.
    date : str
        Day of the plan, ISO 8601.

    Returns
    -------
    list of dict of str to str
        First the next dive in the kit of the latest; then other suits as last worn, the other kinds of water,
        other cylinders, the latest first.
    """
    asked = {"diver": diver, "date": date}
    base = taken_over(records, asked).cells
    kept = {name: base[name] for name in _KEPT if base.get(name)}
    rows = [base]
    for suit in _used(records.dives, diver, "suit", but=base.get("suit", "")):
        cells = taken_over(records, {**asked, "suit": suit}).cells
        rows.append({**{k: v for k, v in cells.items() if k not in _KEPT}, **kept})
    # Nobody's lake in the hills is salt: another water is as high and as salt as is usual.
    plain = {name: cell for name, cell in base.items() if name not in _OF_WATER}
    rows += [{**plain, "water": water} for water in _waters(records.dives, diver, base.get("water", ""))]
    bare = {name: cell for name, cell in base.items() if name not in ("gas", "stop_bar")}
    rows += [
        {**bare, "cylinder": cylinder}
        for cylinder in _used(records.dives, diver, "cylinder", but=base.get("cylinder", ""))
    ]
    return rows


def _used(dives: Columns, diver: str, name: str, *, but: str) -> list[str]:
    """Cells of a column on this diver's dives, the latest first, each once."""
    own = np.flatnonzero(dives["diver"] == diver)
    date = np.where(np.isnat(dives["date"][own]), np.datetime64("0001-01-01", "s"), dives["date"][own])
    cells = dives[name][own[np.lexsort((own, date))[::-1]]].tolist()
    return [cell for cell in dict.fromkeys(cells) if cell not in ("", but)][:MOST]


def _waters(dives: Columns, diver: str, here: str) -> list[str]:
    """Fresh and salt water always, brackish where the diver has dived in it."""
    known = {"fresh", "salt", *dives["water"][dives["diver"] == diver].tolist()}
    return [word for word in DIVES.column("water").words if word in known and word != here]


def card(
    plan: Columns, rows: list[int], answers: Mapping[int, Advice], after: Sequence[Onward | None]
) -> tuple[CardRow, ...]:
    """Rows of the card.

    Parameters
    ----------
    plan : Columns
        With the rows of `card_cells`.
    rows : list of int
        Of this diver, in their order: the first is the next dive.
    answers : mapping of int to Advice
        By row of the plan.
    after : sequence of Onward or None
        What to put on after the check of each of `rows`; None where none comes first.

    Returns
    -------
    tuple of CardRow
        None where nothing else is known of the diver's kit.
    """
    base = rows[0]
    made = []
    for row, more in zip(rows, after, strict=True):
        answer = answers[row]
        changed = next((n for n in ("suit", "water", "cylinder") if plan[n][row] != plan[n][base]), "")
        label = f"{plan['water'][row]} water" if changed == "water" else plan["cylinder"][row]
        made.append(
            CardRow(
                changed,
                suit_label(plan, row) if changed in ("", "suit") else label.replace(";", " + "),
                answer.lead_kg,
                answer.bring_kg,
                answer.check_first,
                answer.p_too_light,
                answer.p_too_heavy,
                np.array(
                    [
                        answer.need_q025_kg,
                        answer.need_q10_kg,
                        answer.need_q50_kg,
                        answer.need_q90_kg,
                        answer.need_q975_kg,
                    ]
                ),
                np.nan if more is None else more.more_kg,
                np.nan if more is None else more.at_least,
                np.nan if more is None else more.bare_kg,
                any(caution.startswith(FIRST) for caution in answer.cautions),
            )
        )
    return tuple(made)
