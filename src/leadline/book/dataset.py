"""Records as a Parquet dataset in parts by diver, so that workers can read a part each.

A folder holds `gear.parquet`, and for divers, dives, checks and others' wear a folder of `part=0`, `part=1`
and so on. Divers are dealt out in the order of their names. `book.json` says what there is.
"""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

import json
import os
import shutil
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records, empty
from leadline.book import fetch
from leadline.book.connection import in_memory, owner_only
from leadline.book.destination import followed
from leadline.book.engine import duckdb
from leadline.book.sql import identifier, literal, one, rows
from leadline.errors import BookError
from leadline.frozen import dataclass
from leadline.records import CHECKS, DIVERS, DIVES, GEAR, TABLES, Column, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["Dataset", "opened", "read", "write"]

FORMAT: Final = 1
ABOUT: Final = "book.json"
WORN: Final[tuple[Column, ...]] = tuple(DIVES.column(name) for name in ("diver", "date", "suit"))


@dataclass(frozen=True)
class Dataset:
    """What stands in a folder.

    Parameters
    ----------
    parts : int
        How many.
    latest : str
        Latest date of all dives and checks; empty where none is known.
    data_version : int
        Of the book it was written from.
    counts : dict
        Rows of divers, gear, dives and checks in that book.
    format : int
        Of the folder.
    """

    parts: int
    latest: str
    data_version: int
    counts: dict[str, int]
    format: int = FORMAT


def _dealt(connection: DuckDBPyConnection, parts: int) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Divers in the order of their names, and the part of each: about as many records in each."""
    found = rows(
        connection,
        "SELECT diver, (SELECT count(*) FROM dives d WHERE d.diver = p.diver)"
        " + (SELECT count(*) FROM checks c WHERE c.diver = p.diver) FROM divers p",
    )
    found.sort()
    names = np.array([name for name, _ in found], object)
    counts = np.array([1 + count for _, count in found], float)
    middle = (np.cumsum(counts) - counts / 2) / counts.sum() if len(counts) else counts
    return names, np.unique(np.floor(middle * parts), return_inverse=True)[1].astype(np.int64)


def _counts(connection: DuckDBPyConnection) -> dict[str, int]:
    return {name: int(one(connection, f"SELECT count(*) FROM {identifier(name)}")) for name in TABLES}


def _worn() -> str:
    """Dives of others in a suit that somebody of the part wears; as `leadline.book.portion` has them."""
    return (
        "WITH own AS (SELECT DISTINCT s.part, unnest(parts(t.suit)) AS item FROM"
        " (SELECT diver, suit FROM dives UNION ALL SELECT diver, suit FROM checks) t"
        " JOIN dealt s USING (diver) WHERE t.suit IS NOT NULL),"
        " worn AS (SELECT d.seq, d.diver, d.date, d.suit, s.part AS home, unnest(parts(d.suit)) AS item"
        " FROM dives d JOIN dealt s USING (diver) WHERE d.suit IS NOT NULL)"
        " SELECT DISTINCT w.seq, w.diver, w.date, w.suit, o.part FROM worn w JOIN own o USING (item)"
        " WHERE o.part <> w.home AND item <> ''"
    )


def write(connection: DuckDBPyConnection, folder: Path, *, parts: int, data_version: int) -> Dataset:
    """Write the records to a new folder; see `leadline.book.Book.export_parts`."""
    if parts < 1:
        raise BookError(f"there must be at least one part; got {parts}")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BookError(f"{folder}: stands there already; give another folder")
    names, part = _dealt(connection, parts)
    real = followed(folder)
    draft = real.with_name(f".{real.name}.{os.getpid()}.new")
    connection.register("dealt", {"diver": names, "part": part})
    try:
        with owner_only():
            draft.mkdir(parents=True)
            _copy(connection, f"SELECT * FROM {identifier(GEAR.name)}", draft / "gear.parquet")
            for table in (DIVERS, DIVES, CHECKS):
                columns = ", ".join(f"t.{identifier(column.name)}" for column in table.columns)
                query = (
                    f"SELECT {columns}, t.seq, s.part FROM {identifier(table.name)} t"
                    " JOIN dealt s USING (diver)"
                )
                _copy(connection, query, draft / table.name, parted=True)
            _copy(connection, _worn(), draft / "worn", parted=True)
            dates = "SELECT max(date) FROM (SELECT date FROM dives UNION ALL SELECT date FROM checks)"
            latest = rows(connection, dates)[0][0]
            about = Dataset(
                parts=int(part.max(initial=-1)) + 1,
                latest=latest.isoformat() if latest else "",
                data_version=data_version,
                counts=_counts(connection),
            )
            (draft / ABOUT).write_text(json.dumps(asdict(about)) + "\n", encoding="utf-8")
            draft.replace(real)
    except (OSError, duckdb.IOException) as error:
        first = str(error).splitlines()[0]
        raise BookError(f"{folder}: cannot be written ({first}); give another folder") from None
    finally:
        connection.unregister("dealt")
        shutil.rmtree(draft, ignore_errors=True)
    return about


def _copy(connection: DuckDBPyConnection, query: str, path: Path, *, parted: bool = False) -> None:
    options = "FORMAT parquet, PARTITION_BY (part)" if parted else "FORMAT parquet"
    connection.execute(f"COPY ({query}) TO {literal(str(path))} ({options})")


def opened(folder: Path) -> Dataset:
    """What stands in a folder.

    Raises
    ------
    BookError
        If it is no such folder, or a newer version wrote it.
    """
    try:
        about = Dataset(**json.loads((folder / ABOUT).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        raise BookError(
            f"{folder}: no records in parts here; write them with `leadline export DIR --parts N`"
        ) from None
    if about.format > FORMAT:
        raise BookError(f"{folder}: written by a newer version of leadline; read it with that")
    return about


def _columns(connection: DuckDBPyConnection, table: Table, files: list[Path]) -> Columns:
    """Rows of some files in the order of the book; none where there is no file."""
    if not files:
        return empty(table.name)
    named = ", ".join(literal(str(path)) for path in sorted(files))
    return fetch.columns(connection, table, source=f"read_parquet([{named}], hive_partitioning=false)")


def read(folder: Path, part: int) -> Records:
    """Records of one part: its divers with their dives and checks, all gear, and others' wear of their suits.

    Parameters
    ----------
    folder : Path
        Written by `leadline.book.Book.export_parts`.
    part : int
        0, 1, ...

    Raises
    ------
    BookError
        If it cannot be read.
    """
    own = f"part={part}"
    connection = in_memory()
    try:
        found = {
            table.name: _columns(connection, table, list((folder / table.name / own).glob("*.parquet")))
            for table in (DIVERS, DIVES, CHECKS)
        }
        if not len(found["divers"]["diver"]):
            raise BookError(f"{folder}: part {part} has no divers; write the folder again")
        worn = Table("worn", (), WORN, "Others' wear.")
        files = list((folder / "worn" / own).glob("*.parquet"))
        others = {"worn": _columns(connection, worn, files)} if files else {}
        gear = _columns(connection, GEAR, [folder / "gear.parquet"])
        return Records(gear=gear, **found, **others)
    except duckdb.Error as error:
        first = str(error).splitlines()[0]
        raise BookError(f"{folder}: part {part} cannot be read ({first}); write the folder again") from None
    finally:
        connection.close()
