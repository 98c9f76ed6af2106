"""Writing: CSV files with Unix line ends, and the generated parts of the README."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from generator.flaws import SetAside

__all__ = ["csv_text", "faults_markdown", "readme_text"]

MARKS: Final = ("<!-- {}: begin -->\n", "<!-- {}: end -->\n")
"""What brackets a generated part of the README."""


def csv_text(rows: Sequence[Mapping[str, Any]], header: Sequence[str]) -> str:
    """A CSV file with these columns; missing cells are empty.

    Parameters
    ----------
    rows : sequence of mapping
        Column name to text or number.
    header : sequence of str
        Columns, in order.

    Returns
    -------
    str
        The file.

    Raises
    ------
    ValueError
        If a row has something in a column that the header lacks.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, header, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: cell for name, cell in row.items() if cell != ""} for row in rows)
    return out.getvalue()


def faults_markdown(faults: Sequence[SetAside]) -> str:
    """Table of the rows that `load` sets aside."""
    lines = ["| file | row | column | value | why |", "| --- | --- | --- | --- | --- |"]
    lines += [f"| {f.file} | {f.row} | {f.column} | {f.value} | {f.reason} |" for f in faults]
    return "\n".join(lines) + "\n"


def readme_text(readme: Path, parts: Mapping[str, str]) -> str:
    """The README with its generated parts made anew.

    Parameters
    ----------
    readme : Path
        The present file; each part stands between its marks.
    parts : mapping of str to str
        Name of the part to its text.

    Returns
    -------
    str
        The whole file.
    """
    text = readme.read_text(encoding="utf-8")
    for name, part in parts.items():
        begin, end = (mark.format(name) for mark in MARKS)
        before, rest = text.split(begin)
        text = before + begin + part + end + rest.split(end)[1]
    return text
