"""Records that tell zones of need apart: stops, before and after a hand-off, and looks at the surface."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.history_data import Sights
from leadline.evidence.gather import Evidence, in_time
from leadline.model.observations import SLIPS, Form
from leadline.physics.ledger import Exposures
from leadline.timeline import DIVE, Timeline

__all__ = ["sights", "taught", "telling"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

FROM_SURFACE: Final = 0.5
"""How far need at the stop may be from what a look at the surface says, sd. [kg] (judged: foam, heads)"""


def telling(evidence: Evidence, seen: IntArray) -> BoolArray:
    """Which statements tell stops and looks apart by the zones that need may lie in.

    Parameters
    ----------
    evidence : Evidence
        Of the records.
    seen : ndarray of int, shape (n,)
        Statements that are asked about.

    Returns
    -------
    ndarray of bool, shape (n,)
        Those that say for certain which zones there are; and every rise, with the gas in the BC estimated or
        not noted: one may be the gas, many are not.
    """
    said = evidence.statements
    fit = said.fit[seen]
    sharp = ((fit == 0) | (fit == 1)).all(axis=1) & ~(fit == 1).all(axis=1)
    of_these = np.isin(said.kind[seen], ("stop", "hand_off", "waterline", "exhale"))
    rose = (fit[:, 0] == 1) & (fit[:, 1] < 1) & np.isin(said.kind[seen], ("stop", "hand_off"))
    sure = sharp & ~(said.litres[seen] > 0) & ~evidence.observations.point[seen]
    return np.asarray(of_these & (sure | rose))


def taught(assessment: Assessment, exposures: Exposures) -> FloatArray:
    """What the population has learned of some needs beyond the ledger; shape (n,). [kg]."""
    return _taught(assessment, exposures.values, exposures.names)


def _taught(assessment: Assessment, exposure: FloatArray, names: Sequence[str]) -> FloatArray:
    # Row by row: a product of matrices has other last bits for another number of rows.
    return np.asarray((exposure * assessment.fit.aligned(names)[0]).sum(axis=1))


def _ranks(line: Timeline) -> IntArray:
    """Place of each row of the timeline in time, by itself; shape (rows,)."""
    found = np.empty(len(line.table), np.int64)
    found[np.argsort(in_time(line), kind="stable")] = np.arange(len(found))
    return found


def sights(assessment: Assessment, seen: IntArray) -> Sights:
    """Statements as leads less need there; see `Sights.carried`.

    Parameters
    ----------
    assessment : Assessment
        With the records.
    seen : ndarray of int, shape (n,)
        Statements of its evidence.

    Returns
    -------
    Sights
        All of them, whether telling or not; `rose`, `sank`, `hinted` and `late` are not known yet.
    """
    evidence, theta = assessment.evidence, assessment.fit.theta.cautious()
    said, o = evidence.statements, evidence.observations
    dive = assessment.line.table[said.row[seen]] == DIVE
    no = np.zeros(len(seen), bool)
    fit, form = said.fit[seen], said.form[seen]
    # A light diver is noted so whether taken for neutral or for heavy: both wrong answers are one.
    both = (fit == (0.0, 1.0, 1.0)).all(axis=1) & (form < Form.OF_FOUR)
    # What a look at the surface says of the stop goes by what was learned of both, not by the ledger alone.
    need = o.prior[seen] + _taught(assessment, o.exposure[seen], o.names)
    doubt = o.reading_sd[seen] ** 2 + np.where(dive, 0.0, FROM_SURFACE**2)
    return Sights(
        row=said.row[seen],
        # Where gas was estimated, the lead that its lift leaves.
        lead=np.where(said.litres[seen] > 0, o.upper[seen], said.lead[seen]) - o.prior[seen],
        worn=said.lead[seen],
        above=(o.upper + theta.breath_out * o.upper_breath)[seen] - need,
        below=(o.lower - theta.breath_in * o.lower_breath)[seen] - need,
        doubt=doubt,
        own=doubt,
        fit=fit,
        slip=np.where(both, 1.0, np.array(SLIPS)[form]),
        dive=dive,
        handed=said.kind[seen] == "hand_off",
        place=evidence.order[seen],
        time=_ranks(assessment.line)[said.row[seen]],
        rose=no,
        sank=no,
        hinted=no,
        more=no,
        late=no,
        alike=np.ones(len(seen), bool),
        kit=np.zeros(len(seen), np.int64),
        jumped=np.zeros(len(seen)),
        apart=np.zeros(len(seen)),
        known=np.full(len(seen), np.inf),
        moved=np.zeros(len(seen)),
    )
