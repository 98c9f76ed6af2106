"""Numbers of the roster as the reader sees them: shares, changes, the lead for the next dive."""

from __future__ import annotations

from math import isnan

from markupsafe import Markup, escape

from leadline.decide.headcount import Headcount
from leadline.decide.roster_data import Change, Student, stays, unproven
from leadline.reports import phrase, roster_words
from leadline.reports.reading import UNKNOWN, Reading

__all__ = ["RosterReading"]

SAME: float = 0.01
"""Change of lead that is none. [kg]"""


class RosterReading(Reading):
    r"""A `Reading` with what only a roster says.

    Examples
    --------
    >>> RosterReading("metric").share(0.25, field="limit")
    Markup('<data value="0.25" data-field="limit">25\xa0%</data>')
    """

    def share(self, value: float, *, field: str, below: float = 1.0) -> Markup:
        """A share or a chance in whole per cent; what is less than `below` reads as less."""
        return _data(value, field, phrase.percent(value, below=below))

    def counted(self, value: float, *, field: str) -> Markup:
        """A share that was counted, in whole per cent: none and all are said as they are."""
        return _data(value, field, UNKNOWN if isnan(value) else f"{100 * value:.0f}{phrase.NO_BREAK}%")

    def number(self, value: float, *, field: str) -> Markup:
        """An expected number of people, to a tenth."""
        return _data(value, field, UNKNOWN if isnan(value) else f"{value:.1f}")

    def band(self, found: Headcount, *, field: str) -> Markup:
        """An expected number of people with its band."""
        some = found.expected >= 0.5
        text = Markup("about {} (8 in 10: {} to {})") if some else Markup("{} (8 in 10: {} to {})")
        ends = (_data(v, f"{field}.{name}", f"{v}") for name, v in (("low", found.low), ("high", found.high)))
        number = f"{found.expected:.0f}" if some else "fewer than one"
        return text.format(_data(found.expected, f"{field}.expected", number), *ends)

    def look_with(self, one: Student) -> Markup:
        """The lead on at a look, and what is handed over for it; or what comes before a look."""
        if isnan(one.look_kg):
            return escape("a surface check first" if one.check_first else "none: sinking is all but sure")
        left = self.lead(one.look_kg, field="look_kg")
        if one.handed_kg > 0:
            handed = self.lead(one.handed_kg, field="handed_kg")
            return Markup("{} <small>{} handed over</small>").format(left, handed)
        if abs(one.look_kg - one.lead_kg) < SAME:
            return left
        return Markup("{} <small>as for the next dive</small>").format(left)

    def way(self, one: Student) -> Markup:
        """Which way the margin went, by how much, over how many dives."""
        known = sum(not isnan(m) for m in one.trend.margin.tolist())
        dives = self.count(known, "dive", "dives", field="trend.dives")
        went = roster_words.course(one.trend.change_kg)
        if not went:
            return dives
        value = self.mass(abs(one.trend.change_kg), field="trend.change")
        # Safe to print as it is: words and figures are ours. To format markup is slow.
        return Markup(f"steady over {dives}" if went == "steady" else f"{went} by {value} over {dives}")  # noqa: S704

    def next_lead(self, one: Student, risk: float, block_kg: float) -> Markup:
        """The lead for the next dive against the latest one; nothing where a check comes first."""
        if one.check_first or isnan(one.next_lead_kg):
            return Markup("")
        lead = self.lead(one.next_lead_kg, field="next_lead_kg")
        if unproven(one, risk):
            return _bold(f"{self.lead(one.lead_kg)} seems right, but no stop with so little is proven.")
        more = one.next_lead_kg - one.lead_kg
        if isnan(more):
            return _bold(f"Next: {lead}.")
        if abs(more) < SAME:
            return _bold(f"Keep {lead}.")
        if stays(one, risk, block_kg):
            return _bold(f"Keep {self.lead(one.lead_kg)}.")
        if more > 0 and one.bring_kg < one.lead_kg:
            return Markup("")  # held up by what is proven: the next step has the words for it
        way, side = ("Raise", "more") if more > 0 else ("Lower", "less")
        return _bold(f"{way} to {lead}, {self.lead(abs(more))} {side}.")

    def moved(self, change: Change) -> Markup:
        """What happened on the way, in words, with the change to expect."""
        went = roster_words.course(change.pooled_kg)
        value = self.mass(abs(change.pooled_kg), field="overall.pooled_kg")
        if went in ("up", "down") and change.low_kg < 0 < change.high_kg:
            return Markup("shows no clear change: {}").format(
                self.mass(change.pooled_kg, signed=True, field="overall.pooled_kg")
            )
        if went == "steady":
            return Markup("stays about the same: change {}").format(
                self.mass(change.pooled_kg, signed=True, field="overall.pooled_kg")
            )
        return Markup("{} by {}").format("comes down" if went == "down" else "goes up", value)

    def tick(self, value: float) -> str:
        """A round value of a scale."""
        return f"{value:g}".replace("-", phrase.MINUS)


def _bold(sentence: str) -> Markup:
    # Safe to print as it is: words and figures are ours.
    return Markup(f"<b>{sentence}</b> ")  # noqa: S704


def _data(value: float, field: str, text: str) -> Markup:
    exact = "" if isnan(value) else f"{round(float(value), 4) + 0.0:.12g}"
    # Safe to print as it is: names of fields are those of this module and its template.
    return Markup(f'<data value="{exact}" data-field="{field}">{escape(text)}</data>')  # noqa: S704
