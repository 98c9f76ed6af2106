"""Evidence of many divers, some at a time: physics of a large book would not fit into memory at once.

Divers are taken in the order of their names, so neither the order of a file nor the number of threads
changes a bit.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records, ranks
from leadline.evidence.gather import Evidence, gather
from leadline.evidence.statement import join
from leadline.frozen import dataclass
from leadline.model.joining import joined, relabelled
from leadline.physics.ledger import CATALOGUE, assemble
from leadline.timeline import CHECK, DIVE, Timeline

__all__ = ["gather_in_parts", "whole_names"]

IntArray = NDArray[np.int64]

AT_ONCE: Final = 20_000
"""Rows of the timeline that are taken at once: some ten megabytes of each physical quantity's tables."""


@dataclass(frozen=True)
class _Some(Mapping[str, NDArray[Any]]):
    """Some rows of a column set, each column taken when it is asked for."""

    columns: Columns
    rows: IntArray

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self.columns[name][self.rows]

    def __iter__(self) -> Iterator[str]:
        return iter(self.columns)

    def __len__(self) -> int:
        return len(self.columns)


def _part(line: Timeline, rows: IntArray) -> Timeline:
    """Some rows of the timeline, in its order."""
    table, row = line.table[rows], line.row[rows]
    own = {name: row[table == number] for name, number in (("dives", DIVE), ("checks", CHECK))}
    local = np.zeros(len(rows), np.int64)
    for number in np.unique(table):
        here = table == number
        local[here] = np.arange(np.count_nonzero(here))
    records = Records(
        line.records.divers,
        line.records.gear,
        _Some(line.records.dives, own["dives"]),
        _Some(line.records.checks, own["checks"]),
    )
    return Timeline(line.occasions.take(rows), table, local, records, line.plan)


def _gathered(line: Timeline, rows: IntArray, who: IntArray, latest: np.datetime64) -> Evidence:
    """Evidence of some rows, which are all those of their divers."""
    part = _part(line, rows)
    # The latest date of all stands in where a row has none, as with the whole line.
    date = np.where(np.isnat(part.occasions.date), latest, part.occasions.date)
    rigs = assemble(part.records, replace(part.occasions, date=date))
    found = gather(part, rigs, who=who[rows])
    statements = replace(found.statements, row=rows[found.statements.row])
    return replace(found, statements=statements)


def _joined(parts: list[Evidence]) -> Evidence:
    """All evidence of several parts, whose divers are not the same."""
    labels = {
        name: text for part in parts for name, text in zip(part.observations.names, part.labels, strict=True)
    }
    names = whole_names([tuple(labels)])
    return Evidence(
        joined([part.observations for part in parts], names),
        join([part.statements for part in parts]),
        relabelled([part.suit for part in parts]),
        np.concatenate([part.diver for part in parts]),
        relabelled([part.order for part in parts]),
        tuple(labels[name] for name in names),
        np.concatenate([part.own_sd for part in parts]),
    )


def _latest(line: Timeline) -> np.datetime64:
    dates = line.occasions.date
    known = dates[~np.isnat(dates)]
    return known.max() if len(known) else np.datetime64("NaT", "s")


def whole_names(parts: Iterable[tuple[str, ...]]) -> tuple[str, ...]:
    """Exposures of the whole, from those of parts with other divers: of the catalogue, then of types."""
    types = {name for names in parts for name in names} - set(CATALOGUE)
    return (*CATALOGUE, *sorted(types))


def gather_in_parts(
    line: Timeline,
    *,
    at_once: int = AT_ONCE,
    threads: int | None = None,
    latest: np.datetime64 | None = None,
) -> Evidence:
    """All evidence of a book, as `leadline.evidence.gather.gather` has it, a few divers at a time.

    Parameters
    ----------
    line : Timeline
        Dives and checks; n rows.
    at_once : int
        Rows to be taken at once, rounded to whole divers.
    threads : int, optional
        Parts at work side by side; default one for each core.
    latest : datetime64, optional
        Latest date of the whole book, where these are not all its divers.

    Returns
    -------
    Evidence
        `suit` and `order` tell rows of one diver apart and in time; between divers they have no meaning.
    """
    who = np.asarray(ranks(line.records.divers["diver"])[line.occasions.diver])
    by_diver = np.argsort(who, kind="stable")
    count = -(-len(by_diver) // at_once)
    if not count or (count == 1 and latest is None):
        return gather(line, assemble(line.records, line.occasions), who=who)
    edges = np.searchsorted(who[by_diver], who[by_diver[::at_once]])
    bounds = np.unique(np.append(edges, len(by_diver)))
    last = _latest(line) if latest is None else latest
    spans = list(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True))

    def work(span: tuple[int, int]) -> Evidence:
        return _gathered(line, np.sort(by_diver[span[0] : span[1]]), who, last)

    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        return _joined(list(pool.map(work, spans)))
