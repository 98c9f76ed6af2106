"""Sheets of the invented club, with names that try to be more than names."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from functools import cache

from leadline.decide.boat import boat
from leadline.decide.boat_data import BoatData
from leadline.decide.rental import Desk, rental
from leadline.decide.rental_data import RentalData
from leadline.decide.stock import Pieces

from ..decide import club  # noqa: TID252 (tests are on no path)

WHEN = datetime(2026, 5, 19, 17, 5)
FITTED = datetime(2026, 5, 18, 9, 0)
SCRIPT = "<script>alert(1)</script>\"'&lt \u202etfel \U0001f93f"
UNBROKEN = "Ø" * 300
NAMES = {"script": SCRIPT, "unbroken": UNBROKEN, "formula": club.HOSTILE.replace(";", ",")}


def _pieces(units: str) -> Pieces:
    return Pieces.usual(imperial=units == "imperial")


@cache
def rental_data(units: str = "metric", *, name: str = "thin") -> RentalData:
    """Seven suits in two waters; or fewer classes, with a suit, a hood and a cylinder called `name`."""
    suits = [f"rental {letter}" for letter in "abcde"]
    gear = [
        *club.GEAR,
        *({"item": s, "kind": "suit", "style": "full", "type": s, "thickness_mm": 3 + i}
          for i, s in enumerate(suits)),
        {"item": name, "type": name, "kind": "suit", "style": "full", "thickness_mm": 6},
        {"item": f"hood of {name}", "kind": "hood", "thickness_mm": 5},
        {"item": f"steel {name}", "kind": "cylinder", "material": "steel", "water_capacity_l": 12},
    ]  # fmt: skip
    desk = Desk(
        classes=None if name == "thin" else "50,80,110",
        suits=("full 5", *suits, name),
        waters=("salt", "fresh") if name == "thin" else ("salt",),
        cylinders=(f"steel {name}",),
        worn_with={"other": f"hood of {name}"},
        pieces=_pieces(units),
        group=name,
        since="2026-05-01",
        renters=12,
    )
    dives = [row | {"group": name} for row in club.dives()]
    made = rental(
        club.assess(gear=gear, dives=dives, fit=club.learned()),
        desk,
        units=units,
        book=f"{name}.duckdb",
        data_version="7",
        fitted=FITTED,
        generated=WHEN,
    )
    return _narrow_corner(made)


def _narrow_corner(data: RentalData) -> RentalData:
    """One cell without a check and with much evidence, so that every kind of cell is on the page."""
    first = data.tables[0]
    corner = replace(
        first.cells[0][0], lead_kg=first.cells[0][0].bring_kg, check_first=False, evidence="some", dives=31,
        divers=6,
    )  # fmt: skip
    rows = ((corner, *first.cells[0][1:]), *first.cells[1:])
    return replace(data, tables=(replace(first, cells=rows), *data.tables[1:]))


@cache
def boat_data(units: str = "metric", *, name: str = "Kim") -> BoatData:
    """Two dives of five and two divers, one of them called `name` in a suit of that name."""
    who = {"diver": name, "mass_kg": 70, "dives_before": 4}
    gear = [*club.GEAR, {"item": f"suit of {name}", "kind": "suit", "style": "full", "thickness_mm": 7}]
    first = [club.plan_row(d, group=name, site=name) for d in ("Ines", "Uma", "Noa", "Zed")]
    first.append(club.plan_row(name, suit=f"suit of {name}", group=name, site=name))
    noon = [row | {"dive": "noon"} for row in first[:2]]
    return boat(
        club.assess([*first, *noon], divers=[*club.DIVERS, who], gear=gear, fit=club.learned()),
        pieces=_pieces(units),
        units=units,
        plan=f"{name}.csv",
        group=name,
        since="2026-05-01",
        book=f"{name}.duckdb",
        data_version="7",
        fitted=FITTED,
        generated=WHEN,
    )
