"""What is asked about many divers, as few arrays, and what comes back."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["AT_ONCE", "Jobs", "Part"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

AT_ONCE: Final = 16
"""Questions that a thread takes at a time."""


class Jobs(NamedTuple):
    """j questions; each about one diver, with that diver's rows and the needs that are wanted.

    Parameters
    ----------
    row, row_first : ndarray of int, shape (...), (j + 1,)
        Rows of evidence, and where each job's begin.
    known : ndarray of bool, shape (...)
        Which of these the population was fitted to.
    seen, seen_first : ndarray of int, shape (...), (j + 1,)
        Rows, in the population's own reading, whose share is to be taken from it.
    body_variance, seen_variance : ndarray, shape (j,)
        Of each diver's offset, in the answer and in the population's own reading. [kg²]
    target_first : ndarray of int, shape (j + 1,)
        First of each job's needs.
    prior, exposure, suit_weight, suit, elapsed, jumped : ndarray, shape (t,), (t, p), (t,), ...
        The needs wanted, as in `leadline.model.people.Targets`; `suit` by the keys of the book.
    """

    row: IntArray
    row_first: IntArray
    known: NDArray[np.bool_]
    seen: IntArray
    seen_first: IntArray
    body_variance: FloatArray
    seen_variance: FloatArray
    target_first: IntArray
    prior: FloatArray
    exposure: FloatArray
    suit_weight: FloatArray
    suit: IntArray
    elapsed: FloatArray
    jumped: FloatArray


class Part(NamedTuple):
    """Answers to `AT_ONCE` jobs or fewer; t needs, their grids one after the other.

    Parameters
    ----------
    points, weights : ndarray, shape (...)
        As of `leadline.model.marginal.Marginal`. [kg, -]
    sizes : ndarray of int, shape (t,)
        Points of each; 0 where records contradict each other too much.
    scatter : ndarray, shape (t,)
        [kg]
    """

    points: FloatArray
    weights: FloatArray
    sizes: IntArray
    scatter: FloatArray
