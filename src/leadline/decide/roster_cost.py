"""What lead over need costs under water, from the ledger alone: gas in the BC, gas used, mass."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leadline import constants as c
from leadline.decide.assessment import Assessment
from leadline.decide.roster_data import Cost
from leadline.decide.safety import bc_lift
from leadline.evidence.gather import pressures
from leadline.evidence.statement import AT_START
from leadline.physics.ledger import State, evaluate
from leadline.records import RESERVE_PRESSURE

__all__ = ["costs"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def costs(assessment: Assessment, rows: IntArray, lead: FloatArray, *, need: FloatArray) -> list[Cost]:
    """Cost of carrying more than is needed, one dive a row.

    Parameters
    ----------
    assessment : Assessment
        With the dives.
    rows : ndarray of int, shape (n,)
        Rows of the timeline.
    lead, need : ndarray, shape (n,)
        Lead carried, and the best estimate of need at the stop at the planned reserve. [kg]

    Returns
    -------
    list of Cost
        One a row.

    Notes
    -----
    A diver who is heavy by so much lead floats it with gas: lead · (1 - rho/rho_lead) / rho litres, at any
    depth. Filling them at depth takes that many litres times the pressure there. With the cylinder as at the
    start and the suit squeezed, the BC holds more from the outset; that part is the same with the right lead.

    The dive is taken at its greatest depth with a full cylinder: the moment of most gas in the BC.
    """
    line = assessment.line
    rigs = assessment.rigs.take(rows)
    # The need is that at the reserve: what this dive came back with must not stand in for it.
    stop = evaluate(rigs, assessment.state(rows, pressure=RESERVE_PRESSURE))
    depth = line.occasions.max_depth[rows]
    start, _ = pressures(line.occasions.take(rows), AT_START)
    known = np.nan_to_num(depth, nan=0.0)
    down = evaluate(rigs, State(depth=known, cylinder_pressure=np.where(rigs.present, start, 0.0)))
    litre = stop.water_density / 1e3 / stop.lead_factor  # kg of lead that a litre of gas carries
    there = down.water_density / 1e3 / down.lead_factor
    excess = np.maximum(lead - need, 0.0)
    need_there = need + down.need - stop.need
    gone = np.isnan(depth)
    with_lead, right = (
        np.where(gone, np.nan, np.maximum(on - need_there, 0.0) / there) for on in (lead, lead - excess)
    )
    free = np.where(gone, np.nan, excess / there * down.ambient_pressure / c.ATMOSPHERE)
    columns = (excess, excess / litre, depth, with_lead, right, free, bc_lift(assessment, rows))
    return [Cost(*(float(v) for v in values)) for values in zip(*columns, strict=True)]
