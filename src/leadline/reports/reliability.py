"""The page of a backtest: what the bands held, chances foretold against what was seen, and the rivals."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from markupsafe import Markup

import leadline
from leadline.frozen import dataclass
from leadline.reports import page
from leadline.reports.reading import Reading
from leadline.reports.svg import COLOURS, drawing, inline

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from leadline.decide.backtest import Backtest, Score, Word
    from leadline.decide.scores import Link

__all__ = ["HINT", "NAMES", "NOISE", "bare_text", "draw_bands", "draw_words", "hint_text", "render", "write"]

NOISE: Final = (
    "A reading is the middle of the interval that a record gives: a stop that hovered with the BC empty or "
    "with its gas estimated, a hand-off, a waterline. Its noise (the width of that interval, the gauge, the "
    "estimate, the observer's judgement, the share of wrong records) is added to the band before it is asked "
    "whether the reading lies inside. That flatters a band somewhat, most of all at stops that hovered, "
    "which are readings only because the lead was near."
)
"""How the noise of readings is accounted for."""

HINT: Final = (
    "The last lead, the mixed model and the Bayesian ridge take the lead carried for the lead needed; they "
    "learned from the same dives at the same times. Bias: reading less forecast, positive where more is "
    "needed."
)
"""What the rivals are."""

NAMES: Final = {
    "all": "All",
    "0": "No earlier dive",
    "1-3": "1 to 3 earlier dives",
    "4-10": "4 to 10 earlier dives",
    ">10": "Over 10 earlier dives",
    "stop": "Stops that hovered, BC empty",
    "hand_off": "After hand-offs",
    "litres": "Stops with BC gas estimated",
    "waterline": "Surface checks",
    "model": "These bands",
    "prior": "Physics alone",
    "last_lead": "The last lead carried",
    "mixed_model": "Mixed model of leads carried",
    "ridge": "Bayesian ridge of leads carried",
}
"""Lines of the tables."""

_MARKS: Final = {"rose": ("^", "rose"), "hovered": ("o", "median"), "sank": ("v", "sank")}


@dataclass(frozen=True)
class Size:
    """One size of a plot; lengths in CSS pixels at full size.

    Parameters
    ----------
    name : str
        Class of the `svg` element.
    width : float
        [px]
    columns : int
        Panels side by side.
    """

    name: str
    width: float
    columns: int


SIZES: Final = (Size("wide", 736, 3), Size("narrow", 346, 1))


def bare_text(score: Score) -> str:
    """What the bands held with the readings taken as exact, in words.

    Parameters
    ----------
    score : Score
        With any reading.

    Returns
    -------
    str
        One sentence.
    """
    held = [f"{100 * share.share:.0f}" for share in score.bare_coverage]
    return (
        f"Taken as exact the readings lie inside {', '.join(held[:-1])} and {held[-1]} %: too few, since "
        "they have noise. What the bands hold of need itself lies between."
    )


def hint_text(link: Link) -> str:
    """What the correlation of lead carried with later residuals says, in words.

    Parameters
    ----------
    link : Link
        Of the lead of the dive before, over the need foretold, and of the reading over it.

    Returns
    -------
    str
        One or two sentences.
    """
    if np.isnan(link.correlation):
        return "Whether the lead carried before says more than the records cannot be told yet."
    says = (
        "what people carry knows something of need that the records do not say"
        if link.low > 0
        else "those who carry more later need less than foretold"
        if link.high < 0
        else "what people carry says nothing sure of need beyond the records"
    )
    return (
        f"Lead of the dive before, over the need foretold, against what was read over it: correlation "
        f"{link.correlation:+.2f} ({link.low:+.2f} to {link.high:+.2f}) over {link.count} readings: {says}."
    )


def render(found: Backtest, *, units: str, book: str, generated: datetime | None = None) -> str:
    """The page as HTML without scripts, links or fetched parts.

    Parameters
    ----------
    found : Backtest
        What to show; nothing is added to it.
    units : str
        metric or imperial: what the reader sees.
    book : str
        Named on the page.
    generated : datetime, optional
        Default now.

    Returns
    -------
    str
        The page.
    """
    groups = [score for score in (found.overall, *found.groups) if score.readings]
    words = [word for word in found.words if word.bins]
    return page.render(
        "backtest.html.j2",
        {
            "found": found,
            "read": Reading(units),
            "names": NAMES,
            "noise": NOISE,
            "rivals_are": HINT,
            "bare": bare_text(found.overall) if groups else "",
            "hint": hint_text(found.hint),
            # Safe to print as they are: the drawings hold no text of the user's.
            "bands": [Markup(draw_bands(groups, size)) for size in SIZES] if groups else [],  # noqa: S704
            "words": [Markup(draw_words(words, size)) for size in SIZES] if words else [],  # noqa: S704
            "book": book,
            "generated": generated or datetime.now(),
            "version": leadline.__version__,
        },
    )


def write(found: Backtest, path: str | os.PathLike[str], *, units: str, book: str) -> Path:
    """Write the page to a file, whole or not at all.

    Parameters
    ----------
    found : Backtest
        What to show.
    path : path-like
        File to make or replace; its folder must exist.
    units, book : str
        As for `render`.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    LeadlineError
        If the file cannot be written.
    """
    return page.write_text(render(found, units=units, book=book), path)


def _text(**more: Any) -> dict[str, Any]:
    return {"fontsize": 11, "color": COLOURS["muted"], **more}


def _axes(figure: Any, left: float, top: float, width: float, height: float) -> Axes:
    """Axes placed in pixels from the left and from the top."""
    whole_width, whole_height = figure.get_size_inches() * 72
    box = (
        left / whole_width,
        1 - (top + height) / whole_height,
        width / whole_width,
        height / whole_height,
    )
    axes: Axes = figure.add_axes(box, frameon=False)
    return axes


def _percent_axis(axes: Axes, which: str, ticks: Sequence[float]) -> None:
    set_ticks = axes.set_xticks if which == "x" else axes.set_yticks
    set_ticks(list(ticks), [f"{100 * t:.0f}" for t in ticks], fontsize=11, color=COLOURS["muted"])
    axes.tick_params(axis=which, length=0, pad=5)  # type: ignore[arg-type]  # a word that is one of two
    axes.grid(axis=which, color=COLOURS["rule"], linewidth=0.7, zorder=0)  # type: ignore[arg-type]  # likewise
    axes.set_axisbelow(True)


def draw_words(words: Sequence[Word], size: Size) -> str:
    """Inline SVG: for each stop result the chance foretold against how often it was seen.

    Parameters
    ----------
    words : sequence of Word
        Those with any prediction.
    size : Size
        How large.

    Returns
    -------
    str
        One `svg` element. Points on the diagonal are chances that can be taken at their word; the bars are
        95 % intervals, and larger points hold more stops.
    """
    from matplotlib.figure import Figure

    cell = size.width / size.columns
    side = min(cell - 62, 210.0)
    pitch = side + 72
    rows = -(-len(words) // size.columns)
    with drawing():
        figure = Figure(figsize=(size.width / 72, rows * pitch / 72), dpi=72, frameon=False)
        for number, word in enumerate(words):
            row, column = divmod(number, size.columns)
            axes = _axes(figure, 40 + column * cell, 24 + row * pitch, side, side)
            _word(axes, word, first=column == 0)
        label = (
            "Stop results: chance foretold against how often each was seen; the numbers stand in the table"
        )
        return inline(figure, kind=size.name, prefix="words", label=label)


def _word(axes: Axes, word: Word, *, first: bool) -> None:
    """One panel."""
    shape, colour = _MARKS[word.word]
    axes.set_xlim(-0.03, 1.03)
    axes.set_ylim(-0.03, 1.03)
    for which in ("x", "y"):
        _percent_axis(axes, which, (0, 0.25, 0.5, 0.75, 1))
    axes.plot([0, 1], [0, 1], color=COLOURS["muted"], linewidth=1, zorder=1)
    for b in word.bins:
        axes.vlines(b.predicted, b.seen.low, b.seen.high, colors=COLOURS[colour], linewidth=1.2, zorder=2)
        axes.plot(
            b.predicted,
            b.seen.share,
            linestyle="none",
            marker=shape,
            markersize=float(np.clip(2.2 * np.sqrt(b.seen.count) ** 0.7, 5, 13)),
            markerfacecolor=COLOURS[colour],
            markeredgecolor=COLOURS["paper"],
            markeredgewidth=0.6,
            zorder=3,
            clip_on=False,
            gid=f"part:{word.word}",
        )
    axes.set_xlabel("foretold, %", labelpad=4, **_text())
    if first:
        axes.set_ylabel("seen, %", labelpad=2, **_text())
    axes.set_title(f"{word.word}", loc="left", fontsize=11, fontweight="bold", color=COLOURS["ink"], pad=7)


def draw_bands(scores: Sequence[Score], size: Size) -> str:
    """Inline SVG: what the bands held, by the number of earlier dives.

    Parameters
    ----------
    scores : sequence of Score
        One line each.
    size : Size
        How large.

    Returns
    -------
    str
        One `svg` element: a point for each band with its 95 % interval, beside the line it should lie on.
    """
    from matplotlib.figure import Figure

    left, pitch = (150.0, 46.0) if size.columns > 1 else (12.0, 62.0)
    height = 30 + pitch * len(scores) + 34
    with drawing():
        figure = Figure(figsize=(size.width / 72, height / 72), dpi=72, frameon=False)
        axes = _axes(figure, left, 30, size.width - left - 12, pitch * len(scores))
        axes.set_xlim(0, 1)
        axes.set_ylim(len(scores) - 0.5, -0.5)
        axes.set_yticks([])
        _percent_axis(axes, "x", (0, 0.25, 0.5, 0.75, 1))
        for level, colour in zip(_levels(), ("sank", "median", "check"), strict=True):
            axes.axvline(level, color=COLOURS[colour], linewidth=1.2, zorder=1)
            axes.annotate(
                f"{100 * level:.0f} %",
                xy=(level, 1),
                xycoords=("data", "axes fraction"),
                xytext=(0, 6),
                textcoords="offset points",
                ha="center",
                **_text(color=COLOURS[colour]),
            )
        for line, score in enumerate(scores):
            _line(axes, line, score, inside=size.columns == 1)
        axes.set_xlabel("readings inside the band, %", labelpad=4, **_text())
        label = "Readings of need inside the bands by earlier dives; the numbers stand in the table"
        return inline(figure, kind=size.name, prefix="bands", label=label)


def _levels() -> tuple[float, ...]:
    from leadline.decide.verdict import LEVELS

    return LEVELS


def _line(axes: Axes, line: int, score: Score, *, inside: bool) -> None:
    """Three points of one group, one under the other so that their bars can be told apart."""
    for share, colour, offset in zip(
        score.coverage, ("sank", "median", "check"), (0.0, 0.13, 0.26), strict=True
    ):
        y = line + offset + (0.02 if inside else -0.13)
        axes.hlines(y, share.low, share.high, colors=COLOURS[colour], linewidth=1.6, zorder=2)
        axes.plot(
            share.share,
            y,
            linestyle="none",
            marker="o",
            markersize=6.5,
            markerfacecolor=COLOURS[colour],
            markeredgecolor=COLOURS["paper"],
            markeredgewidth=0.6,
            zorder=3,
            clip_on=False,
            gid="part:held",
        )
    axes.annotate(
        NAMES[score.name],
        xy=(0, line - (0.28 if inside else 0.0)),
        xytext=(2, 0) if inside else (-140, 0),
        textcoords="offset points",
        va="center",
        fontsize=11,
        color=COLOURS["ink"],
    )
