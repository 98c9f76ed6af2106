"""The next dive of everyone in a world, by the no-U-turn sampler on the full model."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from numpyro.diagnostics import split_gelman_rubin

from leadline.model.hyperparameters import CENTRE
from leadline.model.observations import Form

from . import nuts
from .nature import World
from .theory import Book

FloatArray = NDArray[np.float64]

TOGETHER: Final = 1.1
"""R-hat of the hyperparameters from which on chains have not found the same posterior. [-]"""

ATTEMPTS: Final = 5
"""Beginnings until they have: where the world is not the model's, a chain can stay where nine records of ten
are wrong, forty nats and more below."""


def without_habits(world: World) -> World:
    """The same world, with nobody's lead of habit on record."""
    o = world.observations
    rows = np.flatnonzero(o.form != Form.HABIT)
    return World(
        o.take(rows), world.diver[np.unique(o.diver[rows])], world.label[np.unique(o.suit[rows])], world.next
    )


def _together(book: Book, *, seed: int, warmup: int, draws: int) -> nuts.Draws:
    """Chains that have found the same posterior; begun again elsewhere where one stays far below it."""
    for attempt in range(ATTEMPTS):
        found = nuts.sample(book, seed=seed + 1000 * attempt, warmup=warmup, draws=draws, middling=True)
        apart = float(np.max(split_gelman_rubin(found.theta)))
        if apart < TOGETHER:
            return found
    raise ValueError(f"the sampler's chains disagree: R-hat {apart:.2f}")


def sampled_needs(world: World, *, seed: int, warmup: int = 500, draws: int = 1000) -> FloatArray:
    """Draws of need on the next dive.

    Parameters
    ----------
    world : World
        Records, and the dives to be predicted.
    seed : int
        Of the sampler and of what the records leave open.
    warmup, draws : int
        Length of each of two chains.

    Returns
    -------
    ndarray, shape (2 draws, divers)
        Scatter included. [kg]

    Raises
    ------
    ValueError
        If its chains do not agree.
    """
    o, ahead, rng = world.observations, world.next, np.random.default_rng(seed)
    found = _together(
        Book(o, CENTRE, np.zeros(o.n_exposures), np.zeros(len(o.body_sd))),
        seed=seed, warmup=warmup, draws=draws,
    )  # fmt: skip
    theta, beta, last, worn = (
        each.reshape(-1, each.shape[-1]) for each in (found.theta, found.beta, found.offset, found.suit)
    )
    count, divers = len(theta), len(ahead.prior)
    spread = np.sqrt(np.exp(2 * theta[:, :1]) + np.exp(2 * theta[:, 1:2]) * ahead.body_sd**2)
    offset = spread * rng.normal(size=(count, divers))
    until = np.full(divers, np.inf)
    offset[:, world.diver] = last
    until[world.diver] = np.maximum.reduceat(o.elapsed, np.flatnonzero(np.diff(o.diver, prepend=-1)))
    gap = np.where(np.isinf(until), 0.0, np.maximum(ahead.elapsed - until, 0.0))
    offset += np.exp(theta[:, -1:]) * np.sqrt(gap) * rng.normal(size=(count, divers))
    suit = np.exp(theta[:, 2:3]) * rng.normal(size=(count, divers))
    place = np.minimum(np.searchsorted(world.label, ahead.suit), len(world.label) - 1)
    known = world.label[place] == ahead.suit
    suit[:, known] = worn[:, place[known]]
    scatter = np.exp(theta[:, 3:4]) * rng.normal(size=(count, divers))
    return np.asarray(
        ahead.prior + beta @ ahead.exposure.T + offset + ahead.suit_weight * suit + scatter, float
    )
