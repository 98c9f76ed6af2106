"""What a report shows beside its main rows, as tables of their own: every number of its document, as rows.

Units stand in the names of the columns: masses in kg, pressures in bar, depths in m, volumes in L. A table of
which a page has nothing is there without rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

__all__ = ["boat_tables", "rental_tables", "roster_tables", "season_tables"]

Row = dict[str, Any]
Tables = dict[str, list[Row]]

_PRIOR: Final = {"mean": "prior_mean_kg", "sd": "prior_sd_kg"}
_ITEM: Final = {"mass": "mass_kg", "volume": "volume_l", "net_buoyancy": "net_buoyancy_kg", "sd": "sd_kg"}
_STATE: Final = {
    "depth": "depth_m",
    "pressure": "pressure_bar",
    "total": "net_buoyancy_kg",
    "lead": "lead_kg",
}
_PARTS: Final = ("suggestion", "prior", "ledger", "change")
"""Documents within that of a season; None where there are none."""
_CHECK: Final = (
    "check_place", "diver", "dive", "lead_kg", "bring_kg", "after_check_kg", "dive_at_least_kg",
    "after_check_bar", "bare_kg", "need_q10_kg", "need_q90_kg", "check_reasons",
)  # fmt: skip


def season_tables(documents: Sequence[Mapping[str, Any]]) -> Tables:
    """Tables beside the dives of one or more seasons.

    Parameters
    ----------
    documents : sequence of mapping
        As `season_document` makes them.

    Returns
    -------
    dict of str to list of dict
        Name to rows, the diver first in each: what the page says of the next dive and of the book
        (`summary`), checks, what was learned, the ledger's items and their totals, the card, both seasons.
    """
    tables: Tables = {
        "summary": [_season_summary(one) for one in documents],
        "checks": _each(documents, lambda one: one["checks"]),
        "learned": _each(documents, lambda one: [_learned(part) for part in one["contributions"]]),
        "ledger": _each(documents, lambda one: _items(one["ledger"])),
        "ledger-totals": _each(documents, lambda one: _totals(one["ledger"])),
        "card": _each(documents, lambda one: one["card"]),
        "seasons": _each(documents, lambda one: _seasons(one["change"])),
    }
    return _alike(tables)


def rental_tables(document: Mapping[str, Any]) -> Tables:
    """Tables beside the cells of a rental report.

    Parameters
    ----------
    document : mapping
        As `rental_document` makes it.

    Returns
    -------
    dict of str to list of dict
        Name to rows: the pieces to have, the day they are for and the book (`summary`), what sex changes, the
        outfits, what was seen at stops, the pieces that are lacking, blocks that are left out, kit that is
        not as listed.
    """
    stock = document["stock"]
    tables: Tables = {
        "pieces": stock["pieces"],
        "summary": [_plain(document) | _plain(stock)],
        "nearer": document["nearer"],
        "outfits": document["outfits"],
        "seen": document["seen"],
        "lacking": document["lacking"],
        "left-out": document["left_out"],
        "not-as-listed": document["not_as_listed"],
    }
    return _alike(tables)


def roster_tables(document: Mapping[str, Any]) -> Tables:
    """Tables beside the students of a roster.

    Parameters
    ----------
    document : mapping
        As `roster_document` makes it.

    Returns
    -------
    dict of str to list of dict
        Name to rows: rates and counts of the page (`summary`), each student's dives, courses, leaders, the
        curve over the dives of a course.
    """
    summary = _plain(document) | {"groups": document["groups"]}
    for name in ("flags", "heavy", "light", "never_looked"):
        summary |= {f"{name}_{key}": value for key, value in document[name].items()}
    if document["overall"] is not None:
        summary |= {f"change_{key}": value for key, value in _change(document["overall"]).items()}
    tables: Tables = {
        "summary": [summary],
        "dives": [{"diver": one["diver"], **dive} for one in document["students"] for dive in one["trend"]],
        "courses": [_change(one) for one in document["groups_change"]],
        "leaders": [_change(one) for one in document["leaders_change"]],
        "curve": document["curve"],
    }
    return _alike(tables)


def boat_tables(document: Mapping[str, Any]) -> Tables:
    """Tables beside the rows of a boat sheet.

    Parameters
    ----------
    document : mapping
        As `boat_document` makes it.

    Returns
    -------
    dict of str to list of dict
        Name to rows: the pieces to load, how sure that is and the book (`summary`), the dives, the surface
        checks in their order, the pieces that are lacking, blocks that are left out.
    """
    load = document["load"]
    checks = [row for row in document["rows"] if row["check_place"]]
    tables: Tables = {
        "pieces": load["pieces"],
        "summary": [_plain(document) | _plain(load)],
        "dives": document["dives"],
        "checks": [
            {name: row[name] for name in _CHECK} for row in sorted(checks, key=lambda row: row["check_place"])
        ],
        "lacking": document["lacking"],
        "left-out": document["left_out"],
    }
    return _alike(tables)


def _each(
    documents: Sequence[Mapping[str, Any]], rows: Callable[[Mapping[str, Any]], Iterable[Row]]
) -> list[Row]:
    return [{"diver": one["diver"], **row} for one in documents for row in rows(one)]


def _plain(document: Mapping[str, Any]) -> Row:
    """What is neither a list nor a document of its own."""
    return {name: value for name, value in document.items() if not isinstance(value, (list, dict))}


def _named(row: Mapping[str, Any], names: Mapping[str, str], prefix: str = "") -> Row:
    return {names.get(name, prefix + name): value for name, value in row.items()}


def _season_summary(one: Mapping[str, Any]) -> Row:
    prior = {name.removeprefix("band_"): value for name, value in (one["prior"] or {}).items()}
    head = {name: value for name, value in _plain(one).items() if name not in _PARTS}
    return head | (one["suggestion"] or {}) | _named(prior, _PRIOR, "prior_")


def _learned(part: Mapping[str, Any]) -> Row:
    return _named(part, {"kg": "adds_kg", "sd": "sd_kg"})


def _items(ledger: Mapping[str, Any] | None) -> Iterable[Row]:
    """One row for each item in each state."""
    if ledger is None:
        return []
    return [
        {"state": state, "item": item, **{unit: ledger[name][i][j] for name, unit in _ITEM.items()}}
        for j, state in enumerate(ledger["state"])
        for i, item in enumerate(ledger["item"])
    ]


def _totals(ledger: Mapping[str, Any] | None) -> Iterable[Row]:
    """One row for each state."""
    if ledger is None:
        return []
    return [
        {"state": state, **{unit: ledger[name][j] for name, unit in _STATE.items()}}
        for j, state in enumerate(ledger["state"])
    ]


def _seasons(change: Mapping[str, Any] | None) -> Iterable[Row]:
    """The season before and this one; the break and what is new stand in the row of this one."""
    if change is None:
        return []
    between = {"break_days": change["break_days"], "new_kit": change["new_kit"]}
    return [
        {"season": "before", **change["before"], **dict.fromkeys(between)},
        {"season": "now", **change["now"], **between},
    ]


def _change(change: Mapping[str, Any]) -> Row:
    """A change over a course in one row."""
    looked = {f"looked_{name}": value for name, value in change["looked"].items()}
    return {name: value for name, value in change.items() if name != "looked"} | looked


def _alike(tables: Tables) -> Tables:
    """Every row with all columns of its table, None where it has none."""
    found = {}
    for name, rows in tables.items():
        columns = dict.fromkeys(column for row in rows for column in row)
        found[name] = [columns | row for row in rows]
    return found
