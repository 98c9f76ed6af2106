"""A small drawing surface over matplotlib's SVG writer: lines, areas, marks and words in data coordinates.

A season of pages holds thousands of drawings. Figures and axes of matplotlib measure and lay out text that
stands in fixed places here, which takes most of the time; its shapes and its writer do all that is needed.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from contextlib import contextmanager
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.reports.svg import COLOURS, embedded

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["FONT_SIZE", "MIDDLE", "Canvas"]

FloatArray = NDArray[np.float64]

FONT_SIZE: Final = 11.0
"""Of all words in a drawing. [px]"""

MIDDLE: Final = 4.0
"""From the middle of a line of words down to its baseline. [px]"""

LEAST: Final = 1.5
"""Of a bar, from end to end. [px]"""

Margins = tuple[float, float, float, float]
Range = tuple[float, float]


class Canvas:
    """One drawing; lengths in CSS pixels, places in the units of its axes unless said otherwise.

    To be used inside `leadline.reports.svg.writing`, from its making to its end.

    Parameters
    ----------
    width, height : float
        Size. [px]
    margins : (float, float, float, float)
        Left, right, top and bottom of the box that the axes span. [px]
    across, up : (float, float)
        Ranges of the axes.
    """

    def __init__(self, width: float, height: float, *, margins: Margins, across: Range, up: Range) -> None:
        from matplotlib.backends.backend_svg import RendererSVG

        self.width, self.height = width, height
        left, right, top, bottom = margins
        self._left, self._bottom, self._top = left, bottom, height - top
        self._right = width - right
        self._across, self._up = across, up
        self._file = io.StringIO()
        nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
        writer: Any = RendererSVG  # has no types
        self._renderer = writer(width, height, self._file, metadata=nothing)

    def column(self, x: ArrayLike) -> FloatArray:
        """Pixels from the left edge."""
        low, high = self._across
        return np.asarray(
            self._left + (np.asarray(x, float) - low) / (high - low) * (self._right - self._left)
        )

    def row(self, y: ArrayLike) -> FloatArray:
        """Pixels from the lower edge."""
        low, high = self._up
        return np.asarray(
            self._bottom + (np.asarray(y, float) - low) / (high - low) * (self._top - self._bottom)
        )

    @contextmanager
    def _part(self, name: str) -> Iterator[None]:
        """A group of the drawing; named parts carry data."""
        self._renderer.open_group("part", gid=f"part:{name}" if name else None)
        yield
        self._renderer.close_group("part")

    def _pen(self, colour: str, width: float, *, join: str = "round", cap: str = "projecting") -> Any:
        pen = self._renderer.new_gc()
        pen.set_linewidth(width)
        pen.set_foreground(COLOURS[colour] if colour else "none")
        pen.set_joinstyle(join)
        pen.set_capstyle(cap)
        return pen

    def _path(self, pen: Any, corners: FloatArray, face: str = "", *, closed: bool = False) -> None:
        from matplotlib.path import Path
        from matplotlib.transforms import IdentityTransform

        path = Path(corners, closed=False)
        if closed:
            codes = [Path.MOVETO, *[Path.LINETO] * (len(corners) - 1), Path.CLOSEPOLY]
            path = Path(np.concatenate([corners, corners[:1]]), codes)
        self._renderer.draw_path(pen, path, IdentityTransform(), _rgb(COLOURS[face]) if face else None)

    def area(self, x: ArrayLike, y: ArrayLike, *, face: str, edge: str = "", part: str = "") -> None:
        """Filled polygon; with an edge where one is named."""
        with self._part(part):
            pen = self._pen(edge or "ink", 0.7 if edge else 0.0, join="miter", cap="butt")
            self._path(pen, np.column_stack([self.column(x), self.row(y)]), face, closed=True)

    def line(
        self, x: ArrayLike, y: ArrayLike, *, colour: str, width: float, dashed: bool = False, part: str = ""
    ) -> None:
        """Line through points."""
        pen = self._pen(colour, width, cap="butt" if dashed else "projecting")
        if dashed:
            pen.set_dashes(0.0, [5.0 * width, 4.0 * width])
        with self._part(part):
            self._path(pen, np.column_stack([self.column(x), self.row(y)]))

    def level(self, y: float, *, colour: str, width: float, dashed: bool = False, part: str = "") -> None:
        """Line from left to right."""
        self.line(self._across, (y, y), colour=colour, width=width, dashed=dashed, part=part)

    def upright(self, x: ArrayLike, low: ArrayLike, high: ArrayLike, *, colour: str, width: float) -> None:
        """A short upright line at each place; none where an end is not known."""
        ends = zip(self.column(x), self.row(low), self.row(high), strict=True)
        for at, bottom, top in ends:
            if not np.isnan(bottom + top):
                self._path(self._pen(colour, width, cap="butt"), np.array([[at, bottom], [at, top]]))

    def arrows(
        self, x: ArrayLike, y: ArrayLike, side: ArrayLike, *, length: float, colour: str, width: float,
        part: str = "",
    ) -> None:  # fmt: skip
        """An arrow from each place, so long [px], up where `side` is over 0 and down where it is under 0."""
        pen = self._pen(colour, width, cap="butt")
        for at, foot, way in zip(self.column(x), self.row(y), np.sign(side), strict=True):
            if way and not np.isnan(foot):
                tip, barb = foot + way * length, way * length / 4
                with self._part(part):
                    self._path(pen, np.array([[at, foot], [at, tip]]))
                self._path(pen, np.array([[at - barb, tip - barb], [at, tip], [at + barb, tip - barb]]))

    def bar(self, low: float, high: float, y: float, *, thick: float, colour: str, part: str = "") -> None:
        """A level bar between places of the axis across, so thick, its middle at `y`. [px from below]."""
        ends = np.asarray(self.column([low, high]))
        if ends[1] - ends[0] < LEAST:  # one dive among hundreds is seen all the same
            ends = ends.mean() + np.array([-LEAST, LEAST]) / 2
        with self._part(part):
            pen = self._pen(colour, thick, cap="butt")
            self._path(pen, np.column_stack([ends, [y, y]]))

    def tick(self, x: float) -> None:
        """A short line below the box."""
        at = float(self.column(x))
        pen = self._pen("muted", 0.8, cap="butt")
        self._path(pen, np.array([[at, self._bottom], [at, self._bottom - 4.0]]))

    def marks(
        self, x: ArrayLike, y: ArrayLike, *, shape: str, size: float, face: str, edge: str, width: float,
        part: str = "",
    ) -> None:  # fmt: skip
        """A mark at each place: o, x, ^, v, s or D, so large across. [px]."""
        from matplotlib.path import Path
        from matplotlib.transforms import IdentityTransform

        outline, transform, join = _shape(shape)
        pen = self._pen(edge, width, join=join, cap="butt")
        places = Path(np.column_stack([self.column(x), self.row(y)]))
        with self._part(part):
            self._renderer.draw_markers(
                pen, outline, transform.frozen().scale(size), places, IdentityTransform(), _rgb(COLOURS[face])
            )

    def words(
        self, text: str, x: float, y: float, *, anchor: str = "center", colour: str = "muted",
        bold: bool = False, part: str = "",
    ) -> None:  # fmt: skip
        """Words whose baseline begins, ends or has its middle at a place in pixels from the lower left."""
        pen, held = self._pen(colour, 0.0), _Anchor(x, y, anchor)
        with self._part(part):
            # The writer wants the place of the words from the top, and that of their anchor from below.
            self._renderer.draw_text(
                pen, x, self.height - y, text, _font(bold), 0.0, ismath=False, mtext=held
            )

    def levels(self, ticks: Iterable[float], labels: Iterable[str]) -> None:
        """A thin line at each tick of the upright axis, and its label before it."""
        for tick, label in zip(ticks, labels, strict=True):
            self.level(tick, colour="rule", width=0.7, part="level")
            self.words(label, self._left - 5.0, float(self.row(tick)) - MIDDLE, anchor="right", part="mass")

    def heading(self, text: str, above: float) -> None:
        """What the upright axis shows, above its upper end by so many pixels."""
        self.words(text, self._left - 24.0, self._top + above, anchor="left")

    @property
    def top(self) -> float:
        """Upper end of the box. [px from the lower edge]."""
        return self._top

    @property
    def bottom(self) -> float:
        """Lower end of the box. [px from the lower edge]."""
        return self._bottom

    def inline(self, *, kind: str, prefix: str, label: str) -> str:
        """SVG element of the drawing; see `leadline.reports.svg.inline`."""
        self._renderer.finalize()
        return embedded(self._file.getvalue(), kind=kind, prefix=prefix, label=label)


class _Anchor:
    """What the writer asks of a matplotlib text: where it is held, and by which end."""

    def __init__(self, x: float, y: float, side: str) -> None:
        self._place, self._side = (x, y), side

    def get_transform(self) -> Any:
        """None is needed: places are pixels."""
        from matplotlib.transforms import IdentityTransform

        return IdentityTransform()

    def get_unitless_position(self) -> tuple[float, float]:
        """The place."""
        return self._place

    def get_ha(self) -> str:
        """left, center or right."""
        return self._side

    def get_rotation_mode(self) -> str:
        """Upright."""
        return "default"


@lru_cache(maxsize=64)
def _rgb(colour: str) -> tuple[float, float, float]:
    from matplotlib.colors import to_rgb

    return to_rgb(colour)


@lru_cache(maxsize=16)
def _shape(letter: str) -> tuple[Any, Any, str]:
    """Outline of a mark of size 1, its transform, and how its corners are joined."""
    from matplotlib.markers import MarkerStyle

    style = MarkerStyle(letter)
    return style.get_path(), style.get_transform(), style.get_joinstyle() or "miter"


@lru_cache(maxsize=2)
def _font(bold: bool) -> Any:
    from matplotlib.font_manager import FontProperties

    return FontProperties(family="DejaVu Sans", size=FONT_SIZE, weight="bold" if bold else "normal")
