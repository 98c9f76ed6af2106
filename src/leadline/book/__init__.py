"""The book: DuckDB and no statistics; no SQL elsewhere in the package."""

from __future__ import annotations

from leadline.book.database import Book, default_path
from leadline.book.report import Fault, LoadReport, TableReport

__all__ = ["Book", "Fault", "LoadReport", "TableReport", "default_path"]
