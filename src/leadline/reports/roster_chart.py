"""The chart of a roster: mean margin from the first dive of a course to the last."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from leadline.decide.roster_data import Curve
from leadline.reports.chart import Variant
from leadline.reports.phrase import MINUS
from leadline.reports.reading import Reading
from leadline.reports.scale import Scale, round_step
from leadline.reports.svg import COLOURS, drawing, inline

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw"]

LIMIT: Final = 2.0
"""Lead over need that counts as too heavy. [kg]"""

SMALLEST, LARGEST = 4.0, 10.0
"""Sizes of the marks, by the number of students behind them. [px]"""

FEWEST: Final = 8.0
"""A short course does not fill the chart."""

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
    from matplotlib.figure import Figure

    left, right, top, bottom = 30.0, 8.0, 26.0, 40.0
    width, height = variant.width, variant.height
    margin = reading.masses(curve.margin)
    scale = Scale.over([*margin, 0.0, reading.convert(LIMIT, "mass")])
    with drawing():
        figure = Figure(figsize=(width / 72, height / 72), dpi=72, frameon=False)
        box = (left / width, bottom / height, 1 - (left + right) / width, 1 - (top + bottom) / height)
        axes = figure.add_axes(box, frameon=False)
        axes.set_xlim(0.5, max(float(curve.number[-1]), FEWEST) + 0.5)
        axes.set_ylim(scale.low, scale.high)
        _axes(axes, curve, scale, reading, most=int(width / LABEL_WIDTH))
        _marks(axes, curve, reading)
        label = (
            f"Mean margin on {len(curve.number)} dives of the courses, from "
            f"{margin[0]:.1f} to {margin[-1]:.1f} {reading.unit('mass')}; listed in the table below"
        )
        return inline(figure, kind=variant.name, prefix="course", label=label.replace("-", MINUS))


def _axes(axes: Axes, curve: Curve, scale: Scale, reading: Reading, *, most: int) -> None:
    """Levels of the margin, numbers of the dives, and what both are."""
    step = round_step(scale.high - scale.low, 5)
    ticks = scale.ticks()
    labels = [f"{t:.{0 if step >= 1 else 1}f}".replace("-", MINUS) for t in ticks]
    axes.set_yticks(ticks, labels, fontsize=11, color=COLOURS["muted"], gid="part:mass")
    axes.tick_params(axis="y", length=0, pad=5)
    axes.grid(axis="y", color=COLOURS["rule"], linewidth=0.7)
    axes.set_axisbelow(True)
    numbers = curve.number[:: int(np.ceil(len(curve.number) / most))]
    axes.set_xticks(numbers, [str(n) for n in numbers], fontsize=11, color=COLOURS["muted"])
    axes.tick_params(axis="x", length=4, pad=4, color=COLOURS["muted"])
    note: dict[str, Any] = {"textcoords": "offset points", "fontsize": 11, "color": COLOURS["muted"]}
    unit = f"{reading.unit('mass')} over need"
    axes.annotate(unit, xy=(0, 1), xycoords="axes fraction", xytext=(-24, 12), **note)
    middle: dict[str, Any] = {"xy": (0.5, 0), "xycoords": "axes fraction", "xytext": (0, -34), "ha": "center"}
    axes.annotate("dive of the course", **middle, **note)


def _marks(axes: Axes, curve: Curve, reading: Reading) -> None:
    """Lead just right, the limit, the smooth line and the means."""
    limit = reading.convert(LIMIT, "mass")
    axes.axhline(0, color=COLOURS["muted"], linewidth=1.0, gid="part:zero")
    axes.axhline(limit, color=COLOURS["muted"], linewidth=1.0, linestyle=(0, (5, 4)), gid="part:limit")
    smooth = reading.masses(curve.smooth)
    axes.plot(curve.number, smooth, color=COLOURS["median"], lw=1.6, gid="part:smooth")
    size = SMALLEST + (LARGEST - SMALLEST) * np.sqrt(curve.students / curve.students.max())
    axes.scatter(
        curve.number,
        reading.masses(curve.margin),
        s=size**2,
        color=COLOURS["ink"],
        edgecolors=COLOURS["paper"],
        linewidths=0.8,
        zorder=4,
        clip_on=False,
        gid="part:mean",
    )
