"""Learn from records in parts, each read and turned into evidence by a worker; nobody has them all."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from leadline.arrays import Records
from leadline.decide.contradiction import Touch, contradictions, effects, touch
from leadline.decide.findings import BreathRange, Contradiction, Convergence, Effect
from leadline.decide.learning import breath_range, convergence
from leadline.decide.listed import short_of
from leadline.errors import FitError
from leadline.evidence.crowd import gather_in_parts, whole_names
from leadline.frozen import dataclass
from leadline.model.fleet import Held, fit_fleet, likeliest_fleet
from leadline.model.observations import Observations
from leadline.model.population import Fit
from leadline.model.workers import Workers
from leadline.timeline import timeline

__all__ = ["Harvest", "hold", "learn_in_parts"]


@dataclass(frozen=True)
class Harvest:
    """What was learned, each number to the bit as `Findings` has it.

    What that says of single records (`doubts`), of single divers (`excess_kg`) and of dives, one row each
    (`parts`), is not asked of workers: they keep no kinds of records, and tell nothing by diver or by dive.

    Parameters
    ----------
    fit : Fit
        Of the population, for the book.
    counts : dict
        observations and divers with any.
    breath : BreathRange
        In both readings.
    convergence : Convergence
        Of the fit.
    effects, contradictions
        As of `Findings`.
    """

    fit: Fit
    counts: dict[str, int]
    breath: BreathRange
    convergence: Convergence
    effects: tuple[Effect, ...]
    contradictions: tuple[Contradiction, ...]


def _observed(read: Callable[[], Records], latest: np.datetime64) -> Observations:
    """Evidence of one part, on a worker."""
    return gather_in_parts(timeline(read()), threads=1, latest=latest).observations


def _names(part: Observations) -> tuple[str, ...]:
    return part.names


def _seen(part: Observations) -> tuple[int, int]:
    """Observations of a part, leads that were chosen left out, and divers with any."""
    return int(part.seen.sum()), len(np.unique(part.diver[part.seen]))


def _together(parts: Sequence[Touch], names: tuple[str, ...]) -> Touch:
    """Touches of several parts, in their order."""
    place = {name: i for i, name in enumerate(names)}
    rows, seen = np.zeros(len(names), int), np.zeros(len(names), int)
    squares, signed = [0] * len(names), [0] * len(names)
    for part in parts:
        at = [place[name] for name in part.names]
        rows[at] += part.rows
        seen[at] += part.seen
        for i, square, sign in zip(at, part.squares, part.signed, strict=True):
            squares[i] += square
            signed[i] += sign
    return Touch(names, rows, seen, tuple(squares), tuple(signed))


def hold(workers: Workers, reads: Sequence[Callable[[], Records]], *, latest: np.datetime64) -> Held:
    """Evidence of records in parts, held by the workers that read them.

    Parameters
    ----------
    workers : Workers
        Who read and hold them.
    reads : sequence of callable
        Each gives the records of a part on a worker: divers in the order of their names, no diver in two
        parts, others' wear of their suits among the records.
    latest : datetime64
        Latest date of all records; NaT where none is known.
    """
    parts = [
        workers.submit(_observed, read, latest, place=place)
        for read, place in zip(reads, workers.placed(len(reads)), strict=True)
    ]
    named = [workers.submit(_names, part) for part in parts]
    return Held(workers, parts, names=whole_names(workers.result(names) for names in named))


def learn_in_parts(
    workers: Workers,
    reads: Sequence[Callable[[], Records]],
    *,
    latest: np.datetime64,
    partitions: int | None = None,
    notify: Callable[[str], None] | None = None,
) -> Harvest:
    """Fit the population to records in parts.

    Parameters
    ----------
    workers, reads, latest
        As for `hold`.
    partitions : int, optional
        Shares of the evidence; default one for each worker.
    notify : callable, optional
        Called with a short text as the work goes on.

    Returns
    -------
    Harvest
        Its fit is to the bit that of `leadline.decide.learning.learn` on all records, on processors of one
        kind.

    Raises
    ------
    FitError
        If the fit does not converge, or a worker is lost.
    """
    if notify:
        notify("workers read the records")
    held = hold(workers, reads, latest=latest)
    asked = [(workers.submit(_seen, part), workers.submit(touch, part)) for part in held.parts]
    seen = [workers.result(counts) for counts, _ in asked]
    touched = _together([workers.result(one) for _, one in asked], held.names)
    fitted = fit_fleet(held, partitions=partitions, notify=notify)
    if notify:
        notify("breath range, a second time")
    try:
        fixed = likeliest_fleet(held) if held.rows else None
    except FitError:
        fixed = None  # as in `learn`
    found, breath = breath_range(fitted, fixed)
    counts = {"observations": sum(o for o, _ in seen), "divers": sum(d for _, d in seen)}
    moved = effects(touched, found)
    named = contradictions(moved, found)
    found = replace(found, diagnostics={**found.diagnostics, **short_of(named)})
    return Harvest(found, counts, breath, convergence(found), moved, named)
