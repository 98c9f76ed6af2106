"""`leadline backtest`: replay the book and say whether its bands can be trusted."""

from __future__ import annotations

import math
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import read, single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption
from leadline.cli.output import note, quantity, show
from leadline.errors import LeadlineError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import RenderableType

    from leadline.decide.backtest import Backtest, Score

__all__ = ["document", "register", "view"]

_NAMES: Final = {
    "all": "all",
    "0": "no earlier dive",
    "1-3": "1 to 3 earlier",
    "4-10": "4 to 10 earlier",
    ">10": "over 10 earlier",
    "stop": "hovered stops",
    "hand_off": "after hand-offs",
    "litres": "BC gas estimated",
    "waterline": "surface checks",
    "model": "these bands",
    "prior": "physics alone",
    "last_lead": "the last lead",
    "mixed_model": "mixed model",
    "ridge": "Bayesian ridge",
}
"""Lines of the tables."""


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(backtest)


def backtest(
    since: Annotated[
        datetime | None,
        typer.Option("--since", formats=["%Y-%m-%d"], metavar="DATE", help="Score only from this day on."),
    ] = None,
    cuts: Annotated[
        int, typer.Option("--cuts", min=1, max=200, help="How often all divers are learned from anew.")
    ] = 6,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Also write a page with the plots.")
    ] = None,
    book: BookOption = None,
    units: UnitsOption = "metric",
    as_json: JsonOption = False,
) -> None:
    """Replay the book: each dive foretold from what was known before it, and scored.

    Says whether the bands of this book can be trusted. Nothing is stored.
    """
    single_thread()
    if out is not None and not out.absolute().parent.is_dir():
        raise LeadlineError(f"{out}: there is no folder {out.parent}; make it or name another")
    import numpy as np

    from leadline.book.destination import must_be_writable
    from leadline.cli.learn import notice
    from leadline.decide import backtest as replayed

    if out is not None:
        must_be_writable(out)
    holding, _ = read(book, notify=lambda _: None)  # it learns anew
    with notice("replaying") as notify:
        found = replayed.backtest(
            holding.records,
            cuts=cuts,
            since=None if since is None else np.datetime64(since.date(), "D"),
            notify=notify,
        )
    if out is not None:
        from leadline.reports import reliability

        reliability.write(found, out, units=units, book=holding.book)
    show(document(found, out), lambda: view(found, units, out), as_json=as_json)
    for cut in found.cuts:
        if not cut.fitted:
            note(f"the fit of {cut.date} did not converge; the one before served on")


def _score(score: Score) -> dict[str, Any]:
    masses = ("crps", "rmse", "bias", "noise")
    return {f"{name}_kg" if name in masses else name: value for name, value in asdict(score).items()}


def document(found: Backtest, page: Path | None = None) -> dict[str, Any]:
    """All that was found, ready for JSON; masses in kg.

    Parameters
    ----------
    found : Backtest
        From `leadline.decide.backtest`.
    page : Path, optional
        The page that was written.

    Returns
    -------
    dict
        Scores that cannot be told are NaN, which JSON has as null.
    """
    from leadline.decide.verdict import LEVELS

    return {
        "trusted": found.verdict.trusted,
        "sentence": found.verdict.sentence,
        "divers": found.divers,
        "undated": found.undated,
        "levels": list(LEVELS),
        "overall": _score(found.overall),
        "by_earlier_dives": [_score(score) for score in found.groups],
        "by_kind": [_score(score) for score in found.kinds],
        "rivals": [_score(score) for score in found.rivals],
        "stop_results": [asdict(word) for word in found.words],
        "brier_parts": asdict(found.parts),
        "lead_and_residual": asdict(found.hint),
        "cuts": [{"date": cut.date, "dives": cut.dives, "fitted": cut.fitted} for cut in found.cuts[1:]],
        "page": None if page is None else str(page),
    }


def view(found: Backtest, units: Units, page: Path | None = None) -> RenderableType:
    """What was found, for people.

    Parameters
    ----------
    found : Backtest
        From `leadline.decide.backtest`.
    units : {"metric", "imperial"}
        Of what is read.
    page : Path, optional
        The page that was written.

    Returns
    -------
    rich renderable
        Fits 80 columns.
    """
    from rich.console import Group

    from leadline.cli.paragraph import wrapped
    from leadline.decide.sentence import STANDING
    from leadline.reports.reliability import HINT, NOISE, bare_text, hint_text

    told = [score for score in (found.overall, *found.groups, *found.kinds) if score.readings]
    stops = [score for score in (found.overall, *found.groups) if score.results]
    parts: list[RenderableType] = [
        wrapped(found.verdict.sentence),
        "",
    ]
    if told:
        parts += [_bands(told, units), wrapped(f"{NOISE} {bare_text(found.overall)}"), ""]
    if stops:
        parts += [_stops(stops), _words(found)]
    parts += [_rivals(found.rivals, units), wrapped(HINT), "", wrapped(hint_text(found.hint)), ""]
    if page is not None:
        parts += [f"The same with plots: {page}", ""]
    return Group(*parts, wrapped(STANDING))


def _figure(value: float, digits: int = 2) -> str:
    return "" if math.isnan(value) else f"{value:.{digits}f}"


def _mass(value: float, units: Units) -> str:
    return quantity(value, "kg", units=units, digits=2).partition(" ")[0]


def _unit(units: Units) -> str:
    return "lb" if units == "imperial" else "kg"


def _figures(title: str, headers: Sequence[str], rows: Sequence[Sequence[object]]) -> RenderableType:
    """A table whose first column is words and whose others are figures."""
    from rich import box
    from rich.table import Table

    made = Table(
        title=title or None, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True
    )
    for number, header in enumerate(headers):
        made.add_column(header, justify="right" if number else "left", no_wrap=True)
    for row in rows:
        made.add_row(*(str(cell) for cell in row))
    return made


def _bands(scores: Sequence[Score], units: Units) -> RenderableType:
    rows = []
    for score in scores:
        held = [f"{100 * s.share:.0f} ({100 * s.low:.0f}-{100 * s.high:.0f})" for s in score.coverage]
        error = [_mass(value, units) for value in (score.rmse, score.noise)]
        rows.append([_NAMES[score.name], score.readings, *held, *error])
    headers = ["", "count", "50 %", "80 %", "95 %", f"off, {_unit(units)}", "noise"]
    return _figures("Readings of need inside the bands, in % (95 % interval)", headers, rows)


def _stops(scores: Sequence[Score]) -> RenderableType:
    rows = [
        [_NAMES[score.name], score.results, _figure(score.log_score, 3), _figure(score.brier, 3)]
        for score in scores
    ]
    return _figures("Stop results, BC empty (less is better)", ["", "stops", "log score", "Brier"], rows)


def _words(found: Backtest) -> RenderableType:
    rows = [[word.word, f"{word.foretold:.0f}", word.seen] for word in found.words]
    return _figures("", ["result", "foretold", "seen"], rows)


def _rivals(scores: Sequence[Score], units: Units) -> RenderableType:
    rows = [
        [
            _NAMES[score.name],
            *(_mass(value, units) for value in (score.crps, score.rmse, score.bias)),
            *(f"{100 * share.share:.0f} %" if share.count else "" for share in score.coverage[1:]),
            _figure(score.log_score),
            _figure(score.brier),
        ]
        for score in scores
        if score.readings or score.results
    ]
    count = f"{scores[0].readings} readings and {scores[0].results} stops"
    headers = ["", f"CRPS, {_unit(units)}", "off", "bias", "in 80 %", "in 95 %", "log score", "Brier"]
    return _figures(f"Beside simple rivals, on {count} foretold by all", headers, rows)
