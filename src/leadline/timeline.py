"""Dives, surface checks and plans of a book on one line of time, so that each diver's history counts once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Occasions, Records, empty, occasions, resolve_checks
from leadline.records import DIVES

__all__ = ["CHECK", "DIVE", "PLAN", "Timeline", "timeline"]

DIVE: Final = 0
CHECK: Final = 1
PLAN: Final = 2

_FROM_CHECK: Final = {"start_bar": "bar", "end_bar": "bar"}


@dataclass(frozen=True)
class Timeline:
    """All rows of a book: dives, then checks, then plans, each in file order.

    Parameters
    ----------
    occasions : Occasions
        Who, when, in what; *n* rows.
    table : ndarray of int, shape (n,)
        DIVE, CHECK or PLAN.
    row : ndarray of int, shape (n,)
        Row within its table.
    records : Records
        The records, checks with the kit and water of their dive filled in.
    plan : Columns
        The plan; may be empty.
    """

    occasions: Occasions
    table: NDArray[np.int64]
    row: NDArray[np.int64]
    records: Records
    plan: Columns

    def at(self, table: int) -> NDArray[np.int64]:
        """Positions of the rows of one table, in its order."""
        return np.flatnonzero(self.table == table)


def _missing(like: NDArray[Any], count: int) -> NDArray[Any]:
    if like.dtype == object:
        return np.full(count, "", object)
    if like.dtype.kind == "M":
        return np.full(count, np.datetime64("NaT"), "datetime64[s]")
    return np.full(count, np.nan)


def timeline(records: Records, plan: Columns | None = None) -> Timeline:
    """Put all rows of a book, and a plan if there is one, on one line of time.

    Parameters
    ----------
    records : Records
        All records.
    plan : Columns, optional
        Rows of the dives table without results.

    Returns
    -------
    Timeline
        Checks and plans count neither as experience nor as wear of a suit.
    """
    plan = empty("dives") if plan is None else plan
    checks = resolve_checks(records)
    count = len(checks["check"])
    template = empty("dives")
    joined: dict[str, NDArray[Any]] = {}
    for name in DIVES.by_name:
        source = _FROM_CHECK.get(name, name)
        from_check = checks[source] if source in checks else _missing(template[name], count)
        joined[name] = np.concatenate([records.dives[name], from_check, plan[name]])
    sizes = (len(records.dives["dive"]), count, len(plan["dive"]))
    table = np.repeat([DIVE, CHECK, PLAN], sizes)
    row = np.concatenate([np.arange(size) for size in sizes])
    return Timeline(
        occasions(records, joined, counts_as_dive=table == DIVE),
        table,
        row,
        Records(records.divers, records.gear, records.dives, checks),
        plan,
    )
