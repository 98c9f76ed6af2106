"""Seasons of many divers, reckoned together: one assessment, one plan, one look at all that is asked."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records
from leadline.decide.advice import answers as answered
from leadline.decide.ahead import foresee
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.season import next_dives, season
from leadline.decide.season_change import season_ends
from leadline.decide.season_check import right_then
from leadline.decide.season_data import SeasonData
from leadline.decide.season_order import in_order
from leadline.records import RESERVE_PRESSURE
from leadline.timeline import CHECK, DIVE, PLAN

__all__ = ["seasons"]

IntArray = NDArray[np.int64]


def seasons(
    records: Records,
    assess: Callable[[Columns | None], Assessment],
    divers: Sequence[str],
    *,
    date: str,
    block: Block | None = None,
    risk: float = 0.05,
    since: np.datetime64 | None = None,
    units: str = "metric",
    book: str = "",
    data_version: str = "",
    latest: np.datetime64 | None = None,
    fitted: datetime | None = None,
    generated: datetime | None = None,
) -> Iterator[SeasonData]:
    """All that the season reports of several divers show.

    Parameters
    ----------
    records : Records
        Of these divers.
    assess : callable
        Makes the assessment of these records with a plan.
    divers : sequence of str
        Names.
    date : str
        Day of the next dives, ISO 8601.
    block, risk, since, units, book, data_version, latest, fitted, generated
        As of `leadline.decide.season.season`.

    Yields
    ------
    SeasonData
        One a diver, in their order.

    Raises
    ------
    UnknownNameError
        If the records have no such diver.
    """
    assessment = assess(next_dives(records, divers, date=date))
    ordered = in_order(assessment)
    _foresee(assessment, *ordered, since)
    answers = answered(assessment, block=block, risk=risk, imperial=units == "imperial")
    for diver in divers:
        yield season(
            assessment,
            diver,
            answers=answers,
            ordered=ordered,
            block=block,
            risk=risk,
            since=since,
            units=units,
            book=book,
            data_version=data_version,
            latest=latest,
            fitted=fitted,
            generated=generated,
        )


def _foresee(assessment: Assessment, then: Assessment, place: IntArray, since: np.datetime64 | None) -> None:
    """All needs that the seasons will ask for.

    Of every dive and check as known after it, of the plan, and of each next dive as known after either
    season; `then` and `place` as of `in_order`.
    """
    dives, plan = assessment.line.at(DIVE), assessment.line.at(PLAN)
    checks = assessment.line.at(CHECK)
    rows = np.concatenate([dives, checks])
    state = assessment.state(rows, pressure=RESERVE_PRESSURE)
    if not foresee(then, rows, state, until=place[rows]):
        return
    foresee(then, checks, right_then(assessment, checks), until=place[checks], many=1)
    foresee(assessment, plan, assessment.state(plan), many=1)
    diver, date = assessment.line.occasions.diver, assessment.line.occasions.date
    if since is not None and not np.isnat(since):
        dives = dives[date[dives] >= since]
    dives = dives[np.lexsort((place[dives], diver[dives]))]
    begins = np.searchsorted(diver[dives], [diver[plan], diver[plan] + 1])
    wanted, ends = [], []
    first = np.unique(diver[plan], return_index=True)[1]  # the next dive; what follows is the card
    for row, start, stop in zip(plan[first], *begins[:, first], strict=True):
        last = season_ends(assessment, dives[start:stop])
        wanted += [row] * len(last)
        ends += place[last].tolist()
    if wanted:
        asked = np.array(wanted)
        foresee(then, asked, assessment.state(asked), until=np.array(ends), many=1)
