"""Records that look wrong: whatever all other records say makes them unlikely."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.disbelief import DOUBTFUL
from leadline.decide.findings import Doubt
from leadline.evidence.gather import Evidence
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.likelihood import POINT_RANGE
from leadline.model.observations import Form, Observations
from leadline.model.occasion import levels, row_terms
from leadline.model.propagation import Propagation, propagate
from leadline.timeline import DIVE, Timeline

__all__ = ["doubts", "wrong_chance"]

FloatArray = NDArray[np.float64]

AT_ONCE: Final = 1 << 15
"""Rows that a core takes at once. [-]"""


def wrong_chance(observations: Observations, theta: Hyperparameters, settled: Propagation) -> FloatArray:
    """Posterior chance that each record says something else than what was, given all others.

    Parameters
    ----------
    observations : Observations
        m >= 1 rows.
    theta : Hyperparameters
        Of the fit.
    settled : Propagation
        Of the same rows under `theta`.

    Returns
    -------
    ndarray, shape (m,)
        0 for mere hints and for chosen leads, which cannot be wrong. [-]
    """
    o, cavity = observations, settled.cavity

    def some(first: int) -> FloatArray:
        rows = np.arange(first, min(first + AT_ONCE, len(o)))
        fit, form = o.fit[rows], o.form[rows]
        sd = np.sqrt(cavity.variance[rows] + o.reading_sd[rows] ** 2 + theta.scatter**2)
        value = row_terms(o, theta, cavity.mean[rows], rows=rows, sd=sd)[0]
        worthless = np.where(o.point[rows], theta.wrong / POINT_RANGE, levels(fit, form, theta).min(axis=1))
        sound = ((fit > 0) & (fit < 1)).any(axis=1) | (form == Form.HABIT)
        return np.where(sound, 0.0, np.minimum(worthless / np.exp(value), 1.0))

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return np.concatenate(list(pool.map(some, range(0, len(o), AT_ONCE))))


def doubts(
    evidence: Evidence, line: Timeline, theta: Hyperparameters, *, settled: Propagation | None = None
) -> tuple[Doubt, ...]:
    """Records that look wrong, the surest first.

    Parameters
    ----------
    evidence : Evidence
        That the fit saw.
    line : Timeline
        Whose rows the statements name.
    theta : Hyperparameters
        Of that fit.
    settled : Propagation, optional
        The same evidence under `theta`, if it is at hand.

    Returns
    -------
    tuple of Doubt
        Those whose chance is above one half.
    """
    if not len(evidence):
        return ()
    if settled is None:
        # From a cold start a torn record may take longer than in the fit; where it stands by then will do.
        settled = propagate(evidence.observations, theta, sketch=True)
    chance = wrong_chance(evidence.observations, theta, settled)
    need = settled.cavity.mean
    named = []
    suspect = np.flatnonzero(chance > DOUBTFUL)
    for m in suspect[np.argsort(-chance[suspect], kind="stable")]:
        row = int(evidence.statements.row[m])
        dive = line.table[row] == DIVE
        source = line.records.dives if dive else line.records.checks
        key = source["dive" if dive else "check"][line.row[row]]
        named.append(
            Doubt(
                "dives" if dive else "checks",
                str(key),
                str(line.records.divers["diver"][evidence.diver[m]]),
                str(evidence.statements.kind[m]),
                float(chance[m]),
                float(evidence.statements.lead[m]),
                float(need[m]),
            )
        )
    return tuple(named)
