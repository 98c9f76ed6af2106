"""`leadline report season`: pages of one diver's season, or of all divers."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import Holding, read, single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption, complete_divers
from leadline.cli.output import note, show, table
from leadline.cli.report_options import CsvOption, Numbers, NumbersOption, SinceOption, apart, write_csv

if TYPE_CHECKING:
    from leadline.decide.season_data import SeasonData

__all__ = ["register", "season_data", "seasons_data", "slugs", "write_seasons"]

AT_ONCE: Final = 128
"""Divers reckoned together: enough to be quick, few enough to hold."""


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
    holding: Holding, diver: str, *, units: Units, generated: datetime | None = None, since: str = ""
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
    since : str
        First day shown, ISO 8601; empty: from the start.

    Returns
    -------
    SeasonData
        For `leadline.reports.season.write`.
    """
    return next(seasons_data(holding, [diver], units=units, generated=generated, since=since))


def seasons_data(
    holding: Holding,
    divers: Sequence[str],
    *,
    units: Units,
    generated: datetime | None = None,
    since: str = "",
) -> Iterator[SeasonData]:
    """What the season pages of several divers show, reckoned for many of them at once.

    Parameters
    ----------
    holding, units, generated, since
        As of `season_data`.
    divers : sequence of str
        Names, as in the book.

    Yields
    ------
    SeasonData
        One a diver, in their order.
    """
    from datetime import datetime

    import numpy as np

    from leadline.cli.suggest import block_of
    from leadline.decide.label import latest_dive
    from leadline.decide.seasons import seasons

    when = generated or datetime.now()
    latest = latest_dive(holding.records.dives)
    for start in range(0, len(divers), AT_ONCE):
        some = list(divers[start : start + AT_ONCE])
        near = holding.about(set(some))
        yield from seasons(
            near.records,
            near.assessment,
            some,
            date=when.date().isoformat(),
            block=block_of(None, units, there=holding.blocks),
            since=np.datetime64(since or "NaT", "s"),
            units=units,
            book=holding.book,
            data_version=str(holding.data_version),
            latest=latest,
            fitted=holding.fitted,
            generated=when,
        )


def write_seasons(
    holding: Holding,
    divers: Iterable[str],
    folder: Path,
    *,
    units: Units,
    since: str = "",
    numbers: Numbers = "point",
    notify: Callable[[str], None] | None = None,
    also: Callable[[SeasonData], None] | None = None,
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
    since : str
        First day shown, ISO 8601; empty: from the start.
    numbers : {"point", "comma"}
        Decimal sign on the pages.
    notify : callable, optional
        Called with how far it is.
    also : callable, optional
        Called with what each page shows.

    Returns
    -------
    list of (str, Path)
        Diver and page.
    """
    from leadline.reports import contents, index
    from leadline.reports import season as page
    from leadline.reports.numerals import with_numbers
    from leadline.reports.page import write_text

    folder.mkdir(parents=True, exist_ok=True)
    names = slugs(holding.records.divers["diver"].tolist())
    generated = datetime.now()
    wanted = list(dict.fromkeys(divers))
    entries = []
    if notify:
        notify(f"{len(wanted)} seasons")
    for data in seasons_data(holding, wanted, units=units, generated=generated, since=since):
        path = page.write(data, folder / f"season-{names[data.diver]}.html", numbers=numbers)
        entries.append(index.Entry(path.name, data))
        if also:
            also(data)
        if notify:
            notify(f"season {len(entries)} of {len(wanted)}, {data.diver}")
    if len(entries) > 1:
        others = contents.found(folder)
        text = index.render(entries, units=units, book=holding.book, generated=generated, others=others)
        write_text(with_numbers(text, numbers), folder / "index.html")
    return [(entry.data.diver, folder / entry.file) for entry in entries]


def _chosen(holding: Holding, named: list[str], groups: list[str]) -> list[str]:
    """Divers that were named, and those of the groups; everybody where neither is given."""
    import numpy as np

    from leadline.cli.kit import known_diver
    from leadline.decide.roster_scope import scope

    everybody = holding.records.divers["diver"].tolist()
    if not named and not groups:
        return [str(name) for name in everybody]
    found = [known_diver(holding, name) for name in named]
    if groups:
        wanted, _ = scope(holding.records, groups)
        there = set(np.unique(holding.records.dives["diver"][wanted].astype(str)).tolist())
        found += [name for name in everybody if name in there]
    return list(dict.fromkeys(found))


def season(
    diver: Annotated[
        list[str] | None,
        typer.Option(
            "--diver",
            metavar="TEXT",
            help="Whose season; may be given again. Default: everybody.",
            autocompletion=complete_divers,
        ),
    ] = None,
    groups: Annotated[
        list[str] | None,
        typer.Option(
            "--group", metavar="TEXT", help="All students of this class, trip or boat; may be given again."
        ),
    ] = None,
    since: SinceOption = "",
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the pages go.")] = Path("reports"),
    csv: CsvOption = None,
    book: BookOption = None,
    units: UnitsOption = "metric",
    numbers: NumbersOption = "point",
    as_json: JsonOption = False,
) -> None:
    """Write the season of one diver, or of all divers, as HTML pages.

    With --since earlier dives are not shown; they still count for what is known of the need.
    """
    apart(csv, out)
    single_thread()
    from leadline.cli.learn import notice
    from leadline.decide.report_tables import season_tables
    from leadline.decide.season_record import season_document

    holding, _ = read(book)
    names = _chosen(holding, diver or [], groups or [])
    documents: list[Any] = []

    def also(data: SeasonData) -> None:
        if as_json or csv is not None:
            documents.append(season_document(data))

    with notice("writing") as notify:
        pages = write_seasons(
            holding, names, out, units=units, since=since, numbers=numbers, notify=notify, also=also
        )
    written = None
    if csv is not None:
        rows = [{"diver": one["diver"], **dive} for one in documents for dive in one["dives"]]
        written = write_csv(rows, season_tables(documents), csv)
    show(
        [{**one, "page": str(path)} for one, (_, path) in zip(documents, pages, strict=True)]
        if as_json
        else [],
        lambda: table("", ["diver", "page"], [[name, path] for name, path in pages]),
        as_json=as_json,
    )
    if written:
        note(written)
    if not pages:
        note("no divers in the book, so no pages; bring some in with `leadline load --divers`")
