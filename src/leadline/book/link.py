"""References between tables: divers, items and dives that a row names must be known, and in their place."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from leadline.book.sql import identifier, literal
from leadline.records import Column, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["find_broken_links"]


def _right_place(table: Table) -> str:
    """SQL that names, for a kind of gear `g.kind`, the column in which it belongs."""
    places = " ".join(
        f"WHEN g.kind = {literal(kind)} THEN {literal(column.name)}"
        for column in table.columns
        for kind in column.gear_kinds
    )
    return f"CASE {places} END"


def _items(connection: DuckDBPyConnection, table: Table, column: Column) -> None:
    name = identifier(column.name)
    kinds = ", ".join(literal(kind) for kind in column.gear_kinds)
    connection.execute(
        f"""
        INSERT INTO faults
        SELECT DISTINCT s."row", {literal(column.name)}, s.{name},
            CASE WHEN g.item IS NULL AND s.part = s.{name} THEN 'no such item in the gear'
            WHEN g.item IS NULL THEN 'no item ''' || shown(s.part) || ''' in the gear'
            ELSE CASE WHEN s.part <> s.{name} THEN '''' || shown(s.part) || ''' ' ELSE '' END
                || 'is listed as ' || g.kind || '; it belongs in the column ' || {_right_place(table)} END,
            CASE WHEN g.item IS NULL THEN 'gear' ELSE '' END, s.part
        FROM (SELECT "row", {name}, unnest(string_split({name}, ';')) AS part FROM stage
              WHERE {name} IS NOT NULL) s
        LEFT JOIN gear g ON g.item = s.part
        WHERE g.item IS NULL OR g.kind NOT IN ({kinds})
        """
    )


def _divers(connection: DuckDBPyConnection, column: Column) -> None:
    name = identifier(column.name)
    connection.execute(
        f"""
        INSERT INTO faults
        SELECT s."row", {literal(column.name)}, s.{name}, 'no such diver among the divers', 'divers', s.{name}
        FROM stage s ANTI JOIN divers d ON d.diver = s.{name}
        WHERE s.{name} IS NOT NULL
        """
    )


def _dives(connection: DuckDBPyConnection) -> None:
    connection.execute(
        """
        INSERT INTO faults
        SELECT s."row", 'dive', s.dive, 'no such dive of ' || shown(s.diver) || ' among the dives', '', ''
        FROM stage s ANTI JOIN dives d ON d.dive = s.dive AND d.diver = s.diver
        WHERE s.dive IS NOT NULL AND s.diver IS NOT NULL
        """
    )


def find_broken_links(connection: DuckDBPyConnection, table: Table, judged: Collection[str]) -> None:
    """Add to the temporary table `faults` every name in `stage` that the book does not know.

    Parameters
    ----------
    connection : duckdb connection
        A book in which the tables referred to are loaded already.
    table : Table
        What the rows are.
    judged : collection of str
        Columns to look at.
    """
    for column in table.columns:
        if column.name not in judged:
            continue
        if column.refers == "gear":
            _items(connection, table, column)
        elif column.refers == "divers":
            _divers(connection, column)
        elif column.refers == "dives":
            _dives(connection)
