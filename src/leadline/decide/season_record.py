"""The numbers of a season as one document, masses in kg."""

from __future__ import annotations

from dataclasses import asdict, fields
from typing import Any, Final

import numpy as np

from leadline.decide.season_data import SeasonChecks, SeasonData, SeasonDives
from leadline.decide.season_parts import SeasonPart
from leadline.decide.table_text import rounded

__all__ = ["season_document"]

Row = dict[str, Any]

_QUANTILES: Final = ("q025", "q10", "q50", "q90", "q975")
_NAMES: Final = {
    "lead": "lead_kg",
    "bc_gas": "bc_gas_l",
    "handed_off": "handed_off_kg",
    "end_pressure": "end_bar",
    "margin": "margin_kg",
    "need_sd": "need_sd_kg",
}


def season_document(data: SeasonData) -> Row:
    """All numbers of the season, ready for JSON.

    Parameters
    ----------
    data : SeasonData
        The season.

    Returns
    -------
    dict
        Dives and checks as on the page; the answer, what was learned, the forces, the card, the last season.
    """
    change = data.change
    return {
        "diver": data.diver,
        "book": data.book,
        "data_version": data.data_version,
        "learned": None if data.fitted is None else data.fitted.isoformat(sep=" "),
        "changed_kit": list(data.changed_kit),
        "latest_dive": _day(data.latest),
        "since": _day(data.since),
        "dives_used": data.dives_used,
        "checks_used": data.checks_used,
        "suggestion": None if data.suggestion is None else _flat(asdict(data.suggestion)),
        "prior": None if data.prior is None else _flat(asdict(data.prior)),
        "contributions": [_flat(asdict(part)) for part in data.learned],
        "ledger": None if data.ledger is None else _flat(asdict(data.ledger)),
        "card": [_flat(asdict(row)) for row in data.card],
        "change": None
        if change is None
        else {
            "before": _part(change.before),
            "now": _part(change.now),
            "break_days": change.break_days,
            "new_kit": list(change.new_kit),
        },
        "dives": _rows(data.dives),
        "checks": _rows(data.checks),
    }


def _rows(record: SeasonDives | SeasonChecks) -> list[Row]:
    columns: dict[str, list[Any]] = {}
    for name in (f.name for f in fields(record)):
        values = getattr(record, name)
        if values.ndim == 2:
            columns |= {f"{name}_{q}_kg": values[:, i].tolist() for i, q in enumerate(_QUANTILES)}
        elif values.dtype.kind == "M":
            columns[name] = [_day(moment) for moment in values]
        else:
            key = "need_kg" if name == "need" else _NAMES.get(name, name)
            columns[key] = values.tolist()
    names = list(columns)
    return [
        {n: rounded(v) for n, v in zip(names, row, strict=True)}
        for row in zip(*columns.values(), strict=True)
    ]


def _part(part: SeasonPart) -> Row:
    return _flat(asdict(part) | {"first": _day(part.first), "last": _day(part.last)})


def _flat(row: Row) -> Row:
    """Arrays as lists, bands by their quantiles, what is unknown as None."""
    out: Row = {}
    for name, value in row.items():
        if isinstance(value, np.ndarray) and value.shape == (len(_QUANTILES),):
            out |= {f"{name}_{q}_kg": rounded(float(v)) for q, v in zip(_QUANTILES, value, strict=True)}
        elif isinstance(value, np.ndarray):
            out[name] = _nested(value.tolist())
        else:
            out[name] = list(value) if isinstance(value, tuple) else rounded(value)
    return out


def _nested(value: Any) -> Any:
    return [_nested(one) for one in value] if isinstance(value, list) else rounded(value)


def _day(moment: np.datetime64) -> str | None:
    return None if np.isnat(moment) else str(moment.astype("datetime64[D]"))
