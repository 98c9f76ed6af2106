"""Opening and creating the DuckDB file: owner-only, patient with other processes, plain about failures."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from leadline.book import migration
from leadline.book.destination import HEAD, marked
from leadline.book.engine import duckdb
from leadline.book.sql import install_functions
from leadline.errors import BookBusyError, BookError

__all__ = [
    "PATIENCE",
    "RESTORE",
    "connect",
    "create",
    "damaged",
    "in_memory",
    "interrupted",
    "owner_only",
    "unreadable",
]

RESTORE: Final = "restore it from an export or a copy"
"""What helps where a book cannot be read."""

PATIENCE: Final = 2.0
"""How long a second process waits for the book. [s]"""

_PAUSE: Final = 0.05
_INTERRUPTED: Final = "Query interrupted"
_CONFIG: Final[dict[str, str | bool | int | float | list[str]]] = {
    # A book is opened on boats: nothing may be fetched from a network behind the user's back.
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}


def interrupted(error: BaseException | None) -> bool:
    """Whether it is Ctrl-C, which DuckDB turns into an error of its own inside a query."""
    return isinstance(error, duckdb.InterruptException) or str(error) == _INTERRUPTED


@contextmanager
def owner_only() -> Iterator[None]:
    """Files made inside (the book, its write-ahead log, its temporary files) are their owner's alone.

    The mask is the whole process's: files that other threads make meanwhile are private too.
    """
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def _check_file(path: Path) -> None:
    """Refuse, without touching it, what cannot be a book."""
    if path.is_dir():
        raise BookError(
            f"{path}: a folder, not a book; give the file, such as --book {path / 'leadline.duckdb'}"
        )
    if not path.exists():
        raise BookError(f"{path}: no book here; make one with `leadline load`, or give another --book")
    try:
        with path.open("rb") as file:
            head = file.read(HEAD)
    except OSError as error:
        raise BookError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    if not marked(head):
        raise BookError(f"{path}: not a leadline book; it is left unchanged, give another --book")


def _holder(message: str) -> str:
    """Who holds the lock, read out of DuckDB's message."""
    found = re.search(r"lock is held in (.*?) ?\(PID (\d+)\)", message)
    if found is None:
        return "another process"
    program = Path(found.group(1)).name if found.group(1) else ""
    return f"process {found.group(2)}" + (f" ({program})" if program else "")


def unreadable(error: BaseException | None) -> bool:
    """Whether DuckDB found the bytes of a file not to be what they were."""
    torn = isinstance(error, duckdb.IOException) and "read" in str(error)
    # A block whose checksum is another comes as an error of no kind, whose base all kinds share.
    changed = type(error) is duckdb.Error and re.search("corrupt|checksum", str(error), re.IGNORECASE)
    return (
        torn
        or bool(changed)
        or isinstance(error, (duckdb.SerializationException, duckdb.FatalException, duckdb.InternalException))
    )


def damaged(path: Path, error: BaseException) -> BookError:
    """One clear line for a book that opens and cannot be read."""
    return BookError(f"{path}: damaged or cut short ({str(error).splitlines()[0]}); {RESTORE}")


def _translated(path: Path, error: duckdb.Error) -> BookError:
    """One clear line for what DuckDB says when a file does not open."""
    message = str(error)
    if "different configuration" in message:
        return BookBusyError(f"{path}: this process has the book open already; close it first")
    if "Could not set lock" in message or "lock is held" in message:
        return BookBusyError(f"{path}: in use by {_holder(message)}; try again when it has finished")
    if "ermission denied" in message:
        return BookError(f"{path}: permission denied; check who owns the book and its folder")
    first = message.splitlines()[0] if message else type(error).__name__
    return BookError(f"{path}: does not open ({first}); {RESTORE}")


def connect(
    path: Path, *, write: bool = False, patience: float = PATIENCE, functions: bool = True
) -> duckdb.DuckDBPyConnection:
    """Open connection to the book at `path`, its schema brought up to date.

    Parameters
    ----------
    path : Path
        The book.
    write : bool
        Whether rows will be written; readers may share the book, a writer has it alone.
    patience : float
        How long to wait for another process. [s]
    functions : bool
        Whether to define the functions of `leadline.book.sql`.

    Returns
    -------
    duckdb connection
        Open.

    Raises
    ------
    BookBusyError
        If another process still holds the book after the wait.
    BookError
        If the file is missing, is not a book, or was written by a newer version.
    """
    _check_file(path)
    connection = _patiently(path, write, patience)
    try:
        steps = migration.pending(connection, path)
        if steps:
            connection.close()
            writer = _patiently(path, True, patience)
            try:
                migration.apply(writer, migration.pending(writer, path))
            finally:
                writer.close()
            connection = _patiently(path, write, patience)
        if functions:
            install_functions(connection)
    except BaseException as error:
        connection.close()
        if unreadable(error):
            raise damaged(path, error) from None
        raise
    return connection


def _patiently(path: Path, write: bool, patience: float) -> duckdb.DuckDBPyConnection:
    """Connection, retried until the other process is done or patience runs out."""
    until = time.monotonic() + patience
    while True:
        try:
            return duckdb.connect(str(path), read_only=not write, config=_CONFIG)
        except duckdb.Error as error:
            if interrupted(error):
                raise
            reason = _translated(path, error)
            if not isinstance(reason, BookBusyError) or time.monotonic() >= until:
                raise reason from None
        time.sleep(_PAUSE)


def in_memory() -> duckdb.DuckDBPyConnection:
    """Open connection to an empty book that is in no file and gone when it is closed."""
    connection = duckdb.connect(":memory:", config=_CONFIG)
    migration.apply(connection, [name for name, _ in migration.MIGRATIONS])
    install_functions(connection)
    return connection


def _put(draft: Path, path: Path) -> bool:
    """Give the finished draft its name; False where another process was quicker."""
    try:
        os.link(draft, path)  # unlike a rename it never takes the place of a file
    except FileExistsError:
        return False
    except OSError:  # memory cards and some network shares know no links
        if path.exists():
            return False
        draft.rename(path)
    return True


def create(path: Path) -> bool:
    """Create an empty book at `path`, whole or not at all.

    Parameters
    ----------
    path : Path
        Where the book shall be.

    Returns
    -------
    bool
        False where a file stands there already (it is left as it is).

    Raises
    ------
    BookError
        If the folder does not exist or cannot be written.
    """
    if path.exists():
        return False
    if not path.parent.is_dir():
        raise BookError(f"{path}: the folder {path.parent} does not exist; make it, or give another --book")
    draft = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with owner_only():
            connection = duckdb.connect(str(draft), config=_CONFIG)
            try:
                migration.apply(connection, [name for name, _ in migration.MIGRATIONS])
            finally:
                connection.close()
        return _put(draft, path)
    except (OSError, duckdb.Error) as error:
        if interrupted(error):
            raise
        first = str(error).splitlines()[0]
        raise BookError(f"{path}: the book cannot be made ({first}); give another --book") from None
    finally:
        draft.unlink(missing_ok=True)
