"""Answers for many divers at once: compiled, on as many threads as there are cores, and while others work on.

The same answers as `leadline.model.diver` gives one by one. Loading the compiler takes longer than a handful
of answers; from a few dozen on it is worth its while.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model.layout import rows_of, writable
from leadline.model.marginal import Marginal
from leadline.model.observations import Observations
from leadline.model.people import Population, Targets

__all__ = ["Question", "crowd_marginals", "crowd_stream"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

AT_ONCE: Final = 16
"""Questions that a thread takes at a time."""


@dataclass(frozen=True)
class Question:
    """Needs of one diver.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        The diver's evidence, rows of the observations; may be none.
    known : ndarray of bool, shape (n,)
        Which of these the hyperparameters have seen.
    seen : ndarray of int, shape (k,)
        Rows whose share is to be taken from the population, the leads that the diver chose among them.
    targets : Targets
        Needs wanted; `suit` by the labels of the observations, a label that is not there for a new suit.
    """

    rows: IntArray
    known: BoolArray
    seen: IntArray
    targets: Targets


def _joined(parts: list[NDArray[Any]], kind: type) -> NDArray[Any]:
    return writable(np.concatenate([np.zeros(0, kind), *parts]), kind)


def _spans(parts: list[NDArray[Any]]) -> IntArray:
    return np.concatenate([np.zeros(1, np.int64), np.cumsum([len(part) for part in parts], dtype=np.int64)])


def _seen_variance(observations: Observations, questions: list[Question]) -> FloatArray:
    """Variance of each diver's offset as the population has it; 0 where nothing was seen. [kg²]."""
    sd = [observations.body_sd[observations.diver[q.seen[0]]] if len(q.seen) else 0.0 for q in questions]
    return np.asarray(np.array(sd, float) ** 2)


def crowd_marginals(
    population: Population, observations: Observations, questions: list[Question]
) -> list[list[Marginal | None]]:
    """Posteriors of need for many divers, when all are there; see `crowd_stream`."""
    return list(crowd_stream(population, observations, questions))


def crowd_stream(
    population: Population, observations: Observations, questions: list[Question]
) -> Iterator[list[Marginal | None]]:
    """Posteriors of need for many divers, one question after the other.

    The work begins at once and goes on in the background; whoever takes an answer waits for that one only.

    Parameters
    ----------
    population : Population
        With everybody's share; the shared effects' covariance is the same under all hyperparameters.
    observations : Observations
        Of all divers, as the population was fitted to them; an answer takes each record as its interval.
    questions : list of Question
        One for each diver, or several: one after the other, since their shares in the population are then
        taken out once.

    Returns
    -------
    iterator of list of Marginal
        For each question as `leadline.model.diver.conditional_marginals` gives it, breathing high trusted for
        no more than is usual. The same bits on one core or many. None where records contradict each other
        so much that their sites have several places to rest: such a one is to be asked by itself.
    """
    from leadline.model.crowd_answer import MOST_POINTS, Jobs, answer
    from leadline.model.propagation import levels_of
    from leadline.model.row import packed

    if not questions:
        return iter(())
    targets = [question.targets for question in questions]
    p = observations.n_exposures
    jobs = Jobs(
        row=_joined([q.rows for q in questions], np.int64),
        row_first=_spans([q.rows for q in questions]),
        known=_joined([q.known for q in questions], np.bool_),
        seen=_joined([q.seen for q in questions], np.int64),
        seen_first=_spans([q.seen for q in questions]),
        body_variance=np.array([t.body_sd**2 for t in targets]),
        seen_variance=_seen_variance(observations, questions),
        target_first=_spans([t.prior for t in targets]),
        prior=_joined([t.prior for t in targets], np.float64),
        exposure=writable(np.concatenate([t.exposure for t in targets]).reshape(-1, p), np.float64),
        suit_weight=_joined([t.suit_weight for t in targets], np.float64),
        suit=_joined([t.suit for t in targets], np.int64),
        elapsed=_joined([t.elapsed for t in targets], np.float64),
        jumped=_joined([t.jumped for t in targets], np.float64),
    )
    count = int(jobs.target_first[-1])
    found = np.zeros((count, 2, MOST_POINTS))
    sizes, scatter = np.zeros(count, np.int64), np.zeros(count)
    plain, full = rows_of(observations.as_intervals()), rows_of(observations)
    mode, centre = population.mode or (population.thetas[0], population.mean[0])
    learned = packed([levels_of(theta) for theta in (*population.thetas, mode)])
    careful = population.cautious()
    trusted = packed([levels_of(theta) for theta in careful.thetas])
    mean = writable(np.vstack([population.mean, centre]), np.float64)
    weights = writable(population.weights, np.float64)
    covariance = writable(population.covariance[0], np.float64)

    def work(first: int) -> None:
        answer(
            plain,
            full,
            learned,
            trusted,
            mean,
            covariance,
            weights,
            jobs,
            careful.own_error,
            found,
            sizes,
            scatter,
            first,
            min(first + AT_ONCE, len(questions)),
        )

    def at(i: int) -> Marginal | None:
        size = int(sizes[i])
        if size <= 0:
            return None
        return Marginal(found[i, 0, :size].copy(), found[i, 1, :size].copy(), float(scatter[i]))

    ends = jobs.target_first.tolist()
    firsts = range(0, len(questions), AT_ONCE)
    return (
        [at(i) for i in range(ends[k], ends[k + 1])]
        for first in _worked(work, firsts)
        for k in range(first, min(first + AT_ONCE, len(questions)))
    )


def _worked(work: Callable[[int], None], firsts: Sequence[int]) -> Iterator[int]:
    """The same numbers in their order, each once it has been worked at; the work begins at once."""
    workers = min(os.cpu_count() or 1, len(firsts))
    if workers == 1:
        return _one_by_one(work, firsts)
    from concurrent.futures import ThreadPoolExecutor

    pool = ThreadPoolExecutor(workers)
    begun = [pool.submit(work, first) for first in firsts]
    pool.shutdown(wait=False)

    def awaited() -> Iterator[int]:
        try:
            for first, one in zip(firsts, begun, strict=True):
                one.result()
                yield first
        finally:
            # Whoever goes away before the end wants no more of it.
            for one in begun:
                one.cancel()

    return awaited()


def _one_by_one(work: Callable[[int], None], firsts: Sequence[int]) -> Iterator[int]:
    for first in firsts:
        work(first)
        yield first
