"""The roster of a group: near too light, carrying too much, not known, and what to do about each."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

import leadline
from leadline.decide.roster_data import STATUSES, Roster, Student, near_light, overfull
from leadline.frozen import dataclass
from leadline.reports import page, phrase, roster_chart, roster_words
from leadline.reports.chart import VARIANTS
from leadline.reports.numerals import with_numbers
from leadline.reports.reading import Reading
from leadline.reports.roster_reading import RosterReading
from leadline.reports.roster_row import Row, RowDrawer
from leadline.reports.scale import Scale

__all__ = ["OPEN_ROWS", "render", "write"]

OPEN_ROWS: Final = 60
"""Rows of one kind listed in the open; further ones unfold."""

MOST_DOTS: Final = 12
"""Dives of a trend that are drawn, the latest ones."""

TOO_HEAVY: Final = 2.0
"""Lead over need that counts as too heavy. [kg]"""

WORTH_ASKING: Final = 0.1
"""Chance of too heavy from which it is said what a look would show. [-]"""

LIGHT_SIDE: Final = ("light", "short")

MOST_ASKED: Final = 60
"""Students of whom it is said."""

LEAST_COST: Final = 0.5
"""Excess from which its cost is worth a line. [kg]"""

ENDS: Final = (-6.0, 12.0)
"""The scale of margins goes no further, whoever lies beyond. [kg]"""


@dataclass(frozen=True)
class Kind:
    """Students of whom the same needs doing: a word of `STATUSES`, rows in the open and rows that unfold."""

    status: str
    title: str
    lede: str
    rows: list[Row]
    folded: list[Row]


def render(data: Roster) -> str:
    """The roster as one HTML page without scripts, links or fetched parts.

    Parameters
    ----------
    data : Roster
        What to show; nothing is added to it.

    Returns
    -------
    str
        The page; the same data give the same text, byte for byte.
    """
    reading = RosterReading(data.units)
    scale, height = _scales(data, reading)
    return page.render(
        "roster.html.j2",
        {
            "data": data,
            "read": reading,
            "title": roster_words.title(data.groups),
            "too_heavy": TOO_HEAVY,
            "drawn": RowDrawer(data, reading, scale, scale.at(reading.convert(TOO_HEAVY, "mass"))),
            "scale": scale,
            "counts": {word: sum(one.status == word for one in data.students) for word in STATUSES},
            "kinds": [_kind(data, word, reading, height) for word in STATUSES],
            "headings": {word: roster_words.KINDS[word][0] for word in STATUSES},
            "look": phrase.look(dry=data.dry, checks=True),
            "asked": _asked(data)[:MOST_ASKED],
            "asked_more": max(len(_asked(data)) - MOST_ASKED, 0),
            "near_light": near_light(data.risk),
            "physics": [one for one in data.students if one.basis == "physics"],
            "costly": _costly(data),
            "overfull": overfull,
            "least_cost": LEAST_COST,
            "most_dots": MOST_DOTS,
            "drawings": _drawings(data, reading),
            "version": leadline.__version__,
        },
    )


def write(data: Roster, path: str | os.PathLike[str], *, numbers: str = "point") -> Path:
    """Write the roster to a file, whole or not at all.

    Parameters
    ----------
    data : Roster
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


def _scales(data: Roster, reading: Reading) -> tuple[Scale, Scale]:
    """Scales of the bands and of the trends, the same for all students."""
    bands = np.array([one.margin[[0, -1]] for one in data.students]).ravel()
    trends = [one.trend.margin[-MOST_DOTS:] for one in data.students]
    low, high = ENDS

    def over(values: NDArray[np.float64]) -> Scale:
        inside = np.clip(np.concatenate([values, [-1.0, TOO_HEAVY + 1]]), low, high)
        return Scale.over(reading.masses(inside).tolist())

    return over(bands), over(np.concatenate([np.zeros(0), *trends]))


def _kind(data: Roster, status: str, reading: Reading, height: Scale) -> Kind:
    rows = [_row(one, reading, height) for one in data.students if one.status == status]
    title, lede = roster_words.KINDS[status]
    return Kind(status, title, lede, rows[:OPEN_ROWS], rows[OPEN_ROWS:])


def _row(one: Student, reading: Reading, height: Scale) -> Row:
    margin = one.trend.margin[~np.isnan(one.trend.margin)][-MOST_DOTS:]
    shown = reading.masses(margin).tolist()
    dots = [(left, _down(height, value)) for left, value in zip(_lefts(len(shown)), shown, strict=True)]
    return Row(one, reading.masses(one.margin).tolist(), dots, _down(height, 0.0))


@cache
def _lefts(count: int) -> tuple[str, ...]:
    """Places of so many dives from the left."""
    x = np.linspace(0, 100, count) if count > 1 else np.full(count, 50.0)
    return tuple(f"{left:.3g}%" for left in x)


def _down(scale: Scale, value: float) -> str:
    """Place from the top."""
    return f"{100 - float(scale.at(value)[:-1]):.3g}%"


def _asked(data: Roster) -> list[Student]:
    """Students not flagged of whom a look would tell much, the likeliest too heavy first.

    Whoever is short of lead gets lead before a look.
    """
    asked = [
        one
        for one in data.students
        if not one.flagged
        and one.status not in LIGHT_SIDE
        and (not one.looks_ever or one.p_heavy_most >= WORTH_ASKING)
    ]
    return sorted(asked, key=lambda one: -np.nan_to_num(one.p_heavy_most, nan=-1.0))


def _costly(data: Roster) -> list[Student]:
    """Students whose excess costs something, the largest first; an excess that is not known is not listed."""
    known = [one for one in data.students if one.cost.extra_mass_kg >= LEAST_COST]
    return sorted(known, key=lambda one: -one.cost.extra_mass_kg)


def _drawings(data: Roster, reading: Reading) -> list[Markup]:
    if len(data.curve.number) < 2:
        return []
    # Safe to print as it is: the drawing holds what matplotlib wrote, and no text of the user's.
    return [Markup(roster_chart.draw(data.curve, variant, reading=reading)) for variant in VARIANTS]  # noqa: S704
