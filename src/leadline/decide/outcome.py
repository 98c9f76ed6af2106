"""What of a book can be held against a prediction: stop results in words, and readings of need."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.forecast import Forecasts
from leadline.evidence.gather import pressures
from leadline.evidence.statement import AT_STOP
from leadline.frozen import dataclass
from leadline.model.likelihood import POINT_RANGE
from leadline.physics.ledger import State, breath_volume

__all__ = ["WORDS", "Outcomes", "Range", "chances", "outcomes", "reading_forecasts", "readings", "state_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

WORDS: Final = ("rose", "hovered", "sank")
"""Stop results where the BC was empty: one for each zone, light, neutral, heavy."""


@dataclass(frozen=True)
class Range:
    """What the fit of the day says of breath and records, one a prediction; *n* rows.

    Parameters
    ----------
    breath_out, breath_in : ndarray, shape (n,)
        Lightness and heaviness that breathing covers. [kg]
    wrong : ndarray, shape (n,)
        Share of records that say something else than what was. [-]
    """

    breath_out: FloatArray
    breath_in: FloatArray
    wrong: FloatArray

    def take(self, rows: NDArray[Any]) -> Range:
        """The rows at `rows`, in that order."""
        return Range(self.breath_out[rows], self.breath_in[rows], self.wrong[rows])


@dataclass(frozen=True)
class Outcomes:
    """*n* outcomes, each in its own state.

    Parameters
    ----------
    table, row : ndarray of int, shape (n,)
        DIVE or CHECK of `leadline.timeline`, and the row in that table.
    diver : ndarray of int, shape (n,)
        Row of the diver in the divers table.
    kind : ndarray of str, shape (n,)
        stop, hand_off, litres (of BC gas, at a stop) or waterline.
    when : ndarray of int, shape (n,)
        Whose pressures hold, as in the evidence.
    depth : ndarray, shape (n,)
        [m]
    breath : ndarray of str, shape (n,)
        Named breath; empty for the middle of a quiet one.
    head_out : ndarray, shape (n,)
        Head above water. [L]
    lower, upper : ndarray, shape (n,)
        Ends of the neutral zone before the breath range. [kg]
    lower_breath, upper_breath : ndarray, shape (n,)
        1 where breathing widens that end. [-]
    reading_sd : ndarray, shape (n,)
        Noise of the record alone. [kg]
    word : ndarray of int, shape (n,)
        Zone that the record names: 0 light, 1 neutral, 2 heavy.
    is_result : ndarray of bool, shape (n,)
        A stop result that tells three zones apart: BC empty, dry suit vented.
    is_reading : ndarray of bool, shape (n,)
        Bounded on both sides, so that need was measured.
    """

    table: IntArray
    row: IntArray
    diver: IntArray
    kind: NDArray[np.object_]
    when: IntArray
    depth: FloatArray
    breath: NDArray[np.object_]
    head_out: FloatArray
    lower: FloatArray
    upper: FloatArray
    lower_breath: FloatArray
    upper_breath: FloatArray
    reading_sd: FloatArray
    word: IntArray
    is_result: BoolArray
    is_reading: BoolArray

    def __len__(self) -> int:
        return int(self.row.shape[0])

    def take(self, rows: NDArray[Any]) -> Outcomes:
        """Outcomes at `rows` (indices or a mask), in that order."""
        return Outcomes(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def outcomes(assessment: Assessment) -> Outcomes:
    """All outcomes of a book that can be scored.

    Parameters
    ----------
    assessment : Assessment
        Of all records; its fit does not matter.

    Returns
    -------
    Outcomes
        A stop with gas in the BC or with the BC not noted says only that the lead was enough, and whether
        gas was in the BC depends on how the stop went: no chance of it can be foretold, so it is left out.
        So are hints (descents) and waterlines that bound need on one side.
    """
    found, seen, line = assessment.evidence.statements, assessment.evidence.observations, assessment.line
    firm = (found.fit.max(axis=1) == 1) & (found.fit.sum(axis=1) == 1) & assessment.observed
    measured = found.litres > 0
    result = firm & np.isin(found.kind, ("stop", "hand_off")) & ~measured
    word = found.fit.argmax(axis=1)
    bounded = np.isfinite(seen.lower) & np.isfinite(seen.upper)
    reading = firm & (word == 1) & bounded & np.isin(found.kind, ("stop", "hand_off", "waterline"))
    used = np.flatnonzero(result | reading)
    at = found.row[used]
    return Outcomes(
        table=line.table[at],
        row=line.row[at],
        diver=line.occasions.diver[at],
        kind=np.where(measured[used], "litres", found.kind[used].astype(str)).astype(object),
        when=found.when[used],
        depth=found.depth[used],
        breath=found.breath[used],
        head_out=found.head_out[used],
        lower=seen.lower[used],
        upper=seen.upper[used],
        lower_breath=seen.lower_breath[used],
        upper_breath=seen.upper_breath[used],
        reading_sd=seen.reading_sd[used],
        word=word[used],
        is_result=result[used],
        is_reading=reading[used],
    )


def state_of(assessment: Assessment, rows: IntArray, what: Outcomes) -> State:
    """State in which each outcome was seen.

    Parameters
    ----------
    assessment : Assessment
        With the dives and checks as rows of its timeline.
    rows : ndarray of int, shape (n,)
        Those rows.
    what : Outcomes
        n outcomes.

    Returns
    -------
    State
        n rows; a pressure that nobody noted is the usual one.
    """
    rigs, occasions = assessment.rigs.take(rows), assessment.line.occasions.take(rows)
    pressure = np.zeros(occasions.stop.shape)
    for when in np.unique(what.when):
        here = what.when == when
        pressure[here] = pressures(occasions.take(here), int(when))[0]
    return State(
        depth=what.depth,
        cylinder_pressure=np.where(rigs.present, pressure, 0.0),
        carried=np.where((what.when == AT_STOP)[:, None], rigs.carried, rigs.present),
        breath=breath_volume(what.breath, rigs.lungs)[0],
        head_out=what.head_out,
    )


def _zone(what: Outcomes, breath: Range) -> tuple[FloatArray, FloatArray]:
    """Ends of the neutral zone, breath range included. [kg]."""
    return (
        what.lower - breath.breath_in * what.lower_breath,
        what.upper + breath.breath_out * what.upper_breath,
    )


def chances(what: Outcomes, need: Forecasts, breath: Range) -> FloatArray:
    """Chance of each of `WORDS`, given need before the dive.

    Parameters
    ----------
    what : Outcomes
        n outcomes; only what was known before them is used: lead and state.
    need : Forecasts
        Of need on those dives, scatter included.
    breath : Range
        Of the fit of the day.

    Returns
    -------
    ndarray, shape (n, 3)
        Zone chances, with the record's own noise and its chance of saying another word.
    """
    low, high = _zone(what, breath)
    noisy = need.noisy(what.reading_sd)
    heavy, light = noisy.below(low), 1 - noisy.below(high)
    zones = np.stack([light, 1 - light - heavy, heavy], axis=1)
    wrong = breath.wrong[:, None]
    return np.asarray(zones * (1 - wrong) + (1 - zones) * wrong / 2)


def readings(what: Outcomes, breath: Range) -> tuple[FloatArray, FloatArray]:
    """Need as read, and the noise of the reading.

    Parameters
    ----------
    what : Outcomes
        n outcomes; NaN for those that are no reading.
    breath : Range
        Of the fit of the day.

    Returns
    -------
    value, noise : ndarray, shape (n,)
        The middle of the interval; the record's own noise and the sd of a uniform over the interval, in
        quadrature. [kg]
    """
    low, high = _zone(what, breath)
    low, high = (np.where(what.is_reading, end, np.nan) for end in (low, high))
    return (low + high) / 2, np.hypot(what.reading_sd, (high - low) / np.sqrt(12))


def reading_forecasts(need: Forecasts, noise: FloatArray, breath: Range) -> Forecasts:
    """What a reading of need would show: need, its scatter, the reading's noise and its chance to be wrong.

    Parameters
    ----------
    need : Forecasts
        n forecasts, scatter included.
    noise : ndarray, shape (n,)
        From `readings`. [kg]
    breath : Range
        Of the fit of the day.

    Returns
    -------
    Forecasts
        A wrong reading may lie anywhere in the range that the model gives it.
    """
    return need.noisy(noise).doubted(breath.wrong, spread=POINT_RANGE / np.sqrt(12))
