"""Rules that join several cells of one row, and the columns a row cannot do without."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from leadline.book.archimedes import buoyancies
from leadline.book.cell import Check
from leadline.book.lead_sum import PLACED
from leadline.book.person import people, persons
from leadline.book.source import Source
from leadline.book.sql import NUMBER, identifier, literal
from leadline.book.written import Written
from leadline.physics.water import SALINITIES, salinities
from leadline.records import BLOCK_RANGE, DIVES, Table
from leadline.units import POUND, PSI

__all__ = ["STYLES", "WARMING", "rounded", "rules"]

WARMING: Final = 5.0
"""How far an end pressure may stand above the start: a cylinder hardly breathed warms up. [bar]"""

_WEIGHT: Final = 0.25
"""How far the places may part from the lead: half the usual block, so that rounding passes. [kg]"""

STYLES: Final[dict[str, tuple[str, ...]]] = {
    "suit": ("full", "shorty", "two_piece", "vest", "dry_membrane", "dry_foam"),
    "undersuit": ("thin", "medium", "thick"),
    "bc": ("jacket", "wing"),
}
"""Styles each kind of gear may have; kinds not listed have none."""

_NEEDED: Final[dict[str, tuple[str, ...]]] = {"gear": ("kind",), "checks": ("diver",)}
_LISTS: Final[dict[str, tuple[str, ...]]] = {
    "dives": ("gas", "start_bar", "end_bar", "stop_bar"),
    "checks": ("gas", "bar"),
}


def _needed(table: Table, *, plan: bool) -> Iterator[Check]:
    """Keys, and the few other columns without which a row means nothing."""
    keys = ("diver",) if plan else (*table.key, *_NEEDED.get(table.name, ()))
    for name in keys:
        yield Check(
            name, f"{identifier(name)} IS NULL", literal("is empty; every row needs it"), "''", also=(name,)
        )


def _gear() -> Iterator[Check]:
    yield Check(
        "item", "contains(item, ';')", literal("must not contain ;, which joins names in lists"), "item"
    )
    for kind, styles in STYLES.items():
        odd = f"kind = {literal(kind)} AND style NOT IN ({', '.join(literal(s) for s in styles)})"
        reason = literal(f"is no style of a {kind}; one of {', '.join(styles)}")
        yield Check("style", odd, reason, "style", also=("kind",))
    kinds = ", ".join(literal(kind) for kind in STYLES)
    reason = "'belongs to a suit, an undersuit or a bc, not to ' || kind"
    yield Check("style", f"kind NOT IN ({kinds}) AND style IS NOT NULL", reason, "style", also=("kind",))


def _count(name: str) -> str:
    return f"(length({name}) - length(replace({name}, ';', '')) + 1)"


def _lengths(names: tuple[str, ...], written: Written) -> Iterator[Check]:
    """Lists that go by cylinder have one value for all of them, or one for each."""
    longest = f"greatest({', '.join(_count(name) for name in names)})"
    number = f"coalesce({_count('cylinder')}, {longest})"
    for name in names:
        odd = f"{_count(name)} > 1 AND {_count(name)} <> {number}"
        reason = (
            f"'has ' || {_count(name)} || ' values for ' || {number}"
            f" || CASE WHEN {number} = 1 THEN ' cylinder' ELSE ' cylinders' END"
        )
        yield Check(name, odd, reason, written.text(name, name), also=("cylinder", *names))


def _not_above(later: str, earlier: str, written: Written) -> Check:
    """Later pressures against earlier ones, cylinder by cylinder."""
    ends, starts = f"string_split({later}, ';')", f"string_split({earlier}, ';')"

    def pick(values: str) -> str:
        return f"CASE WHEN len({values}) = 1 THEN {values}[1] ELSE {values}[i] END"

    above = f"number({pick(ends)}) > number({pick(starts)}) + {WARMING}"
    each = f"len(list_filter(range(1, greatest(len({ends}), len({starts})) + 1), lambda i: {above})) > 0"
    single = f"number({later}) > number({earlier}) + {WARMING}"
    lists = f"contains({later}, ';') OR contains({earlier}, ';')"
    condition = f"CASE WHEN {lists} THEN {each} ELSE {single} END"
    much = written.either(later, literal(f"{WARMING:g} bar"), literal(f"{WARMING / PSI:.0f} psi"))
    start = f"{written.name(earlier)} || ' ' || {written.text(earlier, rounded(earlier))}"
    reason = f"'lies more than ' || {much} || ' above ' || {start}"
    return Check(later, condition, reason, written.text(later, rounded(later)), also=(earlier,))


def _some_carried(name: str, written: Written) -> Check:
    """Whoever stops has something to breathe there."""
    return Check(
        name,
        f"regexp_full_match({name}, '[ ;]*-[- ;]*')",
        literal(
            "marks every cylinder as not carried at the stop; give the pressure of the one that was, or "
            "leave the cell empty"
        ),
        written.text(name, name),
    )


def rounded(values: str) -> str:
    """SQL for numbers as they are read by people, each to a tenth: what was given in psi has no end in bar.

    Parameters
    ----------
    values : str
        SQL for numbers joined by `;`.
    """
    number = "coalesce(number_text(round(number(x), 1)), x)"
    return f"array_to_string(list_transform(string_split({values}, ';'), lambda x: {number}), ';')"


def _water() -> Iterator[Check]:
    """The word for the water and the salinity must fit together."""
    ranges = " ".join(
        f"WHEN {literal(word)} THEN salinity_gkg NOT BETWEEN {low} AND {high}"
        for word, (low, high) in SALINITIES.items()
    )
    allowed = " ".join(f"WHEN {literal(word)} THEN {literal(salinities(word))}" for word in SALINITIES)
    yield Check(
        "salinity_gkg",
        f"CASE water {ranges} END",
        f"'contradicts water ' || water || ', which has ' || CASE water {allowed} END"
        " || ' (g/kg: per mille, not per cent); correct one of them, or leave it empty'",
        "number_text(salinity_gkg)",
        also=("water",),
    )


def _number(name: str, written: Written) -> str:
    """SQL text of a number as the file has it."""
    return written.text(name, f"number_text({name})")


def _named(name: str, written: Written) -> str:
    """SQL text of a number's header and the number."""
    return f"{written.name(name)} || ' ' || {_number(name, written)}"


def _seen(written: Written) -> Iterator[Check]:
    """What was seen at the stop must fit together."""
    yield Check(
        "stop_depth_m",
        "stop_depth_m > max_depth_m",
        f"'lies below ' || {_named('max_depth_m', written)}",
        _number("stop_depth_m", written),
        also=("max_depth_m",),
    )
    yield Check(
        "handed_off_result",
        "handed_off_result IS NOT NULL AND handed_off_kg IS NULL",
        f"'needs ' || {written.asked('handed_off_kg')} || ': how much lead was given away'",
        "handed_off_result",
        also=("handed_off_kg",),
    )
    yield Check(
        "bc_gas_l",
        "bc_gas_l > 0 AND bc_state = 'empty'",
        literal("contradicts bc_state empty"),
        "number_text(bc_gas_l)",
        also=("bc_state",),
    )
    yield Check(
        "bc_gas_l",
        "bc_gas_l = 0 AND bc_state = 'gas'",
        literal("contradicts bc_state gas; leave it empty where nobody estimated how much"),
        "number_text(bc_gas_l)",
        also=("bc_state",),
    )


def _lead(written: Written) -> Iterator[Check]:
    """Parts of the lead cannot be more than all of it."""
    for name in ("handed_off_kg", "lead_ditchable_kg"):
        yield Check(
            name,
            f"{name} > lead_kg + {_WEIGHT}",
            f"'is more than ' || {_named('lead_kg', written)}",
            _number(name, written),
            also=("lead_kg",),
        )
    added = written.either(
        "lead_places",
        f"number_text(round({PLACED}, 2)) || ' kg'",
        f"number_text(round({PLACED} / {POUND!r}, 1)) || ' lb'",
    )
    yield Check(
        "lead_places",
        f"abs({PLACED} - lead_kg) > {_WEIGHT}",
        f"'adds up to ' || {added} || ', but ' || {written.name('lead_kg')} || ' is '"
        f" || {_number('lead_kg', written)}",
        written.text("lead_places", "lead_places"),
        also=("lead_kg",),
    )
    most = DIVES.column("lead_kg").high or 0.0
    yield Check(
        "lead_places",
        f"lead_kg > {most} AND abs({PLACED} - lead_kg) <= {_WEIGHT}",
        f"'adds up to ' || {added} || ', and all lead must be at most ' || "
        + written.either("lead_places", literal(f"{most:g} kg"), literal(f"{most / POUND:.0f} lb")),
        written.text("lead_places", "lead_places"),
        also=("lead_kg",),
    )


def _blocks() -> Iterator[Check]:
    least, most = BLOCK_RANGE
    text = "lower(replace(block, ' ', ''))"
    found = f"regexp_extract({text}, {literal(f'^({NUMBER})(kg|lbs?)$')}, "
    mass = f"TRY_CAST({found}1) AS DOUBLE) * CASE WHEN {text} LIKE '%kg' THEN 1 ELSE {POUND!r} END"
    reason = literal(f"must be a mass from {least:g} to {most:g} kg with its unit, such as 0.5 kg or 2 lb")
    odd = f"NOT coalesce({mass} BETWEEN {least} AND {most}, false)"
    yield Check("block", odd, reason, "block", also=("block",))
    empty = literal("is empty; say how many there are")
    yield Check("pieces", "pieces IS NULL", empty, "''", also=("pieces",))  # what is no number is not empty


def rules(source: Source, *, plan: bool = False) -> Iterator[Check]:
    """Checks that read more than one cell of a row.

    Parameters
    ----------
    source : Source
        The file; reasons name its own columns.
    plan : bool
        Whether the rows are planned dives, which need no name of their own.

    Yields
    ------
    Check
        Over typed columns.
    """
    table, written = source.table, Written(source)
    yield from _needed(table, plan=plan)
    if table.name == "divers":
        yield from persons(written)
    elif table.name == "gear":
        yield from _gear()
        yield from buoyancies(written)
    elif table.name == "dives":
        yield from _lengths(_LISTS["dives"], written)
        # The stop comes between start and end.
        for later, earlier in (("end_bar", "start_bar"), ("stop_bar", "start_bar"), ("end_bar", "stop_bar")):
            yield _not_above(later, earlier, written)
        for name in ("end_bar", "stop_bar"):
            yield _some_carried(name, written)
        yield from _water()
        yield from people(written)
        yield from _seen(written)
        yield from _lead(written)
    elif table.name == "checks":
        yield from _lengths(_LISTS["checks"], written)
        yield from _water()
        yield from people(written)
    elif table.name == "blocks":
        yield from _blocks()
