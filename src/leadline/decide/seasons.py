"""Seasons of many divers, reckoned together: one assessment, one plan, one look at all that is asked."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

import numpy as np

from leadline.arrays import Columns, Records
from leadline.decide.advice import advise
from leadline.decide.ahead import foresee
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.season import next_dives, season, time_order
from leadline.decide.season_data import SeasonData
from leadline.records import RESERVE_PRESSURE
from leadline.timeline import DIVE, PLAN

__all__ = ["seasons"]


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
    block, risk, since, units, book, data_version, fitted, generated
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
    _foresee(assessment)
    answers = advise(assessment, block=block, risk=risk, imperial=units == "imperial")
    for diver in divers:
        yield season(
            assessment,
            diver,
            answers=answers,
            block=block,
            risk=risk,
            since=since,
            units=units,
            book=book,
            data_version=data_version,
            fitted=fitted,
            generated=generated,
        )


def _foresee(assessment: Assessment) -> None:
    """All needs that the seasons will ask for: of every dive as known after it, and of the plan."""
    dives, plan = assessment.line.at(DIVE), assessment.line.at(PLAN)
    state = assessment.state(dives, pressure=RESERVE_PRESSURE)
    if foresee(assessment, dives, state, until=time_order(assessment)[dives]):
        foresee(assessment, plan, assessment.state(plan), many=1)
