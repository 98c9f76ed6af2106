"""One diver's part of an assessment: small arrays, so that asking about thousands of divers stays quick."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Occasions
from leadline.decide.assessment import ALL_TIME, Assessment
from leadline.evidence.gather import suit_keys
from leadline.model.marginal import Marginal
from leadline.physics.ledger import State
from leadline.timeline import CHECK, DIVE, PLAN, Timeline

__all__ = ["Part", "parts"]

IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Part(Assessment):
    """The rows and the evidence of one diver, with the needs that were asked for.

    The rows are those of the whole, in its order; whatever answers from an `Assessment` answers from this.
    """

    @cached_property
    def asked(self) -> dict[tuple[int, ...], list[Marginal]]:
        """Needs by the rows asked for, at each row's planned pressure and on all evidence."""
        return {}

    def marginals(self, rows: IntArray, state: State, *, until: int = ALL_TIME) -> list[Marginal]:
        """As of any assessment; what was asked at the planned pressure on all evidence is not asked twice."""
        planned = np.asarray(self.state(rows).cylinder_pressure)
        if until != ALL_TIME or not np.array_equal(planned, np.asarray(state.cylinder_pressure)):
            return super().marginals(rows, state, until=until)
        key = tuple(int(row) for row in rows)
        if key not in self.asked:
            self.asked[key] = super().marginals(rows, state, until=until)
        return self.asked[key]


def parts(assessment: Assessment, divers: IntArray) -> Iterator[tuple[Part, IntArray]]:
    """Each diver's part of an assessment.

    Parameters
    ----------
    assessment : Assessment
        The whole.
    divers : ndarray of int, shape (d,)
        Rows of the divers table.

    Yields
    ------
    part : Part
        Of one diver, in the order of `divers`.
    rows : ndarray of int
        Rows of the whole timeline that its rows are.
    """
    whole = assessment.line.occasions.diver
    by_diver, mine = (np.argsort(who, kind="stable") for who in (whole, assessment.evidence.diver))
    ends = {side: np.searchsorted(whole[by_diver], divers, side=side) for side in ("left", "right")}
    own = {
        side: np.searchsorted(assessment.evidence.diver[mine], divers, side=side)
        for side in ("left", "right")
    }
    for i in range(len(divers)):
        rows = by_diver[ends["left"][i] : ends["right"][i]]
        yield _part(assessment, rows, mine[own["left"][i] : own["right"][i]]), rows


def _part(whole: Assessment, rows: IntArray, own: IntArray) -> Part:
    occasions = whole.line.occasions.take(rows)
    evidence = whole.evidence.take(np.sort(own))
    at = np.searchsorted(rows, evidence.statements.row)
    changed: dict[str, Any] = {
        "line": _line(whole.line, rows, occasions),
        "rigs": whole.rigs.take(rows),
        "evidence": replace(
            evidence, statements=replace(evidence.statements, row=at), suit=suit_keys(occasions)[at]
        ),
        "in_fit": whole.in_fit[rows],
    }
    return Part(**{f.name: changed.get(f.name, getattr(whole, f.name)) for f in fields(Assessment)})


def _line(whole: Timeline, rows: IntArray, occasions: Occasions) -> Timeline:
    """The timeline with these rows only, the tables of dives, checks and plans likewise."""
    table, row = whole.table[rows], whole.row[rows]

    def cut(columns: Columns, of: int) -> Columns:
        used = row[table == of]
        return {name: values[used] for name, values in columns.items()}

    number = np.empty(len(rows), np.int64)
    for of in (DIVE, CHECK, PLAN):
        number[table == of] = np.arange(int((table == of).sum()))
    records = replace(
        whole.records, dives=cut(whole.records.dives, DIVE), checks=cut(whole.records.checks, CHECK)
    )
    return Timeline(occasions, table, number, records, cut(whole.plan, PLAN))
