"""Who or what moved a need away from physics: the population, the kit, the diver, the diver in the suit.

The exact posterior of need has no parts that add up, so the parts are those of a Gaussian that agrees with
it as well as one can; the rest is given to the diver.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.season_data import Contribution
from leadline.evidence.gather import Evidence
from leadline.frozen import dataclass
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.solo import Gaussian, Rows, settled
from leadline.physics.ledger import CATALOGUE, Exposures

__all__ = ["contributions"]

FloatArray = NDArray[np.float64]

MOST_KIT: Final = 3
"""Types of kit named one by one; the others are summed."""


@dataclass(frozen=True)
class Parts:
    """Gaussian posterior of the terms behind one need.

    Parameters
    ----------
    beta, covariance : ndarray, shape (p,), (p, p)
        Shared effects, in prior sds. [-]
    diver, diver_sd : float
        The diver's offset. [kg]
    suit, suit_sd : float
        The diver in this suit. [kg]
    """

    beta: FloatArray
    covariance: FloatArray
    diver: float
    diver_sd: float
    suit: float
    suit_sd: float


def contributions(assessment: Assessment, position: int, *, need_mean: float) -> tuple[Contribution, ...]:
    """What leads from the prior mean to the posterior mean of one need.

    Parameters
    ----------
    assessment : Assessment
        With the row.
    position : int
        Row of the timeline.
    need_mean : float
        Posterior mean, as the answer states it. [kg]

    Returns
    -------
    tuple of Contribution
        Population, kit, diver, diver in this suit; they add up to `need_mean` less the prior mean.
    """
    rows = np.array([position])
    ledger, shared = assessment.prior(rows, assessment.state(rows))
    parts = _parts(assessment, position, shared)
    values = shared.values[0]
    found = [_shared("All divers: what the records say of the formulas", values, parts, _formulas(shared))]
    found += _kit(shared, values, parts)
    suit = Contribution("This diver in this suit", parts.suit, parts.suit_sd)
    rest = need_mean - float(ledger.need[0]) - suit.kg - sum(part.kg for part in found)
    return (*found, Contribution("This diver, whatever the suit", rest, parts.diver_sd), suit)


def _formulas(shared: Exposures) -> FloatArray:
    return np.array([name in CATALOGUE for name in shared.names], float)


def _shared(label: str, values: FloatArray, parts: Parts, used: FloatArray) -> Contribution:
    z = values * used
    variance = float(z @ parts.covariance @ z)
    return Contribution(label, float(z @ parts.beta), float(np.sqrt(max(variance, 0.0))))


def _kit(shared: Exposures, values: FloatArray, parts: Parts) -> list[Contribution]:
    """The types of kit that moved need most, then the others together."""
    own = 1 - _formulas(shared)
    moved = np.abs(values * parts.beta) * own
    ranked = np.argsort(-moved, kind="stable")
    named = [j for j in ranked[:MOST_KIT] if moved[j] > 0.005]
    found = []
    for j in named:
        used = np.zeros(len(values))
        used[j] = 1.0
        found.append(_shared(f"Kit: {shared.labels[j]}", values, parts, used))
        own[j] = 0.0
    return [*found, _shared("All other kit" if named else "Kit", values, parts, own)]


def _parts(assessment: Assessment, position: int, shared: Exposures) -> Parts:
    theta = assessment.fit.theta
    diver = int(assessment.line.occasions.diver[position])
    people = assessment.population_without(diver, integrated=False)
    mean, covariance = people.mean[0], people.covariance[0]
    spread = float(np.hypot(theta.diver_sd, theta.body_factor * np.hypot(shared.body_sd, shared.rest_sd)[0]))
    weight = theta.suit_factor * float(shared.suit_sd[0])
    own = np.flatnonzero((assessment.evidence.diver == diver) & assessment.observed)
    before = Parts(mean, covariance, 0.0, spread, 0.0, weight)
    if not len(own):
        return before
    evidence = assessment.evidence.take(own)
    return _after(evidence, theta, before, suit=int(assessment.suit[position]))


def _after(evidence: Evidence, theta: Hyperparameters, before: Parts, *, suit: int) -> Parts:
    """The parts once the diver's own evidence is in."""
    o = evidence.observations.as_intervals()
    root = np.linalg.cholesky(before.covariance)
    p, suits = root.shape[1], len(o.suit_starts)
    shared = np.flatnonzero(o.is_shared)
    loadings = np.zeros((len(o), p + 1 + suits + len(shared)))
    loadings[:, :p] = o.exposure @ root
    loadings[:, p] = before.diver_sd
    loadings[np.arange(len(o)), p + 1 + o.suit] = o.suit_weight * theta.suit_factor
    loadings[:, p + 1 + suits :] = theta.scatter * (o.occasion[:, None] == shared)
    expected = Gaussian((o.prior + o.exposure @ before.beta)[None, None], loadings[None, None])
    found = settled(Rows(o, (theta,)), expected)
    latent, covariance = found.mean[0, 0], found.covariance[0, 0]
    worn = np.flatnonzero(evidence.suit[o.suit_starts] == suit)
    at = p + 1 + worn[0] if len(worn) else -1
    return Parts(
        before.beta + root @ latent[:p],
        root @ covariance[:p, :p] @ root.T,
        before.diver_sd * float(latent[p]),
        before.diver_sd * float(np.sqrt(covariance[p, p])),
        before.suit_sd * float(latent[at]) if len(worn) else 0.0,
        before.suit_sd * float(np.sqrt(covariance[at, at])) if len(worn) else before.suit_sd,
    )
