"""One look at the waterline, and how it was made."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import Final

from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass
from leadline.latest import NOTHING
from leadline.physics.odds import CONTRADICTORY, CONTRADICTORY_OUT
from leadline.records import CHECKS

__all__ = ["Conditions", "Look", "require_pressures"]


_WORDS: Final = ("waterline", "breath", "exhale_sinks")


def _within(name: str, value: float) -> None:
    """Refuse a number out of the range of a column of the checks, and one that is none."""
    column = CHECKS.column(name)
    low, high = column.low or 0.0, inf if column.high is None else column.high
    if not low <= value <= high:
        raise OutOfRangeError(f"{name} must lie in [{low:g}, {high:g}] {column.unit}, got {value:g}")


def _pressures(text: str) -> None:
    """Refuse what is no list of pressures; a part may be empty, and `-` alone: not known."""
    if not isinstance(text, str):
        raise OutOfRangeError(f"bar {text!r}: give text, such as '200', several joined by ';'")
    parts = [each.strip() for each in text.split(";")]
    if parts == [NOTHING]:
        return
    for part in parts:
        if part == "":
            continue
        if part == NOTHING:
            raise OutOfRangeError(
                f"bar {text!r}: give the pressure of every cylinder that is on now; one that was left behind "
                "is no cylinder of the check"
            )
        try:
            bar = float(part)
        except ValueError:
            raise OutOfRangeError(f"bar {text!r}: give numbers in bar joined by ';'") from None
        _within("bar", bar)


def require_pressures(looks: Sequence[Look], cylinder: str, start_bar: str) -> None:
    """Refuse looks with another number of pressures than there are cylinders.

    Parameters
    ----------
    looks : sequence of Look
        Each may have one pressure for all cylinders.
    cylinder, start_bar : str
        Of the dive, joined by `;`; where no cylinder is named the pressures tell how many there are.

    Raises
    ------
    OutOfRangeError
        A pressure too many would be dropped, and the ones given might be those of other cylinders.
    """
    number = len((cylinder.strip() or start_bar).split(";"))
    for look in looks:
        given = len(look.bar.split(";"))
        if given not in (1, number):
            cylinders = "1 cylinder" if number == 1 else f"{number} cylinders"
            raise OutOfRangeError(
                f"bar {look.bar!r}: has {given} values for {cylinders}; give one for each, or one for all"
            )


@dataclass(frozen=True)
class Look:
    """One look at the waterline of the still, upright diver, BC empty.

    Parameters
    ----------
    lead_kg : float
        Lead on. [kg]
    bar : str
        Gauge pressures, one for each cylinder, or one for all, joined by `;`. [bar]
    waterline : str
        chin, eye, crown, under; empty where it was not looked at.
    breath : str
        normal, full or out.
    exhale_sinks : str
        yes, no; empty where it was not tried.

    Raises
    ------
    OutOfRangeError
        If a word is none of these, or lead or a pressure lies outside the range of the checks: a waterline
        that nobody understands would count as none, and the answer would be given without it.
    """

    lead_kg: float
    bar: str
    waterline: str = ""
    breath: str = "normal"
    exhale_sinks: str = ""

    def __post_init__(self) -> None:
        _within("lead_kg", self.lead_kg)
        _pressures(self.bar)
        for name in _WORDS:
            column, word = CHECKS.column(name), getattr(self, name)
            if word not in column.words and (word != "" or column.default):
                empty = "" if column.default else ", or '' where that was not seen"
                raise OutOfRangeError(f"{name} {word!r}: give one of {', '.join(column.words)}{empty}")

    @property
    def at_odds(self) -> bool:
        """Whether its two halves contradict each other, so that it says nothing."""
        pairs = {"normal": CONTRADICTORY, "out": CONTRADICTORY_OUT}.get(self.breath, ())
        return (self.waterline, self.exhale_sinks) in pairs


@dataclass(frozen=True)
class Conditions:
    """What the one who looks can say about the look; None where nobody said.

    Parameters
    ----------
    still : bool or None
        Hung still: no finning, no sculling, holding on to nothing.
    minutes : float or None
        Minutes in the water, for the air in a suit to find its way out. [min] At least 0.

    Raises
    ------
    OutOfRangeError
        If one of them is something else: whoever was not still would be read as still.
    """

    still: bool | None = None
    minutes: float | None = None

    def __post_init__(self) -> None:
        if not (self.still is None or isinstance(self.still, bool)):
            raise OutOfRangeError(f"still {self.still!r}: give True, False, or None where nobody said")
        if self.minutes is not None and not 0 <= self.minutes < inf:
            raise OutOfRangeError(f"minutes must be at least 0 min, got {self.minutes:g}")
