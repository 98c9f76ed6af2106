"""Statements: one observation each, with its state and its three zones, before any physics."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model.observations import Form

__all__ = ["AT_CHECK", "AT_ODDS", "AT_START", "AT_STOP", "HABIT", "KINDS", "Statements", "join"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

KINDS: Final = ("stop", "hand_off", "descent", "waterline", "exhale")
HABIT: Final = "habit"
"""Kind of the statement that a lead was chosen: it says nothing of what was seen."""
AT_ODDS: Final = "at_odds"
"""Kind of the statement that a check contradicts itself: somebody misread or miswrote, nobody knows what."""
AT_STOP: Final = 0
AT_START: Final = 1
AT_CHECK: Final = 2


@dataclass(frozen=True)
class Statements:
    """*s* observations.

    Parameters
    ----------
    row : ndarray of int, shape (s,)
        Row of the timeline.
    kind : ndarray of str, shape (s,)
        One of `KINDS`, `HABIT` or `AT_ODDS`.
    when : ndarray of int, shape (s,)
        Whose pressures hold: AT_STOP, AT_START or AT_CHECK.
    depth : ndarray, shape (s,)
        Depth. [m]
    breath : ndarray of str, shape (s,)
        Empty for the middle of a quiet breath, else normal, full or out.
    head_out, head_out_sd : ndarray, shape (s,)
        Head above water and how well the word fixes it. [L]
    lead : ndarray, shape (s,)
        Lead on. [kg]
    litres : ndarray, shape (s,)
        Estimated BC gas that the lead also had to balance. [L]
    reading_sd : ndarray, shape (s,)
        Judgement of the observer. [kg]
    below, above : ndarray, shape (s,)
        The neutral zone reaches from lead - below to lead + above, before the breath range; at a check
        these are litres of head. [kg or L]
    lower, upper : ndarray of bool, shape (s,)
        Whether the neutral zone ends below and above.
    breathing : ndarray of bool, shape (s,)
        Whether the breath range widens those ends.
    fit : ndarray, shape (s, 3)
        How well the observation fits need in the light, neutral and heavy zone. [-]
    form : ndarray of int, shape (s,)
        How completely it was written down, a value of `leadline.model.observations.Form`.
    point : ndarray of bool, shape (s,)
        Whether need itself is read.
    """

    row: IntArray
    kind: NDArray[np.object_]
    when: IntArray
    depth: FloatArray
    breath: NDArray[np.object_]
    head_out: FloatArray
    head_out_sd: FloatArray
    lead: FloatArray
    litres: FloatArray
    reading_sd: FloatArray
    below: FloatArray
    above: FloatArray
    lower: NDArray[np.bool_]
    upper: NDArray[np.bool_]
    breathing: NDArray[np.bool_]
    fit: FloatArray
    form: IntArray
    point: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.row.shape[0])

    def take(self, rows: NDArray[Any]) -> Statements:
        """Statements at `rows` (indices or a mask), in that order."""
        return Statements(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def statements(row: IntArray, kind: str, when: int, **given: Any) -> Statements:
    """Statements of one kind; what is not given takes the value of a plain bound at the stop.

    Parameters
    ----------
    row : ndarray of int, shape (s,)
        Rows of the timeline.
    kind : str
        One of `KINDS`.
    when : int
        AT_STOP, AT_START or AT_CHECK.
    **given : scalar or ndarray
        Fields of `Statements`, broadcast to s rows.

    Returns
    -------
    Statements
        s rows.
    """
    n = len(row)
    defaults: dict[str, Any] = {
        "kind": kind,
        "when": when,
        "breath": "",
        "head_out": 0.0,
        "head_out_sd": 0.0,
        "litres": 0.0,
        "below": 0.0,
        "above": 0.0,
        "lower": False,
        "upper": True,
        "breathing": False,
        "form": Form.ANY,
        "point": False,
    }
    types = {
        "kind": object,
        "breath": object,
        "when": np.int64,
        "form": np.int64,
        **dict.fromkeys(("lower", "upper", "breathing", "point"), bool),
    }
    values: dict[str, Any] = {"row": np.asarray(row, np.int64)}
    for name, value in {**defaults, **given}.items():
        shape = (n, 3) if name == "fit" else (n,)
        values[name] = np.broadcast_to(np.asarray(value, types.get(name, np.float64)), shape).copy()
    return Statements(**values)


def join(parts: list[Statements]) -> Statements:
    """All statements of several sets, one after the other."""
    return Statements(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Statements)}
    )
