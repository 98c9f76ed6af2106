"""DuckDB without what the book does not use: the database itself, which is compiled.

The package `duckdb` loads two things: the database, and builders of queries in Python, which take several
times as long to load, a tenth of a short command. The book speaks SQL alone. Connections and errors are those
that `duckdb` has too, so whoever loads that as well meets no others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

__all__ = ["duckdb"]

if TYPE_CHECKING:
    import duckdb
else:
    try:
        import _duckdb as duckdb
    except ImportError:  # a version that is put together otherwise
        import duckdb
