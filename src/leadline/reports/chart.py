"""The chart of a season: the band of need dive by dive, the lead carried, and what was seen.

Each dive is a column of equal width, so that a change of kit is a step and not a slope, and one dive
is as visible as a hundred. The chart holds no text of the user's: labels of suits stand in the page.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.season_data import SeasonChecks, SeasonDives
from leadline.frozen import dataclass
from leadline.reports.canvas import MIDDLE, Canvas
from leadline.reports.marks import MARKS, marks_in
from leadline.reports.phrase import MINUS, MONTHS, calendar_day
from leadline.reports.reading import Reading
from leadline.reports.scale import round_step
from leadline.reports.svg import writing

__all__ = ["VARIANTS", "Panel", "Variant", "draw", "pauses"]

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

LANE, LANE_BAR, LANES_UP = 11.0, 5.0, 31.0
"""Height of a row of kit, thickness of its bars, and from the box up to the lowest row. [px]"""

DATE_WIDTH: Final = 58.0
"""Room for one date under the axis. [px]"""

DATE_DROP, YEAR_DROP = 16.5, 31.0
"""From the axis down to the baselines of a date and of its year. [px]"""

MARGINS: Final = (30.0, 6.0, 30.0, 34.0)
"""Left, right, above and below the chart. [px]"""

ARROW: Final = 15.0
"""From the mark of a check that gives only a bound to where need lies. [px]"""

PAUSE: Final = np.timedelta64(365, "D")
"""Time without a dive that leaves a mark, since each dive has a column and time has none. [d]"""

CHECK_SIZE: Final = 6.5
"""Size of the mark of a surface check. [px]"""


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
        For each dive the letter of its suit and kit; the band breaks where it changes, and where dives are a
        year apart.
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
    with writing():
        rests = pauses(panel.dives.date)
        breaks = _breaks(panel.letters) | rests
        x = _columns(breaks)
        end = max(FEWEST_COLUMNS, (x[-1] if len(x) else 0.0) + 1 + bool(len(panel.checks)))
        left, right, above, below = MARGINS
        column = (variant.width - left - right) / (end + 0.5)
        lanes = [] if _letters_fit(panel, breaks, column=column) else list(dict.fromkeys(panel.letters))
        more = len(lanes) * LANE
        canvas = Canvas(
            variant.width,
            variant.height + more,
            margins=(left, right, above + more, below),
            across=(-0.75, end - 0.25),
            up=(panel.low, panel.high),
        )
        _axis_of_mass(canvas, panel, reading)
        _axis_of_dates(canvas, panel.dives.date, x, column=column)
        for row in np.flatnonzero(rests):
            middle = (x[row - 1] + x[row]) / 2
            canvas.line(
                (middle, middle),
                (panel.low, panel.high),
                colour="muted",
                width=1.0,
                dashed=True,
                part="pause",
            )
        _band(canvas, panel.dives, x, breaks, reading, column=column)
        if lanes:
            _kit_lanes(canvas, panel, x, breaks, lanes)
        else:
            _kit_letters(canvas, panel, x, breaks)
        _hand_offs(canvas, panel.dives, x, reading)
        at = _places_of_checks(panel, x)
        need, sd = reading.masses(panel.checks.need), reading.masses(panel.checks.need_sd)
        canvas.upright(at, need - sd, need + sd, colour="check", width=1.4)
        side = (panel.checks.need_bound == "at least") * 1.0 - (panel.checks.need_bound == "at most")
        canvas.arrows(at, need, side, length=ARROW, colour="check", width=1.4, part="bound")
        _marks(canvas, panel, x, at, reading, size=float(np.clip(0.85 * column, 3.4, 7.5)))
        return canvas.inline(kind=variant.name, prefix=prefix, label=label)


def _breaks(letters: Sequence[str]) -> BoolArray:
    """True where a dive's kit is not that of the dive before it."""
    kit = np.array(letters, object)
    changed = np.zeros(len(kit), bool)
    changed[1:] = kit[1:] != kit[:-1]
    return changed


def pauses(date: NDArray[np.datetime64]) -> BoolArray:
    """Which dives come a year or more after the one before.

    Parameters
    ----------
    date : ndarray of datetime64, shape (n,)
        In order; NaT where unknown.

    Returns
    -------
    ndarray of bool, shape (n,)
        False where either date is unknown.
    """
    found = np.zeros(len(date), bool)
    found[1:] = np.diff(date) >= PAUSE  # NaT compares false
    return found


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
    canvas: Canvas, dives: SeasonDives, x: FloatArray, breaks: BoolArray, reading: Reading, *, column: float
) -> None:
    """Outer bands, inner bands, middle, then the lead over all of them."""
    weight = 1.7 if column > 7 else 1.1
    need, lead = reading.masses(dives.need), reading.masses(dives.lead)
    runs = _runs(breaks, np.asarray(~np.isnan(need).any(axis=1)))
    for name, low, high, edge in (("outer", 0, 4, "edge"), ("inner", 1, 3, "")):
        for rows in runs:
            lower, upper = _steps(x[rows], need[rows, low]), _steps(x[rows], need[rows, high])
            across, up = (np.concatenate([a, b[::-1]]) for a, b in zip(lower, upper, strict=True))
            canvas.area(across, up, face=name, edge=edge, part=name)
    for rows in runs:
        canvas.line(*_steps(x[rows], need[rows, 2]), colour="median", width=1.3, part="median")
    carried = [_steps(x[rows], lead[rows]) for rows in _runs(breaks, ~np.isnan(lead))]
    for line in carried:
        canvas.line(*line, colour="paper", width=2 * weight)
    for line in carried:
        canvas.line(*line, colour="ink", width=weight, part="lead")


def _stretches(breaks: BoolArray) -> list[NDArray[np.int64]]:
    """Rows of each stretch of the same kit."""
    return _runs(breaks, np.ones(len(breaks), bool))


def _letters_fit(panel: Panel, breaks: BoolArray, *, column: float) -> bool:
    """Whether each stretch is as wide as its letter."""
    return all(
        len(rows) * column >= LETTER_WIDTH * len(panel.letters[rows[0]]) for rows in _stretches(breaks)
    )


def _kit_letters(canvas: Canvas, panel: Panel, x: FloatArray, breaks: BoolArray) -> None:
    """The letter of the kit above each stretch, where there are several kits."""
    if len(set(panel.letters)) < 2:
        return
    for rows in _stretches(breaks):
        middle = float(canvas.column(x[rows].mean()))
        canvas.words(panel.letters[rows[0]], middle, canvas.top + 2, colour="ink", bold=True, part="kit")


def _kit_lanes(canvas: Canvas, panel: Panel, x: FloatArray, breaks: BoolArray, lanes: Sequence[str]) -> None:
    """A row for each kit, the first one uppermost, with a bar over each stretch in which it was used.

    However short a stretch is, the row in which its bar lies says which kit it was.
    """
    middle = {letter: canvas.top + LANES_UP + LANE * i for i, letter in enumerate(reversed(lanes))}
    for letter, y in middle.items():
        canvas.bar(-0.75, x[-1] + 0.5, y, thick=0.7, colour="rule")
        canvas.words(
            letter, MARGINS[0] - 5.0, y - MIDDLE, anchor="right", colour="ink", bold=True, part="kit"
        )
    for rows in _stretches(breaks):
        letter = panel.letters[rows[0]]
        canvas.bar(
            x[rows[0]] - 0.5, x[rows[-1]] + 0.5, middle[letter], thick=LANE_BAR, colour="ink", part="stretch"
        )


def _hand_offs(canvas: Canvas, dives: SeasonDives, x: FloatArray, reading: Reading) -> None:
    """From the lead carried to the lead after a hand-off."""
    lead = reading.masses(dives.lead)
    canvas.upright(x, lead, lead - reading.masses(dives.handed_off), colour="hand", width=1.2)


def _marks(
    canvas: Canvas, panel: Panel, x: FloatArray, at: FloatArray, reading: Reading, *, size: float
) -> None:
    """What was seen; round marks below the others, so that what went wrong stays visible."""
    lead, need = reading.masses(panel.dives.lead), reading.masses(panel.checks.need)
    after = lead - reading.masses(panel.dives.handed_off)
    found = marks_in(panel.dives, panel.checks)
    for kind, rows in sorted(found.items(), key=lambda pair: MARKS[pair[0]].shape != "o"):
        mark = MARKS[kind]
        if kind.startswith("check"):
            place, level, across = at, need, CHECK_SIZE
        else:
            place, level = x, after if kind.startswith("hand") else lead
            across = max(size, 3.4) if mark.shape == "o" else max(1.25 * size, 5.5)
        drawn = rows & ~np.isnan(level)
        if drawn.any():
            canvas.marks(
                place[drawn],
                level[drawn],
                shape=mark.shape,
                size=across,
                face=mark.colour if mark.filled else "paper",
                edge="paper" if mark.filled else mark.colour,
                width=0.6 if mark.filled else 1.2,
                part=kind,
            )


def _places_of_checks(panel: Panel, x: FloatArray) -> FloatArray:
    """Column of each check: between the dives before it and those after it; unknown dates come last."""
    checks = panel.checks
    before = (panel.dives.date[None, :] < checks.date[:, None]).sum(axis=1)
    before = np.where(np.isnat(checks.date), len(x), before)
    right = np.concatenate([x, [x[-1] + 1.25 if len(x) else 0.5]])[before]
    # Several checks in one gap, as on one day at the water's edge, stand side by side.
    order = np.array([(before[:i] == b).sum() + 1 for i, b in enumerate(before)], float)
    return np.asarray(right - 1 + order / (1 + (before[:, None] == before[None, :]).sum(axis=1)))


def _axis_of_mass(canvas: Canvas, panel: Panel, reading: Reading) -> None:
    step = round_step(panel.high - panel.low, 5)
    ticks = np.arange(np.ceil(panel.low / step), np.floor(panel.high / step + 1e-9) + 1) * step + 0.0
    decimals = 0 if step >= 1 else 1
    canvas.levels(ticks, [f"{t:.{decimals}f}".replace("-", MINUS) for t in ticks])
    if panel.low < 0 < panel.high:
        canvas.level(0.0, colour="muted", width=1.0)
    canvas.heading(f"{reading.unit('mass')} of lead", 16)


def _axis_of_dates(canvas: Canvas, date: NDArray[np.datetime64], x: FloatArray, *, column: float) -> None:
    """Day and month under some columns, and the year where it is not that of the label before."""
    year = 0
    for row in range(0, len(x), int(np.ceil(DATE_WIDTH / column))):
        day, middle = calendar_day(date[row]), float(canvas.column(x[row]))
        canvas.tick(float(x[row]))
        label = "no date" if day is None else f"{day.day} {MONTHS[day.month - 1]}"
        canvas.words(label, middle, canvas.bottom - DATE_DROP, part="date")
        if day is not None and day.year != year:
            year = day.year
            canvas.words(str(year), middle, canvas.bottom - YEAR_DROP)
