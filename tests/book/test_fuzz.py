"""Whatever a file holds, loading it is an answer or one clear line, never a crash or a lost row."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from shutil import copy2
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leadline.book import Book
from leadline.book.source import known_names
from leadline.errors import RecordError
from leadline.records import TABLES

ODD = (
    *(
        "",
        " ",
        "Ines",
        "W5",
        "S12",
        "1",
        "0",
        "-",
        ";",
        ";;",
        "a;b",
        "1;2",
        "-;-",
        "nan",
        "inf",
        "-0.0",
        "1e400",
    ),
    *("1e3", ":", "a:1", ":1", "air", "18/45", "/", "32/", "2026-05-01", "2026-13-01", "99999", "0000-00-00"),
    *("\0", "'", "\\"),
)
cells = st.sampled_from(ODD) | st.text(st.characters(exclude_categories=["Cs"]), max_size=6)


@settings(max_examples=60, deadline=None)
@given(data=st.data(), name=st.sampled_from(sorted(TABLES)))
def test_any_table_is_judged_row_by_row(loaded: Path, data: st.DataObject, name: str) -> None:
    table = TABLES[name]
    others = st.sampled_from([n for n in known_names(table) if n not in table.key])
    header = [*table.key, *data.draw(st.lists(others, max_size=6, unique=True))]
    rows = data.draw(st.lists(st.lists(cells, min_size=1, max_size=len(header) + 1), max_size=5))
    with TemporaryDirectory() as folder:
        file, path = Path(folder) / "odd.csv", Path(copy2(loaded, folder))
        with file.open("w", encoding="utf-8", newline="") as text:
            csv.writer(text).writerows([header, *rows])
        with Book.open(path, write=True) as book:
            before = book.counts()[name]
            report = book.load(**{name: file})
            counts = report.tables[name]
            assert counts.read == counts.loaded + counts.updated + counts.unchanged + counts.rejected
            assert book.counts()[name] == before + counts.loaded
            again = book.load(**{name: file}).tables[name]
            assert (again.loaded, again.updated, again.rejected) == (0, 0, counts.rejected)
            book.records()
        assert all("\n" not in fault.reason for fault in report.faults)
        json.dumps(report.as_dict())
        assert (report.rejects is None) == (counts.rejected == 0)


@settings(max_examples=80, deadline=None)
@given(content=st.binary(max_size=400))
def test_any_bytes_are_refused_in_one_line_or_read(loaded: Path, content: bytes) -> None:
    with TemporaryDirectory() as folder:
        file, path = Path(folder) / "bytes", Path(copy2(loaded, folder))
        file.write_bytes(content)
        with Book.open(path, write=True) as book:
            with pytest.raises(RecordError, match=r"bytes: ") as caught:
                book.load(divers=file)
            assert book.data_version == 1
        assert "\n" not in str(caught.value)
