"""What stands beside an answer for one dive: the kit taken over, the need if it ends later."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np

from leadline.decide.assessment import Assessment
from leadline.decide.block import GRAM, Block, BlockSet
from leadline.decide.takeover import NOTHING, Taken, taken_over
from leadline.distinct import distinct
from leadline.frozen import dataclass
from leadline.physics.ledger import State, evaluate
from leadline.timeline import CHECK, DIVE

__all__ = ["NOTHING", "Lateness", "Taken", "late_leads", "lateness", "newer_than_fit", "taken_over"]

LATE: Final = 15.0
"""How far below the planned pressure a dive that ran late ends. [bar]"""

LEAST: Final = 10.0
"""No pressure below this is spoken of. [bar gauge]"""


@dataclass(frozen=True)
class Lateness:
    """What a dive that runs late adds.

    Parameters
    ----------
    bar : float
        Lower end pressure; NaN where the plan already ends that low. [bar gauge]
    more_kg : float
        Need there less need as planned. [kg]
    """

    bar: float
    more_kg: float


def lateness(assessment: Assessment, position: int) -> Lateness:
    """Need at a lower end pressure against need as planned, for one row of the timeline.

    Parameters
    ----------
    assessment : Assessment
        With the row.
    position : int
        Row of the timeline.

    Returns
    -------
    Lateness
        15 bar less in every cylinder carried, and at least 10 bar. The gas is known, so the need moves by
        the difference of the ledgers and keeps its band.
    """
    rows = np.array([position])
    state = assessment.state(rows)
    planned = np.asarray(state.cylinder_pressure, float)
    carried = assessment.rigs.carried[rows]
    lowest = float(np.min(planned[carried])) if carried.any() else np.nan
    if not lowest > LEAST:
        return Lateness(np.nan, np.nan)
    late = np.where(carried, np.minimum(np.maximum(planned - LATE, LEAST), planned), planned)
    lower = replace(state, cylinder_pressure=late)
    return Lateness(
        float(np.min(late[carried])), _need(assessment, rows, lower) - _need(assessment, rows, state)
    )


def _need(assessment: Assessment, rows: Any, state: State) -> float:
    return float(evaluate(assessment.rigs.take(rows), state).need[0])


def late_leads(block: Block, least: float, bring: float) -> tuple[float, float]:
    """Lightest lead within the accepted risk if the dive ends late, on the blocks and if they are too few.

    Parameters
    ----------
    block : Block
        Blocks in use.
    least : float
        Lightest of all there; NaN where the plan already ends that low. [kg]
    bring : float
        Of the dive as planned. [kg]

    Returns
    -------
    on_blocks, called_for : float
        The first is NaN where all blocks together are lighter and there are no more to be had; the second
        where they are not. [kg]
    """
    if np.isnan(least):
        return least, least
    called = max(block.endless.at_least(least), bring)
    if not isinstance(block, BlockSet) or called <= block.all_there_is + GRAM:
        return called, float("nan")
    return (called if block.more else float("nan")), called


def newer_than_fit(assessment: Assessment, diver: str) -> tuple[int, int]:
    """Dives and surface checks of one diver that count here but came after the last `learn`.

    Parameters
    ----------
    assessment : Assessment
        With the diver's records.
    diver : str
        Name.

    Returns
    -------
    dives, checks : int
        Rows with evidence that the fit has not seen as they stand now.
    """
    line, evidence = assessment.line, assessment.evidence
    mine = line.records.divers["diver"][evidence.diver] == diver
    rows = distinct(evidence.statements.row[mine & assessment.observed])
    fresh = line.table[rows[~assessment.in_fit[rows]]]
    return int((fresh == DIVE).sum()), int((fresh == CHECK).sum())
