"""Text tables: encoding, delimiter and cells of a CSV file, whoever wrote it."""

from __future__ import annotations

import codecs
import csv
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from leadline.errors import RecordError
from leadline.frozen import dataclass

__all__ = ["DELIMITERS", "Delimited", "inspect", "plain_rows", "records"]

DELIMITERS: Final = (",", ";", "\t")
_BLOCK: Final = 1 << 20
_SAMPLE: Final = 1 << 18
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
# What a spreadsheet or an old program on a desk computer writes; a wider choice only breeds wild guesses.
_CANDIDATES: Final = ["utf_16_le", "utf_16_be", "cp1252", "latin_1"]


@dataclass(frozen=True)
class Delimited:
    """How a text table is written.

    Parameters
    ----------
    path : Path
        The file.
    encoding : str
        Name of its encoding.
    delimiter : str
        One of `DELIMITERS`.
    header : tuple of str
        Cells of the first row that is not blank.
    """

    path: Path
    encoding: str
    delimiter: str
    header: tuple[str, ...]


def _is_utf8(path: Path) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                decoder.decode(block)
            decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _encoding(path: Path, sample: bytes) -> str:
    for mark, name in _MARKS:
        if sample.startswith(mark):
            return name
    # Text in UTF-16 without a mark is valid UTF-8 too, but every other byte of its ASCII is zero.
    if sample.count(0) <= len(sample) // 10 and _is_utf8(path):
        return "utf-8"
    from charset_normalizer import from_bytes

    best = from_bytes(sample[: len(sample) // 2 * 2], cp_isolation=_CANDIDATES).best()
    return best.encoding if best else "latin_1"


def _first_record(path: Path, encoding: str, delimiter: str) -> list[str]:
    """Cells of the first row that is not blank; empty where there is none."""
    with path.open(encoding=encoding, newline="", errors="replace") as file:
        for record in csv.reader(file, delimiter=delimiter):
            if any(cell.strip() for cell in record):
                return record
    return []


def inspect(path: Path, names: Sequence[str]) -> Delimited:
    """Encoding, delimiter and header of a text table.

    Parameters
    ----------
    path : Path
        The file.
    names : sequence of str
        Column names that may be expected; the delimiter that yields most of them is taken.

    Returns
    -------
    Delimited
        How the file is written.

    Raises
    ------
    RecordError
        If the file is missing, empty, or holds no text.
    """
    csv.field_size_limit(sys.maxsize)  # a cell of any length is data, to be judged by the rules
    try:
        with path.open("rb") as file:
            sample = file.read(_SAMPLE)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read ({error.strerror}); give another file") from None
    if sample[:4] == b"PK\x03\x04":
        raise RecordError(f"{path}: a workbook or archive, not a table; save the sheet as CSV first")
    encoding = _encoding(path, sample)
    known = set(names)
    best: list[str] = []
    chosen, most = DELIMITERS[0], -1
    for delimiter in DELIMITERS:
        record = _first_record(path, encoding, delimiter)
        hits = len(known & {cell.strip().casefold() for cell in record})
        if hits > most:
            best, chosen, most = record, delimiter, hits
    if not best:
        raise RecordError(f"{path}: the file is empty; give a file with a header row")
    return Delimited(path, encoding, chosen, tuple(cell.strip() for cell in best))


def plain_rows(file: Delimited) -> int | None:
    """Number of rows below the header of a file that needs no CSV reader.

    Parameters
    ----------
    file : Delimited
        How the file is written.

    Returns
    -------
    int or None
        None unless the file is UTF-8 without quotes, zero bytes, stray carriage returns or blank lines, its
        header in the first line: then splitting at line ends and delimiters is all there is to reading it.
    """
    if file.encoding not in ("utf-8", "utf-8-sig"):
        return None
    lines, last = 0, b"\n"
    with file.path.open(encoding=file.encoding, newline="\n", errors="replace") as text:
        first = text.readline().rstrip("\n").split(file.delimiter)
    if tuple(cell.strip() for cell in first) != file.header:
        return None  # blanks or delimiters alone stand above it
    with file.path.open("rb") as binary:
        while block := binary.read(_BLOCK):
            joined = last + block
            if b'"' in block or b"\0" in block or b"\r" in block or b"\n\n" in joined:
                return None
            lines += block.count(b"\n")
            last = block[-1:]
    return lines - 1 + (last != b"\n")


def records(file: Delimited) -> Iterator[tuple[int, list[str]]]:
    """Rows below the header, numbered as a spreadsheet does (the first row is 1).

    Parameters
    ----------
    file : Delimited
        How the file is written.

    Yields
    ------
    tuple of int and list of str
        Row number and cells; a row may be blank, shorter or longer than the header.
    """
    header_seen = False
    with file.path.open(encoding=file.encoding, newline="", errors="replace") as text:
        for number, record in enumerate(csv.reader(text, delimiter=file.delimiter), start=1):
            if header_seen:
                yield number, record
            header_seen = header_seen or any(map(str.strip, record))
