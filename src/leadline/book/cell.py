"""Reading of single cells: for each kind of column, the SQL that types it and the SQL that finds fault.

Everything here is made from the declaration in `leadline.records`. Raw cells stand in columns called
``raw <header>``, trimmed, NULL where empty; typed ones in columns called as declared.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from leadline.book.source import Source
from leadline.book.sql import NUMBER, identifier, literal
from leadline.book.thousands import KINDS, bounds, doubtful, two_readings
from leadline.frozen import dataclass
from leadline.records import Column
from leadline.units import IMPERIAL

__all__ = ["NUMERIC", "Check", "checks", "raw", "typed"]

NUMERIC: Final = ("number", "integer", "numbers", "gases", "places")
"""Kinds in which a comma between digits may be a decimal point."""

_DATE: Final = (
    r"([0-9]{4})(?:-([0-9]{2})-([0-9]{2})|([0-9]{2})([0-9]{2}))"
    r"(?:[T ]([0-9]{2}):?([0-9]{2})(?::?([0-9]{2})(?:[.,][0-9]+)?)?(?:Z|[+-][0-9]{2}(?::?[0-9]{2})?)?)?"
)
_PLACE: Final = rf"(.*\S)\s*:\s*({NUMBER})"
_PLACED: Final = "number(trimmed(regexp_extract(p, ':([^:]*)$', 1)))"
_EARLIEST: Final = 1900
_LATEST: Final = 2100  # of a plan; a slip such as 2926 for 2026 is past what a timestamp in ns holds
# How far a metric cell and its imperial twin may part before they contradict: the rounding of either.
_ROUNDING: Final = {"lb": 0.25, "psi": 3.0, "ft": 0.35, "in": 1.5, "in_mm": 0.3, "degF": 0.6, "cuft": 1.0}
_AGREEMENT: Final = 0.02


@dataclass(frozen=True)
class Check:
    """One way in which a row can be unsound.

    Parameters
    ----------
    column : str
        Header under which the fault is reported.
    condition : str
        SQL over the stage; true where the row is unsound.
    reason : str
        SQL text expression that completes ``<column> <value>: ``.
    value : str
        SQL text expression of the offending value.
    hint : str
        What close matches are sought among: a table's name, or words joined by spaces.
    also : tuple of str
        Further columns the check reads; it is skipped where one of them has a fault of its own.
    """

    column: str
    condition: str
    reason: str
    value: str
    hint: str = ""
    also: tuple[str, ...] = ()


def raw(header: str) -> str:
    """Identifier of the raw cell under `header`."""
    return identifier(f"raw {header}")


def _house(number: str, unit: str) -> str:
    """House-unit value of an SQL number in imperial `unit`; the same arithmetic as `from_imperial`."""
    _, factor, offset = IMPERIAL[unit]
    return f"(({number}) - {offset!r}) * {factor!r}"


def _each(cell: str, part: str) -> str:
    """Every part of a `;` list passed through the SQL expression `part` (over `p`)."""
    return f"array_to_string(list_transform(parts({cell}), lambda p: {part}), ';')"


def _numbers(cell: str, unit: str) -> str:
    value = _house("number({0})", unit) if unit else "number({0})"
    part = "CASE WHEN {0} IN ('', '-') THEN {0} ELSE number_text(" + value + ") END"
    # Most cells hold one number; the list machinery is for the few that hold several.
    return (
        f"CASE WHEN contains({cell}, ';') THEN {_each(cell, part.format('p'))} ELSE {part.format(cell)} END"
    )


def _places(cell: str, unit: str) -> str:
    weight = _PLACED
    text = f"number_text({_house(weight, unit) if unit else weight})"
    name = "trimmed(regexp_extract(p, '^(.*):', 1))"
    kept = f"list_filter(parts({cell}), lambda p: p <> '')"
    several = f"array_to_string(list_transform({kept}, lambda p: {name} || ':' || {text}), ';')"
    single = f"{name} || ':' || {text}".replace("(p,", f"({cell},")
    return f"CASE WHEN contains({cell}, ';') THEN {several} ELSE {single} END"


def _gases(cell: str) -> str:
    mix = "number_text(number(split_part(p, '/', 1))) || '/' || number_text(number(split_part(p, '/', 2)))"
    part = (
        "CASE WHEN lower(p) IN ('', 'air') THEN lower(p)"
        f" WHEN contains(p, '/') THEN {mix} ELSE number_text(number(p)) END"
    )
    mixed = f"contains({cell}, ';') OR contains({cell}, '/')"
    return (
        f"CASE WHEN {mixed} THEN {_each(cell, part)} WHEN lower({cell}) = 'air' THEN 'air'"
        f" ELSE number_text(number({cell})) END"
    )


def _word(cell: str) -> str:
    return f"replace(replace(lower({cell}), ' ', '_'), '-', '_')"


def _date(cell: str) -> str:
    found = f"regexp_extract({cell}, {literal(_DATE)}, "

    def group(number: int) -> str:
        return f"{found}{number})"

    def filled(number: int, other: str) -> str:
        return f"coalesce(nullif({group(number)}, ''), {other})"

    day = f"{group(1)} || '-' || {filled(2, group(4))} || '-' || {filled(3, group(5))}"
    clock = " || ':' || ".join(filled(number, "'00'") for number in (6, 7, 8))
    # Most dates are plain days, which need no taking apart.
    return (
        f"CASE WHEN regexp_full_match({cell}, '[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}}')"
        f" THEN CAST(TRY_CAST({cell} AS DATE) AS TIMESTAMP_S)"
        f" WHEN regexp_full_match({cell}, {literal(_DATE)})"
        f" THEN CAST(TRY_CAST({day} || ' ' || {clock} AS TIMESTAMP) AS TIMESTAMP_S) END"
    )


def _value(column: Column, cell: str, unit: str = "") -> str:
    """SQL that types one raw cell of `column`, given in imperial `unit` or, without one, as declared."""
    if column.kind == "number":
        return _house(f"number({cell})", unit) if unit else f"number({cell})"
    if column.kind == "integer":
        whole = f"number({cell})"
        return f"CASE WHEN {whole} = trunc({whole}) THEN TRY_CAST({whole} AS INTEGER) END"
    if column.kind == "numbers":
        return _numbers(cell, unit)
    if column.kind == "places":
        return f"nullif({_places(cell, unit)}, '')"
    if column.kind == "gases":
        return _gases(cell)
    if column.kind == "names":
        several = f"nullif(array_to_string(list_filter(parts({cell}), lambda p: p <> ''), ';'), '')"
        return f"CASE WHEN contains({cell}, ';') THEN {several} ELSE {cell} END"
    if column.kind == "word":
        words = ", ".join(literal(word) for word in column.words)
        return f"CASE WHEN {_word(cell)} IN ({words}) THEN {_word(cell)} END"
    return _date(cell) if column.kind == "date" else cell


def typed(column: Column, source: Source) -> str | None:
    """SQL that types `column` from the raw cells of `source`; None where the file has no such column."""
    given = [_value(column, raw(column.name))] if column.name in source.headers else []
    if column.twin and column.twin.name in source.headers:
        given.append(_value(column, raw(column.twin.name), column.twin.unit))
    return f"coalesce({', '.join(given)})" if given else None


def _must_lie(column: Column, unit: str, number: str) -> str:
    """Reason for a number out of range, with the imperial column named where the number fits that."""
    low, high = bounds(column, unit)
    shown = {"degF": "°F", "in_mm": "in"}.get(unit, unit) or column.unit
    reason = literal(f"must lie in [{low:.4g}, {high:.4g}] {shown}".rstrip())
    twin = column.twin
    if unit or twin is None:
        return reason
    there = f"({number}) BETWEEN {bounds(column, twin.unit)[0]!r} AND {bounds(column, twin.unit)[1]!r}"
    name = {"degF": "°F", "in_mm": "in"}.get(twin.unit, twin.unit)
    hint = literal(f" (if it is in {name}, the column is {twin.name})")
    return f"{reason} || CASE WHEN {there} THEN {hint} ELSE '' END"


def _no_number(cell: str, reason: str = "is no number", *, whole: bool = False) -> str:
    """SQL of the reason for what is no number; where a comma may be the cause it says what to write."""
    hint = " (write it without a comma)" if whole else " (write decimals with a point, such as 6.5)"
    comma = f"regexp_matches({cell}, '[0-9],[0-9]')"
    return f"{literal(reason)} || CASE WHEN {comma} THEN {literal(hint)} ELSE '' END"


def _number_checks(column: Column, header: str, unit: str) -> Iterator[Check]:
    cell = raw(header)
    low, high = bounds(column, unit)
    whole = column.kind == "integer"
    yield Check(header, f"NOT is_number({cell})", _no_number(cell, whole=whole), cell, also=(header,))
    if whole:
        broken = f"number({cell}) <> trunc(number({cell}))"
        yield Check(header, broken, literal("must be a whole number"), cell, also=(header,))
    outside = f"number({cell}) < {low!r} OR number({cell}) > {high!r}"
    yield Check(header, outside, _must_lie(column, unit, f"number({cell})"), cell, also=(header,))


def _list_checks(column: Column, header: str, unit: str) -> Iterator[Check]:
    cell = raw(header)
    low, high = bounds(column, unit)
    absent = "('', '-')" if column.name in ("end_bar", "stop_bar") else "('')"
    odd = f"len(list_filter(parts({cell}), lambda p: p NOT IN {absent} AND NOT is_number(p))) > 0"
    single = f"NOT contains({cell}, ';') AND {cell} NOT IN {absent} AND NOT is_number({cell})"
    text = "must be numbers joined by ;" + (", - where not carried at the stop" if "-" in absent else "")
    listed = f"contains({cell}, ';') AND {odd}"
    yield Check(header, f"({single}) OR ({listed})", _no_number(cell, text), cell, also=(header,))
    outside = f"(number(p) < {low!r} OR number(p) > {high!r})"
    condition = (
        f"CASE WHEN contains({cell}, ';') THEN len(list_filter(parts({cell}), lambda p: {outside})) > 0"
        f" ELSE {outside.replace('(p)', f'({cell})')} END"
    )
    largest = f"list_max(list_transform(parts({cell}), lambda p: number(p)))"
    yield Check(header, condition, _must_lie(column, unit, largest), cell, also=(header,))


def _place_checks(column: Column, header: str, unit: str) -> Iterator[Check]:
    cell = raw(header)
    low, high = bounds(column, unit)
    odd = f"p <> '' AND NOT regexp_full_match(p, {literal(_PLACE)})"
    yield Check(
        header,
        f"len(list_filter(parts({cell}), lambda p: {odd})) > 0",
        _no_number(cell, "must be places with their lead, such as belt:4;pockets:2"),
        cell,
        also=(header,),
    )
    weight = _PLACED
    outside = f"{weight} < {low!r} OR {weight} > {high!r}"
    largest = f"list_max(list_transform(parts({cell}), lambda p: {weight}))"
    yield Check(
        header,
        f"len(list_filter(parts({cell}), lambda p: {outside})) > 0",
        _must_lie(column, unit, largest),
        cell,
        also=(header,),
    )


def _gas_checks(header: str) -> Iterator[Check]:
    cell = raw(header)
    oxygen, helium = "number(split_part(p, '/', 1))", "number(split_part(p, '/', 2))"
    mix = (
        f"len(string_split(p, '/')) = 2 AND {oxygen} BETWEEN 4 AND 100"
        f" AND {helium} BETWEEN 0 AND 100 - {oxygen}"
    )
    sound = f"CASE WHEN contains(p, '/') THEN {mix} ELSE number(p) BETWEEN 4 AND 100 END"
    part = f"lower(p) NOT IN ('', 'air') AND NOT coalesce({sound}, false)"
    yield Check(
        header,
        f"lower({cell}) <> 'air' AND len(list_filter(parts({cell}), lambda p: {part})) > 0",
        literal("must be air, the oxygen percentage such as 32, or oxygen/helium such as 18/45"),
        cell,
    )


def _date_checks(column: Column, header: str, future: bool) -> Iterator[Check]:
    cell, value = raw(header), identifier(column.name)
    text = literal("must be a date such as 2026-05-30 or 2026-05-30T14:10")
    yield Check(header, f"{cell} IS NOT NULL AND {value} IS NULL", text, cell)
    early = literal(f"lies before {_EARLIEST}")
    yield Check(header, f"year({value}) < {_EARLIEST}", early, cell)
    if future:
        late = literal(f"lies after {_LATEST}")
        yield Check(header, f"year({value}) > {_LATEST}", late, cell)
    else:
        late = literal("lies in the future; a plan goes to `suggest --plan`")
        yield Check(header, f"CAST({value} AS DATE) > today_here()", late, cell)


def _twin_check(column: Column, source: Source) -> Iterator[Check]:
    twin = column.twin
    if twin is None or not {column.name, twin.name} <= set(source.headers):
        return
    metric, imperial = _value(column, raw(column.name)), _value(column, raw(twin.name), twin.unit)
    slack = f"greatest({_AGREEMENT} * abs(number(m)), {_ROUNDING[twin.unit]})"
    apart = f"abs(number(m) - number(i)) > {slack}"
    if column.kind == "places":
        metric, imperial = (f"regexp_replace({x}, '[^;]*:', '', 'g')" for x in (metric, imperial))
    lists = ", ".join(f"string_split(CAST({x} AS VARCHAR), ';')" for x in (metric, imperial))
    pairs = f"list_zip({lists})"
    unequal = apart.replace("(m)", "(z[1])").replace("(i)", "(z[2])")
    differ = f"len(list_filter({pairs}, lambda z: coalesce({unequal}, z[1] IS DISTINCT FROM z[2]))) > 0"
    both = f"{raw(column.name)} IS NOT NULL AND {raw(twin.name)} IS NOT NULL"
    reason = f"{literal(f'contradicts {column.name} ')} || shown({raw(column.name)}) || '; keep one of them'"
    yield Check(twin.name, f"{both} AND {differ}", reason, raw(twin.name), also=(column.name,))


def checks(column: Column, source: Source, *, future: bool = False) -> Iterator[Check]:
    """Checks of one column's cells, as far as the file has them.

    Parameters
    ----------
    column : Column
        Declaration.
    source : Source
        The file.
    future : bool
        Whether dates may lie ahead, as in a plan.

    Yields
    ------
    Check
        In the order in which they are reported.
    """
    headers = [(column.name, "")] + ([(column.twin.name, column.twin.unit)] if column.twin else [])
    for header, unit in headers:
        if header not in source.headers:
            continue
        if column.kind in KINDS:
            unclear = doubtful(column, header, unit, source, cell=raw(header))
            yield Check(header, unclear, two_readings(column, header, unit, source), raw(header))
        if column.kind in ("number", "integer"):
            yield from _number_checks(column, header, unit)
        elif column.kind == "numbers":
            yield from _list_checks(column, header, unit)
        elif column.kind == "places":
            yield from _place_checks(column, header, unit)
        elif column.kind == "gases":
            yield from _gas_checks(header)
        elif column.kind == "date":
            yield from _date_checks(column, header, future)
        elif column.kind == "word":
            odd = f"{raw(header)} IS NOT NULL AND {identifier(header)} IS NULL"
            allowed = literal("must be one of " + ", ".join(column.words))
            yield Check(header, odd, allowed, raw(header), hint=" ".join(column.words))
    yield from _twin_check(column, source)
