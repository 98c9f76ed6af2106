"""Dives, surface checks and plans of a book on one line of time, so that each diver's history counts once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Occasions, Records, empty, occasions
from leadline.frozen import dataclass
from leadline.latest import gas_in
from leadline.records import CHECKS, DIVES

__all__ = ["CHECK", "DIVE", "PLAN", "Timeline", "resolve_checks", "timeline"]

DIVE: Final = 0
CHECK: Final = 1
PLAN: Final = 2

_DRY: Final = ("dry_membrane", "dry_foam")
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


def resolve_checks(records: Records) -> Columns:
    """Surface checks with the kit and water of their dive filled in where the check leaves them empty.

    What belongs to a cell goes with it: in another water salinity and altitude of the dive are not the
    check's, nor is the salinity at another site, the gas of its cylinders in others, an undersuit under a wet
    suit.

    Parameters
    ----------
    records : Records
        Checks and the dives they name.

    Returns
    -------
    Columns
        The checks table; `date`, kit and water columns completed.
    """
    checks = dict(records.checks)
    dives = records.dives
    named = set(checks["dive"].tolist()) - {""}
    if not named:
        return checks
    keys = enumerate(zip(dives["dive"].tolist(), dives["diver"].tolist(), strict=True))
    at = {key: row for row, key in keys if key[0] in named}
    row = np.array([at.get(key, -1) for key in zip(checks["dive"], checks["diver"], strict=True)], int)
    linked = row >= 0
    if not linked.any():
        return checks
    apart = _apart(records, row)
    for name in CHECKS.by_name:
        if name in dives and name not in ("dive", "diver", "lead_kg"):
            own = checks[name]
            missing = (
                (own == "")
                if own.dtype == object
                else np.isnat(own)
                if own.dtype.kind == "M"
                else np.isnan(own)
            )
            filled = own.copy()
            use = missing & linked
            if name in apart:
                use &= ~apart[name]
            filled[use] = dives[name][row[use]]
            checks[name] = filled
    own, gas = checks["cylinder"], checks["gas"].copy()
    for i in np.flatnonzero((gas == "") & linked & apart["gas"]):
        gas[i] = gas_in(own[i], dives["cylinder"][row[i]], dives["gas"][row[i]])
    checks["gas"] = gas
    return checks


def _apart(records: Records, row: NDArray[np.int64]) -> dict[str, NDArray[np.bool_]]:
    """By column: checks that name what it belongs to, and other than their dive in row `row`; -1: no dive."""
    checks, dives = records.checks, records.dives

    def other(name: str, *, order: bool = False) -> NDArray[np.bool_]:
        own = checks[name]
        found = np.zeros(len(own), bool)
        for i in np.flatnonzero((own != "") & (row >= 0) & (own != dives[name][row])):
            mine, theirs = _parts(own[i]), _parts(dives[name][row[i]])
            found[i] = mine != theirs if order else sorted(mine) != sorted(theirs)
        return found

    water, suit, gear = other("water"), other("suit"), records.gear
    dry = {item.casefold() for item in gear["item"][np.isin(gear["style"], _DRY)]}
    for i in np.flatnonzero(suit):
        suit[i] = dry.isdisjoint(_parts(checks["suit"][i]))
    return {
        "altitude_m": water,
        "salinity_gkg": water | other("site"),
        "gas": other("cylinder", order=True),
        "undersuit": suit,
    }


def _parts(cell: str) -> list[str]:
    """What a cell names."""
    return [part.strip().casefold() for part in cell.split(";") if part.strip()]


def _under_dry(found: Occasions, gear: Columns) -> Occasions:
    """Undersuits where a dry suit is worn over them: under a wet one they hold no gas and are none."""
    dry = np.append(np.isin(gear["style"], _DRY), False)[found.suit].any(axis=1, keepdims=True)
    return replace(found, undersuit=np.where(dry, found.undersuit, -1))


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
    joined: dict[str, NDArray[Any]] = dict(records.dives)
    for name in DIVES.by_name if count or len(plan["dive"]) else ():
        source = _FROM_CHECK.get(name, name)
        from_check = checks[source] if source in checks else _missing(template[name], count)
        joined[name] = np.concatenate([records.dives[name], from_check, plan[name]])
    sizes = (len(records.dives["dive"]), count, len(plan["dive"]))
    table = np.repeat([DIVE, CHECK, PLAN], sizes)
    row = np.concatenate([np.arange(size) for size in sizes])
    return Timeline(
        _under_dry(occasions(records, joined, counts_as_dive=table == DIVE), records.gear),
        table,
        row,
        replace(records, checks=checks),
        plan,
    )
