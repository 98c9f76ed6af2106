"""Rules: what a row must hold to be sound, and what is said where it does not."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pint
import pytest
from CoolProp import CoolProp
from numpy.testing import assert_allclose

from leadline.book import Book
from leadline.book.rule import STYLES
from leadline.errors import RecordError
from leadline.records import DIVES, GEAR, TABLES

DIVE = {"dive": "9", "diver": "Ines", "suit": "W5", "bc": "J", "cylinder": "S12", "lead_kg": "6"}
TOMORROW = (date.today() + timedelta(days=1)).isoformat()

UNSOUND = [
    ("divers", {"diver": ""}, "diver", "diver is empty; every row needs it"),
    ("divers", {"diver": "A", "mass_kg": "heavy"}, "mass_kg", "mass_kg heavy: is no number"),
    ("divers", {"diver": "A", "mass_kg": "nan"}, "mass_kg", "mass_kg nan: is no number"),
    ("divers", {"diver": "A", "mass_kg": "inf"}, "mass_kg", "mass_kg inf: is no number"),
    ("divers", {"diver": "A", "mass_kg": "1e999"}, "mass_kg", "mass_kg 1e999: is no number"),
    ("divers", {"diver": "A", "mass_kg": "7_0"}, "mass_kg", "mass_kg 7_0: is no number"),
    ("divers", {"diver": "A", "mass_kg": "=60+4"}, "mass_kg", "mass_kg =60\\+4: is no number"),
    ("divers", {"diver": "A", "mass_kg": "300"}, "mass_kg", r"must lie in \[20, 250\] kg \(if it is in lb"),
    (
        "divers",
        {"diver": "A", "mass_lb": "900"},
        "mass_lb",
        r"mass_lb 900: must lie in \[44\.09, 551\.2\] lb$",
    ),
    ("divers", {"diver": "A", "birth_year": "1990.5"}, "birth_year", "must be a whole number"),
    ("divers", {"diver": "A", "birth_year": "2099"}, "birth_year", "lies in the future"),
    ("divers", {"diver": "A", "sex": "x"}, "sex", "sex 'x': must be one of f, m"),
    ("gear", {"item": "a;b", "kind": "hood"}, "item", "must not contain ;"),
    ("gear", {"item": "a"}, "kind", "kind is empty; every row needs it"),
    ("gear", {"item": "a", "kind": "hod"}, "kind", "kind 'hod': must be one of .*; closest: hood"),
    (
        "gear",
        {"item": "a", "kind": "suit", "thickness_mm": "-5"},
        "thickness_mm",
        r"thickness_mm -5: must lie in",
    ),
    ("gear", {"item": "a", "kind": "suit", "style": "wing"}, "style", "style 'wing': is no style of a suit"),
    ("gear", {"item": "a", "kind": "hood", "style": "full"}, "style", "belongs to a suit, .* not to hood"),
    ("gear", {"item": "a", "kind": "cylinder", "material": "aluminum"}, "material", "closest: aluminium"),
    (
        "dives",
        DIVE | {"diver": "Inez"},
        "diver",
        "diver 'Inez': no such diver among the divers; closest: Ines",
    ),
    ("dives", DIVE | {"diver": "ines"}, "diver", "no such diver among the divers; closest: Ines"),
    ("dives", DIVE | {"suit": "W55"}, "suit", "suit 'W55': no such item in the gear; closest: W5"),
    ("dives", DIVE | {"other": "H;X9"}, "other", "other 'H;X9': no item 'X9' in the gear"),
    ("dives", DIVE | {"bc": "H"}, "bc", "bc 'H': is listed as hood; it belongs in the column other"),
    ("dives", DIVE | {"other": "H;J"}, "other", "'J' is listed as bc; it belongs in the column bc"),
    ("dives", DIVE | {"date": TOMORROW}, "date", "lies in the future; a plan goes to `suggest --plan`"),
    ("dives", DIVE | {"date": "01.05.2026"}, "date", "must be a date such as 2026-05-30"),
    ("dives", DIVE | {"date": "2026-02-30"}, "date", "must be a date such as"),
    ("dives", DIVE | {"date": "2026-05"}, "date", "must be a date such as"),
    ("dives", DIVE | {"date": "1826-05-01"}, "date", "lies before 1900"),
    ("dives", DIVE | {"lead_kg": "120"}, "lead_kg", r"lead_kg 120: must lie in \[0, 60\] kg"),
    (
        "dives",
        DIVE | {"lead_kg": "6", "lead_lb": "20"},
        "lead_lb",
        "lead_lb 20: contradicts lead_kg 6; keep one",
    ),
    (
        "dives",
        DIVE | {"start_bar": "3000"},
        "start_bar",
        r"in \[0, 330\] bar \(if it is in psi, .* start_psi\)",
    ),
    ("dives", DIVE | {"start_bar": "200", "start_psi": "1000"}, "start_psi", "contradicts start_bar 200"),
    ("dives", DIVE | {"start_bar": "-"}, "start_bar", "must be numbers joined by ;"),
    (
        "dives",
        DIVE | {"start_bar": "200", "end_bar": "206"},
        "end_bar",
        "more than 5 bar above start_bar 200",
    ),
    (
        "dives",
        DIVE | {"cylinder": "S12;A7", "start_bar": "200;150", "end_bar": "50;160"},
        "end_bar",
        "above start_bar 200;150",
    ),
    ("dives", DIVE | {"start_bar": "200", "stop_bar": "220"}, "stop_bar", "above start_bar 200"),
    ("dives", DIVE | {"end_bar": "80", "stop_bar": "60"}, "end_bar", "more than 5 bar above stop_bar 60"),
    (  # by hand: 5 bar are 72.5 psi
        "dives",
        DIVE | {"start_bar": "", "end_bar": "", "start_psi": "700", "end_psi": "3000"},
        "end_psi",
        "^end_psi 3000: lies more than 73 psi above start_psi 700$",
    ),
    (
        "dives",
        DIVE | {"bc_state": "gas", "bc_gas_l": "0"},
        "bc_gas_l",
        "contradicts bc_state gas; leave it empty where nobody estimated",
    ),
    ("checks", {"check": "c", "diver": "Ines", "bar": "60;-"}, "bar", "must be numbers joined by ;"),
    ("checks", {"check": "c", "diver": "Ines", "bar": "-"}, "bar", "^bar -: must be numbers joined by ;$"),
    (
        "checks",
        {"check": "c", "diver": "Ines", "cylinder": "S12;A7", "psi": "-"},
        "psi",
        "^psi -: must be numbers joined by ;$",
    ),
    ("blocks", {"block": "1.5 lb", "pieces": "x"}, "pieces", "^pieces x: is no number$"),
    ("blocks", {"block": "1.5 lb", "pieces": "2.5"}, "pieces", r"^pieces 2\.5: must be a whole number$"),
    ("blocks", {"block": "1.5 lb", "pieces": ""}, "pieces", "^pieces is empty; say how many there are$"),
    ("blocks", {"block": "1.5 lb"}, "pieces", "^pieces is empty; say how many there are$"),
    ("blocks", {"block": "", "pieces": "4"}, "block", "^block is empty; every row needs it$"),
    ("blocks", {"block": "9 kg", "pieces": "4"}, "block", "^block '9 kg': must be a mass from 0.1 to 5 kg"),
    (
        "dives",
        DIVE | {"end_bar": "-"},
        "end_bar",
        "^end_bar -: marks every cylinder as not carried at the stop",
    ),
    (
        "dives",
        DIVE | {"cylinder": "S12;A7", "stop_bar": "-; -"},
        "stop_bar",
        "give the pressure of the one that",
    ),
    ("dives", DIVE | {"start_bar": "200;190"}, "start_bar", "has 2 values for 1 cylinder$"),
    ("dives", DIVE | {"cylinder": "S12;A7", "gas": "32;50;80"}, "gas", "has 3 values for 2 cylinders"),
    ("dives", DIVE | {"cylinder": "", "start_bar": "1;2;3", "gas": "32;50"}, "gas", "has 2 values for 3 cyl"),
    ("dives", DIVE | {"gas": "EAN32"}, "gas", "gas 'EAN32': must be air, the oxygen percentage"),
    ("dives", DIVE | {"gas": "0.32"}, "gas", "must be air, the oxygen percentage"),
    ("dives", DIVE | {"gas": "60/50"}, "gas", "oxygen/helium such as 18/45"),
    ("dives", DIVE | {"gas": "18/45/10"}, "gas", "oxygen/helium such as 18/45"),
    (
        "dives",
        DIVE | {"lead_places": "belt"},
        "lead_places",
        "places with their lead, such as belt:4;pockets:2",
    ),
    ("dives", DIVE | {"lead_places": "belt:4"}, "lead_places", "adds up to 4 kg, but lead_kg is 6"),
    ("dives", DIVE | {"lead_places": "belt:-1;back:7"}, "lead_places", r"must lie in \[0, 60\] kg"),
    ("dives", DIVE | {"lead_ditchable_kg": "8"}, "lead_ditchable_kg", "is more than lead_kg 6"),
    ("dives", DIVE | {"handed_off_kg": "8"}, "handed_off_kg", "is more than lead_kg 6"),
    ("dives", DIVE | {"max_depth_m": "4", "stop_depth_m": "5"}, "stop_depth_m", "lies below max_depth_m 4"),
    (
        "dives",
        DIVE | {"stop_depth_m": "20"},
        "stop_depth_m",
        r"in \[1, 15\] m \(if it is in ft, .*stop_depth_ft",
    ),
    ("dives", DIVE | {"handed_off_result": "rose"}, "handed_off_result", "needs handed_off_kg"),
    (
        "dives",
        DIVE | {"stop_result": "hoverd"},
        "stop_result",
        "one of hovered, rose, sank; closest: hovered",
    ),
    ("dives", DIVE | {"bc_state": "empty", "bc_gas_l": "3"}, "bc_gas_l", "contradicts bc_state empty"),
    ("checks", {"check": "c9", "diver": ""}, "diver", "diver is empty"),
    (
        "checks",
        {"check": "c9", "diver": "Ines", "dive": "77"},
        "dive",
        "no such dive of Ines among the dives",
    ),
    ("checks", {"check": "c9", "diver": "Ines", "waterline": "eyes"}, "waterline", "closest: eye"),
    (
        "checks",
        {"check": "c9", "diver": "Ines", "cylinder": "S12", "bar": "60;50"},
        "bar",
        "has 2 values for 1",
    ),
]


@pytest.mark.parametrize(("table", "row", "column", "reason"), UNSOUND)
def test_unsound_row_is_named(path: Path, table: str, row: dict[str, str], column: str, reason: str) -> None:
    with Book.open(path) as book:
        faults = book.judge(table, [row])
    assert [fault.column for fault in faults] == [column]
    assert "\n" not in faults[0].reason
    assert re.search(reason, faults[0].reason)


SOUND = [
    ("divers", {"diver": "=1+1"}),
    ("divers", {"diver": "nan", "mass_kg": "6.4e1", "birth_year": "1990.0", "sex": "F"}),
    ("gear", {"item": "x", "kind": "Suit", "style": "Two piece"}),
    ("gear", {"item": "x", "kind": "suit", "style": "dry-membrane"}),
    ("dives", DIVE | {"date": date.today().isoformat() + "T23:59"}),
    ("dives", DIVE | {"date": "2026-05-01 09:30:15.25"}),
    ("dives", DIVE | {"date": "20260501T0930+02:00"}),
    ("dives", DIVE | {"lead_lb": "13", "start_bar": "200", "start_psi": "2900"}),
    ("dives", DIVE | {"start_bar": "200", "end_bar": "205"}),
    ("dives", DIVE | {"cylinder": "S12; A7", "start_bar": "200;150", "end_bar": "60 ; -", "gas": "Air;50"}),
    ("dives", DIVE | {"cylinder": "S12;A7", "start_bar": "200", "end_bar": "50;", "gas": "18/45"}),
    ("dives", DIVE | {"lead_places": "left : 2;right:3.9;", "stop_result": " Hovered "}),
    ("dives", DIVE | {"handed_off_kg": "-1", "handed_off_result": "hovered"}),
    ("dives", {"dive": "x", "diver": "Ines"}),
    ("checks", {"check": "c9", "diver": "Ines", "dive": "2", "bar": ""}),  # nobody read the gauge
]


@pytest.mark.parametrize(("table", "row"), SOUND)
def test_sound_row_passes(path: Path, table: str, row: dict[str, str]) -> None:
    with Book.open(path) as book:
        assert book.judge(table, [row]) == ()


def test_styles_are_those_declared() -> None:
    words = [word for styles in STYLES.values() for word in styles]
    assert sorted(words) == sorted(GEAR.column("style").words)
    assert set(STYLES) <= set(GEAR.column("kind").words)


def stored(path: Path, table: str, row: dict[str, str]) -> dict[str, object]:
    with Book.open(path, write=True) as book:
        book.upsert(table, [row])
        columns = getattr(book.records(), table)
    return {name: array[-1] for name, array in columns.items()}


def test_cells_are_kept_in_one_form(path: Path) -> None:
    row = DIVE | {
        "cylinder": " S12 ;A7; ",
        "gas": "AIR; 50.0",
        "start_bar": "200.0; 150",
        "end_bar": "60 ; -",
        "lead_places": "left pocket : 2.0;right:4;",
        "date": "20260501T0930+02:00",
        "stop_result": " Hovered ",
    }
    kept = stored(path, "dives", row)
    assert kept["cylinder"] == "S12;A7"
    assert kept["gas"] == "air;50"
    assert (kept["start_bar"], kept["end_bar"]) == ("200;150", "60;-")
    assert kept["lead_places"] == "left pocket:2;right:4"
    assert str(kept["date"]) == "2026-05-01T09:30:00"  # the clock on the wall, whatever the zone
    assert kept["stop_result"] == "hovered"


# Independent: pint 0.25, which takes its factors from NIST SP 811 and CODATA.
PINT = {"lb": "pound", "psi": "psi", "ft": "foot", "in": "inch", "in_mm": "inch", "degF": "degF"}
HOUSE = {"kg": "kilogram", "bar": "bar", "m": "meter", "cm": "centimeter", "mm": "millimeter", "°C": "degC"}


@pytest.mark.parametrize(
    ("table", "column"),
    [
        (t.name, c.name)
        for t in TABLES.values()
        for c in t.columns
        if c.twin and c.kind in ("number", "numbers")
    ],
)
def test_imperial_twin_becomes_the_house_unit(path: Path, table: str, column: str) -> None:
    declared = TABLES[table].column(column)
    assert declared.twin is not None
    assert declared.low is not None
    assert declared.high is not None
    units = pint.UnitRegistry()
    house = 0.7 * declared.low + 0.3 * declared.high
    given = round(
        float(units.Quantity(house, HOUSE[declared.unit]).to(PINT[declared.twin.unit]).magnitude), 2
    )
    expected = float(units.Quantity(given, PINT[declared.twin.unit]).to(HOUSE[declared.unit]).magnitude)
    key = {"divers": {"diver": "Zed"}, "gear": {"item": "Zed", "kind": "other"}, "dives": {}, "checks": {}}
    row = {"dive": "9", "diver": "Ines"} if table == "dives" else {"check": "c9", "diver": "Ines"}
    kept = stored(path, table, (key[table] or row) | {declared.twin.name: str(given)})
    assert_allclose(float(str(kept[column])), expected, rtol=1e-12)


def test_lead_places_in_pounds(path: Path) -> None:
    kept = stored(path, "dives", DIVE | {"lead_kg": "", "lead_lb": "10", "lead_places_lb": "belt:6;back:4"})
    places = dict(part.split(":") for part in str(kept["lead_places"]).split(";"))
    assert_allclose(
        [float(places["belt"]), float(places["back"])], [6 * 0.45359237, 4 * 0.45359237], rtol=1e-12
    )


def test_cylinder_known_by_its_gas_gets_a_water_capacity(path: Path) -> None:
    row = {"item": "A80", "kind": "cylinder", "gas_capacity_cuft": "77.4", "rated_psi": "3000"}
    kept = stored(path, "gear", row)
    # Independent: CoolProp 8.0, air as a real gas, 77.4 ft³ at 1 atm and 20 °C held at 3000 psi gauge.
    rated = 3000 * 6894.757293168 + 101325.0
    free = CoolProp.PropsSI("D", "T", 293.15, "P", 101325.0, "Air")
    held = CoolProp.PropsSI("D", "T", 293.15, "P", rated, "Air")
    assert_allclose(float(str(kept["water_capacity_l"])), 77.4 * 28.316846592 * free / held, rtol=0.004)


@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        ({"gas_capacity_cuft": "80"}, "needs rated_psi"),
        ({"gas_capacity_cuft": "lots", "rated_psi": "3000"}, "gas_capacity_cuft lots: is no number"),
        ({"gas_capacity_cuft": "5000", "rated_psi": "3000"}, "must lie in"),
        ({"gas_capacity_cuft": "700", "rated_psi": "800"}, "L of water capacity, which must lie in"),
        ({"gas_capacity_cuft": "80", "rated_bar": "390"}, "cannot be reckoned above 330 bar"),
        (
            {"gas_capacity_cuft": "80", "rated_psi": "3000", "water_capacity_l": "7"},
            "which contradicts water_capacity_l",
        ),
    ],
)
def test_gas_capacity_that_makes_no_cylinder(path: Path, cells: dict[str, str], reason: str) -> None:
    with Book.open(path) as book:
        (fault,) = book.judge("gear", [{"item": "A80", "kind": "cylinder"} | cells])
    assert reason in fault.reason


def test_absurd_cells_are_judged_not_fatal(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "odd.csv"
    long = "x" * 3_000_000
    file.write_text(
        f"diver,mass_kg,notes\n{long},70,\nNUL\0name,71,a\0b\nB,{'9' * 5000},\n", encoding="utf-8"
    )
    with Book.open(path, write=True) as book:
        report = book.load(divers=file)
        names = book.records().divers["diver"].tolist()
    assert names[2:] == [long, "NUL\0name"]
    assert report.tables["divers"].rejected == 1
    assert len(report.faults[0].reason) < 200


def test_plan_may_lie_ahead_and_leave_out_what_is_not_known(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "plan.csv"
    file.write_text(f"diver,date,suit,cylinder,lead_kg\nInes,{TOMORROW},W5,S12,\nIvo,{TOMORROW},W5,S12,7\n")
    with Book.open(path) as book:
        plan = book.read_plan(file)
        assert book.counts()["dives"] == 3
    assert list(plan) == [column.name for column in DIVES.columns]
    assert plan["diver"].tolist() == ["Ines", "Ivo"]
    assert str(plan["date"][0]) == f"{TOMORROW}T00:00:00"
    assert plan["dive"].tolist() == ["", ""]
    assert np.isnan(plan["lead_kg"]).tolist() == [True, False]
    assert plan["end_bar"].tolist() == ["", ""]


def test_plan_does_not_borrow_from_dives_of_the_same_name(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "plan.csv"
    file.write_text("dive,diver\n1,Ines\n")
    with Book.open(path) as book:
        assert book.read_plan(file)["suit"].tolist() == [""]


def test_unsound_plan_is_refused_with_its_rows(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "plan.csv"
    file.write_text("diver,suit\nInez,W5\nIvo,W55\nIvo,J\n,W5\n")
    with (
        Book.open(path) as book,
        pytest.raises(
            RecordError, match=r"plan\.csv: row 2: diver 'Inez'.*; row 3: .*\(and 1 more\)"
        ) as caught,
    ):
        book.read_plan(file)
    assert "\n" not in str(caught.value)
