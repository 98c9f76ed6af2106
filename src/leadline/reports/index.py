"""The page that leads to several seasons: for each diver the lead for the next dive, and what comes first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import leadline
from leadline.decide.season_data import SeasonData
from leadline.reports import page
from leadline.reports.reading import Reading

__all__ = ["Entry", "render"]


@dataclass(frozen=True)
class Entry:
    """One diver.

    Parameters
    ----------
    file : str
        Name of the diver's page, in the same folder.
    data : SeasonData
        What that page shows.
    """

    file: str
    data: SeasonData


def render(entries: Sequence[Entry], *, units: str, book: str, generated: datetime) -> str:
    """The index as one HTML page without scripts or fetched parts.

    Parameters
    ----------
    entries : sequence of Entry
        The divers, in the order in which they are listed.
    units : str
        metric or imperial: what the reader sees.
    book : str
        Name of the book.
    generated : datetime
        When the pages were made.

    Returns
    -------
    str
        The page.
    """
    context = {
        "entries": entries,
        "read": Reading(units),
        "book": book,
        "generated": generated,
        "version": leadline.__version__,
    }
    return page.render("index.html.j2", context)
