"""The book: DuckDB and no statistics; no SQL elsewhere in the package."""

from __future__ import annotations

from leadline.book.database import Book
from leadline.book.report import Fault, LoadReport, TableReport
from leadline.book.session import default_path

__all__ = ["Book", "Fault", "LoadReport", "TableReport", "default_path"]
