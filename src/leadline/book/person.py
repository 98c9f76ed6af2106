"""What cannot be a diver: a mass and a height that do not go together, a toddler, dives before one's time."""

# Statements are made from constants and headers of the file.
# ruff: noqa: S608

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from leadline.book.cell import Check
from leadline.book.sql import literal
from leadline.book.written import Written
from leadline.units import INCH

__all__ = ["INDEX_RANGE", "YOUNGEST", "people", "persons"]

INDEX_RANGE: Final = (10.0, 60.0)
"""Body mass indices that are believed. [kg m⁻²] Nobody lives with less for long (C. J. K. Henry, "Body mass
index and the limits of human survival", Eur. J. Clin. Nutr. 44 (1990) 329-335, from memory: 11 to 13, single
women near 10); the upper end is judged, and pounds under kilograms are beyond it from an index of 27 on."""

YOUNGEST: Final = 5
"""No diver is younger. [years] (judged: courses for children begin at 8)"""


def _index(mass: str, height: str) -> str:
    """SQL of a body mass index from kilograms and centimetres."""
    return f"({mass} / pow({height} / 100.0, 2))"


def _apart(mass: str, height: str, at: str, written: Written) -> Check:
    """A mass that cannot go with a height."""
    low, high = INDEX_RANGE
    index = _index(mass, height)
    metric, pounds = written.names(mass)
    return Check(
        mass,
        f"{index} NOT BETWEEN {low} AND {high}",
        f"'makes with ' || {at} || ' a body mass index of ' || number_text(round({index}))"
        f" || {literal(f', beyond {low:g} to {high:g}; kilograms go under {metric}, pounds under {pounds}')}",
        written.text(mass, f"number_text({mass})"),
        also=(mass, *([height] if height in written.source.table.by_name else [])),
    )


def persons(written: Written) -> Iterator[Check]:
    """Checks of divers.

    Parameters
    ----------
    written : Written
        A file of divers.

    Yields
    ------
    Check
        Over typed columns.
    """
    year = "CAST(birth_year AS VARCHAR)"
    yield Check("birth_year", "birth_year > year(today_here())", literal("lies in the future"), year)
    age = "(year(today_here()) - birth_year)"
    young = f"'makes an age of ' || {age} || {literal(f'; no diver is younger than {YOUNGEST}')}"
    yield Check("birth_year", f"{age} BETWEEN 0 AND {YOUNGEST - 1}", young, year)
    height = written.text("height_cm", "number_text(height_cm)")
    at = f"{written.name('height_cm')} || ' ' || {height}"
    yield _apart("mass_kg", "height_cm", at, written)


def people(written: Written) -> Iterator[Check]:
    """Checks of dives and surface checks against the divers of the book.

    Parameters
    ----------
    written : Written
        A file of dives or of checks.

    Yields
    ------
    Check
        Over typed columns.
    """

    def known(name: str) -> str:
        return f"(SELECT d.{name} FROM divers d WHERE d.diver = stage.diver)"

    headers = written.source.headers
    if "date" in headers:
        age = f"(year(date) - {known('birth_year')})"
        reason = (
            f"'the diver, born ' || {known('birth_year')} || {literal(f', was younger than {YOUNGEST} then')}"
        )
        yield Check("date", f"{age} < {YOUNGEST}", reason, "strftime(date, '%Y-%m-%d')", also=("diver",))
    if set(written.names("body_mass_kg")) & set(headers):
        height = known("height_cm")
        centimetres = f"number_text(round({height}, 1)) || ' cm'"
        inches = f"number_text(round({height} / {INCH * 100!r}, 1)) || ' in'"
        at = f"'the height of ' || {written.either('body_mass_kg', centimetres, inches)}"
        yield _apart("body_mass_kg", height, at, written)
