"""`leadline learn`: fit population, kit and divers to all evidence in the book."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import single_thread
from leadline.cli.learn_view import short_view, view
from leadline.cli.options import BookOption, JsonOption, UnitsOption
from leadline.cli.output import note, show
from leadline.errors import BookError, FitError

if TYPE_CHECKING:
    from leadline.decide.findings import Findings
    from leadline.decide.fleet import Harvest

__all__ = ["document", "fit_book", "fit_parts", "notice", "register", "short_document", "view"]


NOTHING: Final = (
    "no dive or check says anything about need yet; note `stop_result` and `bc_state` with the lead carried, "
    "or a surface check's `waterline`"
)


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(learn)


def learn(
    book: BookOption = None,
    parts: Annotated[
        Path | None,
        typer.Option("--parts", metavar="DIR", help="Read the records from here: of `export DIR --parts N`."),
    ] = None,
    workers: Annotated[
        int, typer.Option("--workers", min=1, help="With --parts: processes of this machine at work.")
    ] = 2,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", metavar="ADDRESS", help="With --parts: the workers of this one instead."),
    ] = None,
    units: UnitsOption = "metric",
    as_json: JsonOption = False,
) -> None:
    """Fit population, kit and divers to all evidence in the book.

    The book is free for others while the work goes on; if they change it meanwhile nothing is stored.
    """
    single_thread()
    if parts is None and scheduler is not None:
        raise typer.BadParameter("it goes with --parts", param_hint="--scheduler")
    if parts is not None:
        with notice("learning") as notify:
            harvest = fit_parts(book, parts, workers=workers, scheduler=scheduler, notify=notify)
        show(short_document(harvest), lambda: short_view(harvest, units), as_json=as_json)
        return
    with notice("learning") as notify:
        findings = fit_book(book, notify=notify)
    show(document(findings), lambda: view(findings, units), as_json=as_json)
    if findings.doubts and not as_json:
        note("If one is a slip, correct it and load it again; each counts little as it is.")


@contextmanager
def notice(label: str) -> Iterator[Callable[[str], None] | None]:
    """Show a line on standard error that tells how far the work is, on a terminal only."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console

    with Console(stderr=True, markup=False, emoji=False).status(label) as status:
        yield lambda text: status.update(f"{label}: {text}")


def fit_book(book: Path | None, *, notify: Callable[[str], None] | None = None) -> Findings:
    """Read the book, fit, and store the fit in the book.

    Parameters
    ----------
    book : Path or None
        The file; None for the default one.
    notify : callable, optional
        Called with a short text as the work goes on.

    Returns
    -------
    Findings
        What was found; the fit is stored.

    Raises
    ------
    FitError
        If there is nothing to learn from, or the fit does not converge; nothing is stored then.
    BookError
        If the records changed meanwhile; nothing is stored then.
    """
    from leadline.book import Book
    from leadline.decide.learning import learn as learn_from

    with Book.open(book) as opened:
        records, version = opened.records(), opened.data_version
    if not len(records.dives["dive"]) and not len(records.checks["check"]):
        raise FitError(
            "no dives and no surface checks in the book, so there is nothing to learn from; "
            "bring some in with `leadline load` or `leadline log`"
        )
    findings = learn_from(records, notify=notify)
    if not findings.counts["observations"]:
        raise FitError(NOTHING)
    info = {
        "evidence_hash": findings.evidence_hash,
        "excess_kg": None if isnan(findings.excess_kg) else findings.excess_kg,
        "observations": findings.counts["observations"],
        "divers": findings.counts["divers"],
        **findings.fit.diagnostics,
    }
    with Book.open(book, write=True) as opened:
        opened.save_fit(findings.fit.to_bytes(), version, info)
    return findings


def fit_parts(
    book: Path | None,
    folder: Path,
    *,
    workers: int,
    scheduler: str | None = None,
    notify: Callable[[str], None] | None = None,
) -> Harvest:
    """Fit to the records in parts that were written from the book, and store the fit in the book.

    Parameters
    ----------
    book : Path or None
        The file; None for the default one.
    folder : Path
        Written by `leadline export DIR --parts N`; the workers read it at the same place.
    workers, scheduler
        As for `leadline.model.workers.fleet`.
    notify : callable, optional
        Called with a short text as the work goes on.

    Raises
    ------
    FitError
        If there is nothing to learn from, the fit does not converge or a worker is lost; nothing is stored
        then.
    BookError
        If the folder holds something else, or the records changed since; nothing is stored then.
    """
    from functools import partial

    import numpy as np

    from leadline.book import Book, dataset
    from leadline.decide.fleet import learn_in_parts
    from leadline.model.workers import fleet

    about = dataset.opened(folder)
    with Book.open(book) as opened:
        version, counts = opened.data_version, opened.counts()
    if version != about.data_version or about.counts != {name: counts[name] for name in about.counts}:
        raise BookError(
            f"{folder}: not of this book as it is now; write it anew with `leadline export DIR --parts N`"
        )
    reads = [partial(dataset.read, folder.resolve(), part) for part in range(about.parts)]
    latest = np.datetime64(about.latest or "NaT", "s")
    with fleet(workers=workers, scheduler=scheduler) as crew:
        harvest = learn_in_parts(crew, reads, latest=latest, notify=notify)
    if not harvest.counts["observations"]:
        raise FitError(NOTHING)
    with Book.open(book, write=True) as opened:
        opened.save_fit(harvest.fit.to_bytes(), version, {**harvest.counts, **harvest.fit.diagnostics})
    return harvest


def short_document(harvest: Harvest) -> dict[str, Any]:
    """What was learned from parts, ready for JSON; masses in kg."""
    from leadline.decide.spread import spreads

    return {
        "counts": harvest.counts,
        "spread": [asdict(spread) for spread in spreads(harvest.fit)],
        "breath_range": asdict(harvest.breath),
        "effects": [asdict(effect) for effect in harvest.effects],
        "contradictions": [asdict(kit) for kit in harvest.contradictions],
        "convergence": asdict(harvest.convergence),
        "fit": harvest.fit.diagnostics,
    }


def document(findings: Findings) -> dict[str, Any]:
    """All that was found, ready for JSON; masses in kg."""
    from leadline.decide.spread import spreads

    return {
        "counts": findings.counts,
        "spread": [asdict(spread) for spread in spreads(findings.fit)],
        "breath_range": asdict(findings.breath),
        "parts": [asdict(part) for part in findings.parts],
        "effects": [asdict(effect) for effect in findings.effects],
        "contradictions": [asdict(kit) for kit in findings.contradictions],
        "doubts": [asdict(doubt) for doubt in findings.doubts],
        "convergence": asdict(findings.convergence),
        "fit": findings.fit.diagnostics,
        "evidence_hash": findings.evidence_hash,
        "excess_kg": None if isnan(findings.excess_kg) else findings.excess_kg,
    }
