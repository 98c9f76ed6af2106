"""The fit over observations that Dask workers hold, whole chunks each, to the bit as one process has it.

A worker keeps its rows and their sites in memory from one sweep to the next. What crosses the network per
sweep are the chunks' sums, of the size of the shared effects, and of one diver in a thousand how far there is
still to go; at the end a few partial sums of the evidence. Only the samples from which the hyperparameters
are learned come to the one who asks.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leadline.errors import FitError
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.joining import joined
from leadline.model.large import (
    FEW,
    SAMPLES,
    drawn,
    fit_any_size,
    fit_held,
    has_the_say,
    likeliest_any_size,
    likeliest_drawn,
)
from leadline.model.layout import chunk_first
from leadline.model.observations import Observations
from leadline.model.pairwise import total
from leadline.model.partition import Beta, Outcome, left_over
from leadline.model.population import Fit, prior_fit
from leadline.model.share import Share, Told, cut, sample
from leadline.model.share import counts as counts_of
from leadline.model.sites import Cavity, Sites
from leadline.model.workers import LOST, Workers, fleet

if TYPE_CHECKING:
    from distributed import Future

    from leadline.model.row import Levels

__all__ = ["Fleet", "Held", "Workers", "fit_fleet", "fleet", "handed_out", "likeliest_fleet"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def handed_out(workers: Workers, observations: Observations, *, parts: int) -> list[Future[Any]]:
    """Observations given to workers, some divers to each.

    Parameters
    ----------
    workers : Workers
        Who shall hold them.
    observations : Observations
        All rows.
    parts : int
        How many.

    Returns
    -------
    list of Future
        For `Held`.
    """
    bounds = np.linspace(0, len(observations.body_sd), parts + 1).round().astype(int).tolist()
    places = workers.placed(parts)
    return [
        workers.client.scatter(cut(observations, first, last), workers=[place], hash=False)
        for first, last, place in zip(bounds[:-1], bounds[1:], places, strict=True)
        if last > first
    ]


class Held:
    """Observations that workers hold, in the order of their divers.

    Parameters
    ----------
    workers : Workers
        Who hold them.
    parts : sequence of Future
        Observations, no diver in two of them; from `handed_out`, or gathered from records by the workers.
    names : tuple of str
        Exposures of the whole, in order.
    """

    def __init__(self, workers: Workers, parts: Sequence[Future[Any]], *, names: tuple[str, ...]) -> None:
        self.workers, self.names = workers, names
        asked = [workers.submit(counts_of, part) for part in parts]
        told = [(part, workers.result(count)) for part, count in zip(parts, asked, strict=True)]
        self.parts = [part for part, count in told if len(count)]
        self.counts: list[IntArray] = [count for _, count in told if len(count)]
        self.rows = int(sum(count.sum() for count in self.counts))

    def whole(self) -> Observations:
        """All rows, brought here; at least one."""
        return joined([self.workers.result(part) for part in self.parts], self.names)

    def draw(self, size: int) -> Observations:
        """The rows of a sample of so many, brought here; as `leadline.model.large.sampled` has them."""
        ends = np.cumsum([len(count) for count in self.counts])[:-1]
        own = np.split(drawn(np.concatenate(self.counts), size), ends)
        taken = [self.workers.submit(sample, part, mask) for part, mask in zip(self.parts, own, strict=True)]
        return joined([self.workers.result(future) for future in taken], self.names)


class Fleet:
    """Rows in the hands of workers, a share of whole chunks each; a `leadline.model.partition.Holder`.

    Parameters
    ----------
    held : Held
        All rows, at least one.
    partitions : int
        Shares that are made of them.
    """

    def __init__(self, held: Held, *, partitions: int) -> None:
        self.workers, self.columns = held.workers, len(held.names)
        self.loosest: FloatArray = np.zeros(0)
        self.last: FloatArray = np.zeros(0)
        self.asked = 0
        ends = np.cumsum([0, *map(len, held.counts)]).tolist()
        self.divers = ends[-1]
        chunks = chunk_first(self.divers)
        count = min(partitions, len(chunks) - 1)
        bounds = np.linspace(0, len(chunks) - 1, count + 1).round().astype(int).tolist()
        self.futures = [
            self._share(held, ends, chunks[low : high + 1], place)
            for low, high, place in zip(bounds[:-1], bounds[1:], self.workers.placed(count), strict=True)
        ]
        self.shares = [self.workers.result(future) for future in self.futures]

    def _share(self, held: Held, ends: list[int], chunks: IntArray, place: str) -> Future[Any]:
        """Some chunks put together at one place, from the parts that have them."""
        first, last = int(chunks[0]), int(chunks[-1])
        rows = [
            self.workers.submit(cut, part, max(first, begin) - begin, min(last, end) - begin, place=place)
            for part, begin, end in zip(held.parts, ends[:-1], ends[1:], strict=True)
            if begin < last and first < end
        ]
        return self.workers.client.submit(
            Share,
            rows,
            names=held.names,
            first=first,
            divers=self.divers,
            chunks=chunks,
            threads=self.workers.threads[place],
            workers=[place],
            actor=True,
            pure=False,
        )

    def _every(self, act: str, *arguments: Any) -> list[Any]:
        """What all shares answer, at work side by side, in the order of their chunks."""
        self.asked += 1
        asked = [self._ask(share, act, arguments) for share in self.shares]
        return [self.workers.result(answer) for answer in asked]

    def _ask(self, share: Any, act: str, arguments: tuple[Any, ...]) -> Any:
        """A future of one share's answer."""
        try:
            with self.workers.client.as_current():
                return share.ask(self.asked, act, arguments)
        except RuntimeError as error:
            raise FitError(LOST) from error

    def begin(self, level: Levels, sites: Sites) -> None:
        """As `Holder.begin`; workers keep their sites, so only flat ones can be given.

        Raises
        ------
        ValueError
            If others are.
        """
        if len(sites.precision):
            raise ValueError("sites stay with the workers of a fleet: begin without any")
        self._every("begin", level)

    def sweep(self, beta: Beta, *, damping: float, rounds: int, enough: float) -> Beta:
        """As `Holder.sweep`."""
        return self._summed(self._every("sweep", beta, damping, rounds, enough))

    def tighten(self, beta: Beta, *, damping: float, enough: float) -> Beta:
        """As `Holder.tighten`."""
        return self._summed(self._every("tighten", beta, damping, enough))

    def _summed(self, told: list[Told]) -> Beta:
        """All chunks in their order."""
        precision, shift, self.last = (np.concatenate(each) for each in zip(*told, strict=True))
        return precision, shift

    def left(self) -> float:
        """As `Holder.left`."""
        place = -1 - left_over(self.divers)
        return float(np.partition(self.last, place)[place])

    def settle(self, beta: Beta, *, late: float, inform: bool) -> Outcome:
        """As `Holder.settle`; rows and sites stay with the workers.

        Raises
        ------
        ValueError
            If each diver's slopes are asked for: these would have to cross.
        """
        if inform:
            raise ValueError("the slopes of single divers stay with the workers of a fleet")
        evidence = total(self._every("settle", beta, late), self.divers)
        slope: FloatArray | None = None
        self.asked += 1
        for share in self.shares:
            slope = self.workers.result(self._ask(share, "slope", (slope,)))
        nothing = np.zeros(0)
        return Outcome(
            evidence,
            np.zeros(0) if slope is None else slope,
            np.zeros((0, 0)),
            np.zeros((0, 0)),
            nothing,
            nothing,
            nothing,
            nothing,
            Sites.flat(0),
            Cavity(nothing, nothing),
        )


def fit_fleet(
    held: Held,
    *,
    partitions: int | None = None,
    few: int = FEW,
    samples: Sequence[int] = SAMPLES,
    notify: Callable[[str], None] | None = None,
) -> Fit:
    """Fit the population to observations that workers hold.

    Parameters
    ----------
    held : Held
        Any number of rows; none gives the prior.
    partitions : int, optional
        Shares of the rows, each of whole chunks; default one for each worker.
    few, samples, notify
        As for `leadline.model.large.fit_any_size`.

    Returns
    -------
    Fit
        The same bits as `fit_any_size` on all rows in one process, whatever the partitions and workers, on
        processors of one kind.

    Raises
    ------
    FitError
        If it does not converge, or a worker is lost; such a fit must not be stored.

    Notes
    -----
    Where the last sample would be half of all rows or more, the rows come here and are fitted here: so few
    are no work for a fleet. So two samples' worth of rows at most is ever here.
    """
    if not held.rows:
        return prior_fit(held.names)
    if held.rows <= few or not has_the_say(samples, held.rows):
        return fit_any_size(held.whole(), few=few, samples=samples, notify=notify)
    holder = Fleet(held, partitions=partitions or len(held.workers.threads))
    return fit_held(
        holder,
        held.draw,
        names=held.names,
        rows=held.rows,
        divers=holder.divers,
        samples=samples,
        notify=notify,
    )


def likeliest_fleet(
    held: Held, *, few: int = SAMPLES[0], samples: Sequence[int] = SAMPLES[:2]
) -> tuple[Hyperparameters, int]:
    """As `leadline.model.large.likeliest_any_size`, each record meaning its interval and no more.

    Raises
    ------
    FitError
        If it does not converge, or a worker is lost.
    """
    if held.rows <= few or not has_the_say(samples, held.rows):
        return likeliest_any_size(held.whole().as_intervals(), few=few, samples=samples)
    return likeliest_drawn(
        lambda size: held.draw(size).as_intervals(), rows=held.rows, columns=len(held.names), samples=samples
    )
