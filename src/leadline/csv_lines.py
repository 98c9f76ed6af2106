"""Rows as CSV text that every reader takes apart alike."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from typing import Any

__all__ = ["csv_lines"]


class _Lines:
    """Takes one row at a time, ended as for a reader on any system, and ends it as files here do."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def write(self, line: str) -> int:
        self.lines.append(line.removesuffix("\r\n") + "\n")
        return len(line)


def csv_lines(rows: Iterable[Iterable[Any]], *, delimiter: str = ",") -> str:
    r"""CSV with lines that end in a line feed.

    Parameters
    ----------
    rows : iterable of iterable
        Cells; None is empty. The header is a row like any other.
    delimiter : str
        Between cells.

    Returns
    -------
    str
        A cell with a delimiter, a quote, a line feed or a carriage return in it is quoted. Told to end lines
        in a line feed, the standard library leaves carriage returns unquoted, and readers tear rows there.

    Examples
    --------
    >>> csv_lines([["diver", "remark"], ["Bo", "old\rline"]])
    'diver,remark\nBo,"old\rline"\n'
    """
    found = _Lines()
    csv.writer(found, delimiter=delimiter, lineterminator="\r\n").writerows(rows)
    return "".join(found.lines)
