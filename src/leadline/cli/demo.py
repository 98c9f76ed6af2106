"""`leadline demo`: the whole way from records to lead, on the bundled records of an invented operation."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import read, single_thread
from leadline.cli.options import JsonOption, UnitsOption
from leadline.cli.output import show
from leadline.errors import BookError

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import RenderableType

    from leadline.cli.options import Units

__all__ = ["records_folder", "register"]

_TABLES: Final = ("divers", "gear", "dives", "checks")
_BOOK: Final = "demo.duckdb"
_LEADS: Final = "leads.csv"
_COURSES: Final = tuple(f"Course {number}" for number in range(1, 7))
_PAGES: Final = {
    "boat": "the sheet for that boat, with the lead to load",
    "rental": "leads for rental kit, by body mass and suit",
    "roster": "the students of six courses: who carries too much",
}


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(demo)


def records_folder() -> Path:
    """Folder of the bundled records: in the installed package, else in the source tree.

    Raises
    ------
    BookError
        If neither has them.
    """
    here = Path(__file__).resolve().parent.parent
    for folder in (here / "datasets", here.parent.parent / "datasets"):
        if (folder / "dives.csv").is_file():
            return folder
    raise BookError("the bundled records are missing; install leadline again")


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where book and reports go.")] = Path(
        "leadline-demo"
    ),
    units: UnitsOption = "metric",
    as_json: JsonOption = False,
) -> None:
    """Make the demo book from the bundled records, learn, answer tomorrow's plan, write every report."""
    single_thread()
    from leadline.book import Book
    from leadline.book.destination import must_be_writable
    from leadline.cli.learn import fit_book, notice
    from leadline.cli.suggest import answer_plan, block_of, write_plan

    source = records_folder()
    folder.mkdir(parents=True, exist_ok=True)
    book, plan = folder / _BOOK, source / "plan.csv"
    must_be_writable(folder / _LEADS, folder / plan.name)
    with Book.open(book, write=True, create=True) as opened:
        loaded = opened.load(**{name: source / f"{name}.csv" for name in _TABLES})
    with notice("learning") as notify:
        findings = fit_book(book, notify=notify)
    # The sheet shows what was taken over; the plan itself lies in a folder that nobody knows.
    answers = answer_plan(
        plan, block=block_of(None, units), risk=0.05, book=book, units=units, notify=lambda _: None
    )[2]
    write_plan(answers, folder / _LEADS)
    shutil.copyfile(plan, folder / plan.name)
    names = list(dict.fromkeys(answer.advice.diver for answer in answers))
    with notice("writing") as notify:
        pages, seasons = _pages(book, plan, names, folder=folder, units=units, notify=notify)
    document = {
        "book": str(book),
        "load": {
            name: {"read": report.read, "rejected": report.rejected} for name, report in loaded.tables.items()
        },
        "observations": findings.counts["observations"],
        "divers": findings.counts["divers"],
        "plan": str(folder / plan.name),
        "leads": str(folder / _LEADS),
        "pages": [str(path) for path in [*pages.values(), *seasons.values()]],
    }

    def view() -> RenderableType:
        return _view(folder, loaded, findings, answers, {**pages, "season": seasons[names[0]]}, units)

    show(document, view, as_json=as_json)


def _pages(
    book: Path,
    plan: Path,
    divers: list[str],
    *,
    folder: Path,
    units: Units,
    notify: Callable[[str], None] | None,
) -> tuple[dict[str, Path], dict[str, Path]]:
    """Write every report; the pages by kind, and the seasons by diver."""
    from leadline.book import Book
    from leadline.cli.report_boat import boat_data, write_boat
    from leadline.cli.report_options import pieces_of
    from leadline.cli.report_rental import rental_data, write_rental
    from leadline.cli.report_roster import roster_data, write_roster
    from leadline.cli.report_season import write_seasons
    from leadline.decide.rental import Desk

    def tell(text: str) -> None:
        if notify:
            notify(text)

    holding, _ = read(book)
    with Book.open(book) as opened:
        rows = opened.read_plan(plan)
    pieces = pieces_of(None, units)
    tell("the boat")
    boat = boat_data(holding, rows, name=plan.name, pieces=pieces, risk=0.05, units=units)
    tell("rental kit")
    rental = rental_data(holding, Desk(pieces=pieces), units=units)
    tell("students")
    roster = roster_data(holding, groups=_COURSES, units=units)
    pages = {
        "boat": write_boat(boat, folder),
        "rental": write_rental(rental, folder),
        "roster": write_roster(roster, folder),
    }
    # Last, so that their index leads to the others.
    return pages, dict(write_seasons(holding, divers, folder, units=units, notify=notify))


def _view(
    folder: Path, loaded: Any, findings: Any, answers: Any, pages: dict[str, Path], units: Units
) -> RenderableType:
    """What was done, the plan, and where to go next."""
    from rich.console import Group
    from rich.text import Text

    from leadline.cli.answer import many

    tables = loaded.tables
    aside = sum(report.rejected for report in tables.values())
    counts = findings.counts
    texts = {**_PAGES, "season": f"a diver's season, one of {len({a.advice.diver for a in answers})}"}
    wide = max(len(str(path)) for path in pages.values())
    before = [
        f"Read {tables['divers'].read} divers, {tables['gear'].read} items, {tables['dives'].read} dives and "
        f"{tables['checks'].read} surface checks of an invented dive operation.",
        f"Set {aside} faulty rows aside, each with its reason: {folder / 'demo-set-aside.csv'}",
        f"Learned from {counts['observations']} observations of {counts['divers']} divers.",
        "Tomorrow's boat:",
    ]
    after = [
        f"The same as a file: {folder / _LEADS}",
        f"The plan it answers: {folder / 'plan.csv'}",
        "",
        f"Pages; begin with {folder / 'index.html'}, which leads to the others:",
        *(f"  {path!s:<{wide}}  {texts[kind]}" for kind, path in pages.items()),
        "",
        "With your own files:",
        "  leadline load --divers divers.csv --gear gear.csv --dives dives.csv --checks checks.csv",
        "  leadline learn",
        "  leadline suggest --plan plan.csv --out leads.csv",
        "  leadline report season --out pages",
        "  leadline report boat --plan plan.csv --out pages",
    ]
    heads = ["\n".join(before), "\n".join(after)]
    return Group(Text(heads[0]), many(answers, units), Text(heads[1]))
