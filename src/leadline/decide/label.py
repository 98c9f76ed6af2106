"""What is worn, carried and dived in, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from leadline.arrays import Columns
from leadline.records import KIT, STOP_DEPTH
from leadline.units import to_imperial

__all__ = [
    "items",
    "kit_label",
    "kit_labels",
    "latest_dive",
    "pressures_label",
    "row_labels",
    "site_labels",
    "suit_label",
    "water_label",
]

LIKE_STOP: Final = 0.5
"""Stops that differ by no more are at one depth, such as 15 ft and 5 m. [m] (judged)"""


def items(cell: str) -> list[str]:
    """Names in one cell of the records, parted by `;`."""
    return [part.strip() for part in cell.split(";") if part.strip()]


def suit_label(rows: Columns, row: int) -> str:
    """Suits of one row, joined; empty for none."""
    return " + ".join(items(rows["suit"][row]))


def kit_label(rows: Columns, row: int) -> str:
    """What else moves need most: cylinder, undersuit, kind of water."""
    worn = [*items(rows["cylinder"][row]), *items(rows["undersuit"][row])]
    water = rows["water"][row]
    return ", ".join([*worn, f"{water} water"] if water else worn)


def kit_labels(rows: Columns, row: int) -> tuple[str, ...]:
    """Labels of all that is worn and carried in one row, and the gas where it is not air."""
    labels = [item for name in KIT for item in items(rows[name][row])]
    gas = rows["gas"][row]
    if gas and set(items(gas)) != {"air"}:
        labels.append(f"gas {gas}")
    return tuple(labels)


def water_label(rows: Columns, row: int, *, imperial: bool = False) -> str:
    """The water of one row, such as `salt water, 14 °C`.

    Parameters
    ----------
    rows : Columns
        Dives or a plan.
    row : int
        Which.
    imperial : bool
        Degrees Fahrenheit and feet.

    Returns
    -------
    str
        What is not noted is left out; the stop is named where it is not at the usual depth.
    """
    parts = [f"{rows['water'][row]} water" if rows["water"][row] else "water not named"]
    salinity, warmth, height, stop = (
        float(rows[name][row]) for name in ("salinity_gkg", "water_temp_c", "altitude_m", "stop_depth_m")
    )
    if not np.isnan(salinity):
        parts.append(f"{round(salinity, 1):g} g/kg")
    if not np.isnan(warmth):
        parts.append(
            f"{float(to_imperial(warmth, 'degF')):.0f} °F" if imperial else f"{round(warmth, 1):g} °C"
        )
    return ", ".join(parts + site_labels(height, stop, imperial=imperial))


def pressures_label(bars: Sequence[float], *, imperial: bool = False) -> str:
    """Pressures of the cylinders of one dive, one number where all have the same.

    Parameters
    ----------
    bars : sequence of float
        One a cylinder; at least one. [bar gauge]
    imperial : bool
        Psi.

    Examples
    --------
    >>> pressures_label([220.0, 200.0]), pressures_label([35.0, 35.0])
    ('220 and 200 bar', '35 bar')
    >>> pressures_label([200.0], imperial=True)
    '2901 psi'
    """
    texts = [f"{float(to_imperial(bar, 'psi')) if imperial else bar:.0f}" for bar in bars]
    texts = texts[:1] if len(set(texts)) == 1 else texts
    both = f"{', '.join(texts[:-1])} and {texts[-1]}" if texts[1:] else texts[0]
    return f"{both} {'psi' if imperial else 'bar'}"


def site_labels(altitude: float, stop: float, *, imperial: bool = False) -> list[str]:
    """Altitude of the surface and depth of the stop, such as `1560 m up` and `stop at 3 m`.

    Parameters
    ----------
    altitude, stop : float
        NaN where not noted. [m]
    imperial : bool
        Feet.

    Returns
    -------
    list of str
        Sea level and the usual stop go without saying.
    """

    def text(metres: float, digits: int) -> str:
        if imperial:
            return f"{float(to_imperial(metres, 'ft')):.0f} ft"
        return f"{round(metres, digits):g} m"

    found = [f"{text(altitude, 0)} up"] if altitude > 0 else []
    return found + ([f"stop at {text(stop, 1)}"] if abs(stop - STOP_DEPTH) > LIKE_STOP else [])


def row_labels(rows: Columns) -> list[str]:
    """What tells each row of a plan from the other rows of its diver.

    Parameters
    ----------
    rows : Columns
        A plan.

    Returns
    -------
    list of str
        One a row: the dive; where that does not tell them apart its date, water and suit too, as far as
        needed, and at last the number of the row. All empty where no diver has several rows.
    """
    divers = rows["diver"].tolist()
    count = len(divers)
    if len(set(divers)) == count:
        return [""] * count
    parts = [
        [str(name) for name in rows["dive"]],
        [_moment(date) for date in rows["date"]],
        [water_label(rows, row) for row in range(count)],
        [suit_label(rows, row) for row in range(count)],
        [f"row {row + 1}" for row in range(count)],
    ]
    for used in range(1, len(parts) + 1):
        labels = [", ".join(filter(None, named)) for named in zip(*parts[:used], strict=True)]
        if len(set(zip(divers, labels, strict=True))) == count:
            break
    return labels


def _moment(date: np.datetime64) -> str:
    """Day, with the time of day where one is noted; empty where nothing is."""
    return (
        "" if np.isnat(date) else str(date.astype("datetime64[m]")).replace("T", " ").removesuffix(" 00:00")
    )


def latest_dive(dives: Columns) -> np.datetime64:
    """Date of the latest of some dives; NaT where none has one."""
    known = dives["date"][~np.isnat(dives["date"])]
    latest: np.datetime64 = known.max() if len(known) else np.datetime64("NaT", "s")
    return latest
