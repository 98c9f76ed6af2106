"""The season report of one diver: the answer, how it came about, and every dive behind it, on one page."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

import leadline
from leadline.decide.season_data import SeasonChecks, SeasonData, SeasonDives
from leadline.decide.sentence import dangers
from leadline.frozen import dataclass
from leadline.reports import bars, chart, marks, page, phrase
from leadline.reports.numerals import with_numbers
from leadline.reports.reading import Reading
from leadline.reports.scale import Scale

__all__ = ["MOST_DIVES", "MOST_PANELS", "RECENT_DIVES", "render", "write"]

MOST_DIVES: Final = 200
"""Dives drawn and listed; of a longer season the latest ones, so that a phone can hold the page."""

RECENT_DIVES: Final = 20
"""Dives listed in the open; earlier ones unfold."""

MOST_PANELS: Final = 4
"""Charts; where more suits were worn, the least worn ones share the last."""

TOO_HEAVY: Final = 2.0
"""Lead over need that counts as too heavy. [kg]"""

Letters = dict[tuple[str, str], str]


@dataclass(frozen=True)
class Figure:
    """One chart with what stands around it.

    Parameters
    ----------
    panel : Panel
        What is drawn.
    drawings : list of Markup
        The same chart in each of `chart.VARIANTS`.
    kits : list of (str, str, str)
        Letter, suit and kit of each stretch of the band.
    below_zero : bool
        The band reaches below zero.
    """

    panel: chart.Panel
    drawings: list[Markup]
    kits: list[tuple[str, str, str]]
    below_zero: bool


CHANGED: Final = {"suit": "in", "water": "in", "cylinder": "with"}
"""What is changed in a row of the card -> the word before its label."""


def render(data: SeasonData) -> str:
    """The report as one HTML page without scripts, links or fetched parts.

    Parameters
    ----------
    data : SeasonData
        What to show; nothing is added to it.

    Returns
    -------
    str
        The page; the same data give the same text, byte for byte.
    """
    reading = Reading(data.units)
    dives: SeasonDives = _take(data.dives, slice(max(len(data.dives) - MOST_DIVES, 0), None))
    letters = _letters(dives)
    listed = list(_rows(dives))[::-1]
    figures = _figures(dives, data.checks, letters, reading)
    return page.render(
        "season.html.j2",
        {
            "data": data,
            "read": reading,
            "phrase": phrase,
            "too_heavy": TOO_HEAVY,
            "shown_from": not np.isnat(data.since),
            "dives": dives,
            "letters": letters,
            "words": CHANGED,
            "bounded": any(not np.isnan(row.dive_at_least_kg) for row in data.card),
            "deep": any(not np.isnan(row.bare_kg) for row in data.card),
            "dangers": dangers,
            "recent": listed[:RECENT_DIVES],
            "earlier": listed[RECENT_DIVES:],
            "checks": list(_rows(data.checks))[::-1],
            "figures": figures,
            "legend": _legend(dives, data.checks),
            "paused": any(chart.pauses(figure.panel.dives.date).any() for figure in figures),
            "answer": bars.answer(data, reading),
            "learned": bars.learned(data, reading),
            "ledger": None if data.ledger is None else bars.ledger(data.ledger, reading),
            "version": leadline.__version__,
        },
    )


def write(data: SeasonData, path: str | os.PathLike[str], *, numbers: str = "point") -> Path:
    """Write the report to a file, whole or not at all.

    Parameters
    ----------
    data : SeasonData
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


def _take(record: Any, rows: NDArray[Any] | slice) -> Any:
    """The same kind of record with these rows only."""
    return replace(record, **{f.name: getattr(record, f.name)[rows] for f in fields(record)})


def _rows(record: SeasonDives | SeasonChecks) -> Iterator[SimpleNamespace]:
    """One object a row, with the names of the record's fields: a template walks rows, not columns."""
    names = [f.name for f in fields(record)]
    for row in zip(*(list(getattr(record, name)) for name in names), strict=True):
        yield SimpleNamespace(**dict(zip(names, row, strict=True)))


def _letters(dives: SeasonDives) -> Letters:
    """A letter for every suit with its kit, in order of first use: A to Z, then AA, AB."""
    letters: Letters = {}
    for pair in zip(dives.suit.tolist(), dives.kit.tolist(), strict=True):
        if pair not in letters:
            first, last = divmod(len(letters), 26)
            letters[pair] = (chr(64 + first) if first else "") + chr(65 + last)
    return letters


def _suits(dives: SeasonDives, checks: SeasonChecks) -> list[tuple[str, ...]]:
    """Suits of each chart: the one worn last comes first."""
    worn: dict[str, int] = {}
    for suit in [*checks.suit.tolist(), *dives.suit.tolist()]:
        worn[suit] = worn.pop(suit, 0) + 1
    latest = list(reversed(worn))
    if len(worn) <= MOST_PANELS:
        return [(suit,) for suit in latest]
    often = sorted(latest, key=lambda suit: -worn[suit])[: MOST_PANELS - 1]
    alone = [(suit,) for suit in latest if suit in often]
    return [*alone, tuple(suit for suit in latest if suit not in often)]


def _panels(
    dives: SeasonDives, checks: SeasonChecks, letters: Letters, reading: Reading
) -> list[chart.Panel]:
    panels = []
    for suits in _suits(dives, checks):
        own: SeasonDives = _take(dives, np.array([suit in suits for suit in dives.suit], bool))
        read: SeasonChecks = _take(checks, np.array([suit in suits for suit in checks.suit], bool))
        reach = [own.need.ravel(), own.lead, own.lead - own.handed_off]
        reach += [read.need, read.need - read.need_sd, read.need + read.need_sd]
        scale = Scale.over(
            reading.masses(np.concatenate(reach)).tolist(), least=reading.convert(bars.LEAST_SPAN, "mass")
        )
        kit = tuple(letters[pair] for pair in zip(own.suit.tolist(), own.kit.tolist(), strict=True))
        panels.append(chart.Panel(suits, own, read, kit, scale.low, scale.high))
    span = max((panel.high - panel.low for panel in panels), default=0.0)
    # The same length of axis for every suit, so that the widths of the bands can be compared.
    return [replace(p, low=(p.low + p.high - span) / 2, high=(p.low + p.high + span) / 2) for p in panels]


def _figures(dives: SeasonDives, checks: SeasonChecks, letters: Letters, reading: Reading) -> list[Figure]:
    figures = []
    for number, panel in enumerate(_panels(dives, checks, letters, reading), start=1):
        label = (
            f"Chart {number}: band of need and lead carried, dive by dive; {len(panel.dives)} dives "
            f"and {len(panel.checks)} surface checks, all of them listed in the tables below"
        )
        drawings = [
            # Safe to print as it is: the drawing holds what matplotlib wrote, and no text of the user's.
            Markup(chart.draw(panel, variant, reading=reading, prefix=str(number), label=label))  # noqa: S704
            for variant in chart.VARIANTS
        ]
        kits = [(letter, *pair) for pair, letter in letters.items() if letter in panel.letters]
        figures.append(Figure(panel, drawings, kits, bool((panel.dives.need < 0).any())))
    return figures


def _legend(dives: SeasonDives, checks: SeasonChecks) -> list[marks.Mark]:
    """The marks that occur."""
    drawn = marks.marks_in(dives, checks)
    return [mark for kind, mark in marks.MARKS.items() if drawn[kind].any()]
