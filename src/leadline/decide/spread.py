"""The numbers that describe a population, with their intervals: breath range, scatter, spreads, habit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.population import Fit

__all__ = ["Spread", "spreads"]

TWO_SIDED: Final = 1.959964  # standard normal quantile of 0.975, for a 95 % interval

# name of the hyperparameter: words, unit, place in the unconstrained vector
_SPOKEN: Final = (
    ("breath_out", "breath range, exhaling low", "kg", 4),
    ("breath_in", "breath range, breathing high", "kg", 5),
    ("scatter", "dive-to-dive scatter, sd", "kg", 3),
    ("diver_sd", "divers beyond what the formulas leave open, sd", "kg", 0),
    ("body_factor", "spread of bodies, over the formulas' own", "", 1),
    ("suit_factor", "spread of one diver in one suit, over the formulas' own", "", 2),
    ("habit", "lead carried over need, usual", "kg", 11),
    ("habit_sd", "lead carried over need, spread among divers, sd", "kg", 12),
    ("wrong", "records that say something else than what was", "share", 6),
)


@dataclass(frozen=True)
class Spread:
    """One number of the population.

    Parameters
    ----------
    name, label : str
        Name of the hyperparameter, and what it is for people.
    unit : str
        kg, share (of 1), or empty for a plain ratio.
    value, low, high : float
        Middle and 95 % interval of its posterior. [kg or -]
    """

    name: str
    label: str
    unit: str
    value: float
    low: float
    high: float


def spreads(fit: Fit) -> tuple[Spread, ...]:
    """Population numbers of a fit with 95 % intervals, the ones that matter most first.

    Parameters
    ----------
    fit : Fit
        Of a population.

    Returns
    -------
    tuple of Spread
        Normal in the unconstrained coordinates, around the posterior mean, so that none leaves its range.
    """
    vector = fit.theta_mean

    def at(place: int, steps: float) -> Callable[[str], float]:
        moved = vector.copy()
        moved[place] += steps * fit.theta_sd[place]
        theta = Hyperparameters.from_vector(moved)
        return lambda name: float(getattr(theta, name))

    return tuple(
        Spread(
            name,
            label,
            unit,
            at(place, 0.0)(name),
            *(float(np.round(at(place, side * TWO_SIDED)(name), 12)) for side in (-1, 1)),
        )
        for name, label, unit, place in _SPOKEN
    )
