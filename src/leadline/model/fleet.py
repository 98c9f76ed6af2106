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
from leadline.model.joining import joined
from leadline.model.large import FEW, SAMPLES, drawn, fit_any_size, fit_held, has_the_say
from leadline.model.layout import chunk_first
from leadline.model.observations import Observations
from leadline.model.pairwise import total
from leadline.model.partition import Beta, Outcome, left_over
from leadline.model.population import Fit, prior_fit
from leadline.model.share import Share, Told, cut, sample
from leadline.model.share import counts as counts_of
from leadline.model.sites import Cavity, Sites
from leadline.model.workers import LOST, fleet, placed, result

if TYPE_CHECKING:
    from distributed import Client, Future

    from leadline.model.row import Levels

__all__ = ["Fleet", "fit_fleet", "fleet", "handed_out"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def handed_out(client: Client, observations: Observations, *, parts: int) -> list[Future[Any]]:
    """Observations given to workers, some divers to each.

    Parameters
    ----------
    client : distributed.Client
        Of the workers.
    observations : Observations
        All rows.
    parts : int
        How many.

    Returns
    -------
    list of Future
        For `fit_fleet`.
    """
    bounds = np.linspace(0, len(observations.body_sd), parts + 1).round().astype(int).tolist()
    places = placed(client, parts)
    return [
        client.scatter(cut(observations, first, last), workers=[place], hash=False)
        for first, last, place in zip(bounds[:-1], bounds[1:], places, strict=True)
        if last > first
    ]


class Fleet:
    """Rows that Dask workers hold; a `leadline.model.partition.Holder`.

    Parameters
    ----------
    client : distributed.Client
        Of the workers.
    parts : sequence of Future
        Observations in the order of their divers, no diver in two of them.
    names : tuple of str
        Exposures of the whole.
    counts : sequence of ndarray
        Rows of each diver, for each part.
    partitions : int
        Shares that are made of them, each of whole chunks.
    """

    def __init__(
        self,
        client: Client,
        parts: Sequence[Future[Any]],
        *,
        names: tuple[str, ...],
        counts: Sequence[IntArray],
        partitions: int,
    ) -> None:
        self.client, self.columns = client, len(names)
        self.loosest: FloatArray = np.zeros(0)
        ends = np.cumsum([0, *map(len, counts)]).tolist()
        self.divers = ends[-1]
        self.last: FloatArray = np.zeros(0)
        self.asked = 0
        chunks = chunk_first(self.divers)
        count = min(partitions, len(chunks) - 1)
        bounds = np.linspace(0, len(chunks) - 1, count + 1).round().astype(int).tolist()
        self.places, threads = placed(client, count), client.nthreads()
        self.futures = []
        for low, high, place in zip(bounds[:-1], bounds[1:], self.places, strict=True):
            own = chunks[low : high + 1]
            first, last = int(own[0]), int(own[-1])
            rows = [
                client.submit(
                    cut,
                    part,
                    max(first, begin) - begin,
                    min(last, end) - begin,
                    workers=[place],
                    pure=False,
                )
                for part, begin, end in zip(parts, ends[:-1], ends[1:], strict=True)
                if begin < last and first < end
            ]
            self.futures.append(
                client.submit(
                    Share,
                    rows,
                    names=names,
                    first=first,
                    divers=self.divers,
                    chunks=own,
                    threads=threads[place],
                    workers=[place],
                    actor=True,
                    pure=False,
                )
            )
        self.shares = [
            result(client, future, place) for future, place in zip(self.futures, self.places, strict=True)
        ]

    def _every(self, act: str, *arguments: Any) -> list[Any]:
        """What all shares answer, at work side by side, in the order of their chunks."""
        self.asked += 1
        asked = [self._ask(share, act, arguments) for share in self.shares]
        return [result(self.client, answer, place) for answer, place in zip(asked, self.places, strict=True)]

    def _ask(self, share: Any, act: str, arguments: tuple[Any, ...]) -> Any:
        """A future of one share's answer."""
        try:
            with self.client.as_current():
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
        for share, place in zip(self.shares, self.places, strict=True):
            slope = result(self.client, self._ask(share, "slope", (slope,)), place)
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
    client: Client,
    parts: Sequence[Future[Any]],
    *,
    names: tuple[str, ...],
    partitions: int | None = None,
    few: int = FEW,
    samples: Sequence[int] = SAMPLES,
    notify: Callable[[str], None] | None = None,
) -> Fit:
    """Fit the population to observations that workers hold.

    Parameters
    ----------
    client : distributed.Client
        Of the workers, such as `fleet` yields.
    parts : sequence of Future
        Observations in the order of their divers, no diver in two of them; from `handed_out`, or gathered
        from records by the workers. They are no longer needed afterwards.
    names : tuple of str
        Exposures of the whole, in order.
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
    are no work for a fleet. Of more, two samples' worth of rows at most is ever here.
    """
    counts = [result(client, future) for future in client.map(counts_of, parts, pure=False)]
    held = [(part, count) for part, count in zip(parts, counts, strict=True) if len(count)]
    rows = int(sum(count.sum() for _, count in held))
    if not rows:
        return prior_fit(names)
    parts, counts = [part for part, _ in held], [count for _, count in held]
    if rows <= few or not has_the_say(samples, rows):
        whole = joined([result(client, part) for part in parts], names)
        return fit_any_size(whole, few=few, samples=samples, notify=notify)
    ends = np.cumsum([len(count) for count in counts])[:-1]

    def draw(size: int) -> Observations:
        own = np.split(drawn(np.concatenate(counts), size), ends)
        taken = [client.submit(sample, part, mask, pure=False) for part, mask in zip(parts, own, strict=True)]
        return joined([result(client, future) for future in taken], names)

    holder = Fleet(client, parts, names=names, counts=counts, partitions=partitions or len(client.nthreads()))
    return fit_held(
        holder, draw, names=names, rows=rows, divers=holder.divers, samples=samples, notify=notify
    )
