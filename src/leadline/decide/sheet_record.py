"""The numbers of a rental report and of a boat sheet as plain rows and documents, masses in kg."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

import numpy as np

from leadline.decide.boat_data import BoatData, BoatDiver
from leadline.decide.plan_file import record
from leadline.decide.rental_data import RentalData
from leadline.decide.share import Share
from leadline.decide.stock import Lacking, Stock
from leadline.decide.stranger import MassClass
from leadline.decide.table_text import rounded

__all__ = ["boat_document", "boat_rows", "piece_rows", "rental_document", "rental_rows"]

Row = dict[str, Any]

_SIZE: Final = 6
"""Decimals of the mass of a piece in kg, alike in all tables, so that they can be joined."""


def rental_rows(data: RentalData) -> list[Row]:
    """One row for each cell of each table.

    Parameters
    ----------
    data : RentalData
        The report.

    Returns
    -------
    list of dict
        Water, cylinder, ends of the class, suit, the pieces of it that such a body is given, then the fields
        of `RentalCell`.
    """
    return [
        {
            **{name: rounded(value) for name, value in asdict(table.place).items()},
            **_class(group),
            "suit": outfit.label,
            "pieces": outfit.suit[i],
            **{name: rounded(value) for name, value in asdict(cell).items()},
        }
        for table in data.tables
        for i, (group, cells) in enumerate(zip(data.classes, table.cells, strict=True))
        for outfit, cell in zip(data.outfits, cells, strict=True)
    ]


def rental_document(data: RentalData) -> Row:
    """All numbers of the rental report, ready for JSON."""
    return {
        **_head(data),
        "at_bar": data.at_bar,
        "dives": data.dives,
        "divers": data.divers,
        "observations": data.observations,
        "observed_divers": data.observed_divers,
        "outfits": [
            # Which class is given which stands in the cells.
            {"suit": outfit.label, "pieces": list(dict.fromkeys(outfit.suit)), **outfit.worn_with}
            for outfit in data.outfits
        ],
        "cells": rental_rows(data),
        "nearer": [
            {**_class(group), **{name: rounded(value) for name, value in asdict(one).items()}}
            for group, one in zip(data.classes, data.nearer, strict=True)
        ],
        "seen": [
            {
                "suit": outfit.label,
                "stops": seen.rose.of,
                **_share("rose", seen.rose),
                **_share("sank", seen.sank),
            }
            for outfit, seen in zip(data.outfits, data.seen, strict=True)
        ],
        "stock": {
            "renters": data.stock.renters,
            "as_on_the_busiest_day": data.stock.busiest,
            **_stock(data.stock.stock),
        },
        "lacking": _lacking(data.lacking),
        "left_out": [{"block": size, "pieces": number} for size, number in data.left_out],
        "not_as_listed": [
            {"suit": suit, "cylinder": None, "kit": name, "short_kg": rounded(gap)}
            for suit, name, gap in data.short
        ]
        + [
            {"suit": None, "cylinder": cylinder, "kit": name, "short_kg": rounded(gap)}
            for cylinder, name, gap in data.short_cylinders
        ],
    }


def boat_rows(data: BoatData) -> list[Row]:
    """One row for each row of the plan: the columns of the plan file, then the sheet's own.

    Parameters
    ----------
    data : BoatData
        The sheet.

    Returns
    -------
    list of dict
        `pieces` names sizes and counts as `2:3;0.5:1`; `check_place` is empty where no check comes first.
    """
    return [
        {
            **record(diver.answer),
            "suit": diver.suit,
            "kit": list(diver.kit),
            "water": diver.water,
            "pieces": _pieces(data, diver),
            "check_place": diver.check_place or None,
            "check_reasons": list(diver.reasons),
            "after_check_kg": None if diver.after is None else rounded(diver.after.more_kg),
            "dive_at_least_kg": None if diver.after is None else rounded(diver.after.at_least),
            "after_check_bar": None if diver.after is None else diver.after.bar,
            "full_bar": [rounded(bar) for bar in diver.full_bar] if diver.after is not None else [],
            "bare_kg": None if diver.after is None else rounded(diver.after.bare_kg),
            "late_bar": rounded(diver.late_bar),
            "late_bring_kg": rounded(diver.late_kg),
        }
        for diver in data.divers
    ]


def boat_document(data: BoatData) -> Row:
    """All numbers of the boat sheet, ready for JSON."""
    return {
        **_head(data),
        "plan": data.plan,
        "observations": data.observations,
        "observed_divers": data.observed_divers,
        "dives": [
            {
                "dive": dive.dive,
                "group": dive.group,
                "rows": len(dive.divers),
                "lead_kg": rounded(dive.lead_kg),
            }
            for dive in data.dives
        ],
        "rows": boat_rows(data),
        "load": _stock(data.load),
        "lacking": _lacking(data.lacking),
        "left_out": [{"block": size, "pieces": number} for size, number in data.left_out],
    }


def piece_rows(stock: Stock) -> list[Row]:
    """One row for each size of lead."""
    return [
        {"piece_kg": round(size, _SIZE), "pieces": count}
        for size, count in zip(stock.sizes, stock.counts, strict=True)
    ]


def _lacking(found: Lacking) -> list[Row]:
    """One row for each size of which there are too few."""
    return [
        {"piece_kg": round(size, _SIZE), "pieces": wanted, "there": there} for size, wanted, there in found
    ]


def _pieces(data: BoatData, diver: BoatDiver) -> str:
    used = [(size, n) for size, n in zip(data.sizes, diver.pieces, strict=True) if n]
    return ";".join(f"{round(size, _SIZE):.10g}:{n}" for size, n in used)


def _head(data: RentalData | BoatData) -> Row:
    return {
        "book": data.book,
        "data_version": data.data_version,
        "latest_dive": None if np.isnat(data.latest) else str(data.latest.astype("datetime64[D]")),
        "learned": None if data.fitted is None else data.fitted.isoformat(sep=" "),
        "changed_kit": list(data.changed_kit),
        "risk": data.risk,
        "since": data.since or None,
        "group": data.group or None,
    }


def _class(group: MassClass) -> Row:
    return {"body_mass_from_kg": round(group.low, 4), "body_mass_to_kg": round(group.high, 4)}


def _share(name: str, found: Share) -> Row:
    return {
        name: found.count,
        f"{name}_share": rounded(found.share),
        f"{name}_q025": rounded(found.low),
        f"{name}_q975": rounded(found.high),
    }


def _stock(stock: Stock) -> Row:
    return {
        "level": stock.level,
        "days": stock.served.of,
        "seed": stock.seed,
        **_share("served", stock.served),
        "pieces": piece_rows(stock),
        "total_kg": rounded(stock.total_kg),
        "usual_kg": rounded(stock.usual_kg),
    }
