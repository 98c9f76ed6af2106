"""Needs of many divers found in one go, ahead of being asked for one by one.

What goes over a plan, a roster or a book asks `Assessment.marginals` for one diver after the other. Where
there are many, telling the assessment beforehand what will be asked lets it find all answers together,
compiled and on all cores.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.decide.assessment import ALL_TIME, Assessment, offset_sds, questions, seen_ends
from leadline.decide.readiness import MANY
from leadline.model.people import Targets
from leadline.physics.ledger import Exposures, State

if TYPE_CHECKING:
    from leadline.model.crowd import Question

__all__ = ["foresee"]

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
Prior = tuple[FloatArray, Exposures]


def foresee(
    assessment: Assessment, rows: IntArray, state: State, *, until: ArrayLike = ALL_TIME, many: int = MANY,
    prior: Prior | None = None,
) -> int:  # fmt: skip
    """Have the needs of many divers found from now on; `Assessment.marginals` then gives them without work.

    The work goes on in the background, in the order of divers; whoever asks waits for what is asked only.

    Parameters
    ----------
    assessment : Assessment
        That will be asked.
    rows : ndarray of int, shape (t,)
        Rows of the timeline, of any divers.
    state : State
        t rows.
    until : array_like of int, shape (t,) or ()
        Evidence up to and including this place in time.
    many : int
        Questions from which it is worth while; fewer are left to be asked.
    prior : tuple of ndarray and Exposures, optional
        Prior need and what is in doubt about it, t rows, if at hand. [kg]

    Returns
    -------
    int
        Questions that were taken up. Those about records that contradict each other badly are left, and so
        are those that were asked before.
    """
    if len(rows) < many:
        return 0
    from leadline.model.crowd import crowd_stream

    ends = np.broadcast_to(np.asarray(until, np.int64), rows.shape)
    keys = questions(rows, state, until=ends)
    new = np.flatnonzero([key not in assessment.foreseen for key in keys])
    if not len(new):
        return 0
    rows, state, ends = rows[new], state.take(new), ends[new]
    if prior is None:
        ledger, shared = assessment.prior(rows, state)
        need = np.asarray(ledger.need)
    else:
        need, shared = prior[0][new], prior[1].take(new)
    asked = _questions(assessment, rows, ends, need, shared)
    answers = crowd_stream(
        assessment.everyone, assessment.evidence.observations, [question for _, question, _ in asked]
    )
    wanted = [keys[i] for i in new.tolist()]
    coming = (
        {
            wanted[place]: None if need is None else need.wider(more)
            for place, more, need in zip(at.tolist(), extra.tolist(), needs, strict=True)
        }
        for (at, _, extra), needs in zip(asked, answers, strict=True)
    )
    assessment.foreseen.expect(wanted, coming)
    return len(rows)


def _questions(
    assessment: Assessment, rows: IntArray, until: IntArray, prior: FloatArray, shared: Exposures
) -> list[tuple[IntArray, Question, FloatArray]]:
    """Places in `rows`, what is asked of them and their own doubts, for each diver and place in time."""
    from leadline.model.crowd import Question

    evidence, o = assessment.evidence, assessment.evidence.observations
    divers = assessment.line.occasions.diver[rows]
    elapsed, jumped = assessment.passage.elapsed[rows], assessment.passage.jumped[rows]
    wanted = assessment.suit[rows]
    # The label of a suit in the evidence; one that is not there gets a number beyond all labels.
    keys = evidence.suit[o.suit_starts] if len(o) else np.zeros(0, np.int64)
    order = np.argsort(keys)
    place = np.minimum(np.searchsorted(keys, wanted, sorter=order), max(len(keys) - 1, 0))
    at = order[place] if len(keys) else np.zeros(len(rows), np.int64)
    known = keys[at] == wanted if len(keys) else np.zeros(len(rows), bool)
    label = np.where(known, at, len(keys) + wanted)
    by_diver = np.argsort(evidence.diver, kind="stable")
    spans = np.searchsorted(evidence.diver[by_diver], [divers, divers + 1])
    in_fit = assessment.in_fit[evidence.statements.row]
    groups = np.lexsort((until, divers))
    new = np.diff(divers[groups], prepend=-1).astype(bool) | (np.diff(until[groups], prepend=-1) != 0)
    found = []
    for group in np.split(groups, np.flatnonzero(new)[1:]):
        first = group[0]
        mine = by_diver[spans[0, first] : spans[1, first]]
        own = mine[assessment.observed[mine] & (evidence.order[mine] <= until[first])]
        seen = o.body_sd[o.diver[own[0]]] if len(own) else np.nan
        ends = seen_ends(evidence.own_sd[own])
        # Without records each need has a spread of its own, so each is a question by itself.
        for part in [group] if len(own) else np.split(group, len(group)):
            base, extra = offset_sds(shared.body_sd[part], shared.rest_sd[part], *ends, seen)
            targets = Targets(
                prior[part],
                shared.values[part],
                shared.suit_sd[part],
                label[part],
                base,
                elapsed[part],
                jumped[part],
            )
            found.append((part, Question(own, in_fit[own], mine[in_fit[mine]], targets), extra))
    return found
