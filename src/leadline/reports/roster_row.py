"""One student's row of the roster as HTML: there may be thousands, and a template takes twice as long."""

from __future__ import annotations

from math import isnan

from markupsafe import Markup, escape

from leadline.decide.roster_data import Roster, Student, near_light
from leadline.decide.sentence import dangers
from leadline.frozen import dataclass
from leadline.reports import roster_words
from leadline.reports.page import clean, commands
from leadline.reports.roster_reading import RosterReading
from leadline.reports.scale import Scale

__all__ = ["Row", "RowDrawer"]


@dataclass(frozen=True)
class Row:
    """One student as drawn; places are in the unit shown or in per cent of the box.

    Parameters
    ----------
    one : Student
        What is shown.
    band : list of float
        Quantiles of the margin, in the unit shown.
    dots : list of (str, str)
        Places of the trend's dives from the left and from the top.
    zero : str
        Place of the line of right lead in the trend's box, from the top.
    """

    one: Student
    band: list[float]
    dots: list[tuple[str, str]]
    zero: str


class RowDrawer:
    """Draws rows that share their scale and units.

    Parameters
    ----------
    data : Roster
        Whose students they are.
    read : RosterReading
        For the reader's units.
    scale : Scale
        Of the margins.
    limit : str
        Place of what is too heavy on it.
    """

    def __init__(self, data: Roster, read: RosterReading, scale: Scale, limit: str) -> None:
        self.read, self.scale = read, scale
        self.grouped = len(data.groups) != 1
        self.lead_name = f"lead, {read.unit('mass')}"
        self.zero, self.limit = scale.at(0.0), limit
        self.risk, self.block_kg, self.near_light = data.risk, data.block_kg, near_light(data.risk)

    def __call__(self, row: Row) -> Markup:
        """The row, without a line's end; all that is from the records is escaped."""
        one, read = row.one, self.read
        chance = read.share(one.p_heavy_most, field="p_heavy_most")
        span = f' <small class="span">{roster_words.span(one.last_dives)}</small>' if one.last_dives else ""
        if roster_words.next_apart(one):
            next_one = read.share(one.p_too_heavy, field="p_too_heavy")
            span += f' <small class="span">next dive {next_one}</small>'
        # Safe to print as it is: words and figures are ours, the rest is escaped piece by piece.
        return Markup(  # noqa: S704
            f'<tr role="row" data-diver="{_text(one.diver)}">{self._who(one)}'
            f'<td role="cell" class="figure carried first-figure" data-name="{self.lead_name}">'
            f"{read.lead(one.lead_kg, bare=True, field='lead_kg')}</td>"
            f'<td role="cell" class="margin full" data-name="over need">{self._margin(row)}</td>'
            f'<td role="cell" class="figure" data-name="too light">'
            f"{read.share(one.p_too_light, field='p_too_light', below=self.near_light)}</td>"
            f'<td role="cell" class="figure" data-name="heavy on most">{chance}{span}</td>'
            f'<td role="cell" class="way full">{_dots(row)}{read.way(one)}</td>'
            f'<td role="cell" class="next full">{self._next(one)}</td></tr>'
        )

    def _who(self, one: Student) -> str:
        group = f", <bdi>{_text(one.group)}</bdi>" if self.grouped and one.group else ""
        return (
            '<th scope="row" role="rowheader" class="who">'
            f"<b><bdi>{_text(one.diver or 'Student without a name')}</bdi></b>"
            f"<small><bdi>{_text(one.suit or 'no suit noted')}</bdi></small>"
            f"<small>{self.read.day(one.date)}{group}</small></th>"
        )

    def _margin(self, row: Row) -> str:
        one, read, scale = row.one, self.read, self.scale
        if isnan(one.lead_kg):
            return "No lead noted"
        q025, q10, q50, q90, q975 = row.band
        return (
            '<span class="track margins" aria-hidden="true">'
            f'<i class="outer" style="{scale.span(q025, q975)}"></i>'
            f'<i class="inner" style="{scale.span(q10, q90)}"></i>'
            f'<i class="zero" style="left:{self.zero}"></i><i class="limit" style="left:{self.limit}"></i>'
            f'<i class="median" style="left:{scale.at(q50)}"></i>'
            f"</span>{read.mass(one.margin[2], signed=True, field='margin.q50')}"
            f"<small>{read.mass(one.margin[1], signed=True, bare=True, field='margin.q10')} to "
            f"{read.mass(one.margin[3], signed=True, field='margin.q90')}</small>"
        )

    def _next(self, one: Student) -> str:
        danger = "".join(
            f'<small class="danger"><bdi class="said">{commands(caution)}</bdi>.</small>'
            for caution in (*dangers(one.cautions), *roster_words.not_believed(one))
        )
        return (
            f"{danger}{self.read.next_lead(one, self.risk, self.block_kg)}"
            f'<bdi class="said">{commands(one.next_step)}</bdi>'
            f'<small class="basis-{one.basis}">{escape(roster_words.basis(one))}.</small>'
        )


def _dots(row: Row) -> str:
    if len(row.dots) < 2:
        return ""
    drawn = "".join(f'<i style="left:{left};top:{top}"></i>' for left, top in row.dots)
    return f'<span class="dots" aria-hidden="true"><i class="zero" style="top:{row.zero}"></i>{drawn}</span>'


def _text(words: str) -> Markup:
    return escape(clean(words))
