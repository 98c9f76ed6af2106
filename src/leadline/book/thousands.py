"""Numbers such as 1.560 and 3,000, in which a mark may part thousands or decimals: refused, never guessed.

A mark before exactly three digits that is not the decimal mark of the file may be either. One that is the
decimal mark may part thousands where no number of the column is as small as what is read then (altitudes and
pressures), and a comma does in whole numbers.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from leadline.book.sql import identifier, literal
from leadline.units import to_imperial

if TYPE_CHECKING:
    from leadline.book.source import Source
    from leadline.records import Column

__all__ = ["KINDS", "bounds", "doubtful", "two_readings", "what_to_write"]

KINDS: Final = ("number", "integer", "numbers", "places")
"""Kinds of columns that are looked at."""

_PRESSURES: Final = ("start_bar", "end_bar", "stop_bar", "bar", "rated_bar")
_HIGH: Final = ("altitude_m", *_PRESSURES)
_LEAST: Final = 20.0
"""No pressure is written that is smaller, in either unit, and hardly an altitude. (judged)"""

_SAYS: Final = "may mean thousands or decimals"


def bounds(column: Column, unit: str) -> tuple[float, float]:
    """Range of a column's sound numbers, in imperial `unit` or, without one, as declared."""
    low = float("-inf") if column.low is None else column.low
    high = float("inf") if column.high is None else column.high
    return (float(to_imperial(low, unit)), float(to_imperial(high, unit))) if unit else (low, high)


def _pattern(mark: str) -> str:
    return rf"[+-]?[1-9][0-9]{{0,2}}{re.escape(mark)}[0-9]{{3}}"


def _own(column: Column, unit: str, mark: str) -> bool:
    """Whether the decimal mark itself may part thousands there.

    With a point only where pounds a square inch are meant: bar and metres are written by `export` with as
    many decimals as they have.
    """
    if mark == ",":
        return column.name in _HIGH or column.kind == "integer"
    return column.name in _PRESSURES and unit == "psi"


def _either(column: Column, unit: str, mark: str, decimal: str, number: str) -> str:
    """SQL that holds where the text `number` can be read in two ways."""
    low, high = bounds(column, unit)
    whole = f"CAST(replace({number}, {literal(mark)}, '') AS DOUBLE)"
    small = f"abs({whole}) < {1000 * _LEAST}"
    readings = [] if mark == decimal else [f"{whole} BETWEEN {low!r} AND {high!r}"]
    if column.kind == "integer":
        readings = (
            [] if (mark, decimal) in ((",", "."), (".", ".")) else [f"{whole} BETWEEN {low!r} AND {high!r}"]
        )
    elif _own(column, unit, mark) if mark == decimal else column.name in _HIGH:
        readings.append(small)
    if not readings:
        return "false"
    matched = f"regexp_full_match({number}, {literal(_pattern(mark))})"
    return f"CASE WHEN {matched} THEN {' OR '.join(readings)} ELSE false END"


def _numbers(column: Column, cell: str) -> str:
    """SQL list of the numbers in a cell, as text."""
    if column.kind == "numbers":
        return f"parts({cell})"
    if column.kind == "places":
        return f"list_transform(parts({cell}), lambda p: trimmed(regexp_extract(p, ':([^:]*)$', 1)))"
    return f"[{cell}]"


def _held(header: str, cell: str, source: Source) -> str:
    """SQL: in the file of rows set aside a cell waits as long as the reason for it stands beside it."""
    why = source.cell("set_aside_why")
    if why is None:
        return "false"
    plain, quoted = (
        f"contains({why}, {literal(header + ' ' + q)} || shown({cell}) || {literal(f'{q}: {_SAYS}')})"
        for q in ("", "'")
    )
    return f"({plain} OR {quoted})"


def _found(column: Column, header: str, unit: str, source: Source, cell: str, marks: str) -> str:
    """SQL list of the numbers in a cell that can be read in two ways."""
    ways = [_either(column, unit, mark, source.decimal, "q") for mark in marks]
    if "." in marks and source.merged:
        ways.append(f"({_either(column, unit, '.', ',', 'q')}) AND {_held(header, cell, source)}")
    return f"list_filter({_numbers(column, cell)}, lambda q: {' OR '.join(f'({way})' for way in ways)})"


def doubtful(column: Column, header: str, unit: str, source: Source, *, cell: str, marks: str = ".,") -> str:
    """SQL that holds where a number of a cell can be read in two ways.

    Parameters
    ----------
    column : Column
        Declaration, of one of `KINDS`.
    header, unit : str
        Header of the cell, and its imperial unit; empty where it is metric.
    source : Source
        The file.
    cell : str
        SQL of the trimmed cell.
    marks : str
        Which marks to look at.
    """
    # Few cells have three digits after a mark; the list machinery is for those.
    marked = f"regexp_matches({cell}, '[1-9][0-9]{{0,2}}[{marks}][0-9]{{3}}')"
    return (
        f"CASE WHEN {marked} THEN len({_found(column, header, unit, source, cell, marks)}) > 0 ELSE false END"
    )


def two_readings(column: Column, header: str, unit: str, source: Source) -> str:
    """SQL of the reason for such a cell: both ways to write its first number of that kind.

    Parameters
    ----------
    column, header, unit, source
        As for `doubtful`; the cell is the raw one of the stage.
    """
    cell = identifier(f"raw {header}")
    first = f"{_found(column, header, unit, source, cell, '.,')}[1]"
    whole, decimals = (f"regexp_extract({first}, '^(.*)[.,](.*)$', {group})" for group in (1, 2))
    mark = literal(source.decimal or ",")
    kept = f"regexp_replace({decimals}, '0+$', '')"
    # What cannot be shortened gets one digit more, so that it is read as decimals.
    short = (
        f"CASE length({kept}) WHEN 0 THEN {whole} WHEN 3 THEN {whole} || {mark} || {decimals} || '0'"
        f" ELSE {whole} || {mark} || {kept} END"
    )
    other = f"', or ' || {short} || ' if that is meant'"
    if column.kind == "integer":
        other = f"CASE WHEN {kept} = '' THEN {other} ELSE '' END"
    return f"'{_SAYS}; write ' || {whole} || {decimals} || {other}"


def what_to_write(column: Column, unit: str, text: str) -> str:
    """The same for a number typed at the command line; empty where it can be read in one way only.

    Parameters
    ----------
    column : Column
        Declaration.
    unit : str
        Imperial unit of the text; empty where it is metric.
    text : str
        As typed, a point or a comma before decimals.

    Examples
    --------
    >>> from leadline.records import CHECKS
    >>> what_to_write(CHECKS.column("bar"), "psi", "3,000")
    'may mean thousands or decimals; write 3000, or 3 if that is meant'
    """
    found = re.fullmatch(r"([+-]?[1-9][0-9]{0,2})([.,])([0-9]{3})", text.strip())
    if not found:
        return ""
    whole, mark, decimals = found.groups()
    low, high = bounds(column, unit)
    number = float(whole + decimals)
    fits = mark == "," and (low <= number <= high)
    small = _own(column, unit, mark) and abs(number) < 1000 * _LEAST
    if not (fits or small):
        return ""
    kept = decimals.rstrip("0")
    short = whole if not kept else f"{whole}.{kept}" if len(kept) < 3 else f"{whole}.{kept}0"
    return f"{_SAYS}; write {whole}{decimals}, or {short} if that is meant"
