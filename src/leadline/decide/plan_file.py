"""Answers as the rows of a plan file, its columns and their order as the contract names them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Final

import numpy as np

from leadline.decide.advice import Advice

__all__ = ["COLUMNS", "csv_text", "record"]

COLUMNS: Final = tuple(field.name for field in fields(Advice))
"""Columns of the plan file, in order."""

DIGITS: Final = {"p_too_light": 5, "p_too_heavy": 5, "lead_kg": 6, "bring_kg": 6}
USUAL_DIGITS: Final = 4


def record(answer: Advice) -> dict[str, str | float | int | None]:
    """One answer as a row: masses in kg, yes and no, cautions joined.

    Parameters
    ----------
    answer : Advice
        For one dive.

    Returns
    -------
    dict
        In the order of `COLUMNS`; masses rounded to a tenth of a gram (leads finer, for blocks in pounds),
        chances to 1e-5; None where unknown.
    """
    row: dict[str, str | float | int | None] = {}
    for name in COLUMNS:
        value = getattr(answer, name)
        if isinstance(value, bool):
            row[name] = "yes" if value else "no"
        elif isinstance(value, tuple):
            row[name] = "; ".join(value)
        elif isinstance(value, float):
            row[name] = round(value, DIGITS.get(name, USUAL_DIGITS)) + 0.0 if np.isfinite(value) else None
        else:
            row[name] = value
    return row


def csv_text(answers: Sequence[Advice]) -> str:
    """The plan file: a header, then one row an answer, in their order.

    Parameters
    ----------
    answers : sequence of Advice
        One a row of the plan.

    Returns
    -------
    str
        CSV; an unknown number is an empty cell.
    """
    from leadline.csv_lines import csv_lines

    return csv_lines([COLUMNS, *(record(answer).values() for answer in answers)])
