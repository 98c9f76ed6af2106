"""`leadline report season`: pages of one diver's season, or of all divers."""

from __future__ import annotations

import hashlib
import html
import re
import unicodedata
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

__all__ = ["register", "season_data", "slug", "write_seasons"]


def register(app: typer.Typer) -> None:
    """Add the group of reports to `app`."""
    group = typer.Typer(no_args_is_help=True, help="Write reports as HTML pages that need nothing else.")
    group.command()(season)
    app.add_typer(group, name="report")


def slug(name: str) -> str:
    """File name for a name: plain letters, with a digest where something was left out.

    Examples
    --------
    >>> slug("Ines K")
    'ines-k'
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    short = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:40].strip("-")
    same = short == re.sub(r"\s+", "-", name.strip().lower())
    return short if same and short else f"{short or 'diver'}-{hashlib.sha256(name.encode()).hexdigest()[:6]}"


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
        block=block_of(None, units),
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
    from leadline.reports import season as page
    from leadline.reports.page import write_text

    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for diver in divers:
        if notify:
            notify(diver)
        data = season_data(holding, diver, units=units)
        written.append((diver, page.write(data, folder / f"season-{slug(diver)}.html")))
    if len(written) > 1:
        write_text(_index(written, holding), folder / "index.html")
    return written


def _index(pages: list[tuple[str, Path]], holding: Holding) -> str:
    """A plain list of pages; names are data."""
    rows = "\n".join(
        f'<li><a href="{html.escape(path.name)}"><bdi>{html.escape(diver)}</bdi></a></li>'
        for diver, path in pages
    )
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Seasons</title>
<style>
:root {{ color-scheme: light dark; font: 1.05rem/1.5 system-ui, sans-serif; }}
body {{ max-width: 46rem; margin: 2rem auto; padding: 0 1rem; overflow-wrap: anywhere; }}
ul {{ columns: 14rem; padding-left: 1.2rem; }} li {{ padding: .2rem 0; }}
</style></head><body>
<h1>Seasons</h1>
<p>One page a diver: the lead for the next dive, its band and its risk, and how the dives led there.
An in-water check overrules every number; so do instructor, training agency and local rules.</p>
<ul>
{rows}
</ul>
<p>Book {html.escape(holding.book)}, data version {holding.data_version}.</p>
</body></html>
"""


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
