"""Opening and closing: a book is open inside a `with` block, and for no longer than that."""

from __future__ import annotations

import os
from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from leadline.book import connection as opening
from leadline.book.destination import followed
from leadline.book.engine import duckdb
from leadline.book.sql import install_functions, one
from leadline.errors import BookError

__all__ = ["Session", "default_path"]

_NOWHERE: Final = Path(":memory:")


def default_path() -> Path:
    """File of the book where none is named.

    `LEADLINE_BOOK`, else `leadline.duckdb` in the user's data folder.

    Returns
    -------
    Path
        It need not exist.
    """
    named = os.environ.get("LEADLINE_BOOK")
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("leadline", appauthor=False) / "leadline.duckdb"


class Session:
    """A book that is open inside a `with` block; see `leadline.book.Book`.

    Parameters
    ----------
    path : Path
        The file.
    write : bool
        Whether the book may be changed.
    create : bool
        Whether to make an empty book where there is none.
    patience : float
        How long to wait for another process. [s]
    """

    def __init__(
        self, path: Path, *, write: bool = False, create: bool = False, patience: float = opening.PATIENCE
    ) -> None:
        # The log, rows set aside and a rewritten book lie beside the file, by whatever link it was reached.
        self.path = followed(path)
        self._named = path
        self._write = write
        self._create = create
        self._patience = patience
        self._made = False
        self._complete = False
        self._connection: duckdb.DuckDBPyConnection | None = None
        self._stack = ExitStack()

    @classmethod
    def open(
        cls,
        path: Path | str | None = None,
        *,
        write: bool = False,
        create: bool = False,
        patience: float = opening.PATIENCE,
    ) -> Self:
        """Book at `path`, opened when the `with` block begins.

        Parameters
        ----------
        path : Path or str, optional
            The file; default `default_path()`.
        write : bool
            Whether the book may be changed.
        create : bool
            Whether to make an empty book where there is none; needs `write`.
        patience : float
            How long to wait for another process. [s]

        Returns
        -------
        Book
            To be used in a `with` block, which raises BookBusyError if another process keeps the book,
            and BookError if the file is missing, is not a book, or was written by a newer version.
        """
        return cls(
            default_path() if path is None else Path(path), write=write, create=create, patience=patience
        )

    @classmethod
    def scratch(cls) -> Self:
        """An empty book in memory, to be used in a `with` block; nothing stays of it.

        Returns
        -------
        Book
            Open for writing; for what is judged by the rules of the book but not kept.
        """
        return cls(_NOWHERE, write=True)

    def __enter__(self) -> Self:
        try:
            self._enter()
        except Exception as error:
            if opening.interrupted(error):
                raise KeyboardInterrupt from None
            raise
        return self

    def _enter(self) -> None:
        if self.path == _NOWHERE:
            self._connection = opening.in_memory()
            return
        if self._create and self._write:
            if self.path == default_path():
                self.path.parent.mkdir(parents=True, exist_ok=True)
            self._made = opening.create(self.path)
        self._stack.enter_context(opening.owner_only())
        try:
            self._connection = opening.connect(
                self.path, write=self._write, patience=self._patience, functions=False
            )
            self._complete = False
        except BaseException:
            self._stack.close()
            raise

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        untouched = False
        if self._made and kind is not None:
            with suppress(duckdb.Error):  # the failure that brought us here is the one to report
                untouched = self.data_version == 0
        self.close()
        if untouched:  # a first load that failed leaves nothing behind
            self.path.unlink(missing_ok=True)
        if opening.interrupted(error):  # callers know only the usual one
            raise KeyboardInterrupt from None
        if error is not None and opening.unreadable(error):
            raise opening.damaged(self.path, error) from None

    def close(self) -> None:
        """Close the file; the book can then be opened by others."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        self._stack.close()

    @property
    def _plain(self) -> duckdb.DuckDBPyConnection:
        """The connection, for statements that use no function of `leadline.book.sql`: they take a while."""
        if self._connection is None:
            raise BookError(f"{self.path}: the book is closed; use it inside `with Book.open(...)`")
        return self._connection

    @property
    def _open(self) -> duckdb.DuckDBPyConnection:
        """The connection with those functions."""
        connection = self._plain
        if not self._complete:
            install_functions(connection)
            self._complete = True
        return connection

    @property
    def _writable(self) -> duckdb.DuckDBPyConnection:
        connection = self._open
        if not self._write:
            raise BookError(f"{self.path}: opened for reading; use Book.open(..., write=True)")
        return connection

    @property
    def data_version(self) -> int:
        """Counts up whenever a write changed a record; 0 in an empty book."""
        return int(one(self._plain, "SELECT value FROM meta WHERE name = 'data_version'"))
