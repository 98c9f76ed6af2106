"""The words of the rig's safety: cautions that apply to this rig, most urgent first."""

from __future__ import annotations

from typing import Final

import numpy as np

from leadline.decide.safety import LEGS, SHALLOW, RigSafety
from leadline.units import POUND, to_imperial

__all__ = ["depth_text", "force_text", "rig_cautions"]

MOMENT_TEXT: Final = {
    "deep": "at the start at {depth}, the suit compressed",
    "flooded": "at {depth} with the dry suit flooded",
    "head_out": "to hold the head out of the water with full cylinders",
}
HARDLY: Final = 0.25
"""What sinks by no more stays where it is: as printed it would sink by nothing. [kg]"""

STEEP: Final = 1.5
"""Lightness at 1 m from which the last metres are worth a word. [kg] (judged)"""


def force_text(mass: float, *, imperial: bool = False) -> str:
    """Force as the mass that weighs as much, to the half kilogram or pound."""
    return f"{mass / POUND:.0f} lb" if imperial else f"{round(2 * mass) / 2:g} kg"


def depth_text(depth: float, *, imperial: bool = False) -> str:
    """Depth to the metre or foot."""
    return f"{float(to_imperial(depth, 'ft')):.0f} ft" if imperial else f"{depth:.0f} m"


def _deep(safety: RigSafety, row: int, imperial: bool) -> str:
    text = depth_text(float(safety.depth[row]), imperial=imperial)
    known = {"plan": "", "records": " (the deepest on record)", "assumed": " (assumed)"}
    return text + known[safety.depth_from[row]]


def _backed(safety: RigSafety, row: int) -> bool:
    return str(safety.backup[row]) not in ("", "none")


def _lift(safety: RigSafety, row: int, imperial: bool) -> str:
    """The BC against the heaviest moment; empty where it suffices or its lift is not listed."""
    lift = float(safety.lift[row])
    most = float(safety.most_lift[row])
    if np.isnan(lift) or most <= lift:
        return ""
    when = MOMENT_TEXT[safety.heaviest(row)].format(depth=_deep(safety, row, imperial))
    return f"The BC holds {lift:g} L, and about {most:.0f} L are needed {when}"


def _failed(safety: RigSafety, row: int, imperial: bool) -> str:
    """A BC that fails at the greatest depth, else at the stop; empty where legs or backup lift suffice."""
    weight, left = float(safety.deep_weight[row]), float(safety.dropped_deep_weight[row])
    at = _deep(safety, row, imperial)
    if safety.depth_from[row] == "assumed":
        weight, left = float(safety.stop_weight[row]), float(safety.dropped_stop_weight[row])
        at = f"{depth_text(float(safety.stop_depth[row]), imperial=imperial)} already"
    if weight <= LEGS or _backed(safety, row) or left <= LEGS:
        return ""
    stays = weight if np.isnan(left) else left
    told, legs = force_text(stays, imperial=imperial), force_text(LEGS, imperial=imperial)
    if np.isnan(left):
        dropped = ""
    else:
        before = force_text(weight, imperial=imperial)
        dropped = " even with all dropped that can be" + (f" ({before} before)" if before != told else "")
    # As printed, so that a weight is not more than itself.
    than = "at the limit of what" if told == legs else "more than"
    return (
        f"With a failed BC at {at} this diver weighs about {told} under water{dropped}, {than} legs lift "
        f"(about {legs}, common practice, no source), and no backup lift is noted"
    )


def _too_little(safety: RigSafety, row: int, imperial: bool) -> str:
    """Whether dropping lead leaves the diver afloat; empty where it does, or where backup lift is stated."""
    full, near = float(safety.afloat_full[row]), float(safety.afloat_near_empty[row])
    if not min(full, near) < -HARDLY or _backed(safety, row):
        return ""
    gone = force_text(float(safety.ditchable[row]), imperial=imperial)
    first = f"With the {gone} dropped that can be" if safety.ditchable[row] > 0 else "No lead can be dropped"
    sinks = _sinking(full, near, imperial)
    return f"{first}: with the BC empty this diver still sinks at the surface by about {sinks}"


def _sinking(full: float, near: float, imperial: bool) -> str:
    """By how much, with which cylinders: the gas of full ones alone may make the difference."""
    by_full, by_near = (force_text(-floats, imperial=imperial) for floats in (full, near))
    if near >= -HARDLY:
        return f"{by_full} with full cylinders"
    if full >= -HARDLY:
        return f"{by_near} with nearly empty cylinders"
    if by_full == by_near:
        return f"{by_full}, even with nearly empty cylinders"
    return f"{by_full} with full cylinders and {by_near} with nearly empty ones"


def _too_much(safety: RigSafety, row: int, breath_out: float, imperial: bool) -> str:
    """Whether its loss at the stop is a runaway."""
    light, lost = float(safety.lost_light[row]), float(safety.ditchable[row])
    what, why = "that can be dropped", ""
    if np.isnan(lost):
        lost, what = float(safety.belt[row]), "that sit on the belt by the places noted"
        why = " (a belt opens in one move, common practice, no source)"
    if not (lost > 0 and light > LEGS + breath_out):
        return ""
    gone = force_text(lost, imperial=imperial)
    return (
        f"If the {gone} {what} come off at the stop{why}, this diver is light by about "
        f"{force_text(light, imperial=imperial)}, more than fins hold down (about "
        f"{force_text(LEGS, imperial=imperial)}, common practice, no source): put part of it where it "
        "cannot be lost at once"
    )


def _last_metres(safety: RigSafety, row: int, imperial: bool) -> str:
    light = float(safety.shallow_light[row])
    if not light > STEEP:
        return ""
    return (
        f"Above the stop the suit lifts: at {depth_text(SHALLOW, imperial=imperial)} this diver is lighter "
        f"than neutral by about {force_text(light, imperial=imperial)}, so take the last metres slowly and "
        "keep breathing"
    )


def rig_cautions(
    safety: RigSafety, row: int, *, breath_out: float, imperial: bool = False
) -> tuple[str, ...]:
    """Cautions about one rig, the most urgent first.

    Parameters
    ----------
    safety : RigSafety
        Of several rigs.
    row : int
        Which.
    breath_out : float
        Lightness that exhaling covers. [kg]
    imperial : bool
        Whether to speak in pounds and feet.

    Returns
    -------
    tuple of str
        Clauses without a semicolon. What nobody noted (lift, depth, what can be dropped) is not judged,
        but for a belt that comes off, which is judged by where lead sits; 'too little' is not said where
        backup lift is stated.
    """
    found = (
        _too_much(safety, row, breath_out, imperial),
        _lift(safety, row, imperial),
        _failed(safety, row, imperial),
        _too_little(safety, row, imperial),
        _last_metres(safety, row, imperial),
    )
    return tuple(text for text in found if text)
