"""Reading files: encodings, delimiters, decimal commas, torn rows, Parquet; each against another reader."""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread

import duckdb
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leadline.book import Book, delimited, source
from leadline.book.schema import create_records
from leadline.book.sql import install_functions
from leadline.errors import RecordError
from leadline.records import DIVERS, TABLES

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


@contextmanager
def piped(pipe: Path, content: bytes) -> Iterator[Path]:
    """A pipe that another process, here a thread, writes once."""
    os.mkfifo(pipe)
    writer = Thread(target=pipe.write_bytes, args=(content,), daemon=True)
    writer.start()
    yield pipe
    writer.join(timeout=10)


@pytest.mark.parametrize("form", ["csv", "cp1252", "quoted", "parquet"])
def test_pipe_is_read_as_the_file_it_brings(path: Path, tmp_path: Path, form: str) -> None:
    """Independent: the same bytes as a file. Longer than a pipe holds at a time, which is 64 KiB."""
    frame = pd.DataFrame({"diver": [f"Zoë {n}" for n in range(9000)], "mass_kg": [64.5] * 9000})
    file = tmp_path / "d.csv"
    if form == "parquet":
        frame.to_parquet(file)
    else:
        quoting = csv.QUOTE_ALL if form == "quoted" else csv.QUOTE_MINIMAL
        frame.to_csv(file, index=False, encoding="utf-8" if form != "cp1252" else form, quoting=quoting)
    with piped(tmp_path / "pipe", file.read_bytes()) as pipe:
        report, records = load(path, divers=pipe)
    assert report.tables["divers"].loaded == 9000
    assert records.divers["diver"].tolist()[2:] == frame["diver"].tolist()
    assert load(path, divers=file)[0].tables["divers"].unchanged == 9000
    assert report.notes == (() if form != "cp1252" else (f"{pipe}: read as latin-1",))


def test_fault_of_a_pipe_names_the_pipe(path: Path, tmp_path: Path) -> None:
    for name, content, said in (
        ("a", b"who\nInes\n", "no column diver"),
        ("b", b"", "the file is empty"),
        ("c", b"PAR1PAR1", "a damaged Parquet file"),
    ):
        with (
            piped(tmp_path / name, content) as pipe,
            pytest.raises(RecordError, match=f"^{re.escape(str(pipe))}: {said}"),
        ):
            load(path, divers=pipe)
    with pytest.raises(RecordError, match=r"^/dev/null: neither a file nor a pipe; give a CSV"):
        load(path, divers=Path("/dev/null"))


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
        reason = "mass_kg 64,5: is no number (write decimals with a point, such as 6.5)"
        assert report.faults[0].reason == reason


@pytest.mark.parametrize(
    ("column", "cell", "reason"),
    [
        ("start_bar", "200,5", "must be numbers joined by ; (write decimals with a point, such as 6.5)"),
        ("lead_places", "belt:4,5", "such as belt:4;pockets:2 (write decimals with a point, such as 6.5)"),
        ("lead_kg", "-6,5", "is no number (write decimals with a point, such as 6.5)"),
        ("lead_kg", "six, or so", "is no number"),
    ],
)
def test_what_to_write_is_said_where_a_comma_may_be_the_cause(
    path: Path, tmp_path: Path, column: str, cell: str, reason: str
) -> None:
    file = tmp_path / "d.csv"
    file.write_text(f'dive,diver,{column}\n7,Ines,"{cell}"\n')
    report, _ = load(path, dives=file)
    assert report.faults[0].reason.endswith(reason)


def test_whole_number_with_a_comma_is_to_be_written_without(path: Path, tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text('diver,dives_before\nInes,"1,200"\n')
    report, _ = load(path, divers=file)
    assert report.faults[0].reason == "dives_before 1,200: is no number (write it without a comma)"


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


def test_parquet_cells_are_those_of_the_file_and_not_of_its_folder(path: Path, tmp_path: Path) -> None:
    """Partitioned writers name folders so, and such a folder is no part of the file."""
    folder = tmp_path / "mass_kg=90" / "crew=north"
    folder.mkdir(parents=True)
    pd.DataFrame({"diver": ["Noa"], "mass_kg": [64]}).to_parquet(folder / "divers.parquet")
    report, records = load(path, divers=folder / "divers.parquet")
    assert report.notes == ()
    assert records.divers["mass_kg"][2] == 64


def test_parquet_column_called_as_the_reader_calls_its_own(path: Path, tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {"diver": ["Noa", "Max", "Mo"], "mass_kg": [70, 7, 80], "file_row_number": [3, 2, 1]}
    )
    frame.to_parquet(tmp_path / "d.parquet")
    report, records = load(path, divers=tmp_path / "d.parquet")
    assert [fault.row for fault in report.faults] == [3]
    assert records.divers["diver"].tolist()[2:] == ["Noa", "Mo"]


def test_parquet_text_and_whole_numbers_come_as_they_were_meant(path: Path, tmp_path: Path) -> None:
    """Text without its annotation, keys that gaps made decimals of, and numbers that stay what they are."""
    file = tmp_path / "c.parquet"
    one = "(1.0::DOUBLE, encode('Ines'), 2::DOUBLE, 5.5, encode('Möwe'))"
    other = "(2::DOUBLE, encode('Ivo'), NULL, 7, '\\xFF'::BLOB)"
    made = f'SELECT * FROM (VALUES {one}, {other}) t("check", diver, dive, lead_kg, remark)'  # noqa: S608
    duckdb.sql(made).write_parquet(str(file))
    with Book.open(path, write=True) as book:
        report = book.load(checks=file)
        (out,) = book.export(tmp_path / "out", tables=["checks"])
    assert [fault.reason for fault in report.faults] == []
    with out.open(encoding="utf-8", newline="") as text:
        found = [
            [row[name] for name in ("check", "dive", "lead_kg", "remark")] for row in csv.DictReader(text)
        ]
    assert found[1:] == [["1", "2", "5.5", "Möwe"], ["2", "", "7", "\\xFF"]]


def test_parquet_times_with_a_zone_are_said_to_be_read_as_utc(path: Path, tmp_path: Path) -> None:
    evening = pd.to_datetime(["2026-05-03 21:30"])
    for zone, noted in ((None, 0), ("America/New_York", 1)):
        frame = pd.DataFrame({"dive": [9], "diver": "Ines", "date": evening.tz_localize(zone), "suit": "W5"})
        frame.to_parquet(tmp_path / "d.parquet")
        report, records = load(path, dives=tmp_path / "d.parquet")
        told = [note for note in report.notes if "come with a time zone and are read as UTC" in note]
        assert len(told) == noted
    assert str(records.dives["date"][-1]) == "2026-05-04T01:30:00"


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
    found = [record for _, record in delimited.records(written) if record]
    assert found == expected.to_numpy().tolist()


plain_cells = st.text(st.characters(exclude_categories=["Cs", "Cc"], exclude_characters='",;'), max_size=8)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.lists(plain_cells | st.just(""), min_size=2, max_size=4), max_size=6),
    delimiter=st.sampled_from(delimited.DELIMITERS),
    mark=st.sampled_from(["", "\ufeff"]),
    end=st.sampled_from(["", "\n"]),
)
def test_quick_reader_reads_as_the_other_one(
    tmp_path: Path, rows: list[list[str]], delimiter: str, mark: str, end: str
) -> None:
    file = tmp_path / "plain.csv"
    lines = [delimiter.join(row) for row in [["diver", "mass_kg", "notes"], *rows]]
    file.write_text(mark + "\n".join(lines) + end, encoding="utf-8")
    with duckdb.connect() as connection:
        for table in TABLES.values():
            create_records(connection, table)
        install_functions(connection)
        quick = []
        for reader in (source._insert_plain, lambda *_: False):
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(source, "_insert_plain", reader)
                source.from_file(connection, DIVERS, file)
            found = connection.execute('SELECT * FROM incoming ORDER BY "row"').fetchall()
            # An empty cell too many at the end is passed over by the quick reader, as it is later on.
            quick.append(
                [(n, min(w, 3), *(c or None for c in cells)) for n, w, *cells in found if any(cells)]
            )
    assert quick[0] == quick[1]


def test_blank_rows_above_the_header_are_passed_over(path: Path, tmp_path: Path) -> None:
    """As spreadsheets leave them: of delimiters and blanks; with any line end."""
    for blank, ending in ((",", "\n"), (" , ", "\n"), (",", "\r\n"), ("", "\n")):
        lines = [blank, blank, "diver,mass_kg", "Noa,70", "Mo,7", ""]
        (tmp_path / "d.csv").write_text(ending.join(lines), newline="")
        report, records = load(path, divers=tmp_path / "d.csv")
        assert [(fault.row, fault.column) for fault in report.faults] == [(5, "mass_kg")]
        assert records.divers["diver"].tolist()[2:] == ["Noa"]


def test_plain_file_is_read_quickly_and_others_are_not(tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    for text, rows in {
        "diver,mass_kg\nA,1\nB,2\n": 2,
        "diver,mass_kg\nA,1\nB,2": 2,
        "diver,mass_kg\n": 0,
        'diver,mass_kg\n"A",1\n': None,
        "diver,mass_kg\r\nA,1\r\n": None,
        "diver,mass_kg\n\nA,1\n": None,
        "\ndiver,mass_kg\nA,1\n": None,
        ",\ndiver,mass_kg\nA,1\n": None,
        " , \ndiver,mass_kg\nA,1\n": None,
        "\ufeffdiver,mass_kg\nA,1\n": 1,
        " Diver ,mass_kg\nA,1\n": 1,
        "diver,mass_kg\nA\0,1\n": None,
    }.items():
        file.write_text(text, newline="")
        assert delimited.plain_rows(delimited.inspect(file, ["diver"])) == rows, text
