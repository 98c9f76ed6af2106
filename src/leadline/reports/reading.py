"""Numbers as the reader sees them: in metric or imperial units, rounded, inside a `<data>` element.

Every figure of a report is written as `<data value="…">…</data>`: the text is rounded and in the
reader's unit, the attribute holds the number in the house unit. So a page can be read by a program
without a script in it.
"""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from math import isnan
from typing import Final

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.reports import phrase
from leadline.units import to_imperial

__all__ = ["UNKNOWN", "Reading"]

UNKNOWN: Final = "–"
"""What stands where a number is not known."""

# quantity -> (house unit, key of leadline.units.IMPERIAL, imperial unit as written)
_UNITS: Final = {
    "mass": ("kg", "lb", "lb"),
    "pressure": ("bar", "psi", "psi"),
    "depth": ("m", "ft", "ft"),
    "volume": ("L", "", "L"),
}


@dataclass(frozen=True)
class Reading:
    """Turns house-unit numbers into marked-up text for one reader.

    Parameters
    ----------
    units : str
        metric or imperial. Volumes stay in litres: no column of the records has an imperial litre.

    Examples
    --------
    >>> Reading("imperial").mass(5.4431, field="need", bare=True)
    Markup('<data value="5.4431" data-field="need">12.0</data>')
    """

    units: str

    def unit(self, quantity: str) -> str:
        """Symbol of the unit in which `quantity` (mass, pressure, depth, volume) is shown."""
        house, _, imperial = _UNITS[quantity]
        return imperial if self.units == "imperial" else house

    def convert(self, value: float, quantity: str) -> float:
        """`value` of a house unit in the unit that is shown."""
        key = _UNITS[quantity][1]
        return float(to_imperial(value, key)) if self.units == "imperial" and key else float(value)

    def masses(self, kg: NDArray[np.float64]) -> NDArray[np.float64]:
        """Masses in the unit that is shown: an array of the shape of `kg`."""
        return to_imperial(kg, "lb") if self.units == "imperial" else np.asarray(kg, float)

    def mass(self, kg: float, *, field: str = "", signed: bool = False, bare: bool = False) -> Markup:
        """An estimated mass to one decimal; `signed` writes a plus, `bare` leaves the unit out."""
        return self._figure(kg, "mass", _fixed(self.convert(kg, "mass"), 1, signed), field, bare)

    def need(self, kg: float, *, field: str = "") -> Markup:
        """A need in words: below zero it reads `already heavy by`."""
        if isnan(kg) or self._rounds_to_zero(kg) or kg > 0:
            return self.mass(kg, field=field)
        return Markup('already heavy by <data value="{}"{}>{}</data>').format(
            _exact(kg), _field(field), _fixed(-self.convert(kg, "mass"), 1, False) + self._suffix("mass")
        )

    def lead(self, kg: float, *, field: str = "", bare: bool = False) -> Markup:
        """Lead as it lies on the blocks: up to two decimals of a kilogram, one of a pound, no idle zeros."""
        shown = self.convert(kg, "mass")
        text = _fixed(shown, 1 if self.units == "imperial" else 2, False)
        return self._figure(kg, "mass", text.rstrip("0").rstrip(".") if "." in text else text, field, bare)

    def shift(self, kg: float, *, field: str = "") -> Markup:
        """A change of lead in whole blocks, with its sign; none is `as it is`."""
        text = _fixed(self.convert(kg, "mass"), 1 if self.units == "imperial" else 2, True)
        text = text.rstrip("0").rstrip(".") if "." in text else text
        return self._figure(kg, "mass", text if text.strip("+-0") else "±0", field, bare=True)

    def pressure(self, bar: float, *, field: str = "", bare: bool = False) -> Markup:
        """A gauge pressure to the whole bar or psi."""
        return self._figure(bar, "pressure", _fixed(self.convert(bar, "pressure"), 0, False), field, bare)

    def depth(self, metres: float, *, field: str = "") -> Markup:
        """A depth to the whole metre or foot."""
        return self._figure(metres, "depth", _fixed(self.convert(metres, "depth"), 0, False), field, False)

    def volume(self, litres: float, *, field: str = "", bare: bool = False) -> Markup:
        """A volume to a tenth of a litre."""
        return self._figure(litres, "volume", _fixed(litres, 1, False), field, bare)

    def chance(self, probability: float, *, field: str = "") -> Markup:
        """A chance in words, its per cent behind it."""
        return Markup('<data value="{}"{}>{} <small>({})</small></data>').format(
            _exact(probability), _field(field), phrase.chance(probability), phrase.percent(probability)
        )

    def percent(self, probability: float) -> Markup:
        """A chance in whole per cent."""
        return Markup('<data value="{}">{}</data>').format(_exact(probability), phrase.percent(probability))

    def count(self, number: int, one: str, many: str, *, field: str = "") -> Markup:
        """So many of something: `1 dive`, `2 dives`, `no dives`."""
        text = escape(f"{number or 'no'}{phrase.NO_BREAK}{one if number == 1 else many}")
        # Safe to print as it is: a number, and what is escaped. To format markup is slow, as below.
        return Markup(f'<data value="{number}"{_field(field)}>{text}</data>')  # noqa: S704

    def whole(self, number: int, *, field: str = "") -> Markup:
        """A count by itself."""
        return Markup('<data value="{}"{}>{}</data>').format(number, _field(field), number)

    def day(self, moment: datetime | np.datetime64 | None) -> Markup:
        """A date, its ISO form in the `datetime` attribute."""
        known = phrase.calendar_day(moment)
        if known is None:
            return Markup("no date")
        # Safe to print as it is: a date holds no mark.
        return Markup(f'<time datetime="{known.isoformat()}">{phrase.day(known)}</time>')  # noqa: S704

    def _rounds_to_zero(self, kg: float) -> bool:
        return abs(self.convert(kg, "mass")) < 0.05

    def _suffix(self, quantity: str) -> str:
        return phrase.NO_BREAK + self.unit(quantity)

    def _figure(self, value: float, quantity: str, text: str, field: str, bare: bool) -> Markup:
        if isnan(value):
            text = UNKNOWN
        elif not bare:
            text += self._suffix(quantity)
        # Safe to print as it is: figures are ours. To format markup is slow, and there may be a hundred
        # thousand of them on a page.
        return Markup(f'<data value="{_exact(value)}"{_field(field)}>{text}</data>')  # noqa: S704


def _fixed(value: float, decimals: int, signed: bool) -> str:
    """Rounded text with a true minus sign and no negative zero."""
    text = f"{value:+.{decimals}f}"
    if not text.strip("+-0."):
        return text[1:]
    sign = {"-": phrase.MINUS, "+": "+" if signed else ""}[text[0]]
    return sign + text[1:]


def _exact(value: float) -> str:
    """The number for a program: four decimals at most, empty where unknown."""
    return "" if isnan(value) else f"{round(float(value), 4) + 0.0:.12g}"


@lru_cache(maxsize=256)
def _field(name: str) -> Markup:
    return Markup(' data-field="{}"').format(name) if name else Markup("")
