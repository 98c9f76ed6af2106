"""Where files are written: whole or not at all, to where a link leads, into a pipe, never over a book."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from leadline.errors import BookError

__all__ = ["HEAD", "draft", "followed", "is_book", "marked", "must_be_writable", "takes_a_stream"]

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


def followed(path: Path) -> Path:
    """The file that a link leads to, which need not exist; `path` itself where it is no link."""
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def _outputs(path: Path) -> list[int]:
    """Standard output or standard error, where `path` is one of them by any name, such as /dev/stdout."""
    found = []
    for number in (1, 2):
        try:
            if os.path.samestat(path.stat(), os.fstat(number)):
                found.append(number)
        except OSError:
            continue  # closed
    return found


def takes_a_stream(path: Path) -> bool:
    """Whether what stands there is written to as it is: a pipe, a terminal, standard output.

    Such a thing is nothing that another file could take the place of.
    """
    try:
        mode = path.stat().st_mode
    except OSError:
        return False
    return stat.S_ISFIFO(mode) or stat.S_ISCHR(mode) or bool(_outputs(path))


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


def _spare_books(path: Path, then: str) -> None:
    """Refuse a book (any DuckDB file, by whatever name or link) and the log beside one."""
    if is_book(path):
        raise BookError(f"{path}: a book, which nothing is written over; {then}")
    real = followed(path)
    if real.suffix == _LOG and is_book(real.with_suffix("")):
        raise BookError(f"{path}: the log of a book, which nothing is written over; {then}")


def _hindrance(path: Path) -> str:
    """Why no file can be written there; empty where one can be."""
    folder = followed(path).parent
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):  # the folder may still be made
        if path.is_symlink() and not folder.is_dir():
            return f"a link into {folder}, where no folder is"
        return "" if not folder.is_dir() or os.access(folder, os.W_OK) else f"nothing may be made in {folder}"
    except OSError as error:
        loop = error.errno == errno.ELOOP
        return "a link that leads to itself" if loop else f"cannot be written ({error.strerror})"
    if stat.S_ISDIR(mode):
        return "a folder, and a file is needed"
    if not stat.S_ISREG(mode):
        return "neither a file nor a pipe"
    # The system would let a draft take its place all the same: for that it asks the folder, not the file.
    if not os.access(path, os.W_OK):
        return "may not be written to"
    return "" if os.access(folder, os.W_OK) else f"nothing may be made in {folder}"


def must_be_writable(*paths: Path, then: str = "give another name") -> None:
    """Refuse files that cannot or may not be written, before any is.

    Parameters
    ----------
    *paths : Path
        Files to be made, or written anew. Their folders may still be missing, but not where a link leads.
    then : str
        What there is to do about one that is refused.

    Raises
    ------
    BookError
        If one is a book (any DuckDB file, by whatever name or link), the log beside a book, or cannot be
        looked at; a folder, a link that leads to itself or into a missing folder; a file or in a folder that
        is protected from writing; or neither a file nor what takes a stream.
    """
    for path in paths:
        _spare_books(path, then)
        if not takes_a_stream(path) and (why := _hindrance(path)):
            raise BookError(f"{path}: {why}; {then}")


def _pour(whole: Path, path: Path) -> None:
    """Write a finished file into what takes a stream."""
    outputs = _outputs(path)
    # Opened anew, standard output that goes to a file would begin at its start again.
    opened = os.fdopen(os.dup(outputs[0]), "wb") if outputs else path.open("wb")
    with opened, whole.open("rb") as file:
        shutil.copyfileobj(file, opened)


def _keep_mode(part: Path, real: Path) -> None:
    """Let whoever may read a file or write to it do so still when `part` has taken its place."""
    with suppress(FileNotFoundError):  # nothing to replace
        part.chmod(stat.S_IMODE(real.stat().st_mode))


@contextmanager
def draft(path: Path, *, private: bool = False) -> Iterator[Path]:
    """File to write in place of another; it takes that place once it is whole, or is removed.

    Where `path` is a link, what it leads to is replaced, and the link stays. A pipe, a terminal or standard
    output is written to.

    Parameters
    ----------
    path : Path
        File to make or replace; its folder must exist.
    private : bool
        Whether it is for no more readers than it is made for, even where an older one had more. Otherwise
        who may read and write the older one may do so with the new one.

    Yields
    ------
    Path
        A name that is free.

    Raises
    ------
    BookError
        If the file cannot or may not be written; see `must_be_writable`.
    """
    must_be_writable(path)
    if takes_a_stream(path):
        with tempfile.TemporaryDirectory() as folder:  # its owner's alone
            whole = Path(folder) / "whole"
            yield whole
            _pour(whole, path)
        return
    real = followed(path)
    part = real.with_name(f".{real.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        yield part
        if not private:
            _keep_mode(part, real)
        part.replace(real)
    finally:
        part.unlink(missing_ok=True)
