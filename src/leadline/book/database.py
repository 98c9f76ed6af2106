"""The book: one DuckDB file with divers, gear, dives, checks, what was set aside, and fits."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records
from leadline.book import connection as opening
from leadline.book import fetch, fit_store
from leadline.book.changed_kit import changed_kit
from leadline.book.portion import Portion, portion
from leadline.book.same_size import totals
from leadline.book.single import SingleDives
from leadline.book.sql import one, rows
from leadline.errors import BookError
from leadline.records import FILES, Table

if TYPE_CHECKING:
    from leadline.book.dataset import Dataset
    from leadline.book.export import Format
    from leadline.book.report import Fault, LoadReport

__all__ = ["Book"]

# Whoever only reads should not wait for what judges and writes: those modules are loaded where they are used.


class Book(SingleDives):
    """An open book; use it in a `with` block, and keep that block short.

    While one process has a book open for writing no other can open it, and readers hold off a writer. So
    open late and close early: read arrays, close, compute, open again for one short write.

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

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> path = Path(tempfile.mkdtemp()) / "club.duckdb"
    >>> with Book.open(path, write=True, create=True) as book:
    ...     report = book.upsert("divers", [{"diver": "Ines", "mass_kg": 64}])
    >>> with Book.open(path) as book:
    ...     book.records().divers["mass_kg"]
    array([64.])
    """

    def counts(self) -> dict[str, int]:
        """Number of rows of each table: divers, gear, dives, checks, blocks, rejects (bad cells), fits."""
        return {
            name: int(one(self._open, f"SELECT count(*) FROM {name}")) for name in (*FILES, "rejects", "fits")
        }

    def records(self) -> Records:
        """All records, in file order.

        Returns
        -------
        Records
            Text as object arrays of str ("" where missing), numbers as float64 (NaN), dates as
            datetime64[s] (NaT).
        """
        return fetch.records(self._plain)

    def portion(self, divers: Collection[str], *, suits: Collection[str] = ()) -> Portion:
        """Records that bear on some divers, in file order; quick in a large book.

        Parameters
        ----------
        divers : collection of str
            Names; those that the book does not have are passed over.
        suits : collection of str
            Further suits of interest, such as those of a plan.

        Returns
        -------
        Portion
            Their rows, all gear, and others' dives in the suits of interest, which count as wear.
        """
        return portion(self._plain, divers, suits)

    def blocks(self) -> dict[str, int]:
        """Blocks of lead that there are: size as first written, such as `1 kg`, to number of pieces."""
        found = rows(self._plain, "SELECT block, pieces FROM blocks WHERE pieces > 0 ORDER BY seq")
        return totals(found)

    def versions(self, table: str) -> NDArray[np.int64]:
        """Data version in which each row of `table` was last written.

        Of gear that in which it last changed in anything a need hangs on: neither a BC's lift nor a column
        unknown here makes another piece of it.

        Parameters
        ----------
        table : str
            divers, gear, dives, checks or blocks.

        Returns
        -------
        ndarray of int, shape (n,)
            In the order of `records()`.
        """
        return fetch.versions(self._plain, _declared(table))

    def changed_kit(self, since: int) -> tuple[str, ...]:
        """Items whose row was changed after data version `since`, which knew dives or checks in them.

        By more than rounding, and in what a need hangs on.
        """
        return changed_kit(self._plain, since)

    def load(
        self,
        *,
        divers: Path | str | None = None,
        gear: Path | str | None = None,
        dives: Path | str | None = None,
        checks: Path | str | None = None,
        blocks: Path | str | None = None,
    ) -> LoadReport:
        """Bring in CSV or Parquet files: sound rows once, the rest set aside with reasons.

        One transaction covers all files. They are taken in the order divers, gear, dives, checks, so that
        a row may name what stands in the book or in these files. A row whose key is in the book already
        replaces what the book says in the columns that the file has. The same file again changes nothing.

        Parameters
        ----------
        divers, gear, dives, checks, blocks : Path or str, optional
            Files.

        Returns
        -------
        LoadReport
            Counts, faults, notes, and the file of rows set aside.

        Raises
        ------
        RecordError
            If a file is missing, empty, no table or lacks a key column; nothing is changed then.
        """
        given = {"divers": divers, "gear": gear, "dives": dives, "checks": checks, "blocks": blocks}
        files = {name: Path(file) for name, file in given.items() if file is not None}
        from leadline.book import loading

        return loading.load(self._writable, self.path, files)

    def upsert(self, table: str, rows: Sequence[Mapping[str, Any]]) -> LoadReport:
        """Add or change typed rows by the same rules as `load`, all of them or none.

        Parameters
        ----------
        table : str
            divers, gear, dives, checks or blocks.
        rows : sequence of mapping
            Column name (declared, or imperial twin) to value; a column not named keeps what the book says.

        Returns
        -------
        LoadReport
            Counts.

        Raises
        ------
        RecordError
            If a row is unsound; the text gives the first reason.
        """
        from leadline.book import loading

        if not rows:
            raise BookError(f"no rows for {table}; give at least one")
        return loading.upsert(self._writable, _declared(table), rows)

    def judge(self, table: str, rows: Sequence[Mapping[str, Any]]) -> tuple[Fault, ...]:
        """Faults that `upsert` would find in typed rows; nothing is written.

        Parameters
        ----------
        table : str
            divers, gear, dives, checks or blocks.
        rows : sequence of mapping
            Column name to value.

        Returns
        -------
        tuple of Fault
            Empty where all rows are sound.
        """
        from leadline.book import loading

        return loading.judge(self._open, _declared(table), rows)

    def names(self, table: str, *, styles: Sequence[str] = ()) -> list[str]:
        """Names of divers or items, sorted.

        Parameters
        ----------
        table : str
            divers or gear.
        styles : sequence of str
            Only items of these styles; default all.

        Returns
        -------
        list of str
            Keys of the table.
        """
        return fetch.names(self._plain, _declared(table), styles=styles)

    def has_diver(self, diver: str) -> bool:
        """Whether the book has a diver of that name."""
        return bool(one(self._plain, "SELECT count(*) FROM divers WHERE diver = ?", [diver]))

    def read_plan(
        self, file: Path | str, *, notify: Callable[[str], None] | None = None, underway: bool = False,
        as_named: bool = False,
    ) -> Columns:  # fmt: skip
        """Planned dives from a file, judged by the same rules; the book is not changed.

        Parameters
        ----------
        file : Path or str
            CSV or Parquet; dates may lie ahead, pressures, lead and names of dives may be empty.
        notify : callable or None
            Called with each thing the user should know: columns not used, how the file was read.
        underway : bool
            Whether start pressures are those of now, which may lie below the reserve.
        as_named : bool
            Neither take altitude, salinity, a shallow stop and the like over from earlier dives nor today.

        Returns
        -------
        Columns
            The dives table's columns, in the order of the file.

        Raises
        ------
        RecordError
            If the file is no table, holds answers, or any row is unsound; the text gives first reasons.
        """
        from leadline.book import plan

        return plan.read(self._open, Path(file), notify=notify, underway=underway, as_named=as_named)

    def save_fit(self, payload: bytes, data_version: int, info: dict[str, Any]) -> int:
        """Store a fit, unless the records have changed since it was begun.

        Parameters
        ----------
        payload : bytes
            The fit.
        data_version : int
            `data_version` when the records were read.
        info : dict
            JSON-ready facts about it; `evidence_hash` is kept in a column of its own.

        Returns
        -------
        int
            Number of the fit.

        Raises
        ------
        BookError
            If the data version has moved on; nothing is stored then.
        """
        return fit_store.save(self._writable, payload, data_version, info)

    def latest_fit(self) -> tuple[bytes, dict[str, Any]] | None:
        """The newest fit: its payload, and `info` with id, created, schema, data_version and counts."""
        return fit_store.latest(self._plain)

    def export(
        self,
        folder: Path | str,
        *,
        format: Format = "csv",  # noqa: A002  (the word every reader looks for)
        tables: Sequence[str] | None = None,
        overwrite: bool = False,
    ) -> list[Path]:
        """Write tables to `folder` in house units, unknown columns included; `load` reads them back.

        Parameters
        ----------
        folder : Path or str
            Made if needed.
        format : {"csv", "parquet"}
            Of the files.
        tables : sequence of str, optional
            divers, gear, dives, checks, blocks, rejects; default all.
        overwrite : bool
            Whether files that stand there already may be replaced.

        Returns
        -------
        list of Path
            The files written.

        Raises
        ------
        BookError
            If a table is unknown, a file stands there already, or the folder cannot be written.
        """
        from leadline.book import export

        return export.write(self._open, Path(folder), form=format, tables=tables, overwrite=overwrite)

    def export_parts(self, folder: Path | str, *, parts: int) -> Dataset:
        """Write the records as a Parquet dataset in parts by diver, for workers; see `leadline.book.dataset`.

        Parameters
        ----------
        folder : Path or str
            New, or empty.
        parts : int
            How many, at least 1; fewer come out where there are fewer divers.

        Returns
        -------
        Dataset
            What stands there.

        Raises
        ------
        BookError
            If something stands there already, or the folder cannot be written.
        """
        from leadline.book import dataset

        return dataset.write(self._open, Path(folder), parts=parts, data_version=self.data_version)

    def forget(self, diver: str) -> dict[str, int]:
        """Remove a diver's records, and rewrite the book so that no bytes of them stay in it.

        What goes: the diver, their dives and checks, their name as the leader of others' dives, rows set
        aside that name them, and all fits (they hold what was learned about everyone; `learn` makes a new
        one). What stays: other records that name them in passing, such as a group, a note or an item
        called after them. Nothing is changed there, since only a reader can tell how; the cells are
        counted, to be changed with `upsert` or by loading a file.

        Parameters
        ----------
        diver : str
            Name, as in the book.

        Returns
        -------
        dict of str to int
            Cells that still hold the name as a word of its own, counted by column, such as `dives.notes`.

        Raises
        ------
        UnknownNameError
            If there is no such diver.
        """
        from leadline.book import forgetting

        writable = self._writable
        writable.close()
        self._connection = None
        try:
            return forgetting.forget(self.path, diver, patience=self._patience, named=self._named)
        finally:
            self._connection = opening.connect(self.path, write=True, patience=self._patience)


def _declared(table: str) -> Table:
    if table not in FILES:
        raise BookError(f"no table {table!r}; there are {', '.join(FILES)}")
    return FILES[table]
