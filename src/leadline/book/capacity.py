"""Water capacity of cylinders known by the gas they hold at their rated pressure."""

# Statements are made from the declaration of the records; whatever else enters them is quoted by
# leadline.book.sql or bound as a parameter.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from leadline.book.cell import raw
from leadline.book.source import Source
from leadline.book.sql import rows

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["derive"]

_CELL: Final = raw("gas_capacity_cuft")
_GAS: Final = f"number({_CELL})"
_AGREEMENT: Final = 0.05  # trade names of cylinders are rounded by that much
# Where the formula holds: cubic feet of free gas, bar.
_GAS_RANGE: Final = (0.1, 700.0)
_PRESSURE_RANGE: Final = (50.0, 330.0)


def _fault(connection: DuckDBPyConnection, reason: str, condition: str, values: list[float]) -> None:
    connection.execute(
        f"INSERT INTO faults SELECT \"row\", 'gas_capacity_cuft', {_CELL}, ?, '', '' FROM stage"
        f" WHERE {_CELL} IS NOT NULL AND ({condition})",
        [reason, *values],
    )


def derive(connection: DuckDBPyConnection, source: Source) -> None:
    """Fill in `water_capacity_l` in `stage` from `gas_capacity_cuft` and the rated pressure.

    Parameters
    ----------
    connection : duckdb connection
        An open book with the tables `stage` and `faults`; what makes no cylinder is added to `faults`.
    source : Source
        A gear file with the column `gas_capacity_cuft`.
    """
    from leadline.physics.gas import water_capacity_from_gas_capacity

    (least, most), (low, high) = _GAS_RANGE, _PRESSURE_RANGE
    _fault(connection, "is no number", f"{_GAS} IS NULL", [])
    _fault(
        connection,
        f"must lie in [{least:g}, {most:g}] cubic feet",
        f"{_GAS} NOT BETWEEN {least} AND {most}",
        [],
    )
    needed = "needs rated_psi (or rated_bar): the pressure at which it holds that much"
    _fault(connection, needed, "rated_bar IS NULL", [])
    _fault(
        connection,
        f"cannot be reckoned above {high:g} bar; give water_capacity_l",
        f"rated_bar > {high}",
        [],
    )
    asked = rows(
        connection,
        f"SELECT DISTINCT {_GAS}, rated_bar FROM stage WHERE {_GAS} BETWEEN {least} AND {most}"
        f" AND rated_bar BETWEEN {low} AND {high}",
    )
    for cubic_feet, rated in asked:
        made = float(water_capacity_from_gas_capacity(cubic_feet, rated))
        _fill(connection, source, made, [cubic_feet, rated])


def _fill(connection: DuckDBPyConnection, source: Source, made: float, pair: list[float]) -> None:
    """Write one capacity to the rows it follows for, or say why it cannot be."""
    column = source.table.column("water_capacity_l")
    same = f"{_GAS} = ? AND rated_bar = ?"
    if not (column.low or 0.0) <= made <= (column.high or 0.0):
        reason = (
            f"makes {made:.3g} L of water capacity, which must lie in [{column.low:g}, {column.high:g}] L"
        )
        _fault(connection, reason, same, pair)
        return
    given = raw("water_capacity_l") if "water_capacity_l" in source.headers else "NULL"
    apart = f"abs(number({given}) - ?) > {_AGREEMENT} * number({given})"
    reason = f"makes {made:.3g} L, which contradicts water_capacity_l; keep one of them"
    _fault(connection, reason, f"{same} AND {apart}", [*pair, made])
    connection.execute(
        f"UPDATE stage SET water_capacity_l = ? WHERE {same} AND {given} IS NULL", [made, *pair]
    )
