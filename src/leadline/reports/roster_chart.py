"""The chart of a roster: mean margin from the first dive of a course to the last."""

from __future__ import annotations

from typing import Final

import numpy as np

from leadline.decide.roster_data import Curve
from leadline.reports.canvas import Canvas
from leadline.reports.chart import Variant
from leadline.reports.phrase import MINUS
from leadline.reports.reading import Reading
from leadline.reports.scale import Scale, round_step
from leadline.reports.svg import writing

__all__ = ["draw"]

LIMIT: Final = 2.0
"""Lead over need that counts as too heavy. [kg]"""

SMALLEST, LARGEST = 4.0, 10.0
"""Sizes of the marks, by the number of students behind them. [px]"""

FEWEST: Final = 8.0
"""A short course does not fill the chart."""

MARGINS: Final = (30.0, 8.0, 26.0, 40.0)
"""Left, right, above and below the chart. [px]"""

LABEL_WIDTH: Final = 40.0
"""Room for one number under the axis. [px]"""


def draw(curve: Curve, variant: Variant, *, reading: Reading) -> str:
    """Inline SVG of the mean margin by number of the dive.

    Parameters
    ----------
    curve : Curve
        What to draw.
    variant : Variant
        How large.
    reading : Reading
        Units of the axis.

    Returns
    -------
    str
        One `svg` element.
    """
    with writing():
        margin, smooth = reading.masses(curve.margin), reading.masses(curve.smooth)
        limit = reading.convert(LIMIT, "mass")
        scale = Scale.over([*margin, 0.0, limit])
        canvas = Canvas(
            variant.width,
            variant.height,
            margins=MARGINS,
            across=(0.5, max(float(curve.number[-1]), FEWEST) + 0.5),
            up=(scale.low, scale.high),
        )
        _axes(canvas, curve, scale, reading, most=int(variant.width / LABEL_WIDTH))
        canvas.level(0.0, colour="muted", width=1.0, part="zero")
        canvas.level(limit, colour="muted", width=1.0, dashed=True, part="limit")
        if not np.isnan(smooth).any():
            canvas.line(curve.number, smooth, colour="median", width=1.6, part="smooth")
        sizes = SMALLEST + (LARGEST - SMALLEST) * np.sqrt(curve.students / curve.students.max())
        for number, mean, size in zip(curve.number, margin, sizes, strict=True):
            canvas.marks(
                [number],
                [mean],
                shape="o",
                size=float(size),
                face="ink",
                edge="paper",
                width=0.8,
                part="mean",
            )
        label = (
            f"Mean margin on {len(curve.number)} dives of the courses, from "
            f"{margin[0]:.1f} to {margin[-1]:.1f} {reading.unit('mass')}; listed in the table below"
        )
        return canvas.inline(kind=variant.name, prefix="course", label=label.replace("-", MINUS))


def _axes(canvas: Canvas, curve: Curve, scale: Scale, reading: Reading, *, most: int) -> None:
    """Levels of the margin, numbers of the dives, and what both are."""
    step = round_step(scale.high - scale.low, 5)
    ticks = [float(t) for t in scale.ticks()]
    canvas.levels(ticks, [f"{t:.{0 if step >= 1 else 1}f}".replace("-", MINUS) for t in ticks])
    canvas.heading(f"{reading.unit('mass')} over need", 12)
    for number in curve.number[:: int(np.ceil(len(curve.number) / most))]:
        canvas.tick(float(number))
        canvas.words(str(number), float(canvas.column(number)), canvas.bottom - 18)
    canvas.words("dive of the course", (MARGINS[0] + canvas.width - MARGINS[1]) / 2, canvas.bottom - 34)
