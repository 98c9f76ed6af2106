"""The boat sheet: one page to print, tick off and load by."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np

import leadline
from leadline.decide.boat_data import BoatData, BoatDive
from leadline.decide.label import pressures_label
from leadline.decide.onward import Onward
from leadline.decide.sentence import dangers
from leadline.frozen import dataclass
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
        "bounded": any(d.after is not None and _bounded(d.after) for d in data.checks),
        "days": _days,
        "fulls": _fulls(data),
        "pressures": lambda bars: pressures_label(bars, imperial=data.units == "imperial"),
        "longer": _longer(data),
        "version": leadline.__version__,
    }
    return page.render("boat.html.j2", context)


def _bounded(after: Onward) -> bool:
    """Whether a least lead is named."""
    return not np.isnan(after.at_least)


def _fulls(data: BoatData) -> list[str]:
    """How full cylinders are to be at a check, in words, each once."""
    imperial = data.units == "imperial"
    bars = [diver.full_bar for diver in data.checks if diver.full_bar]
    return list(dict.fromkeys(pressures_label(one, imperial=imperial) for one in bars))


def _days(dives: Sequence[BoatDive]) -> list[tuple[np.datetime64, list[str]]]:
    """Each day once, with the keys of its dives."""
    found: dict[np.datetime64 | None, list[str]] = {}
    for dive in sorted(dives, key=lambda dive: dive.when):
        day = None if np.isnat(dive.date) else dive.date.astype("datetime64[D]")
        found.setdefault(day, []).append(dive.dive)
    none = np.datetime64("NaT", "D")
    return [(none if day is None else day, [name for name in names if name]) for day, names in found.items()]


@dataclass(frozen=True)
class Longer:
    """What stands below the tables about one diver.

    Parameters
    ----------
    diver : str
        Name.
    dives : tuple of BoatDive
        Dives that all of it is said of.
    cautions : tuple of str
        What is said.
    """

    diver: str
    dives: tuple[BoatDive, ...]
    cautions: tuple[str, ...]


def _longer(data: BoatData) -> list[Longer]:
    """What stands below the tables: the same words about the same diver once, with the dives they are for."""
    said: dict[str, dict[str, list[int]]] = {}
    for number, dive in enumerate(data.dives):
        for diver in dive.divers:
            for caution in _below(diver.answer.cautions):
                dives = said.setdefault(diver.answer.diver, {}).setdefault(caution, [])
                if number not in dives:
                    dives.append(number)
    found = []
    for name, cautions in said.items():
        for numbers in dict.fromkeys(map(tuple, cautions.values())):
            own = tuple(caution for caution, dives in cautions.items() if tuple(dives) == numbers)
            found.append(Longer(name, tuple(data.dives[number] for number in numbers), own))
    return found


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
