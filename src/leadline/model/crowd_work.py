"""Jobs of many divers done in this process: compiled, on as many threads as there are cores."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence

import numpy as np

from leadline.model.crowd_answer import MOST_POINTS, answer
from leadline.model.jobs import AT_ONCE, Jobs, Part
from leadline.model.layout import rows_of, writable
from leadline.model.observations import Observations
from leadline.model.people import Population
from leadline.model.propagation import levels_of
from leadline.model.row import packed

__all__ = ["worked"]


def worked(population: Population, observations: Observations, jobs: Jobs, begin: int = 0) -> Iterator[Part]:
    """Answers to jobs, `AT_ONCE` at a time; the work begins at once and goes on in the background.

    Parameters
    ----------
    population : Population
        With everybody's share; the shared effects' covariance is the same under all hyperparameters.
    observations : Observations
        Of all divers, as the population was fitted to them; an answer takes each record as its interval.
    jobs : Jobs
        About their rows.
    begin : int
        Parts at the beginning that are left out.

    Returns
    -------
    iterator of Part
        In their order; the same bits on one core or many.
    """
    count, needs = len(jobs.row_first) - 1, int(jobs.target_first[-1])
    found = np.zeros((needs, 2, MOST_POINTS))
    sizes, scatter = np.zeros(needs, np.int64), np.zeros(needs)
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
            min(first + AT_ONCE, count),
        )

    def part(first: int) -> Part:
        one, last = jobs.target_first[first], jobs.target_first[min(first + AT_ONCE, count)]
        here = np.maximum(sizes[one:last], 0)
        some = np.arange(MOST_POINTS) < here[:, None]
        return Part(found[one:last, 0][some], found[one:last, 1][some], here, scatter[one:last])

    return map(part, _worked(work, range(begin * AT_ONCE, count, AT_ONCE)))


def _worked(work: Callable[[int], None], firsts: Sequence[int]) -> Iterator[int]:
    """The same numbers in their order, each once it has been worked at; the work begins at once."""
    workers = min(os.cpu_count() or 1, len(firsts))
    if workers <= 1:
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
