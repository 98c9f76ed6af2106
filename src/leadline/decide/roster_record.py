"""The numbers of a roster as plain rows and one document, masses in kg."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from leadline.decide.roster_data import Change, Roster, Student
from leadline.decide.table_text import rounded

__all__ = ["roster_document", "roster_rows"]

Row = dict[str, Any]

_QUANTILES = ("q025", "q10", "q50", "q90", "q975")


def roster_rows(data: Roster) -> list[Row]:
    """One row a student, what needs doing first.

    Parameters
    ----------
    data : Roster
        The roster.

    Returns
    -------
    list of dict
        The same columns for everybody; None where unknown.
    """
    return [_row(one) for one in data.students]


def _row(one: Student) -> Row:
    known = one.trend.margin[~np.isnan(one.trend.margin)]
    margin = {f"margin_{q}_kg": float(v) for q, v in zip(_QUANTILES, one.margin, strict=True)}
    cost = asdict(one.cost)
    row: Row = {
        "diver": one.diver,
        "status": one.status,
        "group": one.group,
        "leader": one.leader,
        "suit": one.suit,
        "date": _day(one.date),
        "dives": one.dives,
        "lead_kg": one.lead_kg,
        **margin,
        "p_too_light": one.p_too_light,
        "p_too_heavy": one.p_too_heavy,
        "p_heavy_most": one.p_heavy_most,
        "last_dives": one.last_dives,
        "flagged": one.flagged,
        "margin_first_kg": float(known[0]) if len(known) else float("nan"),
        "margin_last_kg": float(known[-1]) if len(known) else float("nan"),
        "margin_change_kg": one.trend.change_kg,
        "evidence": one.evidence,
        "basis": one.basis,
        "looks": one.looks,
        "looks_ever": one.looks_ever,
        "dry": one.dry,
        "unvented": one.unvented,
        "look_kg": one.look_kg,
        "handed_kg": one.handed_kg,
        "p_sinks": one.p_sinks,
        "p_heavy_if_sinks": one.p_heavy_if_sinks,
        "p_heavy_if_not": one.p_heavy_if_not,
        "extra_mass_kg": cost.pop("extra_mass_kg"),
        "bc_stop_l": cost["stop_l"],
        "bc_lift_l": cost["lift_l"],
        "depth_m": cost["depth_m"],
        "bc_depth_l": cost["depth_l"],
        "bc_depth_right_l": cost["depth_right_l"],
        "free_gas_l": cost["free_gas_l"],
        "next_lead_kg": one.next_lead_kg,
        "bring_kg": one.bring_kg,
        "check_first": one.check_first,
        "next_step": one.next_step,
        "cautions": "; ".join(one.cautions),
        "doubted": one.doubted,
    }
    return {name: rounded(value) for name, value in row.items()}


def roster_document(data: Roster) -> Row:
    """All numbers of the roster, ready for JSON.

    Parameters
    ----------
    data : Roster
        The roster.

    Returns
    -------
    dict
        Students as in `roster_rows`, each with its dives; the flags' rates; changes by group and leader.
    """
    flags = {
        name: rounded(getattr(data.flags, name))
        for name in ("limit", "threshold", "false_share", "expected_false", "expected_all", "recall")
    }
    return {
        "book": data.book,
        "data_version": data.data_version,
        "latest_dive": _day(data.latest),
        "learned": None if data.fitted is None else data.fitted.isoformat(sep=" "),
        "changed_kit": list(data.changed_kit),
        "groups": list(data.groups),
        "since": _day(data.since),
        "risk": data.risk,
        "evidence": data.evidence,
        "leaders_left_out": data.leaders_left_out,
        "doubted_left_out": data.doubted_left_out,
        "flags": {
            "flagged": int(data.flags.flagged.sum()),
            "elsewhere": len(data.flagged_elsewhere),
            **flags,
        },
        "heavy": _rounded(asdict(data.heavy)),
        "light": _rounded(asdict(data.light)),
        "never_looked": _rounded(asdict(data.never_looked)),
        "students": [{**_row(one), "trend": _trend(one)} for one in data.students],
        "overall": None if data.overall is None else _change(data.overall),
        "groups_change": [_change(change) for change in data.groups_change],
        "leaders_change": [_change(change) for change in data.leaders_change],
        "curve": [
            {
                "dive": int(n),
                "students": int(k),
                "margin_kg": rounded(float(m)),
                "smooth_kg": rounded(float(s)),
            }
            for n, k, m, s in zip(
                data.curve.number, data.curve.students, data.curve.margin, data.curve.smooth, strict=True
            )
        ],
    }


def _day(moment: np.datetime64) -> str | None:
    return None if np.isnat(moment) else str(moment.astype("datetime64[D]"))


def _rounded(row: Row) -> Row:
    return {name: rounded(value) for name, value in row.items()}


def _change(change: Change) -> Row:
    """One row; without a name it is of all courses."""
    row = _rounded(asdict(change) | {"looked": _rounded(asdict(change.looked))})
    return row if change.name else {name: value for name, value in row.items() if name != "name"}


def _trend(one: Student) -> list[Row]:
    rows = zip(one.trend.date, one.trend.lead.tolist(), one.trend.margin.tolist(), strict=True)
    return [
        {"date": _day(date), "lead_kg": rounded(lead), "margin_kg": rounded(margin)}
        for date, lead, margin in rows
    ]
