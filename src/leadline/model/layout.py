"""Observations as the compiled sweeps want them: flat arrays with the spans of divers and occasions."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.model.observations import Observations

__all__ = ["Layout", "Rows", "chunk_first", "lay_out", "rows_of", "writable"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_CHUNKS: Final = 64
CHUNK_DIVERS: Final = 16
"""Divers are summed in chunks whose number depends on the divers alone, and chunks are added up in order:
the same bits on one core or many."""


class Layout(NamedTuple):
    """m rows of d divers; spans are given by their first element, with the end appended.

    Parameters
    ----------
    prior, suit_weight, upper, lower, upper_breath, lower_breath, reading_variance : ndarray, shape (m,)
        As in `Observations`.
    fit : ndarray, shape (m, 3)
        As in `Observations`.
    form : ndarray of int, shape (m,)
        As in `Observations`.
    point : ndarray of bool, shape (m,)
        As in `Observations`.
    knot, suit : ndarray of int, shape (m,)
        Place in the diver's chain of offsets, and among the diver's suits.
    occasion_first, diver_occasion : ndarray of int, shape (occasions + 1,), (d + 1,)
        First row of each occasion, first occasion of each diver.
    exposure, exposure_first : ndarray, shape (...), (d + 1,)
        Exposures of the columns that a diver touches, row by row, and where each diver's begin.
    support, support_first : ndarray of int, shape (...), (d + 1,)
        Those columns.
    elapsed, jumped, knot_first : ndarray, shape (knots,), (knots,), (d + 1,)
        Steps of time [years] and of variance [kg²] between knots, 0 at the first of each diver.
    suits : ndarray of int, shape (d,)
        Number of suits.
    body_variance : ndarray, shape (d,)
        Of the diver's body. [kg²]
    chunk_first : ndarray of int, shape (chunks + 1,)
        First diver of each chunk.
    """

    prior: FloatArray
    suit_weight: FloatArray
    upper: FloatArray
    lower: FloatArray
    upper_breath: FloatArray
    lower_breath: FloatArray
    reading_variance: FloatArray
    fit: FloatArray
    form: IntArray
    point: NDArray[np.bool_]
    knot: IntArray
    suit: IntArray
    occasion_first: IntArray
    diver_occasion: IntArray
    exposure: FloatArray
    exposure_first: IntArray
    support: IntArray
    support_first: IntArray
    elapsed: FloatArray
    jumped: FloatArray
    knot_first: IntArray
    suits: IntArray
    body_variance: FloatArray
    chunk_first: IntArray


class Rows(NamedTuple):
    """Rows of all divers, m of them; as in `Layout`, with labels of the whole book."""

    prior: FloatArray
    exposure: FloatArray
    suit_weight: FloatArray
    upper: FloatArray
    lower: FloatArray
    upper_breath: FloatArray
    lower_breath: FloatArray
    reading_variance: FloatArray
    fit: FloatArray
    form: IntArray
    point: NDArray[np.bool_]
    occasion: IntArray
    suit: IntArray
    elapsed: FloatArray
    jumped: FloatArray


def _spans(counts: IntArray) -> IntArray:
    return np.concatenate([np.zeros(1, np.int64), np.cumsum(counts)])


def _knots(o: Observations) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Knot of each row within its diver, the steps between knots, and where each diver's begin."""
    divers = len(o.body_sd)
    order = np.lexsort((o.jumped, o.elapsed, o.diver))
    diver, elapsed, jumped = o.diver[order], o.elapsed[order], o.jumped[order]
    first = np.diff(diver, prepend=-1) != 0
    new = first | (np.diff(elapsed, prepend=0.0) != 0) | (np.diff(jumped, prepend=0.0) != 0)
    number = np.cumsum(new) - 1
    counts = np.bincount(diver[new], minlength=divers)
    spans = _spans(counts)
    knot = np.empty(len(o), np.int64)
    knot[order] = number - spans[diver]
    begins = first[new]
    time, variance = elapsed[new], jumped[new]
    step = np.where(begins, 0.0, np.diff(time, prepend=0.0))
    jump = np.where(begins, 0.0, np.diff(variance, prepend=0.0))
    return knot, step, np.maximum(jump, 0.0), spans


def _touched(o: Observations) -> tuple[FloatArray, IntArray, IntArray, IntArray]:
    """Exposures packed to the columns each diver touches."""
    rows = np.bincount(o.diver, minlength=len(o.body_sd))
    if not o.n_exposures:
        nothing = np.zeros(len(rows) + 1, np.int64)
        return np.zeros(0), nothing, np.zeros(0, np.int64), nothing
    starts = _spans(rows)[:-1]
    touched = np.logical_or.reduceat(o.exposure != 0, starts, axis=0)
    count = touched.sum(axis=1)
    packed = o.exposure[touched[o.diver]]
    return packed, _spans(rows * count), np.nonzero(touched)[1].astype(np.int64), _spans(count)


def writable(values: NDArray[Any], kind: type) -> NDArray[Any]:
    """An array in one piece that may be written to, copied where it is not: of others all is compiled anew.

    Columns of a data frame may not be written to.
    """
    return np.require(values, kind, ["C_CONTIGUOUS", "WRITEABLE"])


def _flat(values: FloatArray) -> FloatArray:
    return writable(values, np.float64)


def _columns(o: Observations) -> dict[str, Any]:
    """What a row says, whatever the layout."""
    return {
        "prior": _flat(o.prior),
        "suit_weight": _flat(o.suit_weight),
        "upper": _flat(o.upper),
        "lower": _flat(o.lower),
        "upper_breath": _flat(o.upper_breath),
        "lower_breath": _flat(o.lower_breath),
        "reading_variance": _flat(o.reading_sd**2),
        "fit": _flat(o.fit),
        "form": writable(o.form, np.int64),
        "point": writable(o.point, np.bool_),
    }


def chunk_first(divers: int) -> IntArray:
    """First diver of each chunk, the end appended."""
    chunks = int(np.clip(divers // CHUNK_DIVERS, 1, MOST_CHUNKS))
    return np.round(np.linspace(0, divers, chunks + 1)).astype(np.int64)


def lay_out(observations: Observations) -> Layout:
    """Flat arrays of `observations`, m >= 1 rows.

    Parameters
    ----------
    observations : Observations
        Every diver with at least one row.

    Returns
    -------
    Layout
        With copies of nothing that is contiguous and may be written to already.
    """
    o = observations
    divers = len(o.body_sd)
    knot, elapsed, jumped, knot_first = _knots(o)
    exposure, exposure_first, support, support_first = _touched(o)
    occasion_diver = o.diver[o.occasion_starts]
    suits = np.bincount(o.suit_diver, minlength=divers)
    return Layout(
        **_columns(o),
        knot=knot,
        suit=writable(o.suit - _spans(suits)[o.diver], np.int64),
        occasion_first=np.append(o.occasion_starts, len(o)).astype(np.int64),
        diver_occasion=_spans(np.bincount(occasion_diver, minlength=divers)),
        exposure=_flat(exposure),
        exposure_first=exposure_first,
        support=support,
        support_first=support_first,
        elapsed=elapsed,
        jumped=jumped,
        knot_first=knot_first,
        suits=suits,
        body_variance=_flat(o.body_sd**2),
        chunk_first=chunk_first(divers),
    )


def rows_of(observations: Observations) -> Rows:
    """The same arrays row by row, without the spans of a fit."""
    o = observations
    return Rows(
        **_columns(o),
        exposure=_flat(o.exposure),
        occasion=writable(o.occasion, np.int64),
        suit=writable(o.suit, np.int64),
        elapsed=_flat(o.elapsed),
        jumped=_flat(o.jumped),
    )
