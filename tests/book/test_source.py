"""Reading files: encodings, delimiters, decimal commas, torn rows, Parquet; each against another reader."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leadline.book import Book, delimited
from leadline.records import DIVERS

TEXT = "diver;mass_kg;notes\nZoë Müller;64,5;a, b\nÅse;70.25;\n"


def load(path: Path, **files: Path):
    with Book.open(path, write=True) as book:
        report = book.load(**files)
        return report, book.records()


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1"]
)
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_encodings_and_line_endings(path: Path, tmp_path: Path, encoding: str, ending: str) -> None:
    file = tmp_path / "d.csv"
    file.write_bytes(TEXT.replace("\n", ending).encode(encoding))
    report, records = load(path, divers=file)
    assert report.tables["divers"].loaded == 2
    assert records.divers["diver"].tolist()[2:] == ["Zoë Müller", "Åse"]
    assert records.divers["mass_kg"].tolist()[2:] == [64.5, 70.25]
    told = any("read as" in note for note in report.notes)
    assert told == (encoding in ("utf-16-le", "utf-16-be", "cp1252", "latin-1"))


@pytest.mark.parametrize(("delimiter", "expected"), [(",", False), (";", True), ("\t", True)])
def test_decimal_comma_only_where_the_delimiter_is_none(
    path: Path, tmp_path: Path, delimiter: str, expected: bool
) -> None:
    file = tmp_path / "d.csv"
    with file.open("w", newline="") as text:
        writer = csv.writer(text, delimiter=delimiter)
        writer.writerows([["diver", "mass_kg", "notes"], ["Noa", "64,5", "1,5"]])
    report, records = load(path, divers=file)
    if expected:
        assert records.divers["mass_kg"][2] == 64.5
    else:
        assert report.faults[0].reason == "mass_kg 64,5: is no number"


@pytest.mark.parametrize("cell", ["1.064,5", "1,064,5", "1,064.5"])
def test_thousands_separators_are_no_numbers(path: Path, tmp_path: Path, cell: str) -> None:
    file = tmp_path / "d.csv"
    file.write_text(f"diver;mass_kg\nNoa;{cell}\n")
    report, _ = load(path, divers=file)
    assert report.faults[0].reason.endswith("is no number")


def test_decimal_commas_survive_the_file_of_rows_set_aside(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text("diver;mass_kg;height_cm\nNoa;64,5;17\n")
    report, _ = load(path, divers=file)
    assert report.rejects is not None
    report.rejects.write_text(report.rejects.read_text().replace(",17", ",170"))
    _, records = load(path, divers=report.rejects)
    assert records.divers["mass_kg"][2] == 64.5


def test_rows_are_numbered_as_a_spreadsheet_does(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text('\ndiver,mass_kg,notes\n\nNoa,70,"two\nlines"\nMia,7,\n')
    report, _ = load(path, divers=file)
    assert [(fault.row, fault.column) for fault in report.faults] == [(5, "mass_kg")]


def test_quote_left_open_costs_its_row_only_what_it_swallowed(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text('diver,mass_kg\nNoa,70\n"Mia,60\nLu,61\n')
    report, records = load(path, divers=file)
    assert records.divers["diver"].tolist()[2:] == ["Noa"]
    assert "a quote left open" in report.faults[0].reason
    assert report.rejects is not None
    assert "Lu,61" in report.rejects.read_text()  # nothing is lost


def test_trailing_delimiters_do_no_harm(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text("diver,mass_kg,\nNoa,70,\nMia,71,,\n")
    report, _ = load(path, divers=file)
    assert report.tables["divers"].loaded == 2
    assert report.notes == ()


def test_names_are_data_and_blanks_around_them_are_not(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text("Diver , Mass_KG\n  Noa\u00a0,\u2009 70 \nnoa,71\n\u3000,72\n", encoding="utf-8")
    report, records = load(path, divers=file)
    assert records.divers["diver"].tolist()[2:] == ["Noa", "noa"]
    assert report.faults[0].reason == "diver is empty; every row needs it"


def test_parquet_from_another_writer(path: Path, tmp_path: Path) -> None:
    """Independent: pandas writes the file with pyarrow; NaN, None and typed dates as it likes."""
    frame = pd.DataFrame(
        {
            "dive": [11, 12, 13],
            "diver": ["Ines", "Ivo", "Ines"],
            "date": [pd.Timestamp("2026-05-01"), pd.Timestamp("2026-05-02 10:15"), pd.NaT],
            "lead_kg": [5.5, np.nan, 120.0],
            "suit": ["W5", None, "W5"],
            "liked": [True, False, True],
        }
    )
    file = tmp_path / "dives[1].parquet"
    frame.to_parquet(file)
    report, records = load(path, dives=file)
    assert (report.tables["dives"].loaded, report.tables["dives"].rejected) == (2, 1)
    assert (report.faults[0].row, report.faults[0].column) == (4, "lead_kg")
    assert records.dives["dive"].tolist()[3:] == ["11", "12"]
    assert records.dives["lead_kg"][3] == 5.5
    assert np.isnan(records.dives["lead_kg"][4])
    assert records.dives["date"][3:].tolist() == [
        pd.Timestamp("2026-05-01").to_pydatetime(),
        pd.Timestamp("2026-05-02 10:15").to_pydatetime(),
    ]
    assert records.dives["suit"].tolist()[3:] == ["W5", ""]


def test_parquet_nan_that_is_not_null_is_missing(path: Path, tmp_path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    file = tmp_path / "d.parquet"
    pq.write_table(pa.table({"diver": ["Noa"], "mass_kg": pa.array([float("nan")])}), file)
    report, records = load(path, divers=file)
    assert report.tables["divers"].loaded == 1
    assert np.isnan(records.divers["mass_kg"][2])


cells = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=8)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.lists(cells, min_size=3, max_size=3), max_size=6),
    delimiter=st.sampled_from(delimited.DELIMITERS),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_any_csv_reads_as_pandas_reads_it(
    tmp_path: Path, rows: list[list[str]], delimiter: str, quoting: int
) -> None:
    """Independent: pandas.read_csv(dtype=str, keep_default_na=False) on the same file."""
    file = tmp_path / "any.csv"
    with file.open("w", encoding="utf-8", newline="") as text:
        writer = csv.writer(text, delimiter=delimiter, quoting=quoting, lineterminator="\r\n")
        writer.writerows([["diver", "mass_kg", "notes"], *rows])
    expected = pd.read_csv(file, sep=delimiter, dtype=str, keep_default_na=False, skip_blank_lines=False)
    written = delimited.inspect(file, list(DIVERS.by_name))
    assert (written.encoding, written.delimiter, written.header) == (
        "utf-8",
        delimiter,
        ("diver", "mass_kg", "notes"),
    )
    found = [record for _, record in delimited.records(written)]
    assert found == [row for row in expected.to_numpy().tolist() if any(cell.strip() for cell in row)]
