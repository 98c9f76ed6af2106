"""What was typed of a look at the waterline, judged and in house units."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from leadline.cli.options import Units
from leadline.errors import OutOfRangeError, RecordError
from leadline.records import CHECKS, Table

if TYPE_CHECKING:
    from leadline.arrays import Columns
    from leadline.decide.check_look import Conditions, Look

__all__ = ["conditions_of", "look_now", "looks_of", "number_of", "word_of"]

_AGAIN: Final = ("lead_kg", "bar", "waterline", "exhale_sinks", "breath")
_MOST_MINUTES: Final = 600.0


def word_of(name: str, text: str, table: Table = CHECKS) -> str:
    """A word of a column of the checks, or of another table.

    Parameters
    ----------
    name : str
        The column.
    text : str
        As typed.
    table : Table
        Whose column.

    Returns
    -------
    str
        The column's default where nothing was typed.

    Raises
    ------
    OutOfRangeError
        If the column has no such word.
    """
    column = table.column(name)
    word = text.strip().casefold()
    if word and word not in column.words:
        flag = f"--{name.replace('_', '-')}"
        raise OutOfRangeError(f"{flag} {text.strip()!r}: give one of {', '.join(column.words)}")
    return word or column.default


def number_of(name: str, text: str, units: Units, table: Table = CHECKS) -> float:
    """A number of a column of the checks, or of another table.

    Parameters
    ----------
    name : str
        The column.
    text : str
        As typed.
    units : {"metric", "imperial"}
        Of the text.
    table : Table
        Whose column.

    Returns
    -------
    float
        In house units.

    Raises
    ------
    OutOfRangeError
        If it is no number, or out of the column's range.
    """
    from leadline.book.thousands import bounds, what_to_write

    column = table.column(name)
    twin = column.twin if units == "imperial" else None
    unit = twin.unit if twin else column.unit
    if unclear := what_to_write(column, twin.unit if twin else "", text):
        raise OutOfRangeError(f"{name} {text.strip()}: {unclear}")
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        wanted = f"a number in {unit}" if unit else "a number"
        raise OutOfRangeError(f"{name} {text.strip()!r}: give {wanted}") from None
    if twin:
        from leadline.units import from_imperial

        value = float(from_imperial(value, twin.unit))
    if not (column.low or 0.0) <= value <= (column.high or math.inf):
        low, high = bounds(column, twin.unit if twin else "")
        raise OutOfRangeError(f"{name} {text.strip()}: must lie in [{low:.4g}, {high:.4g}] {unit}".rstrip())
    return value


def conditions_of(still: str | None, minutes: str | None) -> Conditions:
    """How the check was made.

    Parameters
    ----------
    still : str or None
        yes, no; None or empty where nobody said.
    minutes : str or None
        Minutes in the water.

    Returns
    -------
    Conditions
        For `leadline.decide.check.check`.

    Raises
    ------
    OutOfRangeError
        If a word or a number is none of these.
    """
    from leadline.decide.check_look import Conditions

    word = (still or "").strip().casefold()
    if word not in ("", "yes", "no"):
        raise OutOfRangeError(f"--still {still!r}: give yes or no")
    time = None
    if (minutes or "").strip():
        try:
            time = float(str(minutes))
        except ValueError:
            time = math.nan
        if not 0 <= time <= _MOST_MINUTES:
            raise OutOfRangeError(f"--minutes {minutes!r}: give minutes in the water, 0 to {_MOST_MINUTES:g}")
    return Conditions(None if not word else word == "yes", time)


def looks_of(texts: Sequence[str], units: Units) -> list[Look]:
    """Earlier looks of one check.

    Parameters
    ----------
    texts : sequence of str
        Each `LEAD:BAR:WATERLINE[:SINKS[:BREATH]]`.
    units : {"metric", "imperial"}
        Of lead and pressure.

    Returns
    -------
    list of Look
        In house units.

    Raises
    ------
    OutOfRangeError
        If a part is missing or unsound.

    Examples
    --------
    >>> looks_of(["5:200;100:chin:no"], "metric")
    [Look(lead_kg=5.0, bar='200;100', waterline='chin', breath='normal', exhale_sinks='no')]
    """
    from leadline.decide.check_look import Look

    found = []
    for text in texts:
        parts = [part.strip() for part in text.split(":")]
        if not 3 <= len(parts) <= len(_AGAIN):
            raise OutOfRangeError(
                f"--again {text!r}: give lead, pressures and waterline joined by colons, "
                "such as 5:200:chin:no"
            )
        lead, bars, line, sinks, breath = parts + [""] * (len(_AGAIN) - len(parts))
        pressures = ";".join(f"{number_of('bar', bar, units):g}" for bar in bars.split(";"))
        found.append(
            Look(
                number_of("lead_kg", lead, units),
                pressures,
                word_of("waterline", line),
                word_of("breath", breath),
                word_of("exhale_sinks", sinks),
            )
        )
        if not (found[-1].waterline or found[-1].exhale_sinks):
            raise OutOfRangeError(f"--again {text!r}: says neither where the water came nor whether it sank")
    return found


def look_now(given: Mapping[str, Any], plan: Columns) -> Look:
    """The look of now.

    Parameters
    ----------
    given : mapping
        waterline, breath and exhale_sinks as typed.
    plan : Columns
        The judged dive: its lead, and its start pressures, which are those of now.

    Returns
    -------
    Look
        In house units.

    Raises
    ------
    OutOfRangeError
        If a word is none of the column's.
    RecordError
        If a cylinder is marked as not carried now.
    """
    from leadline.decide.check_look import Look

    bars = plan["start_bar"][0]
    if any(part.strip() in ("", "-") for part in bars.split(";")):
        raise RecordError("--bar: give the pressure of every cylinder that is on now")
    words = {name: word_of(name, given[name] or "") for name in ("waterline", "breath", "exhale_sinks")}
    return Look(float(plan["lead_kg"][0]), bars, **words)
