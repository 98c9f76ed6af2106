"""A ledger as people read it: every item in each state, the sums, and what the records make of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from leadline.cli.answer import taken_text
from leadline.cli.options import Units
from leadline.cli.output import quantity, table
from leadline.cli.paragraph import wrapped

if TYPE_CHECKING:
    from rich.console import RenderableType

    from leadline.cli.kit import Planned
    from leadline.decide.account import Account

__all__ = ["forces"]


def forces(
    planned: Planned, found: Account, lead: float, records: tuple[float, ...], units: Units
) -> RenderableType:
    """The ledger of one planned dive.

    Parameters
    ----------
    planned : Planned
        The dive.
    found : Account
        Its ledger.
    lead : float
        Lead carried; NaN where none was named. [kg]
    records : tuple of float
        10, 50 and 90 % points of the need at the stop, records included. [kg]
    units : {"metric", "imperial"}
        Of what is read.

    Returns
    -------
    rich renderable
        Fits 80 columns unless names are long.
    """
    from rich.console import Group
    from rich.text import Text

    from leadline.decide.sentence import STANDING

    unit = "lb" if units == "imperial" else "kg"
    parts: list[RenderableType] = [
        table(
            f"{planned.plan['diver'][0]}: net lift in {unit} by physics alone, positive floats",
            ["item", unit, "L", *found.ledger.state, "±", "from"],
            [*_items(found, units), *_sums(found, lead, units)],
        ),
        wrapped(_moments(found, units)),
        Text(),
        wrapped(_with_records(found, lead, records, units)),
    ]
    if planned.taken.taken:
        parts += [Text(), wrapped(f"Taken over: {taken_text(planned.taken)}.")]
    return Group(*parts, Text(), wrapped(STANDING))


def _mass(value: float, units: Units, *, signed: bool = False) -> str:
    """A mass to two decimals without its unit."""
    text = quantity(value, "kg", units=units, digits=2).partition(" ")[0]
    if not float(text):
        return text.removeprefix("-")
    return f"+{text}" if signed and value > 0 else text


def _items(found: Account, units: Units) -> list[list[str]]:
    """Mass and volume as at the stop, net lift in each state."""
    drawn = found.ledger
    rows = []
    for i, item in enumerate(drawn.item):
        mass, volume = float(drawn.mass[i, 0]), float(drawn.volume[i, 0])
        rows.append(
            [
                item,
                _mass(mass, units) if mass else "",
                f"{volume:.2f}" if volume else "",
                *(_mass(value, units, signed=True) for value in drawn.net_buoyancy[i]),
                _mass(float(drawn.sd[i].max()), units),
                found.source[i],
            ]
        )
    return rows


def _sums(found: Account, lead: float, units: Units) -> list[list[str]]:
    """Sum of the items, lead that balances it, and the margin of the lead carried."""
    drawn = found.ledger
    rows = [
        ["SUM, without lead", "", "", *(_mass(v, units, signed=True) for v in drawn.total), "", ""],
        ["NEED, lead in air", "", "", *(_mass(v, units) for v in drawn.lead), "", ""],
    ]
    if lead == lead:
        margins = (_mass(lead - need, units, signed=True) for need in drawn.lead)
        # Of a margin positive is heavy, the other way round than of all above it.
        rows.append(["MARGIN of the lead, + heavy", "", "", *margins, "", ""])
    return rows


def _moments(found: Account, units: Units) -> str:
    """What the states are."""
    from leadline.decide.label import pressures_label

    drawn = found.ledger
    parts = [
        f"{name}: {quantity(float(depth), 'm', units=units, digits=0)} deep, "
        + (pressures_label(bars, imperial=units == "imperial") if bars else "no cylinder")
        for name, depth, bars in zip(drawn.state, drawn.depth, found.each_bar, strict=True)
    ]
    return (
        f"{'; '.join(parts)}. ±: one standard deviation, the largest of the states. "
        "Mass and volume as at the stop."
    )


def _balance(need: float, units: Units) -> str:
    text = quantity(abs(need), "kg", units=units)
    return f"already heavy by {text}, without lead" if need < 0 and float(text.split()[0]) else text


def _with_records(found: Account, lead: float, records: tuple[float, ...], units: Units) -> str:
    """Need at the stop, from physics alone and with the records, and the margin of the lead carried."""
    low, middle, high = records
    text = (
        f"Need at the stop from physics alone: {_balance(float(found.ledger.lead[0]), units)}. "
        "With the records: "
        f"{_balance(middle, units)} (on 8 dives in 10 {quantity(low, 'kg', units=units).split()[0]} to "
        f"{quantity(high, 'kg', units=units)})."
    )
    if lead == lead:
        over = lead - middle
        carried, by = (quantity(abs(v), "kg", units=units) for v in (lead, over))
        side = "over" if over >= 0 else "under"
        text += f" {carried} carried is {by} {side} that."
    return text
