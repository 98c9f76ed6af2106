"""Simulated observations drawn from the engine's own model, with their truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Observations


@dataclass(frozen=True)
class World:
    observations: Observations
    beta: np.ndarray
    diver: np.ndarray
    suit: np.ndarray
    theta: Hyperparameters


def draw(
    rng: np.random.Generator,
    *,
    divers: int = 60,
    dives: int = 20,
    exposures: int = 6,
    theta: Hyperparameters | None = None,
    bc_known: float = 0.5,
    checks: float = 0.2,
) -> World:
    """Divers with one to three suits; stop results (BC empty or not), surface readings, shared dives."""
    t = theta or Hyperparameters()
    counts = rng.poisson(dives, divers) + 1
    diver = np.repeat(np.arange(divers), counts)
    wardrobe = rng.integers(1, 4, divers)
    local = np.sort(rng.integers(0, 10**6, len(diver)) % wardrobe[diver] + 10 * diver)
    suit = np.unique(local, return_inverse=True)[1]
    n = len(diver)
    beta = rng.normal(size=exposures)
    body_sd = rng.choice([0.9, 1.2, 2.0], divers)
    offset = rng.normal(size=divers) * np.sqrt(t.diver_sd**2 + (t.body_factor * body_sd) ** 2)
    in_suit = rng.normal(size=suit.max() + 1) * t.suit_factor
    suit_sd = rng.choice([0.4, 0.7, 2.0], suit.max() + 1)
    table = rng.normal(size=(suit.max() + 1, exposures)) * 0.3
    table[:, 0] = 0.5

    rows = []
    for i in range(n):
        scatter = rng.normal(0, t.scatter)
        z, x = table[suit[i]], suit_sd[suit[i]]
        prior = 4 + 2 * np.sin(suit[i])
        base = prior + z @ beta + offset[diver[i]] + x * in_suit[suit[i]]
        lead = np.round((base + rng.normal(0.7, 1.2)) * 2) / 2
        fits = np.eye(3)
        need = base + scatter + rng.normal(0, 0.2)
        zone = 0 if need > lead + t.breath_out else 2 if need < lead - t.breath_in else 1
        if rng.random() < t.wrong:
            zone = rng.choice([z_ for z_ in range(3) if z_ != zone])
        known = rng.random() < bc_known
        fit = fits[zone] if known or zone == 0 else np.array([0.0, 1.0, 1.0])
        rows.append((prior, z, x, lead, lead, 1, 1, 0.2, fit, False, i, suit[i], diver[i]))
        if rng.random() < checks:
            # A reading in another state: foam weighs more there, and the reading has its own noise.
            xs, zs = x * 1.3, z * 1.2
            truth = prior - 0.5 + zs @ beta + offset[diver[i]] + xs * in_suit[suit[i]] + scatter
            value = truth + rng.normal(0, 0.5) if rng.random() > t.wrong else truth + rng.uniform(-7, 7)
            rows.append(
                (
                    prior - 0.5,
                    zs,
                    xs,
                    value,
                    value,
                    0,
                    0,
                    0.5,
                    np.array([0.0, 1.0, 0.0]),
                    True,
                    i,
                    suit[i],
                    diver[i],
                )
            )
    prior, z, x, lo, up, lb, ub, sd, fit, point, occ, su, di = (np.array(v) for v in zip(*rows, strict=True))
    observations = Observations(
        prior=prior.astype(float),
        exposure=z,
        suit_weight=x,
        lower=lo.astype(float),
        upper=up.astype(float),
        lower_breath=lb.astype(float),
        upper_breath=ub.astype(float),
        reading_sd=sd,
        fit=fit,
        point=point.astype(bool),
        occasion=np.unique(occ, return_inverse=True)[1],
        suit=np.unique(su, return_inverse=True)[1],
        diver=di,
        body_sd=body_sd,
        names=tuple(f"z{j}" for j in range(exposures)),
    )
    return World(observations, beta, offset, in_suit, t)
