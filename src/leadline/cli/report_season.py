"""`leadline report season`: pages of one diver's season, or of all divers."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from leadline.cli.holding import Holding, read, single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption, complete_divers
from leadline.cli.output import note, show, table

if TYPE_CHECKING:
    from leadline.decide.season_data import SeasonData

__all__ = ["register", "season_data", "slugs", "write_seasons"]


def register(group: typer.Typer) -> None:
    """Add the command to the group of reports."""
    group.command()(season)


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Part of a file name for each name: plain letters, and a digest where those do not tell it.

    Parameters
    ----------
    names : iterable of str
        All divers of the book, so that a diver's page has the same name however many are written.

    Returns
    -------
    dict of str to str
        No two alike, not even where capitals do not count.

    Examples
    --------
    >>> slugs(["Ines K", "Ivo"])
    {'Ines K': 'ines-k', 'Ivo': 'ivo'}
    """
    known = list(dict.fromkeys(names))
    plain = {name: _plain(name) for name in known}
    shared = Counter(plain.values())
    found = {}
    for name, short in plain.items():
        exact = short and short == re.sub(r"\s+", "-", name.strip().lower()) and shared[short] == 1
        digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:6]
        found[name] = short if exact else f"{short or 'diver'}-{digest}"
    return found


def _plain(name: str) -> str:
    ascii_only = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", ascii_only.lower()).strip("-")[:40].strip("-")


def season_data(
    holding: Holding, diver: str, *, units: Units, generated: datetime | None = None
) -> SeasonData:
    """What the season page of one diver shows.

    Parameters
    ----------
    holding : Holding
        The book.
    diver : str
        Name, as in the book.
    units : {"metric", "imperial"}
        What the reader sees.
    generated : datetime, optional
        Printed on the page; default now.

    Returns
    -------
    SeasonData
        For `leadline.reports.season.write`.
    """
    from leadline.cli.suggest import block_of
    from leadline.decide.season import next_dive, season

    near = holding.about({diver})
    when = generated or datetime.now()
    plan = next_dive(near.records, diver, date=when.date().isoformat())
    return season(
        near.assessment(plan),
        diver,
        block=block_of(None, units, there=holding.blocks),
        units=units,
        book=holding.book,
        data_version=str(holding.data_version),
        fitted=holding.fitted,
        generated=when,
    )


def write_seasons(
    holding: Holding,
    divers: Iterable[str],
    folder: Path,
    *,
    units: Units,
    notify: Callable[[str], None] | None = None,
) -> list[tuple[str, Path]]:
    """Write a season page for each diver, and an index page where there are several.

    Parameters
    ----------
    holding : Holding
        The book.
    divers : iterable of str
        Names, as in the book.
    folder : Path
        Made if needed.
    units : {"metric", "imperial"}
        What the reader sees.
    notify : callable, optional
        Called with the name of each diver.

    Returns
    -------
    list of (str, Path)
        Diver and page.
    """
    from leadline.reports import contents, index
    from leadline.reports import season as page
    from leadline.reports.page import write_text

    folder.mkdir(parents=True, exist_ok=True)
    names = slugs(holding.records.divers["diver"].tolist())
    generated = datetime.now()
    entries = []
    for diver in dict.fromkeys(divers):
        if notify:
            notify(diver)
        data = season_data(holding, diver, units=units, generated=generated)
        path = page.write(data, folder / f"season-{names[diver]}.html")
        entries.append(index.Entry(path.name, data))
    if len(entries) > 1:
        others = contents.found(folder)
        text = index.render(entries, units=units, book=holding.book, generated=generated, others=others)
        write_text(text, folder / "index.html")
    return [(entry.data.diver, folder / entry.file) for entry in entries]


def season(
    diver: Annotated[
        list[str] | None,
        typer.Option("--diver", help="Whose season; may be given again.", autocompletion=complete_divers),
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the pages go.")] = Path("reports"),
    book: BookOption = None,
    units: UnitsOption = "metric",
    as_json: JsonOption = False,
) -> None:
    """Write the season of one diver, or of all divers, as HTML pages."""
    single_thread()
    from leadline.cli.kit import known_diver
    from leadline.cli.learn import notice

    holding, _ = read(book)
    names = [known_diver(holding, name) for name in diver or holding.records.divers["diver"].tolist()]
    with notice("writing") as notify:
        pages = write_seasons(holding, names, out, units=units, notify=notify)
    show(
        [{"diver": name, "page": str(path)} for name, path in pages],
        lambda: table("", ["diver", "page"], [[name, path] for name, path in pages]),
        as_json=as_json,
    )
    if not pages:
        note("no divers in the book, so no pages; bring some in with `leadline load --divers`")
