"""Links between the reports of one folder: each new page shows up on the index, however it was made.

The index of seasons keeps a marked place for links to other reports; a folder without seasons gets a plain
list of what is in it. An index that leadline did not write is left alone.
"""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Final

from leadline.frozen import dataclass
from leadline.reports import page

__all__ = ["Link", "found", "links", "refresh"]

_REPORTS: Final = (
    ("boat.html", "Lead for the boat", "who carries which lead, who checks first, what to load"),
    (
        "rental.html",
        "Lead for rental kit",
        "a starting lead by body mass and suit, and the lead to have ready",
    ),
    ("roster.html", "Students and their lead", "who carries too much or too little, and what to do next"),
)
_INDEX: Final = "index.html"
_BEGIN, _END = "<!-- other reports: begin -->", "<!-- other reports: end -->"
_PLAIN: Final = "<!-- plain list of reports -->"
_TITLE: Final = re.compile(r"<title>([^<]{1,400})</title>")


@dataclass(frozen=True)
class Link:
    """One page of the folder.

    Parameters
    ----------
    file : str
        Its name.
    title, text : str
        What it is called, and what it is for; the text may be empty.
    """

    file: str
    title: str
    text: str


def found(folder: Path) -> list[Link]:
    """Reports in a folder that are not of one diver.

    Parameters
    ----------
    folder : Path
        Where the pages are.

    Returns
    -------
    list of Link
        Those that exist.
    """
    return [Link(file, title, text) for file, title, text in _REPORTS if (folder / file).is_file()]


def links(others: list[Link]) -> str:
    """The marked place of an index page.

    Parameters
    ----------
    others : list of Link
        Reports to link to; may be none.

    Returns
    -------
    str
        Markup, between marks by which `refresh` finds it again.
    """
    inside = page.render("contents_links.html.j2", {"links": others}) if others else ""
    return f"{_BEGIN}\n{inside}{_END}"


def refresh(folder: Path) -> Path | None:
    """Let the index of a folder link to all reports in it.

    Parameters
    ----------
    folder : Path
        Where the pages are.

    Returns
    -------
    Path or None
        The index; None where there is none to write, because the folder holds one page only or its index
        is somebody else's.
    """
    index = folder / _INDEX
    others = found(folder)
    seasons = [Link(p.name, _title(p), "") for p in sorted(folder.glob("season-*.html"))]
    if index.is_file():
        old = index.read_text(encoding="utf-8", errors="replace")
        if _PLAIN not in old:
            before, mark, rest = old.partition(_BEGIN)
            _, end, after = rest.partition(_END)
            return page.write_text(before + links(others) + after, index) if mark and end else None
    elif len(others) + len(seasons) < 2:
        return None
    text = page.render("contents.html.j2", {"links": [*others, *seasons], "mark": _PLAIN})
    return page.write_text(text, index)


def _title(path: Path) -> str:
    """Title of a page, as plain text."""
    with path.open(encoding="utf-8", errors="replace") as file:
        match = _TITLE.search(file.read(4000))
    return html.unescape(match[1]) if match else path.stem
