"""Where files are written: never over a book."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Final

from leadline.errors import BookError

__all__ = ["HEAD", "is_book", "marked", "spare_books"]

HEAD: Final = 16
"""How much of a file tells whether it is a book. [bytes]"""

_MARK: Final = (8, b"DUCK")  # offset and bytes that mark a DuckDB file
_LOG: Final = ".wal"  # DuckDB keeps a log of this suffix beside a book


def marked(head: bytes) -> bool:
    """Whether a file that begins like this is a DuckDB file, as every book is.

    Examples
    --------
    >>> marked(bytes(8) + b"DUCK" + bytes(4)), marked(b"dive,diver,date")
    (True, False)
    """
    offset, mark = _MARK
    return head[offset : offset + len(mark)] == mark


def is_book(path: Path) -> bool:
    """Whether a book stands there, by this name or at the end of a link; a pipe is not looked into."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return False
    except OSError:
        return False  # nothing that could be looked at, nor written to
    try:
        with path.open("rb") as file:
            return marked(file.read(HEAD))
    except OSError as error:
        raise BookError(
            f"{path}: cannot be read ({error.strerror}), so it may be a book; give another name"
        ) from None


def spare_books(*paths: Path) -> None:
    """Refuse files that may not be written, because a book would be lost.

    Parameters
    ----------
    *paths : Path
        Files to be made, or written anew.

    Raises
    ------
    BookError
        If one is a book (any DuckDB file, by whatever name or link), the log beside a book, or cannot be
        looked at.
    """
    for path in paths:
        if is_book(path):
            raise BookError(f"{path}: a book, which nothing is written over; give another name")
        real = Path(os.path.realpath(path))
        if real.suffix == _LOG and is_book(real.with_suffix("")):
            raise BookError(f"{path}: the log of a book, which nothing is written over; give another name")
