"""What a load did: counts for each table, the rows set aside and why."""

from __future__ import annotations

from dataclasses import field
from pathlib import Path
from typing import Any

from leadline.frozen import dataclass
from leadline.records import TABLES

__all__ = ["Fault", "LoadReport", "TableReport"]


@dataclass(frozen=True)
class Fault:
    """One bad cell.

    Parameters
    ----------
    file : str
        The file as given; empty for typed rows.
    table : str
        What the row is.
    row : int
        Row in the file; the header is row 1.
    column : str
        Header of the cell; empty where the whole row is at fault.
    value : str
        The cell as read.
    reason : str
        One line, such as ``lead_kg 120: must lie in [0, 60] kg``.
    """

    file: str
    table: str
    row: int
    column: str
    value: str
    reason: str

    def __str__(self) -> str:
        return f"{self.file or self.table} row {self.row}: {self.reason}"


@dataclass(frozen=True)
class TableReport:
    """Rows of one table; `read` is the sum of the other four.

    Parameters
    ----------
    read : int
        Rows in the file. [-]
    loaded : int
        Rows that are new in the book. [-]
    updated : int
        Rows whose values changed. [-]
    unchanged : int
        Rows that stood in the book just so, or twice in the file. [-]
    rejected : int
        Rows set aside. [-]
    """

    read: int = 0
    loaded: int = 0
    updated: int = 0
    unchanged: int = 0
    rejected: int = 0

    def as_dict(self) -> dict[str, int]:
        """Counts by name."""
        return {name: getattr(self, name) for name in ("read", "loaded", "updated", "unchanged", "rejected")}


@dataclass(frozen=True)
class LoadReport:
    """What a load did.

    Parameters
    ----------
    tables : dict of str to TableReport
        The four tables of records, zeros for those without a file; blocks where there was one.
    faults : tuple of Fault
        The first faults, at most `leadline.book.loading.SHOWN` for each table.
    rejects : Path or None
        The file that holds every row set aside, to repair and load; None where this load set none aside.
    notes : tuple of str
        What the user should know: columns kept aside, how a file was read.
    data_version : int
        Of the book, after the load.
    """

    tables: dict[str, TableReport] = field(default_factory=lambda: {name: TableReport() for name in TABLES})
    faults: tuple[Fault, ...] = ()
    rejects: Path | None = None
    notes: tuple[str, ...] = ()
    data_version: int = 0

    @property
    def rejected(self) -> int:
        """Rows set aside in all files."""
        return sum(table.rejected for table in self.tables.values())

    @property
    def read(self) -> int:
        """Rows read from all files."""
        return sum(table.read for table in self.tables.values())

    def as_dict(self) -> dict[str, Any]:
        """The report as a JSON-ready document."""
        counts: dict[str, Any] = {name: table.as_dict() for name, table in self.tables.items()}
        return counts | {"rejects": None if self.rejects is None else str(self.rejects)}
