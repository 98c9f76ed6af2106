"""The chart of a season: the band of need dive by dive, the lead carried, and what was seen.

Each dive is a column of equal width, so that a change of kit is a step and not a slope, and one dive
is as visible as a hundred. The chart holds no text of the user's: labels of suits stand in the page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.season_data import SeasonChecks, SeasonDives
from leadline.reports.marks import MARKS, marks_in
from leadline.reports.phrase import MINUS, MONTHS, calendar_day
from leadline.reports.reading import Reading
from leadline.reports.scale import round_step
from leadline.reports.svg import COLOURS, drawing, inline

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["VARIANTS", "Panel", "Variant", "draw"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

FEWEST_COLUMNS: Final = 12
"""A short season does not fill the chart: there is room for the dives to come."""


@dataclass(frozen=True)
class Variant:
    """One size of the chart; lengths in CSS pixels at full size.

    Parameters
    ----------
    name : str
        Also the class of the `svg` element.
    width, height : float
        Size. [px]
    """

    name: str
    width: float
    height: float


VARIANTS: Final = (Variant("wide", 736, 264), Variant("narrow", 346, 236))

LETTER_WIDTH: Final = 11.0
"""Room for one letter of kit. [px]"""

DATE_WIDTH: Final = 58.0
"""Room for one date under the axis. [px]"""


@dataclass(frozen=True)
class Panel:
    """The dives and checks that share one chart.

    Parameters
    ----------
    suit : tuple of str
        Labels of the suits in it.
    dives : SeasonDives
        In order of date.
    checks : SeasonChecks
        In order of date.
    letters : tuple of str
        For each dive the letter of its suit and kit; the band breaks where it changes.
    low, high : float
        Range of the axis, in the unit shown; all panels span the same length.
    """

    suit: tuple[str, ...]
    dives: SeasonDives
    checks: SeasonChecks
    letters: tuple[str, ...]
    low: float
    high: float


def draw(panel: Panel, variant: Variant, *, reading: Reading, prefix: str, label: str) -> str:
    """Inline SVG of one panel.

    Parameters
    ----------
    panel : Panel
        What to draw.
    variant : Variant
        How large.
    reading : Reading
        Units of the axis.
    prefix : str
        Put before the ids of the drawing, unique on the page.
    label : str
        What the picture shows, in words without markup characters.

    Returns
    -------
    str
        One `svg` element.
    """
    from matplotlib.figure import Figure

    left, right, top, bottom = 30.0, 6.0, 30.0, 34.0
    with drawing():
        figure = Figure(figsize=(variant.width / 72, variant.height / 72), dpi=72, frameon=False)
        axes = figure.add_axes(
            (
                left / variant.width,
                bottom / variant.height,
                1 - (left + right) / variant.width,
                1 - (top + bottom) / variant.height,
            ),
            frameon=False,
        )
        breaks = _breaks(panel.letters)
        x = _columns(breaks)
        end = max(FEWEST_COLUMNS, (x[-1] if len(x) else 0.0) + 1 + bool(len(panel.checks)))
        axes.set_xlim(-0.75, end - 0.25)
        axes.set_ylim(panel.low, panel.high)
        column = (variant.width - left - right) / (end + 0.5)
        _axis_of_mass(axes, panel, reading)
        _axis_of_dates(axes, panel.dives.date, x, column=column)
        _band(axes, panel.dives, x, breaks, reading, column=column)
        _kit_letters(axes, panel, x, breaks, column=column)
        _dive_marks(axes, panel, x, reading, size=float(np.clip(0.85 * column, 3.4, 7.5)))
        _check_marks(axes, panel, x, reading)
        return inline(figure, kind=variant.name, prefix=prefix, label=label)


def _breaks(letters: Sequence[str]) -> BoolArray:
    """True where a dive's kit is not that of the dive before it."""
    kit = np.array(letters, object)
    changed = np.zeros(len(kit), bool)
    changed[1:] = kit[1:] != kit[:-1]
    return changed


def _columns(breaks: BoolArray) -> FloatArray:
    """Middle of each column: one unit apart, and a gap at each break; all gaps take an eighth at most."""
    n, count = len(breaks), int(breaks.sum())
    gap = min(max(0.4, n / 40), n / 8 / count) if count else 0.0
    return np.arange(n) + gap * np.cumsum(breaks)


def _runs(breaks: BoolArray, known: BoolArray) -> list[NDArray[np.int64]]:
    """Rows of each unbroken stretch in which the numbers are known."""
    rows = np.arange(len(breaks))
    stretch = np.cumsum(breaks | ~known | np.concatenate([[False], ~known[:-1]])) if len(rows) else rows
    return [rows[(stretch == s) & known] for s in np.unique(stretch[known])]


def _steps(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Corners of a line that is level over each column."""
    return np.stack([x - 0.5, x + 0.5], axis=1).ravel(), np.repeat(y, 2)


def _band(
    axes: Axes, dives: SeasonDives, x: FloatArray, breaks: BoolArray, reading: Reading, *, column: float
) -> None:
    weight = 1.7 if column > 7 else 1.1
    need, lead = reading.masses(dives.need), reading.masses(dives.lead)
    for rows in _runs(breaks, np.asarray(~np.isnan(need).any(axis=1))):
        for name, low, high, z in (("outer", 0, 4, 1), ("inner", 1, 3, 2)):
            lower, upper = _steps(x[rows], need[rows, low]), _steps(x[rows], need[rows, high])
            axes.fill(
                np.concatenate([lower[0], upper[0][::-1]]),
                np.concatenate([lower[1], upper[1][::-1]]),
                facecolor=COLOURS[name],
                edgecolor=COLOURS["edge"] if name == "outer" else "none",
                linewidth=0.7,
                zorder=z,
                gid=f"part:{name}",
            )
        axes.plot(
            *_steps(x[rows], need[rows, 2]), color=COLOURS["median"], lw=1.3, zorder=3, gid="part:median"
        )
    for rows in _runs(breaks, ~np.isnan(lead)):
        line = _steps(x[rows], lead[rows])
        axes.plot(*line, color=COLOURS["paper"], lw=2 * weight, zorder=4)
        axes.plot(*line, color=COLOURS["ink"], lw=weight, zorder=4.1, gid="part:lead")


def _kit_letters(axes: Axes, panel: Panel, x: FloatArray, breaks: BoolArray, *, column: float) -> None:
    """The letter of the kit above each stretch that has room for it."""
    if len(set(panel.letters)) < 2:
        return
    for rows in _runs(breaks, np.ones(len(x), bool)):
        letter = panel.letters[rows[0]]
        if len(rows) * column < LETTER_WIDTH * len(letter):
            continue
        axes.annotate(
            letter,
            xy=(x[rows].mean(), 1),
            xycoords=("data", "axes fraction"),
            xytext=(0, 2),
            textcoords="offset points",
            ha="center",
            fontsize=11,
            fontweight="bold",
            color=COLOURS["ink"],
        )


def _mark(axes: Axes, kind: str, x: FloatArray, y: FloatArray, size: float) -> None:
    mark = MARKS[kind]
    axes.plot(
        x,
        y,
        linestyle="none",
        marker=mark.shape,
        markersize=size,
        markerfacecolor=COLOURS[mark.colour] if mark.filled else COLOURS["paper"],
        markeredgecolor=COLOURS["paper"] if mark.filled else COLOURS[mark.colour],
        markeredgewidth=0.6 if mark.filled else 1.2,
        zorder=6 if mark.shape == "o" else 7,
        clip_on=False,
        gid=f"part:{kind}",
    )


def _dive_marks(axes: Axes, panel: Panel, x: FloatArray, reading: Reading, *, size: float) -> None:
    dives = panel.dives
    lead = reading.masses(dives.lead)
    after = lead - reading.masses(dives.handed_off)
    axes.vlines(
        x[~np.isnan(after)],
        lead[~np.isnan(after)],
        after[~np.isnan(after)],
        colors=COLOURS["hand"],
        linewidth=1.2,
        zorder=5,
    )
    for kind, rows in marks_in(dives, panel.checks).items():
        if kind.startswith("check"):
            continue
        y = after if kind.startswith("hand") else lead
        drawn = rows & ~np.isnan(y)
        if drawn.any():
            # What went wrong stays visible where the dives are crowded.
            larger = 1.0 if MARKS[kind].shape == "o" else 1.25
            _mark(axes, kind, x[drawn], y[drawn], max(size * larger, 3.4 if larger == 1 else 5.5))


def _check_marks(axes: Axes, panel: Panel, x: FloatArray, reading: Reading) -> None:
    checks = panel.checks
    need, sd = reading.masses(checks.need), reading.masses(checks.need_sd)
    # A check stands between the dives before it and those after it; unknown dates come last.
    before = (panel.dives.date[None, :] < checks.date[:, None]).sum(axis=1)
    before = np.where(np.isnat(checks.date), len(x), before)
    right = np.concatenate([x, [x[-1] + 1.25 if len(x) else 0.5]])[before]
    # Several checks in one gap, as on one day at the water's edge, stand side by side.
    order = np.array([(before[:i] == b).sum() + 1 for i, b in enumerate(before)], float)
    at = right - 1 + order / (1 + (before[:, None] == before[None, :]).sum(axis=1))
    axes.vlines(at, need - sd, need + sd, colors=COLOURS["check"], linewidth=1.4, zorder=5)
    for kind, rows in marks_in(panel.dives, checks).items():
        if kind.startswith("check") and (rows & ~np.isnan(need)).any():
            drawn = rows & ~np.isnan(need)
            _mark(axes, kind, at[drawn], need[drawn], 6.5)


def _text(text: str) -> dict[str, Any]:
    return {"fontsize": 11, "color": COLOURS["muted"], "text": text}


def _axis_of_mass(axes: Axes, panel: Panel, reading: Reading) -> None:
    step = round_step(panel.high - panel.low, 5)
    ticks = np.arange(np.ceil(panel.low / step), np.floor(panel.high / step + 1e-9) + 1) * step
    decimals = 0 if step >= 1 else 1
    labels = [f"{t:.{decimals}f}".replace("-", MINUS) for t in ticks + 0.0]
    axes.set_yticks(ticks, labels, fontsize=11, color=COLOURS["muted"], gid="part:mass")
    axes.tick_params(axis="y", length=0, pad=5)
    axes.grid(axis="y", color=COLOURS["rule"], linewidth=0.7, zorder=0, gid="part:level")
    axes.set_axisbelow(True)
    if panel.low < 0 < panel.high:
        axes.axhline(0, color=COLOURS["muted"], linewidth=1.0, zorder=0.5)
    axes.annotate(
        xy=(0, 1),
        xycoords="axes fraction",
        xytext=(-24, 16),
        textcoords="offset points",
        **_text(f"{reading.unit('mass')} of lead"),
    )


def _axis_of_dates(axes: Axes, date: NDArray[np.datetime64], x: FloatArray, *, column: float) -> None:
    """Day and month under some columns, and the year where it is not that of the label before."""
    rows = np.arange(0, len(x), int(np.ceil(DATE_WIDTH / column)))
    days = [calendar_day(moment) for moment in date[rows]]
    labels = ["no date" if d is None else f"{d.day} {MONTHS[d.month - 1]}" for d in days]
    axes.set_xticks(x[rows], labels, fontsize=11, color=COLOURS["muted"], gid="part:date")
    axes.tick_params(axis="x", length=4, pad=4, color=COLOURS["muted"])
    year = 0
    for place, d in zip(x[rows], days, strict=True):
        if d is not None and d.year != year:
            year = d.year
            # A label of its own: two lines in one would be centred by the measures of another font.
            axes.annotate(
                str(year),
                xy=(place, 0),
                xycoords=("data", "axes fraction"),
                xytext=(0, -31),
                textcoords="offset points",
                ha="center",
                fontsize=11,
                color=COLOURS["muted"],
            )
