"""What a plan does not say of altitude, stop, trimix and cylinders left behind is as on the latest dive."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from leadline.book import Book

GEAR = "item,kind,material,water_capacity_l\nT24,cylinder,steel,24\n"
DIVES = (
    "dive,diver,date,water,altitude_m,suit,bc,cylinder,gas,start_bar,end_bar,stop_depth_m\n"
    "h1,Ines,2026-06-01,fresh,2500,W5,J,S12,,200,50,3\n"
    "t1,Ivo,2026-06-01,salt,,D,J,T24;A7,18/45;50,200;200,60;-,\n"
)


@pytest.fixture
def read(path: Path, write: Callable[[str, str], Path]):
    """A plan as the book completes it, and what it says of that."""
    with Book.open(path, write=True) as book:
        book.load(gear=write("more.csv", GEAR), dives=write("dives.csv", DIVES))

    def made(text: str, **options: bool):
        told: list[str] = []
        with Book.open(path) as book:
            return book.read_plan(write("plan.csv", text), notify=told.append, **options), told

    return made


@pytest.mark.parametrize(
    ("header", "cells", "altitude", "stop"),
    [
        ("", "", 2500, 3),
        ("water", "fresh", 2500, 3),
        ("water", "salt", np.nan, 3),  # another water
        ("water,altitude_m", "fresh,0", 0, 3),
        ("water,stop_depth_m", "fresh,5", 2500, 5),
        ("max_depth_m", "2", 2500, np.nan),
        ("suit", "D", 2500, 3),  # never dived in: as on the latest dive
    ],
)
def test_altitude_and_stop(read, header: str, cells: str, altitude: float, stop: float) -> None:
    """Independent: by the rules for one dive, `test_answering.py`."""
    plan, told = read(f"diver,{header}\nInes,{cells}\n" if header else "diver\nInes\n")
    np.testing.assert_equal([plan["altitude_m"][0], plan["stop_depth_m"][0]], [altitude, stop])
    taken = (["altitude 2500 m (8202 ft)"] if altitude == 2500 else []) + (
        ["stop at 3 m (10 ft)"] if stop == 3 else []
    )
    assert taken
    assert [text.partition("plan.csv: ")[2] for text in told if "no date" not in text] == [
        f"row 2: {', '.join(taken)}, as on dive h1 of 2026-06-01, since not named"
    ]


@pytest.mark.parametrize(
    ("header", "cells", "salinity"),
    [
        ("water", "salt", 40),
        ("water,site", "salt,Reef", 40),
        ("water,site", "salt,Quay", np.nan),
        ("water", "fresh", np.nan),
        ("water,salinity_gkg", "salt,36", 36),
        ("site", "Reef", np.nan),  # of water that is not named the band holds all
    ],
)
def test_how_salt_the_sea_is(read, write, path: Path, header: str, cells: str, salinity: float) -> None:
    """By the density of sea water, 5 g/kg more take half a kilogram more lead."""
    text = "dive,diver,date,site,water,salinity_gkg,suit\nr,Ines,2026-07-01,Reef,salt,40,W5\n"
    with Book.open(path, write=True) as book:
        book.load(dives=write("reef.csv", text))
    plan, told = read(f"diver,{header}\nInes,{cells}\n")
    np.testing.assert_equal(plan["salinity_gkg"][0], salinity)
    assert any("40 g/kg of salt, as on dive r" in text for text in told) == (salinity == 40)


@pytest.mark.parametrize(
    ("header", "cells", "gas", "stop"),
    [
        ("cylinder", "T24;A7", "18/45;50", "35;-"),
        ("cylinder", "T24", "18/45", ""),  # the stage stays ashore
        ("cylinder", "S12", "", ""),
        ("cylinder,gas", "T24;A7,air;air", "air;air", "35;-"),
        ("cylinder,end_bar", "T24;A7,60;80", "18/45;50", ""),
    ],
)
def test_gas_and_cylinders_left_behind(read, header: str, cells: str, gas: str, stop: str) -> None:
    plan, told = read(f"diver,{header}\nIvo,{cells}\n")
    assert (plan["gas"][0], plan["stop_bar"][0]) == (gas, stop)
    assert any("dive t1" in text for text in told) == (gas not in ("", "air;air") or bool(stop))


def test_nothing_is_taken_over_where_it_is_asked_for_as_named(read) -> None:
    plan, told = read("diver\nInes\n", as_named=True)
    assert np.isnan([plan["altitude_m"][0], plan["stop_depth_m"][0]]).all()
    assert not told


def test_others_are_left_alone_and_rows_keep_their_order(read) -> None:
    plan, told = read("diver,suit\nIvo,W5\nInes,W5\nIvo,W5\n")
    np.testing.assert_equal(plan["stop_depth_m"], [np.nan, 3, np.nan])
    assert "row 3:" in told[0]


def test_a_row_without_a_date_is_for_today(read) -> None:
    """As one dive asked for; without a day nobody was away, and no child has an age."""
    plan, told = read("diver,date\nIvo,\nIvo,2026-06-09\n")
    today = date.today()
    assert plan["date"].astype("datetime64[D]").astype(str).tolist() == [f"{today}", "2026-06-09"]
    assert told[-1].endswith(f"plan.csv: no date in 1 of 2 rows, so reckoned for today, {today}")
    assert np.isnat(read("diver\nIvo\n", as_named=True)[0]["date"]).all()
