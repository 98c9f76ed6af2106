"""Measured buoyancies that no such thing can have.

By Archimedes a thing of mass m whose net upward force is B (over g, in kg) in water of density d displaces
(m + B) / d litres. That is at least what it is made of, so it is never denser than lead, and a cylinder holds
its water capacity beside its metal; and it is at most what so much mass of such a thing takes up.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from leadline.book.cell import Check
from leadline.book.sql import literal
from leadline.book.written import Written
from leadline.constants import BRASS_DENSITY, LEAD_DENSITY
from leadline.physics.piece import MEASURED_IN, Measured

__all__ = ["buoyancies"]

ROUNDED: Final = 0.05
"""Share by which a noted water capacity may be off: 11.1 L are noted as 11, and bottles differ. (judged)"""

SHELL: Final = {"steel": 5.0, "aluminium": 2.2}
OTHER_SHELL: Final = 1.4
"""Least densities of a cylinder beside its gas, of these metals and of whatever else, boot, net and paint
included. [kg L⁻¹] (judged)"""

LEAST: Final = {
    "suit": 0.08, "hood": 0.08, "gloves": 0.08, "boots": 0.08, "fins": 0.3, "bc": 0.25, "plate": 0.9,
    "regulator": 0.9, "other": 0.03,
}  # fmt: skip
"""Least densities of other kinds: half of the lightest foam that suits are made of, bags with little but air
in them, solid things. [kg L⁻¹] (judged)"""


def _pick(column: str, values: dict[str, float], other: str) -> str:
    cases = " ".join(f"WHEN {literal(word)} THEN {value!r}" for word, value in values.items())
    return f"(CASE {column} {cases} ELSE {other} END)"


def _text(number: str) -> str:
    return f"number_text(round({number}, 1))"


def buoyancies(written: Written) -> Iterator[Check]:
    """Checks of the measured buoyancies of gear, as far as mass is given.

    Parameters
    ----------
    written : Written
        A file of gear.

    Yields
    ------
    Check
        Over typed columns; one standard deviation of the measurement is allowed on top.
    """
    value = written.text("buoyancy_kg", "number_text(round(buoyancy_kg, 3))")
    unit = written.either("mass_kg", literal("kg"), literal("lb"))
    mass = f"{written.text('mass_kg', _text('mass_kg'))} || ' ' || {unit}"
    also = ("kind", "mass_kg", "water_capacity_l", "buoyancy_sd_kg", "buoyancy_in")
    water = _pick("buoyancy_in", MEASURED_IN, repr(MEASURED_IN["fresh"]))
    displaced = f"((mass_kg + buoyancy_kg) / {water})"
    spare = f"(coalesce(buoyancy_sd_kg, {Measured.DEFAULT_SD!r}) / {water})"
    given = "mass_kg > 0 AND buoyancy_kg IS NOT NULL"
    volume = f"CASE WHEN {displaced} < 0 THEN 'less than nothing' ELSE {_text(displaced)} || ' L' END"
    would = f"'with its mass of ' || {mass} || ' it would displace ' || {volume}"

    full = f"(water_capacity_l + mass_kg / {BRASS_DENSITY!r})"
    least = f"(water_capacity_l * {1 - ROUNDED!r} + mass_kg / {BRASS_DENSITY!r})"
    cylinder = f"{given} AND kind = 'cylinder' AND water_capacity_l > 0"
    reason = (
        f"{would} || ', but its ' || {_text('water_capacity_l')} || ' L and its metal alone displace '"
        f" || {_text(full)} || ' L: was it weighed with gas, or is a sign or a decimal point wrong?'"
    )
    yield Check("buoyancy_kg", f"{cylinder} AND {displaced} + {spare} < {least}", reason, value, also=also)

    shell = _pick("material", SHELL, repr(OTHER_SHELL))
    most = f"(water_capacity_l * {1 + ROUNDED!r} + mass_kg / {shell})"
    reason = (
        f"{would} || ', but with ' || {_text('water_capacity_l')} || ' L inside it takes up '"
        f" || {_text(most)} || ' L at most: is a sign or a decimal point wrong?'"
    )
    yield Check("buoyancy_kg", f"{cylinder} AND {displaced} - {spare} > {most}", reason, value, also=also)

    lead = f"(mass_kg / {LEAD_DENSITY!r})"
    solid = f"{given} AND NOT (kind = 'cylinder' AND coalesce(water_capacity_l, 0) > 0)"
    reason = (
        f"{would} || ', so it would be denser than lead, of which so much displaces ' || {_text(lead)}"
        " || ' L: is the mass too low, or a decimal point wrong?'"
    )
    yield Check("buoyancy_kg", f"{solid} AND {displaced} + {spare} < {lead}", reason, value, also=also)

    most = f"(mass_kg / {_pick('kind', LEAST, 'NULL')})"
    reason = (
        f"{would} || ', but so much of a ' || kind || ' takes up ' || {_text(most)}"
        " || ' L at most: is a sign or a decimal point wrong?'"
    )
    yield Check("buoyancy_kg", f"{solid} AND {displaced} - {spare} > {most}", reason, value, also=also)
