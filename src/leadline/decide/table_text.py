"""Rows of a report as CSV."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from leadline.csv_lines import csv_lines

__all__ = ["csv_text", "rounded"]


def rounded(value: Any) -> Any:
    """A number to a tenth of a gram or of a per mille, None where unknown; anything else as it is.

    Examples
    --------
    >>> rounded(1.23456), rounded(float("nan")), rounded("a")
    (1.2346, None, 'a')
    """
    if isinstance(value, float):
        return round(value, 4) + 0.0 if math.isfinite(value) else None
    return value


def csv_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """Rows as CSV: a header, then one line each.

    Parameters
    ----------
    rows : sequence of mapping
        All with the same columns; numbers are written as they are, with all their digits.

    Returns
    -------
    str
        Empty where there are no rows; an unknown number is an empty cell, yes and no are words, a list is
        joined by `; `.
    """
    if not rows:
        return ""
    names = list(rows[0])
    return csv_lines([names, *([_cell(row[name]) for name in names] for row in rows)])


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (list, tuple)):
        return "; ".join(str(part) for part in value)
    return None if isinstance(value, float) and not math.isfinite(value) else value
