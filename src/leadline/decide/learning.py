"""Learn from all records of a book: fit the population and say what was found."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Records
from leadline.decide.assessment import Assessment
from leadline.evidence.gather import Evidence
from leadline.evidence.statement import KINDS
from leadline.model.likelihood import POINT_RANGE
from leadline.model.occasion import levels, row_terms
from leadline.model.population import Fit, fit, prior_fit
from leadline.model.propagation import Propagation, propagate
from leadline.timeline import DIVE

__all__ = ["Doubt", "Effect", "Findings", "learn"]

FloatArray = NDArray[np.float64]

DOUBTFUL: Final = 0.5
"""Posterior chance of a wrong record from which it is named. [-]"""


@dataclass(frozen=True)
class Effect:
    """What was learned of one shared uncertainty.

    Parameters
    ----------
    name, label : str
        Column of the exposures, and what it is for people.
    kg, kg_sd : float
        Correction of need where it applies (at its usual size), and its posterior sd. [kg]
    prior_sd_kg : float
        Sd before any log. [kg]
    rows : int
        Observations that it touches.
    """

    name: str
    label: str
    kg: float
    kg_sd: float
    prior_sd_kg: float
    rows: int


@dataclass(frozen=True)
class Doubt:
    """A record that looks wrong.

    Parameters
    ----------
    table, key, diver : str
        Where it stands.
    kind : str
        stop, hand_off, descent, waterline or exhale.
    probability : float
        Posterior chance that it says something else than what was. [-]
    lead_kg, need_kg : float
        Lead of the record, and need expected in its state from all other records. [kg]
    """

    table: str
    key: str
    diver: str
    kind: str
    probability: float
    lead_kg: float
    need_kg: float


@dataclass(frozen=True)
class Findings:
    """The fit and what it says in plain numbers.

    Parameters
    ----------
    fit : Fit
        To be stored.
    counts : dict
        Observations by kind, and divers and occasions with evidence.
    effects : tuple of Effect
        Shared effects, the largest first.
    doubts : tuple of Doubt
        Records that look wrong, the surest first.
    evidence_hash : str
        Of the evidence that the fit saw.
    """

    fit: Fit
    counts: dict[str, int]
    effects: tuple[Effect, ...]
    doubts: tuple[Doubt, ...]
    evidence_hash: str


def _hash(evidence: Evidence) -> str:
    """Short digest of all numbers that enter the fit."""
    digest = hashlib.sha256()
    o = evidence.observations
    for array in (
        o.prior,
        o.exposure,
        o.suit_weight,
        o.lower,
        o.upper,
        o.reading_sd,
        o.fit,
        o.occasion,
        o.diver,
    ):
        digest.update(np.ascontiguousarray(array).tobytes())
    return digest.hexdigest()[:16]


def _effects(found: Fit, evidence: Evidence, labels: dict[str, str]) -> tuple[Effect, ...]:
    exposure = evidence.observations.exposure
    touched = exposure != 0
    rows = touched.sum(axis=0)
    size = np.sqrt(np.sum(exposure**2, axis=0) / np.maximum(rows, 1))
    sd = np.sqrt(np.diag(np.linalg.inv(found.precision)))
    effects = [
        Effect(name, labels.get(name, name), float(m * s), float(e * s), float(s), int(n))
        for name, m, e, s, n in zip(found.names, found.mean, sd, size, rows, strict=True)
        if n
    ]
    return tuple(sorted(effects, key=lambda e: -abs(e.kg)))


def _doubt(evidence: Evidence, found: Fit, settled: Propagation) -> FloatArray:
    """Posterior chance that each record is wrong, given all others; 0 for mere hints."""
    o, theta = evidence.observations, found.theta
    sd = np.sqrt(settled.cavity.variance + o.reading_sd**2 + theta.scatter**2)
    value = row_terms(o, theta, settled.cavity.mean, rows=np.arange(len(o)), sd=sd)[0]
    least = levels(o.fit, o.form, theta).min(axis=1)
    worthless = np.where(o.point, theta.wrong / POINT_RANGE, least)
    hint = ((o.fit > 0) & (o.fit < 1)).any(axis=1)
    return np.where(hint, 0.0, np.minimum(worthless / np.exp(value), 1.0))


def _doubts(assessment: Assessment, found: Fit) -> tuple[Doubt, ...]:
    evidence, line = assessment.evidence, assessment.line
    settled = propagate(evidence.observations, found.theta)
    chance = _doubt(evidence, found, settled)
    need = settled.cavity.mean
    named = []
    for m in np.flatnonzero(chance > DOUBTFUL)[np.argsort(-chance[chance > DOUBTFUL], kind="stable")]:
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


def learn(records: Records, *, notify: Callable[[str], None] | None = None) -> Findings:
    """Fit the population to all evidence in the records.

    Parameters
    ----------
    records : Records
        All records of a book.
    notify : callable, optional
        Called with a short text as the work goes on.

    Returns
    -------
    Findings
        Never of a fit that did not converge.

    Raises
    ------
    FitError
        If the fit does not converge.
    """
    assessment = Assessment.of(records, prior_fit())
    evidence = assessment.evidence
    found = fit(evidence.observations, notify=notify)
    counts = {
        "observations": int(assessment.observed.sum()),
        "divers": len(np.unique(evidence.diver[assessment.observed])),
        "occasions": len(np.unique(evidence.observations.occasion[assessment.observed])),
        **{kind: int((evidence.statements.kind == kind).sum()) for kind in KINDS},
    }
    labels = dict(zip(evidence.observations.names, evidence.labels, strict=True))
    effects = _effects(found, evidence, labels) if len(evidence) else ()
    doubts = _doubts(assessment, found) if len(evidence) else ()
    return Findings(found, counts, effects, doubts, _hash(evidence))
