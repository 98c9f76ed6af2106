"""The rental report: a card of leads for the counter, the bands behind it, and the lead to have ready."""

from __future__ import annotations

import os
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

import leadline
from leadline.decide.label import site_labels
from leadline.decide.listed import short_text
from leadline.decide.rental_data import LITTLE, RentalCell, RentalData
from leadline.decide.rental_place import Place
from leadline.decide.stranger import MassClass
from leadline.reports import page
from leadline.reports.bars import LEAST_SPAN
from leadline.reports.numerals import with_numbers
from leadline.reports.phrase import MINUS, NO_BREAK
from leadline.reports.reading import Reading
from leadline.reports.scale import Scale

__all__ = ["MOST_COLUMNS", "place_text", "proof", "render", "span_text", "write"]

MOST_COLUMNS: Final = 7
"""Suits beside each other on one card; more are parted evenly, so that a sheet of paper holds them."""

TOO_HEAVY: Final = 2.0
"""Lead over need that counts as too heavy. [kg]"""


def render(data: RentalData) -> str:
    """The report as one HTML page without scripts, links or fetched parts.

    Parameters
    ----------
    data : RentalData
        What to show; nothing is added to it.

    Returns
    -------
    str
        The page; the same data give the same text, byte for byte.
    """
    reading = Reading(data.units)
    scale = _scale(data, reading)
    places = [place_text(table.place, data.units) for table in data.tables]
    # An end that rounds to nothing has no sign: the air around a scale from 0 reaches a little below.
    ticks = [str(round(end)).replace("-", MINUS) for end in (scale.low, scale.high)]
    return page.render(
        "rental.html.j2",
        {
            "data": data,
            "read": reading,
            "places": places,
            "place_of_stock": places[0][:1].lower() + places[0][1:],
            "check_count": [sum(c.check_first for row in t.cells for c in row) for t in data.tables],
            "chunks": _chunks(len(data.outfits)),
            "latest": not np.isnat(data.latest),
            "scale": scale,
            "scale_text": f"about {ticks[0]} to {ticks[1]} {reading.unit('mass')}",
            "span": lambda group: span_text(group, data.units),
            "shown": lambda cell: _shown(reading, cell),
            "proof": proof,
            "few": _few,
            "short_text": short_text,
            "too_heavy": TOO_HEAVY,
            "version": leadline.__version__,
        },
    )


def write(data: RentalData, path: str | os.PathLike[str], *, numbers: str = "point") -> Path:
    """Write the report to a file, whole or not at all.

    Parameters
    ----------
    data : RentalData
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


def place_text(place: Place, units: str) -> str:
    """Where a table holds, in words; sea level and the usual stop go without saying."""
    water = f"{place.water.capitalize()} water" if place.water else "Water not named"
    salt = [] if np.isnan(place.salinity_gkg) else [f"{place.salinity_gkg:.3g}{NO_BREAK}g/kg"]
    site = site_labels(place.altitude_m, place.stop_depth_m, imperial=units == "imperial")
    return ", ".join([water, *salt, place.cylinder or "a usual cylinder", *site])


def proof(cell: RentalCell) -> str:
    """What stands behind a cell, in words.

    Parameters
    ----------
    cell : RentalCell
        With its counts.

    Returns
    -------
    str
        Such as `12 dives, 4 divers`.
    """
    if not cell.dives:
        return "no dives: physics, and what others taught"
    dives = f"{cell.dives}{NO_BREAK}{'dive' if cell.dives == 1 else 'dives'}"
    divers = f"{cell.divers}{NO_BREAK}{'diver' if cell.divers == 1 else 'divers'}"
    return f"{'only ' if cell.evidence == 'little' else ''}{dives}, {divers}"


def _few(cell: RentalCell) -> str:
    """The same in two words, for the card."""
    dives = f"{cell.dives or 'no'}{NO_BREAK}{'dive' if cell.dives == 1 else 'dives'}"
    if cell.evidence != "little":
        return dives
    # As many dives as elsewhere, of one diver or two: "few: 12 dives" would read as a slip.
    return f"few: {dives}{f' by {cell.divers}' if cell.dives >= LITTLE[0] else ''}"


def _chunks(columns: int) -> list[range]:
    """Columns of each card, as even as can be."""
    parts = -(-columns // MOST_COLUMNS)
    edges = [round(k * columns / parts) for k in range(parts + 1)]
    return [range(a, b) for a, b in pairwise(edges)]


def span_text(group: MassClass, units: str) -> str:
    """A class of body mass in words, such as `50 to 60 kg`."""
    reading = Reading(units)
    low, high = (f"{reading.convert(kg, 'mass'):.4g}" for kg in (group.low, group.high))
    return f"{low} to {high}{NO_BREAK}{reading.unit('mass')}"


def _band(cell: RentalCell) -> list[float]:
    return [
        cell.need_q025_kg,
        cell.need_q10_kg,
        cell.need_q50_kg,
        cell.need_q90_kg,
        cell.need_q975_kg,
    ]


def _shown(reading: Reading, cell: RentalCell) -> list[float]:
    """Quantiles of need in the unit shown."""
    return [reading.convert(kg, "mass") for kg in _band(cell)]


def _scale(data: RentalData, reading: Reading) -> Scale:
    """One scale for all bands, so that they can be compared."""
    cells: Sequence[RentalCell] = [cell for table in data.tables for row in table.cells for cell in row]
    values = [value for cell in cells for value in (*_shown(reading, cell), _lead(reading, cell))]
    return Scale.over(values, least=reading.convert(LEAST_SPAN, "mass"))


def _lead(reading: Reading, cell: RentalCell) -> float:
    return reading.convert(cell.lead_kg, "mass")
