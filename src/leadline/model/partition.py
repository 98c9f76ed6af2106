"""Rows of whole chunks with their sites, and what a sweep has them do.

Where the rows are is nobody else's business: in this process (`Partition`), or with workers elsewhere
(`leadline.model.fleet`). What crosses is of the size of the shared effects.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from copy import copy
from functools import cached_property
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model.layout import Layout, lay_out
from leadline.model.observations import Observations
from leadline.model.sites import Cavity, Sites

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

    from leadline.model.elimination import Terms
    from leadline.model.row import Levels
    from leadline.model.settling import Settled
    from leadline.model.sweep import Pace

__all__ = ["Beta", "Holder", "Outcome", "Partition", "left_over"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

WORTH_THREADS: Final = 400
"""Rows from which a second thread is worth its while. [-]"""

FIRST_PART: Final = 0.7
"""Share of the refined sites in the first blend. [-]"""

Beta = tuple[FloatArray, FloatArray]
"""Mean and covariance of the shared effects; shape (p,), (p, p). [-]"""


@dataclass(frozen=True)
class Outcome:
    """What follows from settled sites.

    Parameters
    ----------
    evidence : float
        Log evidence of all divers, beta's determinant left out. [-]
    slope : ndarray, shape (PLACES,)
        Its derivatives.
    slopes, pull : ndarray, shape (d, PLACES), (d, p)
        The same by diver, and in beta; no rows where that is not asked for.
    need, need_variance, offset, offset_variance, sites, cavity
        As of `Propagation`; no rows where these stay with workers.
    """

    evidence: float
    slope: FloatArray
    slopes: FloatArray
    pull: FloatArray
    need: FloatArray
    need_variance: FloatArray
    offset: FloatArray
    offset_variance: FloatArray
    sites: Sites
    cavity: Cavity


class Holder(Protocol):
    """Who has the rows of all divers, in chunks, and works on them when asked."""

    @property
    def columns(self) -> int:
        """Number of shared effects, p."""

    @property
    def loosest(self) -> FloatArray:
        """How wide each diver's sites may be; nothing where that stays with workers."""

    def begin(self, level: Levels, sites: Sites) -> None:
        """Take hyperparameters, and sites to begin with; no sites are flat ones."""

    def sweep(self, beta: Beta, *, damping: float, rounds: int, enough: float) -> Beta:
        """Refine all sites; what each chunk then says of beta, shape (chunks, p, p), (chunks, p)."""

    def tighten(self, beta: Beta, *, damping: float, enough: float) -> Beta:
        """Make no site wider than its cavity any more; again what each chunk says of beta."""

    def left(self) -> float:
        """Change still to come after a sweep: the most of any diver, but for one in a thousand."""

    def settle(self, beta: Beta, *, late: float, inform: bool) -> Outcome:
        """Settle the few who have not yet, with beta held, and add up; `inform` asks for each diver's."""


def left_over(divers: int) -> int:
    """How many of so many divers may have further to go than `Holder.left` says.

    Among very many divers there is always one whose records contradict each other; what such a one says of
    the shared effects is nothing beside the others.
    """
    return divers // 1000


class Partition:
    """Rows in this process; a `Holder`.

    Parameters
    ----------
    observations : Observations
        m >= 1 rows.
    threads : int, optional
        Parts at work side by side, each of whole chunks; default one for each core, or one where there is
        little to do. The result is the same bits whatever their number.
    chunk_first : ndarray of int, optional
        First diver of each chunk, the end appended, where these are not all the divers there are.
    """

    def __init__(
        self, observations: Observations, *, threads: int | None = None, chunk_first: IntArray | None = None
    ) -> None:
        self.columns = observations.n_exposures
        self.layout: Layout = lay_out(observations)
        if chunk_first is not None:
            self.layout = self.layout._replace(chunk_first=chunk_first)
        p, chunks = self.columns, len(self.layout.chunk_first) - 1
        self.precision = np.zeros((chunks, p, p))
        self.shift = np.zeros((chunks, p))
        self.rows = np.zeros((len(observations), 8))
        # Wide sites that chased each other stay narrow: in a search the evidence must not jump.
        self.loosest = np.zeros(len(self.layout.suits))
        usual = (os.cpu_count() or 1) if len(observations) >= WORTH_THREADS else 1
        bounds = np.linspace(0, chunks, min(threads or usual, chunks) + 1).round().astype(int)
        self.parts = list(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True))
        self.level: Levels
        self.terms: Terms
        self.pace: Pace

    def twin(self) -> Partition:
        """The same rows in arrays of its own, for settlings beside this one's in another thread."""
        other = copy(self)
        other.precision, other.shift = np.zeros_like(self.precision), np.zeros_like(self.shift)
        other.rows = np.zeros_like(self.rows)
        other.parts = [(0, len(self.layout.chunk_first) - 1)]
        return other

    @cached_property
    def pool(self) -> ThreadPoolExecutor:
        """Threads for the parts; they end with the partition."""
        from concurrent.futures import ThreadPoolExecutor

        return ThreadPoolExecutor(len(self.parts))

    def _everywhere(self, work: Callable[[int, int], None]) -> None:
        """Do the work on all chunks, part by part side by side; compiled code leaves the lock alone."""
        if len(self.parts) == 1:
            work(*self.parts[0])
            return
        for done in [self.pool.submit(work, *part) for part in self.parts]:
            done.result()

    def begin(self, level: Levels, sites: Sites) -> None:
        """Take hyperparameters, and sites to begin with; no sites are flat ones."""
        from leadline.model.elimination import Terms
        from leadline.model.prepared import prepare
        from leadline.model.sweep import Pace

        m, d = len(self.rows), len(self.layout.suits)
        self.level = level
        self._everywhere(lambda first, last: prepare(self.layout, level, self.rows, first, last))
        begun = sites if len(sites.precision) else Sites.flat(m)
        self.terms = Terms(
            begun.precision.copy(), begun.shift.copy(), np.full(m, np.nan), np.ones(m), np.full(m, np.nan)
        )
        self.pace = Pace(
            np.full(d, FIRST_PART), np.full(d, np.inf), np.zeros(d), self._width(begun.precision)
        )

    def _width(self, precision: FloatArray) -> FloatArray:
        """How wide each diver's sites may be from the start: as wide as where they come from."""
        from leadline.model.sweep import LOOSEST

        first = self.layout.occasion_first[self.layout.diver_occasion[:-1]]
        wide = np.minimum.reduceat(precision, first) < 0.0
        return np.where(self.loosest > 0.0, self.loosest, np.where(wide, LOOSEST, 0.0))

    def sweep(self, beta: Beta, *, damping: float, rounds: int, enough: float) -> Beta:
        """Refine all sites; what each chunk then says of beta, shape (chunks, p, p), (chunks, p)."""
        from leadline.model.sweep import sweep

        self._everywhere(
            lambda first, last: sweep(
                self.layout,
                self.level,
                self.rows,
                self.terms,
                self.pace,
                *beta,
                damping,
                rounds,
                enough,
                self.precision,
                self.shift,
                first,
                last,
            )
        )
        return self.precision, self.shift

    def tighten(self, beta: Beta, *, damping: float, enough: float) -> Beta:
        """Make no site wider than its cavity any more; again what each chunk says of beta."""
        from leadline.model.sweep import NEVER

        self.pace.loosest[:] = NEVER
        np.maximum(self.terms.precision, 0.0, out=self.terms.precision)
        return self.sweep(beta, damping=damping, rounds=0, enough=enough)

    def latest(self, count: int) -> FloatArray:
        """Change still to come of so many divers, or of all: those who have furthest to go."""
        last = self.pace.last
        return np.asarray(np.partition(last, -count)[-count:] if count < len(last) else last)

    def left(self) -> float:
        """Change still to come after a sweep: the most of any diver, but for one in a thousand."""
        last = self.pace.last
        place = -1 - left_over(len(last))
        return float(np.partition(last, place)[place])

    def settled(self, beta: Beta, *, late: float, inform: bool) -> Settled:
        """Settle the few who have not yet, with beta held; what follows, by diver and by row."""
        from leadline.model.settling import settle
        from leadline.model.sweep import finish

        self.loosest = self.pace.loosest
        if float(np.max(self.pace.last)) > late:
            self._everywhere(
                lambda first, last: finish(
                    self.layout, self.level, self.rows, self.terms, self.pace, *beta, late, first, last
                )
            )
        found = _nothing_settled(len(self.rows), len(self.layout.suits), self.columns if inform else 0)
        self._everywhere(
            lambda first, last: settle(
                self.layout, self.level, self.rows, self.terms, *beta, found, first, last
            )
        )
        return found

    def settle(self, beta: Beta, *, late: float, inform: bool) -> Outcome:
        """Settle the few who have not yet, with beta held, and add up; `inform` asks for each diver's."""
        found = self.settled(beta, late=late, inform=inform)
        return Outcome(
            float(np.sum(found.evidence)),
            np.asarray(np.add.reduce(found.gradient, axis=0)),
            found.gradient if inform else found.gradient[:0],
            found.pull,
            self.terms.need,
            self.terms.variance,
            found.offset,
            found.offset_variance,
            Sites(self.terms.precision, self.terms.shift),
            Cavity(found.cavity_mean, found.cavity_variance),
        )


def _nothing_settled(rows: int, divers: int, columns: int) -> Settled:
    from leadline.model.settling import PLACES, Settled

    return Settled(
        np.zeros(divers),
        np.zeros((divers, PLACES)),
        np.zeros((divers if columns else 0, columns)),
        np.zeros(rows),
        np.zeros(rows),
        *(np.zeros(divers) for _ in range(4)),
    )
