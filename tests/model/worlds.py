"""Simulated observations drawn from the engine's own model, with their truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Form, Observations
from leadline.model.occasion import LIGHT_PART

TRUE = Hyperparameters(
    closed_low=0.6, closed_high=0.4, closed_heavy=0.2, sank_open=0.001, habit=1.2, habit_sd=1.1
)
ZONES = np.eye(3)
OPEN = np.array([0.0, 1.0, 1.0])


@dataclass(frozen=True)
class World:
    observations: Observations
    beta: np.ndarray
    diver: np.ndarray
    suit: np.ndarray
    theta: Hyperparameters
    base: np.ndarray
    """Expected need in the state of each row. [kg]"""


def _recorded(rng, need, lead, t):
    """Fit and form of the record of a stop."""
    zone = 0 if need > lead + t.breath_out else 2 if need < lead - t.breath_in else 1
    if rng.random() < t.wrong:
        zone = rng.choice([other for other in range(3) if other != zone])
    share = t.closed_heavy if zone == 2 else t.closed_low if need > lead - LIGHT_PART else t.closed_high
    closed = rng.random() < share
    if zone == 0:
        return ZONES[0], Form.ANY
    if not closed:
        return OPEN, Form.HOVERED_OPEN
    return ZONES[zone], Form.HOVERED_CLOSED if zone == 1 else Form.SANK_CLOSED


def draw(
    rng: np.random.Generator,
    *,
    divers: int = 60,
    dives: int = 20,
    exposures: int = 6,
    theta: Hyperparameters = TRUE,
    checks: float = 0.2,
) -> World:
    """Divers with one to three suits, each with a lead of habit; stop results, readings, shared dives."""
    t = theta
    counts = rng.poisson(dives, divers) + 1
    diver = np.repeat(np.arange(divers), counts)
    wardrobe = rng.integers(1, 4, divers)
    local = np.sort(rng.integers(0, 10**6, len(diver)) % wardrobe[diver] + 10 * diver)
    suit = np.unique(local, return_inverse=True)[1]
    suits = suit.max() + 1
    beta = rng.normal(size=exposures)
    body_sd = rng.choice([0.9, 1.2, 2.0], divers)
    offset = rng.normal(size=divers) * np.sqrt(t.diver_sd**2 + (t.body_factor * body_sd) ** 2)
    in_suit = rng.normal(size=suits) * t.suit_factor
    suit_sd = rng.choice([0.4, 0.7, 2.0], suits)
    table = rng.normal(size=(suits, exposures)) * 0.3
    table[:, 0] = 0.5
    habit = rng.normal(t.habit, t.habit_sd, suits)

    rows = []
    last = -1
    for i in range(len(diver)):
        k, d = suit[i], diver[i]
        scatter = rng.normal(0, t.scatter)
        z, x = table[k], suit_sd[k]
        prior = 4 + 2 * np.sin(k)
        base = prior + z @ beta + offset[d] + x * in_suit[k]
        if k != last:
            chosen = base + habit[k] + rng.normal(0, t.scatter)
            rows.append((prior, z, x, chosen, 0, 0.0, ZONES[1], Form.HABIT, True, -1 - k, k, d, base))
            last = k
        lead = np.round((base + habit[k] + rng.normal(0, 0.5)) * 2) / 2
        fit, form = _recorded(rng, base + scatter + rng.normal(0, 0.2), lead, t)
        rows.append((prior, z, x, lead, 1, 0.2, fit, form, False, i, k, d, base))
        if rng.random() < checks:
            # A reading in another state: foam weighs more there, and the reading has its own noise.
            zs, xs = z * 1.2, x * 1.3
            there = prior - 0.5 + zs @ beta + offset[d] + xs * in_suit[k]
            noise = rng.normal(0, 0.5) if rng.random() > t.wrong else rng.uniform(-7, 7)
            value = there + scatter + noise
            rows.append((prior - 0.5, zs, xs, value, 0, 0.5, ZONES[1], Form.ANY, True, i, k, d, there))
    prior, z, x, lead, breath, sd, fit, form, point, occasion, k, d, base = (
        np.array(v) for v in zip(*rows, strict=True)
    )
    observations = Observations(
        prior=prior.astype(float),
        exposure=z,
        suit_weight=x,
        lower=lead.astype(float),
        upper=lead.astype(float),
        lower_breath=breath.astype(float),
        upper_breath=breath.astype(float),
        reading_sd=sd,
        fit=fit,
        form=form,
        point=point.astype(bool),
        occasion=np.cumsum(np.diff(occasion, prepend=occasion[:1]) != 0),
        suit=k,
        diver=d,
        body_sd=body_sd,
        names=tuple(f"z{j}" for j in range(exposures)),
    )
    return World(observations, beta, offset, in_suit, t, base)


def lone(rng: np.random.Generator, divers: int) -> Observations:
    """Divers all alike, with one dive each: little tells scatter from what differs between divers.

    A BC noted is always an empty one, as in books that have no word for one with gas.

    Parameters
    ----------
    rng : Generator
    divers : int

    Returns
    -------
    Observations
        A chosen lead and a stop of each; breathing moves 0.5 kg out and 1.2 kg in.
    """
    need = rng.normal(6.3, 1.7, divers)
    lead = np.maximum(np.round(2 * (need + rng.normal(1.5, 1.5, divers))) / 2, 0)
    need = need + rng.normal(0, 0.45, divers)
    zone = np.where(need > lead + 0.5, 0, np.where(need < lead - 1.2, 2, 1))
    closed = (rng.random(divers) < 0.5) & (zone > 0)
    form = np.where(closed, np.where(zone == 2, Form.SANK_CLOSED, Form.HOVERED_CLOSED), Form.ANY)
    stop, diver, rows = np.tile([False, True], divers), np.repeat(np.arange(divers), 2), 2 * divers
    return Observations(
        prior=np.full(rows, 5.0),
        exposure=np.full((rows, 1), 0.5),
        suit_weight=np.full(rows, 0.7),
        lower=lead[diver],
        upper=lead[diver],
        lower_breath=stop.astype(float),
        upper_breath=stop.astype(float),
        reading_sd=0.2 * stop,
        fit=np.where(stop[:, None], ZONES[zone[diver]], ZONES[1]),
        form=np.where(stop, form[diver], Form.HABIT),
        point=~stop,
        occasion=np.arange(rows),
        suit=diver,
        diver=diver,
        body_sd=np.full(divers, 1.2),
        names=("z",),
    )
