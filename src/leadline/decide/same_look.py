"""Looks at the waterline that are on record already: the same words again are no second look."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.decide.check_look import Look
from leadline.decide.takeover import OPTIONAL
from leadline.latest import names

__all__ = ["kept_already", "on_record", "unlike"]

ROUNDING: Final = 0.05
"""Pressures and leads that differ by less are one: written in pounds or psi, and back. [bar, kg]"""

_SETS: Final = ("suit", "other")
"""Columns whose order says nothing; that of cylinders is that of their pressures."""


def _bars(text: str) -> list[float]:
    """Pressures of a cell; infinite where a cylinder is not carried, NaN where nothing was noted."""
    parts = [part.strip() for part in text.split(";")]
    return [np.inf if part == "-" else float(part or "nan") for part in parts]


def _near(one: float | list[float], other: float | list[float]) -> bool:
    return np.shape(one) == np.shape(other) and bool(
        np.allclose(one, other, rtol=0.0, atol=ROUNDING, equal_nan=True)
    )


def _same(one: Look, other: Look) -> bool:
    words = [(look.waterline, look.breath, look.exhale_sinks) for look in (one, other)]
    return (
        words[0] == words[1]
        and _near(one.lead_kg, other.lead_kg)
        and _near(*map(_bars, (one.bar, other.bar)))
    )


def unlike(looks: Sequence[Look]) -> list[Look]:
    """Looks of which no later one shows the same.

    Parameters
    ----------
    looks : sequence of Look
        In order of time.

    Returns
    -------
    list of Look
        In that order.
    """
    return [look for i, look in enumerate(looks) if not any(_same(look, later) for later in looks[i + 1 :])]


def on_record(look: Look, checks: Columns, *, diver: str, day: np.datetime64) -> NDArray[np.int64]:
    """Checks of a day that show what a look shows, with the same lead and pressures.

    Parameters
    ----------
    look : Look
        The look.
    checks : Columns
        Those of the book, from `leadline.timeline.resolve_checks`.
    diver : str
        Whose.
    day : datetime64
        That day, with or without a time.

    Returns
    -------
    ndarray of int
        Their rows.
    """
    mine = (checks["diver"] == diver) & (
        checks["date"].astype("datetime64[D]") == day.astype("datetime64[D]")
    )
    # What nobody noted of a check is no lead that a look may have.
    rows = np.flatnonzero(mine & ~np.isnan(checks["lead_kg"]))
    seen = (
        Look(
            float(checks["lead_kg"][i]),
            checks["bar"][i],
            checks["waterline"][i],
            checks["breath"][i] or "normal",
            checks["exhale_sinks"][i],
        )
        for i in rows
    )
    return rows[[_same(look, other) for other in seen]] if len(rows) else rows


def kept_already(look: Look, plan: Columns, checks: Columns, *, timed: bool) -> int | None:
    """The check of the book that a look of now is, made once and typed again.

    Parameters
    ----------
    look : Look
        Of now.
    plan : Columns
        One row: whose it is, when, in what.
    checks : Columns
        Those of the book, from `leadline.timeline.resolve_checks`.
    timed : bool
        Whether somebody named the time of day: at another one it is another look, whatever it shows.

    Returns
    -------
    int or None
        Its row, the last where there are several; None where there is none in the same kit and water.
    """
    date = plan["date"][0]
    rows = on_record(look, checks, diver=str(plan["diver"][0]), day=date)
    if timed:
        rows = rows[checks["date"][rows] == date]
    alike = [int(i) for i in rows if all(_alike(name, plan[name][0], checks[name][i]) for name in OPTIONAL)]
    return alike[-1] if alike else None


def _alike(name: str, one: str | float, other: str | float) -> bool:
    """Whether two cells of kit or water say the same."""
    if not isinstance(one, str) or not isinstance(other, str):
        return _near(float(one), float(other))
    if name in _SETS:
        return names(one) == names(other)
    return one.strip().casefold() == other.strip().casefold()
