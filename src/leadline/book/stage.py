"""From raw cells to typed rows with their faults, all in DuckDB, before anything is kept."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from leadline.book import capacity, cell, lead_sum, link, rule
from leadline.book.cell import NUMERIC, Check, raw
from leadline.book.hint import add_close_matches
from leadline.book.source import AMOUNTS, DERIVED, ORIGIN, Source, known_names
from leadline.book.sql import identifier, literal, one, pointer, rows
from leadline.book.thousands import KINDS, doubtful
from leadline.book.unweighed import find_unweighed
from leadline.book.written import Written
from leadline.records import DIVES, Column

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["bad_cells", "build", "find_faults", "raw_json", "unknown_note"]


def _raw_cells(source: Source) -> str:
    """Raw cells: declared ones under their headers, trimmed, names in one normal form, commas as points."""
    others = (*DERIVED.get(source.table.name, ()), *AMOUNTS.get(source.table.name, ()))
    numeric: dict[str, tuple[Column, str] | None] = dict.fromkeys(others)
    for column in source.table.columns:
        if column.kind in NUMERIC:
            numeric[column.name] = column, ""
            if column.twin:
                numeric[column.twin.name] = column, column.twin.unit
    named = {column.name for column in source.table.columns if column.kind in ("text", "names")}
    cells = []
    for i, header in enumerate(source.headers):
        if header in known_names(source.table):
            text = f"nullif(trimmed(c{i}), '')"
            if header in named:
                text = f"composed({text})"
            if source.comma_decimals and header in numeric:
                text = _with_points(header, text, numeric[header], source)
            cells.append(f"{text} AS {raw(header)}")
        else:
            cells.append(f"c{i}")
    return ", ".join(['"row"', "cells", f"c{len(source.headers)}", *cells])


def _with_points(header: str, text: str, declared: tuple[Column, str] | None, source: Source) -> str:
    """A cell with points for decimal commas; as it is where a comma may part thousands, which is refused."""
    changed = f"regexp_replace({text}, '([0-9]),([0-9])', '\\1.\\2', 'g')"
    if declared is None or declared[0].kind not in KINDS:
        return changed
    unclear = doubtful(declared[0], header, declared[1], source, cell=text, marks=",")
    return f"CASE WHEN NOT contains({text}, ',') OR {unclear} THEN {text} ELSE {changed} END"


def _extra(source: Source, existing: str) -> str:
    """Unknown cells as one JSON object, laid over what the book has; NULL where none is left."""
    cells = {name: f"nullif(trimmed({source.cell(name)}), '')" for name in source.unknown}
    if not cells:
        return existing
    if source.merged:
        cells = {
            name: f"CASE WHEN {source.own(name)} OR {text} IS NOT NULL THEN {text}"
            f" ELSE json_extract_string({existing}, {pointer(name)}) END"
            for name, text in cells.items()
        }
    pairs = ", ".join(f"{literal(name)}, {text}" for name, text in cells.items())
    merged = f"json_merge_patch(coalesce({existing}, '{{}}'), json_object({pairs}))"
    # A merge may put the same members in another order, which is no change.
    same = " AND ".join(
        f"json_extract_string({existing}, {pointer(name)}) IS NOT DISTINCT FROM {text}"
        for name, text in cells.items()
    )
    return f"CASE WHEN {same} THEN {existing} ELSE nullif(CAST({merged} AS VARCHAR), '{{}}') END"


def _own_cells(source: Source, present: Iterable[str]) -> str:
    """All columns of `t`; among rows set aside, the book's value under what the row's own file lacked."""
    if not source.merged:
        return "t.*"
    kept = []
    for name in present:
        twin = source.table.column(name).twin
        headers = [name, twin.name] if twin else [name]
        empty = " AND ".join(f"t.{raw(header)} IS NULL" for header in headers if header in source.headers)
        lacking = f"{empty} AND NOT coalesce({source.own(*headers)}, false)"
        column = identifier(name)
        kept.append(f"CASE WHEN {lacking} THEN b.{column} ELSE t.{column} END AS {column}")
    return f"t.* REPLACE ({', '.join(kept)})" if kept else "t.*"


def build(connection: DuckDBPyConnection, source: Source, *, plan: bool = False) -> None:
    """Make the temporary tables `stage` and `faults` from `incoming`, which is used up.

    A declared column that the file does not have keeps what the book says of that row; an empty cell
    is a missing value. In the file of rows set aside this goes row by row: its columns are those of
    many files.

    Parameters
    ----------
    connection : duckdb connection
        An open book, with `incoming` filled.
    source : Source
        What is in `incoming`.
    plan : bool
        Whether the rows are planned dives, which never stand in the book.
    """
    table = source.table
    typed = {column.name: cell.typed(column, source) for column in table.columns}
    present = [f"{text} AS {identifier(name)}" for name, text in typed.items() if text]
    absent = [f"b.{identifier(name)} AS {identifier(name)}" for name, text in typed.items() if text is None]
    whole = not plan and all(typed[key] for key in table.key)
    on = " AND ".join(f"b.{identifier(key)} = t.{identifier(key)}" for key in table.key if whole)
    join = f"LEFT JOIN {identifier(table.name)} b ON {on or 'false'}"
    filled = " OR ".join(f"trimmed(c{i}) <> ''" for i in range(len(source.headers) + 1))
    where = f"WHERE ({filled})" if source.name else "WHERE true"  # a typed row is never just a blank line
    if mark := source.cell(ORIGIN[0]):
        where += f" AND coalesce({mark}, '') IN ('', {literal(table.name)})"
    own = _own_cells(source, [name for name, text in typed.items() if text and name not in table.key])
    selected = ", ".join([own, *absent, f"{_extra(source, 'b.extra')} AS extra"])
    connection.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE stage AS
        WITH cells AS (SELECT {_raw_cells(source)} FROM incoming {where}),
        t AS (SELECT *, {", ".join(present)} FROM cells)
        SELECT {selected}, b.{identifier(table.key[0])} IS NOT NULL AS known FROM t {join}
        """
    )
    connection.execute("DROP TABLE incoming")
    connection.execute(
        'CREATE OR REPLACE TEMP TABLE faults ("row" BIGINT, "column" VARCHAR, value VARCHAR, reason VARCHAR,'
        " hint VARCHAR, subject VARCHAR)"
    )
    # The file of rows set aside has the column for its gear alone.
    if {*DERIVED.get(table.name, ())} & {*source.headers}:
        capacity.derive(connection, source)
    if table is DIVES and not plan:
        lead_sum.derive(connection, source)


def _ragged(connection: DuckDBPyConnection, source: Source) -> None:
    """Rows with fewer or more cells than the header; empty cells too many at the end do no harm."""
    width = len(source.headers)
    connection.execute(
        f"""
        INSERT INTO faults SELECT "row", '', CAST(cells AS VARCHAR),
            'has ' || cells || ' cells where the header has {width}'
            || CASE WHEN cells < {width} THEN ' (a quote left open, or a delimiter missing?)'
               ELSE ' (a delimiter inside a cell needs quotes)' END, '', ''
        FROM stage WHERE cells < {width} OR trim(c{width}, chr(31) || ' ') <> ''
        """
    )
    if rest := source.cell(ORIGIN[3]):
        connection.execute(
            f"INSERT INTO faults SELECT \"row\", '', {rest}, 'repair the row, then empty its {ORIGIN[3]}',"
            f" '', '' FROM stage WHERE trimmed({rest}) <> ''"
        )


def _filled(source: Source) -> set[str]:
    """Declared columns that the file has, in either unit."""
    return {
        column.name
        for column in source.table.columns
        if {column.name, column.twin.name if column.twin else column.name} & set(source.headers)
    }


def _insert(connection: DuckDBPyConnection, found: Iterable[Check], written: Written) -> None:
    for check in found:
        guard = ""
        if check.also:
            read = (name for column in (check.column, *check.also) for name in written.names(column))
            columns = ", ".join(map(literal, read))
            guard = f' AND "row" NOT IN (SELECT "row" FROM faults WHERE "column" IN ({columns}))'
        connection.execute(
            f'INSERT INTO faults SELECT "row", {written.name(check.column)}, {check.value}, {check.reason},'
            f" {literal(check.hint)}, {check.value if check.hint else literal('')} FROM stage"
            f" WHERE ({check.condition}){guard}"
        )


def _of_cells(source: Source, *, plan: bool) -> list[Check]:
    """Checks that read one cell of a row."""
    return [check for column in source.table.columns for check in cell.checks(column, source, future=plan)]


def bad_cells(connection: DuckDBPyConnection, source: Source, *, plan: bool = False) -> bool:
    """Whether a cell of the staged rows holds no value of its column, whatever else is wrong with them.

    Parameters
    ----------
    connection : duckdb connection
        With the rows in `stage`.
    source : Source
        The file.
    plan : bool
        Whether the rows are planned dives.
    """
    return _unsound(connection, _of_cells(source, plan=plan))


def _unsound(connection: DuckDBPyConnection, checks: Iterable[Check]) -> bool:
    """Whether any of these checks finds anything."""
    conditions = " OR ".join(["false", *(f"coalesce({check.condition}, false)" for check in checks)])
    return bool(one(connection, f"SELECT count(*) FROM stage WHERE {conditions}"))


def _count(connection: DuckDBPyConnection) -> int:
    return int(one(connection, "SELECT count(*) FROM faults"))


def find_faults(connection: DuckDBPyConnection, source: Source, *, plan: bool = False) -> int:
    """Fill the temporary table `faults`: one row for each bad cell of `stage`, with its reason.

    Parameters
    ----------
    connection : duckdb connection
        An open book, after `build`.
    source : Source
        The file.
    plan : bool
        Whether dates may lie ahead, and names of dives may be empty.

    Returns
    -------
    int
        Number of faults.
    """
    table, written = source.table, Written(source)
    _ragged(connection, source)
    # What a plan's file has no column for is empty in every row and cannot be wrong, only missing.
    judged = _filled(source) | set(table.key) if plan else set(table.by_name)
    found = _of_cells(source, plan=plan)
    found += [check for check in rule.rules(source, plan=plan) if check.column in judged]
    # A plan is short, and mostly sound: one statement says so, where one for each check takes longer than
    # the rows do.
    if not plan or _unsound(connection, found):
        _insert(connection, found, written)
    link.find_broken_links(connection, table, judged)
    if table.name == "gear":
        find_unweighed(connection, source)
    if not _count(connection):
        return 0
    # A row torn apart has nonsense in every cell; the one fault that matters is that it is torn.
    connection.execute(
        """DELETE FROM faults WHERE "column" <> ''
        AND "row" IN (SELECT "row" FROM faults WHERE "column" = '')"""
    )
    add_close_matches(connection)
    quoted = "'''' || shown(value) || ''''"
    texts = [c.name for c in table.columns if c.kind in ("text", "word", "names", "gases", "places", "date")]
    words = [header for name in texts for header in written.names(name)]
    listed = ", ".join(literal(name) for name in words) or "''"
    connection.execute(
        f"""
        UPDATE faults SET reason = "column" || CASE WHEN value IS NULL OR value = '' THEN ' '
            ELSE ' ' || CASE WHEN "column" IN ({listed}) THEN {quoted} ELSE shown(value) END || ': ' END
            || reason
        WHERE "column" <> ''
        """
    )
    return _count(connection)


def _filled_unknown(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """Unknown columns of the file in which anything stands."""
    if not source.unknown:
        return []
    filled = ", ".join(f"bool_or(trimmed({source.cell(name)}) <> '')" for name in source.unknown)
    found = rows(connection, f"SELECT {filled} FROM stage")[0]
    return [name for name, has in zip(source.unknown, found, strict=True) if has]


def unknown_note(connection: DuckDBPyConnection, source: Source, fate: str) -> list[str]:
    """One line that names the unknown columns in which anything stands; none where there are none.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the file staged.
    source : Source
        The file.
    fate : str
        What becomes of them.
    """
    unknown = _filled_unknown(connection, source)
    if not unknown:
        return []
    shown = ", ".join(header[:40] for header in unknown[:8]) + (", ..." if len(unknown) > 8 else "")
    return [f"{source.name}: columns unknown to leadline, {fate}: {shown}"]


def raw_json(source: Source) -> str:
    """SQL that gives a row's cells as one JSON object in file order, with what makes a torn row torn.

    Declared cells are trimmed, their decimal commas turned into points, so that they can be written to
    a file with any delimiter. A row set aside before keeps the columns of its own file, and what has been
    filled in since.
    """
    known = known_names(source.table)
    cells = {
        header: raw(header) if header in known else f"c{i}"
        for i, header in enumerate(source.headers)
        if header not in ORIGIN
    }
    width = len(source.headers)
    rest = f"CASE WHEN cells < {width} THEN '(' || ({width} - cells) || ' cells missing)' ELSE c{width} END"
    before = source.cell(ORIGIN[3]) or "NULL"
    torn = f"concat_ws(' | ', nullif({before}, ''), nullif(replace({rest}, chr(31), ' | '), ''))"
    cells[ORIGIN[3]] = f"nullif({torn}, '')"
    members = [f"{_json(literal(header))} || ':' || {_json(text)}" for header, text in cells.items()]
    if source.merged:
        members = [
            f"CASE WHEN trimmed({text}) <> '' OR {source.own(header)} THEN {member} END"
            for (header, text), member in zip(cells.items(), members, strict=True)
        ]
    return f"'{{' || concat_ws(',', {', '.join(members)}) || '}}'"


def _json(text: str) -> str:
    return f"coalesce(CAST(to_json({text}) AS VARCHAR), 'null')"
