"""The numbers that describe a population, with their intervals: breath range, scatter, spreads, habit."""

from __future__ import annotations

from typing import Final

import numpy as np

from leadline.frozen import dataclass
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.population import Fit

__all__ = ["Spread", "spreads"]

# name of the hyperparameter, words, unit; each by itself a rising function of its unconstrained coordinate
_SPOKEN: Final = (
    ("breath_out", "breath range, exhaling low", "kg"),
    ("breath_in", "breath range, breathing high", "kg"),
    ("scatter", "dive-to-dive scatter, sd", "kg"),
    ("diver_sd", "divers beyond what the formulas leave open, sd", "kg"),
    ("body_factor", "spread of bodies, over the formulas' own", ""),
    ("suit_factor", "spread of one diver in one suit, over the formulas' own", ""),
    ("habit", "lead carried over need, usual", "kg"),
    ("habit_sd", "lead carried over need, spread among divers, sd", "kg"),
    ("wrong", "records that say something else than what was", "share"),
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
        Median and 95 % interval of its posterior. [kg or -]
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
        Medians and quantiles, each of a number by itself.
    """
    low, middle, high = (
        Hyperparameters.from_vector(vector) for vector in fit.theta_quantile((0.025, 0.5, 0.975)).T
    )
    return tuple(
        Spread(
            name, label, unit, *(float(np.round(getattr(theta, name), 12)) for theta in (middle, low, high))
        )
        for name, label, unit in _SPOKEN
    )
