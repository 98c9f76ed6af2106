"""Learn from all records of a book: fit the population and say what was found."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from threading import Thread

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Records
from leadline.decide.contradiction import contradictions, effects, touch
from leadline.decide.doubt import doubts
from leadline.decide.findings import BreathRange, Convergence, Findings
from leadline.decide.lead_rule import breath_out
from leadline.decide.listed import short_of
from leadline.decide.variance import parts
from leadline.distinct import distinct
from leadline.errors import FitError
from leadline.evidence.crowd import gather_in_parts
from leadline.evidence.gather import Evidence
from leadline.evidence.statement import HABIT, KINDS
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.large import fit_with_sites, likeliest_any_size
from leadline.model.observations import Observations
from leadline.model.population import Fit
from leadline.model.propagation import MOST_SWEEPS
from leadline.timeline import timeline

__all__ = ["Findings", "breath_range", "convergence", "learn"]

IntArray = NDArray[np.int64]


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
        digest.update(np.ascontiguousarray(array).data)
    return digest.hexdigest()[:16]


def _excess(evidence: Evidence) -> float:
    """Lead usually carried over what physics alone reckons, the middle one of all divers. [kg]."""
    rows = np.flatnonzero(evidence.statements.kind == HABIT)
    if not len(rows):
        return float("nan")
    over, diver = (evidence.observations.lower - evidence.observations.prior)[rows], evidence.diver[rows]
    ranked = np.lexsort((over, diver))
    _, first, count = np.unique(diver[ranked], return_index=True, return_counts=True)
    low, high = (over[ranked[first + half]] for half in ((count - 1) // 2, count // 2))
    return float(np.median((low + high) / 2))


def _intervals_alone(observations: Observations) -> tuple[Hyperparameters, int] | None:
    """Hyperparameters with each record meaning its interval and no more, and the rows that had a say."""
    if not len(observations):
        return None
    try:
        return likeliest_any_size(observations.as_intervals())
    except FitError:
        return None  # the fit itself stands; decisions then rest on it and on what is usual


def breath_range(found: Fit, fixed: tuple[Hyperparameters, int] | None) -> tuple[Fit, BreathRange]:
    """The fit with the lightness that decisions may count on, and the breath range in both readings.

    Parameters
    ----------
    found : Fit
        Of the population.
    fixed : tuple, optional
        Hyperparameters with each record meaning its interval and no more, and the rows that had a say.
    """
    theta, rows = found.theta, 0
    if fixed:
        rows = fixed[1]
        found = replace(found, theta=replace(theta, trusted_out=fixed[0].breath_out))
    return found, BreathRange(
        theta.breath_out,
        theta.breath_in,
        fixed[0].breath_out if fixed else None,
        fixed[0].breath_in if fixed else None,
        rows,
        breath_out(found.theta),
        theta.cautious().breath_in,
    )


def convergence(found: Fit) -> Convergence:
    """How far a fit has converged."""
    said = found.diagnostics
    return Convergence(
        int(said.get("rounds", 0)),
        int(said.get("calls", 0)),
        int(said.get("sweeps", 0)),
        said.get("left", 0.0),
        said.get("settled_sweeps", 0) < MOST_SWEEPS,
    )


def _compiler_ahead() -> None:
    """Load the compiler while records are put in order, which mostly leaves a core to do it."""
    Thread(name="compiler", target=import_module, args=("leadline.model.settling",)).start()


def learn(records: Records, *, notify: Callable[[str], None] | None = None, twice: bool = True) -> Findings:
    """Fit the population to all evidence in the records.

    Parameters
    ----------
    records : Records
        All records of a book.
    notify : callable, optional
        Called with a short text as the work goes on.
    twice : bool
        Learn the breath range a second time with each record meaning its interval and no more: decisions
        count on the smaller one. A third of the work.

    Returns
    -------
    Findings
        Never of a fit that did not converge.

    Raises
    ------
    FitError
        If the fit does not converge.
    """
    _compiler_ahead()
    line = timeline(records)
    evidence = gather_in_parts(line)
    line = replace(line, occasions=line.occasions.take(slice(0)))  # a large book's would stay in memory
    fitted, settled = fit_with_sites(evidence.observations, notify=notify)
    if notify and twice:
        notify("breath range, a second time")
    found, breath = breath_range(fitted, _intervals_alone(evidence.observations) if twice else None)
    seen = evidence.observations.seen
    counts = {
        "observations": int(seen.sum()),
        "divers": len(distinct(evidence.observations.diver[seen])),
        "occasions": len(distinct(evidence.observations.occasion[seen])),
        **{kind: int((evidence.statements.kind == kind).sum()) for kind in KINDS},
    }
    moved = effects(touch(evidence.observations), found)
    named = contradictions(moved, found)
    # What answers leave out is told with them, so it stays with the fit.
    found = replace(found, diagnostics={**found.diagnostics, **short_of(named)})
    return Findings(
        found,
        counts,
        moved,
        named,
        doubts(evidence, line, found.theta, settled=settled),
        parts(evidence, seen, found),
        breath,
        convergence(found),
        _hash(evidence),
        _excess(evidence),
    )
