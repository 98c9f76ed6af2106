"""Answers for many divers at once: compiled, on as many threads as there are cores, and while others work on.

The same answers as `leadline.model.diver` gives one by one. Loading the compiler takes longer than a handful
of answers; from a few dozen on it is worth its while.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model import second
from leadline.model.jobs import AT_ONCE, Jobs, Part
from leadline.model.layout import writable
from leadline.model.marginal import Marginal
from leadline.model.observations import Observations
from leadline.model.people import Population, Targets

__all__ = ["Question", "crowd_marginals", "crowd_stream"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


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
        Needs wanted; `suit` by the labels of the observations, a label that is not there for a new suit; one
        `body_sd` for all of them.
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
    if not questions:
        return iter(())
    return _needs(questions, _parts(population, observations, _jobs(observations, questions)))


def _jobs(observations: Observations, questions: list[Question]) -> Jobs:
    """The same in few arrays."""
    targets = [question.targets for question in questions]
    p = observations.n_exposures
    return Jobs(
        row=_joined([q.rows for q in questions], np.int64),
        row_first=_spans([q.rows for q in questions]),
        known=_joined([q.known for q in questions], np.bool_),
        seen=_joined([q.seen for q in questions], np.int64),
        seen_first=_spans([q.seen for q in questions]),
        body_variance=_joined([np.square(np.ravel(t.body_sd)) for t in targets], np.float64).reshape(
            len(targets)
        ),
        seen_variance=_seen_variance(observations, questions),
        target_first=_spans([t.prior for t in targets]),
        prior=_joined([t.prior for t in targets], np.float64),
        exposure=writable(np.concatenate([t.exposure for t in targets]).reshape(-1, p), np.float64),
        suit_weight=_joined([t.suit_weight for t in targets], np.float64),
        suit=_joined([t.suit for t in targets], np.int64),
        elapsed=_joined([t.elapsed for t in targets], np.float64),
        jumped=_joined([t.jumped for t in targets], np.float64),
    )


def _parts(population: Population, observations: Observations, jobs: Jobs) -> Iterator[Part]:
    """Answers of the second process, if there is one; what it leaves, or all, is done here."""
    asked = second.ask(population, observations, jobs)
    if asked is not None:
        return _or_here(asked, population, observations, jobs)
    from leadline.model.crowd_work import worked

    return worked(population, observations, jobs)


def _or_here(
    asked: Iterator[Part], population: Population, observations: Observations, jobs: Jobs
) -> Iterator[Part]:
    done = 0
    for part in asked:
        yield part
        done += 1
    if done * AT_ONCE < len(jobs.row_first) - 1:
        from leadline.model.crowd_work import worked

        yield from worked(population, observations, jobs, done)


def _needs(questions: list[Question], parts: Iterator[Part]) -> Iterator[list[Marginal | None]]:
    """Parts told apart again by questions."""
    for number, part in enumerate(parts):
        ends = np.cumsum(part.sizes).tolist()
        needs = iter(
            Marginal(part.points[end - size : end], part.weights[end - size : end], scatter) if size else None
            for size, end, scatter in zip(part.sizes.tolist(), ends, part.scatter.tolist(), strict=True)
        )
        for question in questions[number * AT_ONCE : (number + 1) * AT_ONCE]:
            yield [next(needs) for _ in range(len(question.targets))]
