"""Export: every table comes back from its files just as it was."""

# Table names in these statements are the declared ones.
# ruff: noqa: S608

from __future__ import annotations

import csv
import json
from datetime import datetime
from pathlib import Path
from shutil import copy2
from tempfile import TemporaryDirectory
from typing import Any
from unicodedata import normalize

import duckdb
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from leadline.book import Book
from leadline.book.rule import STYLES
from leadline.book.source import ORIGIN, known_names
from leadline.errors import BookError
from leadline.records import CHECKS, DIVERS, DIVES, GEAR, TABLES, Column, Table

_BLANK = "\u200b\ufeff"


def _is_trimmed(text: str) -> bool:
    return text == text.strip().strip(_BLANK) and bool(text.strip())


anything = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12).filter(_is_trimmed)
awkward = st.sampled_from(
    [
        '"',
        "a;b",
        "a\nb",
        "a\r\nb",
        "=1+1",
        "@x",
        "nan",
        "NULL",
        "null",
        "é\u0301",
        "🤿",
        "\u202eabc",
        "a\0b",
        "'",
        ",",
    ]
)
texts = anything | awkward


def composed(name: str) -> str:
    return normalize("NFC", name)


names = texts.filter(lambda name: ";" not in composed(name))  # the Greek question mark becomes one


def numbers(column: Column) -> st.SearchStrategy[float]:
    return st.floats(column.low, column.high, allow_nan=False).map(lambda x: x + 0.0)


def cell(column: Column) -> st.SearchStrategy[Any]:
    """Any sound value of a column that refers to nothing."""
    if column.kind == "number":
        return numbers(column)
    if column.kind == "integer":
        high = min(column.high or 0, 2021 if column.name == "birth_year" else 30000)
        return st.integers(int(column.low or 0), int(high))
    if column.kind == "word":
        return st.sampled_from(column.words)
    if column.kind == "date":
        moments = st.datetimes(datetime(1900, 1, 1), datetime(2026, 1, 1))
        return moments.map(lambda t: t.replace(microsecond=0).isoformat())
    if column.kind == "numbers":
        return numbers(column).map(repr)
    if column.kind == "gases":
        return st.sampled_from(["air", "32", "18/45", "100", "31.5"])
    return texts


def row(draw: st.DrawFn, table: Table, fixed: dict[str, Any], skip: tuple[str, ...] = ()) -> dict[str, Any]:
    made = dict(fixed)
    for column in table.columns:
        if column.name not in made and column.name not in skip and not column.refers and draw(st.booleans()):
            made[column.name] = draw(cell(column))
    return made


@st.composite
def books(draw: st.DrawFn) -> dict[str, list[dict[str, Any]]]:
    """Rows of all four tables, sound together, with unknown columns."""
    people = draw(st.lists(texts, min_size=1, max_size=4, unique_by=composed))
    items = draw(st.lists(names, min_size=1, max_size=5, unique_by=composed))
    taken = {name.casefold() for t in TABLES.values() for name in (*known_names(t), *ORIGIN)}
    header = texts.filter(lambda name: name.casefold() not in taken and "\0" not in name)
    extras = draw(st.lists(header, max_size=2, unique_by=str.casefold))

    def unknown() -> dict[str, Any]:
        return {name: draw(texts) for name in extras if draw(st.booleans())}

    divers = [row(draw, DIVERS, {"diver": name}) | unknown() for name in people]
    for made in divers:
        if "mass_kg" in made and "height_cm" in made:  # a body that somebody may have
            made["mass_kg"] = round(22.0 * (made["height_cm"] / 100) ** 2, 1)
            made["mass_kg"] = max(made["mass_kg"], 20.0)
    born = {made["diver"]: made.get("birth_year", 0) for made in divers}
    tall = {made["diver"] for made in divers if "height_cm" in made}

    def sound(made: dict[str, Any]) -> dict[str, Any]:
        """Without what contradicts the diver, or the word for the water."""
        if made["diver"] in tall:
            made.pop("body_mass_kg", None)
        if "date" in made and int(made["date"][:4]) - born[made["diver"]] < 5:
            made.pop("date")
        if "salinity_gkg" in made:
            made.pop("water", None)
        return made

    gear, kinds = [], {}
    for name in items:
        kinds[name] = draw(st.sampled_from(GEAR.column("kind").words))
        fixed = {"item": name, "kind": kinds[name]}
        if kinds[name] in STYLES and draw(st.booleans()):
            fixed["style"] = draw(st.sampled_from(STYLES[kinds[name]]))
        made = row(draw, GEAR, fixed, ("style",))
        if "mass_kg" in made and "buoyancy_kg" in made:  # by Archimedes: it neither sinks nor floats
            made["buoyancy_kg"] = 0.0
            if kinds[name] == "cylinder":
                del made["buoyancy_kg"]
        if kinds[name] == "cylinder" and "buoyancy_kg" not in made:  # the largest are asked for a mass
            made.setdefault("mass_kg", 20.0)
        gear.append(made | unknown())

    def kit(table: Table) -> dict[str, Any]:
        worn = {}
        for column in table.columns:
            fitting = [name for name in items if kinds[name] in column.gear_kinds]
            if fitting and draw(st.booleans()):
                worn[column.name] = ";".join(draw(st.lists(st.sampled_from(fitting), min_size=1, max_size=3)))
        return worn

    keys = draw(
        st.lists(
            st.tuples(texts, st.sampled_from(people)), max_size=4, unique_by=lambda k: (composed(k[0]), k[1])
        )
    )
    bound = (
        "lead_ditchable_kg",
        "lead_places",
        "handed_off_kg",
        "handed_off_result",
        "end_bar",
        "stop_bar",
        "stop_depth_m",
    )
    dives = []
    for key, who in keys:
        made = row(draw, DIVES, {"dive": key, "diver": who} | kit(DIVES), (*bound, "bc_gas_l"))
        if draw(st.booleans()):
            made |= {"lead_kg": 6.5, "lead_places": "left: hip:4;back:2.5", "handed_off_kg": -0.1}
            made |= {"stop_bar": made["start_bar"]} if "start_bar" in made else {}
        dives.append(sound(made) | unknown())
    checks = []
    for name in draw(st.lists(texts, max_size=3, unique_by=composed)):
        at = (
            dict(zip(("dive", "diver"), draw(st.sampled_from(keys)), strict=True))
            if keys
            else {"diver": people[0]}
        )
        checks.append(sound(row(draw, CHECKS, {"check": name} | at | kit(CHECKS))) | unknown())
    return {"divers": divers, "gear": gear, "dives": dives, "checks": checks}


def contents(path: Path) -> dict[str, Any]:
    """Everything in the record tables, in file order."""
    with Book.open(path) as book:
        records = book.records()
    with duckdb.connect(str(path), read_only=True) as raw:
        extra = {
            name: [
                json.loads(x or "{}")
                for (x,) in raw.execute(f"SELECT extra FROM {name} ORDER BY seq").fetchall()
            ]
            for name in TABLES
        }
    return {name: (getattr(records, name), extra[name]) for name in TABLES}


def assert_same(left: dict[str, Any], right: dict[str, Any]) -> None:
    for name in TABLES:
        for column, array in left[name][0].items():
            assert_array_equal(array, right[name][0][column], err_msg=f"{name}.{column}")
        assert left[name][1] == right[name][1]


@pytest.fixture(scope="module")
def blank(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty book, to be copied."""
    path = tmp_path_factory.mktemp("blank") / "blank.duckdb"
    with Book.open(path, write=True, create=True):
        pass
    return path


@settings(max_examples=8, deadline=None)
@given(rows=books(), form=st.sampled_from(["csv", "parquet"]))
def test_round_trip(blank: Path, rows: dict[str, list[dict[str, Any]]], form: str) -> None:
    with TemporaryDirectory() as folder:
        first, second = (Path(copy2(blank, Path(folder) / name)) for name in ("a.duckdb", "b.duckdb"))
        with Book.open(first, write=True) as book:
            for name, given_rows in rows.items():
                if given_rows:
                    book.upsert(name, given_rows)
            paths = book.export(Path(folder) / "out", format=form)
        files = {path.stem: path for path in paths if path.stem in TABLES}
        with Book.open(second, write=True) as book:
            report = book.load(**files)
            assert {n: t.loaded for n, t in report.tables.items()} == {n: len(r) for n, r in rows.items()}
        assert_same(contents(first), contents(second))
        with Book.open(first, write=True) as book:
            again = book.load(**files)
        assert {n: t.unchanged for n, t in again.tables.items()} == {n: len(r) for n, r in rows.items()}


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_export_reads_in_another_reader(path: Path, tmp_path: Path, form: str) -> None:
    """Independent: pandas reads the exported dives."""
    with Book.open(path) as book:
        book.export(tmp_path / "out", format=form)
        dives = book.records().dives
    file = tmp_path / "out" / f"dives.{form}"
    frame = pd.read_csv(file, dtype={"dive": str}) if form == "csv" else pd.read_parquet(file)
    assert frame["dive"].tolist() == dives["dive"].tolist()
    assert frame["lead_kg"].tolist() == dives["lead_kg"].tolist()
    assert pd.to_datetime(frame["date"], format="mixed").tolist() == pd.to_datetime(dives["date"]).tolist()
    assert (file.stat().st_mode & 0o777, (tmp_path / "out").stat().st_mode & 0o777) == (0o600, 0o700)


def test_csv_holds_plain_numbers_and_dates(path: Path, tmp_path: Path) -> None:
    with Book.open(path) as book:
        (file,) = book.export(tmp_path / "out", tables=["dives"])
    rows = list(csv.DictReader(file.read_text().splitlines()))
    assert [r["date"] for r in rows] == ["2026-05-01", "2026-05-01T15:30:00", "2026-05-01"]
    assert [r["lead_kg"] for r in rows] == ["6", "5.5", "7"]


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_rows_set_aside_are_exported_and_load_takes_them(path: Path, tmp_path: Path, form: str) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("diver,mass_kg\nNoa,7\n")
    with Book.open(path, write=True) as book:
        book.load(divers=bad)
        (file,) = book.export(tmp_path / "out", format=form, tables=["rejects"])
        report = book.load(divers=file)
    assert report.faults[0].reason == r"mass_kg 7: must lie in [20, 250] kg"


def test_export_does_not_overwrite_unasked(path: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "dives.csv").write_text("mine")
    with Book.open(path) as book:
        with pytest.raises(BookError, match=r"dives\.csv: stands there already.*--overwrite"):
            book.export(tmp_path / "out")
        assert [p.name for p in (tmp_path / "out").iterdir()] == ["dives.csv"]
        assert (tmp_path / "out" / "dives.csv").read_text() == "mine"
        book.export(tmp_path / "out", overwrite=True)
    assert (tmp_path / "out" / "dives.csv").read_text().startswith("dive,diver,date")


def test_export_to_what_cannot_be_a_folder(path: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with Book.open(path) as book:
        with pytest.raises(BookError, match="cannot be written"):
            book.export(tmp_path / "file")
        with pytest.raises(BookError, match="no table 'posteriors' to export"):
            book.export(tmp_path / "out", tables=["posteriors"])
