"""The page that leads to several seasons: for each diver the lead for the next dive, and what comes first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from markupsafe import Markup

import leadline
from leadline.decide.season_data import SeasonData
from leadline.decide.sentence import DOUBTED, dangers
from leadline.decide.unfit_sentence import FAILED
from leadline.frozen import dataclass
from leadline.reports import contents, page
from leadline.reports.reading import Reading

__all__ = ["DANGER_WORDS", "Entry", "render"]

DANGER_WORDS: Final = {
    "Danger": "danger: too light with the lead carried last",
    "Too light at the stop": "danger: was too light at the stop in like kit",
    FAILED: "danger: rose at the stop with more than the records call for",
    DOUBTED: "the last check is in doubt",
    "No suit named": "no suit named: too little for any suit",
    "Under 18": "under 18",
}
"""How the first word of a diver's page begins -> what the line of the index says of it."""


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


def render(
    entries: Sequence[Entry],
    *,
    units: str,
    book: str,
    generated: datetime,
    others: Sequence[contents.Link] = (),
) -> str:
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
    others : sequence of Link, optional
        Other reports in the same folder.

    Returns
    -------
    str
        The page.
    """
    context = {
        # Safe to print as it is: rendered from a template of its own, which escapes.
        "others": Markup(contents.links(list(others))),  # noqa: S704
        "entries": entries,
        "danger": _danger,
        "read": Reading(units),
        "book": book,
        "generated": generated,
        "fitted": next((entry.data.fitted for entry in entries), None),
        "unlearned": any(entry.data.unlearned for entry in entries),
        "latest": entries[0].data.latest if entries else None,
        "evidence": sum(entry.data.dives_used + entry.data.checks_used for entry in entries),
        "version": leadline.__version__,
    }
    return page.render("index.html.j2", context)


def _danger(cautions: tuple[str, ...]) -> str:
    """The danger that the page of a diver begins with, in a few words; empty where there is none."""
    first = next(iter(dangers(cautions)), "")
    return next((words for begin, words in DANGER_WORDS.items() if first.startswith(begin)), "")
