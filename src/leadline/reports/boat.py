"""The boat sheet: one page to print, tick off and load by."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

import leadline
from leadline.decide.boat_data import BoatData, BoatDive, BoatDiver
from leadline.decide.sentence import dangers
from leadline.reports import page, phrase
from leadline.reports.numerals import with_numbers
from leadline.reports.reading import Reading

__all__ = ["render", "write"]


def render(data: BoatData) -> str:
    """The sheet as one HTML page without scripts, links or fetched parts.

    Parameters
    ----------
    data : BoatData
        What to show; nothing is added to it.

    Returns
    -------
    str
        The page; the same data give the same text, byte for byte.
    """
    context = {
        "data": data,
        "read": Reading(data.units),
        "percent": phrase.percent,
        "here": _here,
        "below": _below,
        "deep": any(diver.after.deep for diver in data.checks if diver.after is not None),
        "dive_of": partial(_dive_of, data),
        "longer": [diver for diver in data.divers if _below(diver.answer.cautions)],
        "version": leadline.__version__,
    }
    return page.render("boat.html.j2", context)


def _dive_of(data: BoatData, diver: BoatDiver) -> BoatDive:
    """The dive of a row."""
    return next(dive for dive in data.dives if any(own is diver for own in dive.divers))


def _here(cautions: tuple[str, ...]) -> tuple[str, ...]:
    """What stands in the row: every danger, else the most urgent caution."""
    return dangers(cautions) or cautions[:1]


def _below(cautions: tuple[str, ...]) -> tuple[str, ...]:
    """What stands below the table."""
    return tuple(caution for caution in cautions if caution not in _here(cautions))


def write(data: BoatData, path: str | os.PathLike[str], *, numbers: str = "point") -> Path:
    """Write the sheet to a file, whole or not at all.

    Parameters
    ----------
    data : BoatData
        What to show.
    path : path-like
        File to make or replace; its folder must exist.
    numbers : str
        How numbers are written: point or comma, see `leadline.reports.numerals`.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    LeadlineError
        If the file cannot be written.
    """
    return page.write_text(with_numbers(render(data), numbers), path)
