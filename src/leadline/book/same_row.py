"""Whether a row says what another one says: numbers written in pounds and back are the same numbers."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from leadline.book.sql import identifier
from leadline.records import Table

__all__ = ["ROUNDED", "same_row"]

ROUNDED: Final = 1e-6
"""Share by which two numbers differ that are one: written in pounds and back, or with fewer digits. [-]"""


def _near(a: str, b: str) -> str:
    """SQL that holds where two numbers differ by rounding only."""
    return f"coalesce(abs({a} - {b}) <= {ROUNDED!r} * greatest(abs({a}), abs({b})), false)"


def _same_parts(a: str, b: str) -> str:
    """SQL that holds where two lists of numbers, or of places with numbers, differ by rounding only."""
    left, right = (f"string_split_regex({cell}, '[;:]')" for cell in (a, b))
    near = f"z[1] = z[2] OR {_near('number(z[1])', 'number(z[2])')}"
    each = f"len(list_filter(list_zip({left}, {right}), lambda z: NOT ({near}))) = 0"
    return f"coalesce(len({left}) = len({right}) AND {each}, false)"


def same_row(table: Table, left: str, right: str, *, but: Collection[str] = ()) -> str:
    """SQL that holds where two rows agree, numbers but for rounding, in all columns and all unknown ones.

    Parameters
    ----------
    table : Table
        What the rows are.
    left, right : str
        Aliases of two tables with its columns and `extra`.
    but : collection of str
        Columns that are left out.
    """
    agree = []
    for name, kind in [*((column.name, column.kind) for column in table.columns), ("extra", "")]:
        if name in but:
            continue
        a, b = (f"{row}.{identifier(name)}" for row in (left, right))
        same = f"{a} IS NOT DISTINCT FROM {b}"
        if kind == "number":
            same = f"({same} OR {_near(a, b)})"
        elif kind in ("numbers", "places"):
            same = f"CASE WHEN {same} THEN true ELSE {_same_parts(a, b)} END"
        agree.append(same)
    return " AND ".join(agree)
