"""The ledger of one dive with names on its lines: at the stop, at the start, at the surface."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide import season_data
from leadline.decide.assessment import Assessment
from leadline.decide.full import full
from leadline.frozen import dataclass
from leadline.physics.balance import ITEMS, Ledger
from leadline.physics.ledger import State, emerged_head, evaluate

__all__ = ["Account", "account"]

_PLAIN: Final = {
    "lungs": "lungs at mid-breath",
    "beginner": "a beginner's high breathing",
    "suit_gas": "gas in the dry suit, least",
    "gas": "gas in the cylinder",
    "bc_gas": "gas in the BC",
    "head_out": "head above water, to eye level",
}
_KIND: Final = {"suit": ("suit",), "other": ("other", "undersuit")}
_ASSUMED: Final = {"regulator": "regulator", "fins": "fins", "bc": "BC", "cylinder": "cylinder"}


@dataclass(frozen=True)
class Account:
    """A ledger with where its numbers come from.

    Parameters
    ----------
    ledger : season_data.Ledger
        Items in the states stop, start and surface.
    source : tuple of str
        For each item: measured, listed, reckoned or assumed.
    each_bar : tuple of tuple of float
        For each state the pressure of every cylinder carried then. [bar gauge]
    """

    ledger: season_data.Ledger
    source: tuple[str, ...]
    each_bar: tuple[tuple[float, ...], ...]


def account(assessment: Assessment, position: int, *, head_out: bool = True) -> Account:
    """Ledger of one row of the timeline at the stop, at the start and back at the surface.

    Parameters
    ----------
    assessment : Assessment
        With the row.
    position : int
        Row of the timeline.
    head_out : bool
        Whether the head is above water at the surface, to eye level.

    Returns
    -------
    Account
        Start: just under the surface with full cylinders. Surface: pressures of the stop.
    """
    rows = np.array([position])
    rigs = assessment.rigs.take(rows)
    states = _states(assessment, rows, head_out=head_out)
    drawn = [evaluate(rigs, state) for state in states.values()]
    lines = {
        name: line
        for name, line in _lines(assessment, position).items()
        if any(_counts(ledger, name) for ledger in drawn)
    }
    carried = rigs.carried[0], rigs.present[0], rigs.carried[0]
    each = tuple(
        tuple(np.asarray(state.cylinder_pressure, float)[0][on].tolist())
        for state, on in zip(states.values(), carried, strict=True)
    )
    pressure = [min(bars, default=np.nan) for bars in each]

    def table(field: str) -> NDArray[np.float64]:
        return np.array([[getattr(ledger.items[name], field)[0] for ledger in drawn] for name in lines])

    net = np.array([[ledger.net_buoyancy(name)[0] for ledger in drawn] for name in lines])
    return Account(
        season_data.Ledger(
            item=tuple(label for label, _ in lines.values()),
            state=tuple(states),
            depth=np.array([float(np.ravel(state.depth)[0]) for state in states.values()]),
            pressure=np.array(pressure),
            mass=table("mass"),
            volume=table("volume"),
            net_buoyancy=net,
            sd=table("sd"),
            total=net.sum(axis=0),
            lead=np.array([float(ledger.need[0]) for ledger in drawn]),
        ),
        tuple(source for _, source in lines.values()),
        each,
    )


def _counts(ledger: Ledger, name: str) -> bool:
    item = ledger.items[name]
    return any(abs(float(value[0])) > 5e-4 for value in (item.mass, item.volume, item.sd))


def _states(assessment: Assessment, rows: NDArray[np.int64], *, head_out: bool) -> dict[str, State]:
    rigs, stop = assessment.rigs.take(rows), assessment.state(rows)
    above = emerged_head(rigs, "eye")[0] if head_out else 0.0
    start = State(depth=0.0, cylinder_pressure=full(assessment, rows), carried=rigs.present)
    return {"stop": stop, "start": start, "surface": replace(stop, depth=0.0, head_out=above)}


def _lines(assessment: Assessment, position: int) -> dict[str, tuple[str, str]]:
    """Label and source of every item of a ledger, in order."""
    gear, occasions = assessment.line.records.gear, assessment.line.occasions
    columns = (occasions.suit, occasions.undersuit, occasions.bc, occasions.other, occasions.cylinder)
    worn = np.concatenate([column[position] for column in columns])
    worn = worn[worn >= 0]
    lines: dict[str, tuple[str, str]] = {}
    for name in ITEMS:
        if name == "body":
            lines[name] = _body(assessment, position)
            continue
        if name in _PLAIN:
            lines[name] = (_PLAIN[name], "reckoned")
            continue
        mine = [row for row in worn if gear["kind"][row] in _KIND.get(name, (name,))]
        lines[name] = _gear(gear, name, mine)
    rigs = assessment.rigs
    if rigs.assumed_regulator[position] and rigs.present[position].sum() > 1:
        lines["regulator"] = ("regulator, a usual one, further ones small", "assumed")
    return lines


def _gear(gear: Any, name: str, rows: list[int]) -> tuple[str, str]:
    """Names of the pieces in one line, and whether somebody measured them."""
    if not rows:
        return (
            (f"{_ASSUMED[name]}, a usual one", "assumed") if name in _ASSUMED else ("mask, gauges", "assumed")
        )
    names = [str(gear["item"][row]) for row in rows]
    measured = all(not np.isnan(gear["buoyancy_kg"][row]) for row in rows)
    if name == "other":
        return ", ".join([*names, "mask, gauges"]), "listed"
    return ", ".join(names), "measured" if measured else "listed"


def _body(assessment: Assessment, position: int) -> tuple[str, str]:
    line = assessment.line
    divers, who = line.records.divers, line.occasions.diver[position]
    mass = line.occasions.body_mass[position]
    if np.isnan(mass) or np.isnan(divers["height_cm"][who]):
        return "body", "assumed"
    return "body", "reckoned" if np.isnan(divers["body_fat_pct"][who]) else "measured"
