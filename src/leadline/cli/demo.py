"""`leadline demo`: the whole way from records to lead, on the bundled records of an invented operation."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import read, single_thread
from leadline.cli.options import JsonOption, UnitsOption
from leadline.cli.output import show
from leadline.errors import BookError

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["records_folder", "register"]

_TABLES: Final = ("divers", "gear", "dives", "checks")
_BOOK: Final = "demo.duckdb"


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
    """Make the demo book from the bundled records, learn, answer tomorrow's plan, write the reports."""
    single_thread()
    from leadline.book import Book
    from leadline.cli.learn import fit_book, notice
    from leadline.cli.report_season import write_seasons
    from leadline.cli.suggest import answer_plan, block_of, write_plan

    source = records_folder()
    folder.mkdir(parents=True, exist_ok=True)
    book = folder / _BOOK
    with Book.open(book, write=True, create=True) as opened:
        loaded = opened.load(**{name: source / f"{name}.csv" for name in _TABLES})
    with notice("learning") as notify:
        findings = fit_book(book, notify=notify)
    _, answers = answer_plan(
        source / "plan.csv", block=block_of(None, units), risk=0.05, book=book, units=units
    )
    write_plan(answers, folder / "plan.csv")
    holding, _ = read(book)
    names = list(dict.fromkeys(answer.diver for answer in answers))
    with notice("writing") as notify:
        pages = write_seasons(holding, names, folder, units=units, notify=notify)
    document = {
        "book": str(book),
        "load": {
            name: {"read": report.read, "rejected": report.rejected} for name, report in loaded.tables.items()
        },
        "observations": findings.counts["observations"],
        "divers": findings.counts["divers"],
        "plan": str(folder / "plan.csv"),
        "pages": [str(path) for _, path in pages],
    }

    def view() -> RenderableType:
        return _view(folder, loaded, findings, answers, pages, units)

    show(document, view, as_json=as_json)


def _view(folder: Path, loaded: Any, findings: Any, answers: Any, pages: Any, units: Any) -> RenderableType:
    """What was done, the plan, and where to go next."""
    from rich.console import Group
    from rich.text import Text

    from leadline.cli.answer import many

    tables = loaded.tables
    aside = sum(report.rejected for report in tables.values())
    counts = findings.counts
    first = next((path for name, path in pages if name == answers[0].diver), pages[0][1])
    before = [
        f"Read {tables['divers'].read} divers, {tables['gear'].read} items, {tables['dives'].read} dives and "
        f"{tables['checks'].read} surface checks of an invented dive operation.",
        f"Set {aside} faulty rows aside, each with its reason: {folder / 'demo-set-aside.csv'}",
        f"Learned from {counts['observations']} observations of {counts['divers']} divers.",
        "Tomorrow's boat:",
    ]
    after = [
        f"The same as a file: {folder / 'plan.csv'}",
        f"{len(pages)} seasons: open {folder / 'index.html'}, or begin with {first}",
        "",
        "With your own files:",
        "  leadline load --divers divers.csv --gear gear.csv --dives dives.csv --checks checks.csv",
        "  leadline learn",
        "  leadline suggest --plan plan.csv --out leads.csv",
        "  leadline report season --out pages",
    ]
    texts = ["\n".join(before), "\n".join(after)]
    return Group(Text(texts[0]), many(answers, units), Text(texts[1]))
