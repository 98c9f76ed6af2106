"""What a look at a diver in the water would teach: chances of each outcome over the need, and their worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.normal import distribution
from leadline.physics.head import WATERLINES

__all__ = ["SurfaceDoubt", "Worth", "carried", "handed_off", "looked", "surface_checked", "worth"]

FloatArray = NDArray[np.float64]

STOP_JUDGEMENT: Final = 0.2
"""How sharply an observer tells hovering from rising or sinking. [kg] (judged, no source)"""

LINE_JUDGEMENT: Final = 0.3
SINK_JUDGEMENT: Final = 0.4
"""The same for a waterline, and for sinking on breathing out. [kg] (judged, no source)"""

NODES: Final = 15
"""Gauss-Hermite nodes over the scatter that two readings of one dive share: the worth of a pair of looks
agrees with that of 101 nodes to 1e-3 nats."""

_LINE: Final = {word: litres for word, (litres, _, _) in WATERLINES.items()}
_WORDS: Final = ("chin", "eye", "crown", "under")


@dataclass(frozen=True)
class Worth:
    """What an act is expected to teach.

    Parameters
    ----------
    information : float
        Expected fall of the entropy of the expected need. [nat]
    expected_sd : float
        Expected sd of need afterwards, scatter of the dive included. [kg]
    """

    information: float
    expected_sd: float


@dataclass(frozen=True)
class SurfaceDoubt:
    """How a surface check relates to need at the stop.

    Parameters
    ----------
    eye : float
        Need at the surface on a normal breath with the water at eye level, less need at the stop. [kg]
    out : float
        Need at the surface breathed out, head under, less need at the stop. [kg]
    doubt : float
        Sd of those differences: foam and head are not known as well at the surface. [kg]
    litre : float
        Lead that balances a litre. [kg]
    breath_sd, out_sd : float
        Sd of the two breaths. [L]
    """

    eye: float
    out: float
    doubt: float
    litre: float
    breath_sd: float
    out_sd: float


@lru_cache(maxsize=4)
def _nodes(count: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, weights / weights.sum()


def _recorded(zones: FloatArray, wrong: float) -> FloatArray:
    """Chances of what is written down, given those of what was: a wrong record is any of the others."""
    return np.asarray((1 - wrong) * zones + wrong / (len(zones) - 1) * (1 - zones))


def _zones(need: FloatArray, lead: float | FloatArray, theta: Hyperparameters, sd: float) -> FloatArray:
    """Chances of rising, hovering and sinking with an empty BC, shape (3, ...)."""
    over, under = need - lead - theta.breath_out, lead - theta.breath_in - need
    rises, sinks = distribution(np.stack([over, under]) / sd)
    return np.stack([rises, np.maximum(1 - rises - sinks, 0.0), sinks])


def looked(need: Marginal, lead: float, theta: Hyperparameters) -> FloatArray:
    """A look at the stop with an empty BC: rose, hovered, sank.

    Parameters
    ----------
    need : Marginal
        Need at that stop, *g* points.
    lead : float
        Lead on. [kg]
    theta : Hyperparameters
        Breath range and share of wrong records.

    Returns
    -------
    ndarray, shape (3, g)
        Chance of each record at each expected need; columns add up to 1. [-]
    """
    sd = float(np.hypot(need.scatter, STOP_JUDGEMENT))
    return _recorded(_zones(need.points, lead, theta, sd), theta.wrong)


def carried(need: Marginal, lead: float, theta: Hyperparameters) -> FloatArray:
    """A dive like any other at a lead, the BC not looked at: rose, or not.

    Parameters
    ----------
    need, lead, theta
        As for `looked`.

    Returns
    -------
    ndarray, shape (2, g)
        Chance of each record at each expected need. [-]
    """
    three = looked(need, lead, theta)
    return np.stack([three[0], three[1] + three[2]])


def handed_off(need: Marginal, lead: float, handed: Sequence[float], theta: Hyperparameters) -> FloatArray:
    """A look with an empty BC, and a second one after lead is handed off unless the diver rose at the first.

    Parameters
    ----------
    need, lead, theta
        As for `looked`.
    handed : sequence of float
        Leads that may be handed off, *h* of them. [kg]

    Returns
    -------
    ndarray, shape (h, 7, g)
        Chance of: rose at once; hovered, then each of the three; sank, then each of the three. Both looks
        are of one dive and share its scatter. [-]
    """
    nodes, weights = _nodes(NODES)
    dive = need.points[:, None] + need.scatter * nodes
    leads = lead - np.array([0.0, *handed])
    # All looks in one go: few numbers at a time cost more than they are worth.
    looks = _recorded(_zones(dive, leads[:, None, None], theta, STOP_JUDGEMENT), theta.wrong)
    first = looks[:, 0]
    pairs = first[1:, None, None] * looks[None, :, 1:]
    rose = np.broadcast_to(first[:1, None], (1, *pairs.shape[2:]))
    found = np.concatenate([rose, pairs.reshape(6, *pairs.shape[2:])])
    return np.asarray(np.moveaxis(found @ weights, 1, 0))


def surface_checked(need: Marginal, lead: float, surface: SurfaceDoubt, theta: Hyperparameters) -> FloatArray:
    """A surface check: one of four waterlines, and whether breathing out sinks.

    Parameters
    ----------
    need, lead, theta
        As for `looked`.
    surface : SurfaceDoubt
        How need there relates to need at the stop.

    Returns
    -------
    ndarray, shape (8, g)
        Chance of each waterline with and without sinking; both share the scatter of the day. [-]
    """
    nodes, weights = _nodes(NODES)
    day = need.points[:, None] + np.hypot(need.scatter, surface.doubt) * nodes
    litres = np.array([_LINE[word] for word in _WORDS])
    # A waterline is noted by the nearest word; the more of the head is out, the lighter the diver.
    edges = lead - surface.eye + surface.litre * ((litres[:-1] + litres[1:]) / 2 - _LINE["eye"])
    line_sd = float(np.hypot(LINE_JUDGEMENT, surface.litre * np.hypot(surface.breath_sd, 0.25)))
    breath_sd = float(np.hypot(SINK_JUDGEMENT, surface.litre * surface.out_sd))
    both = [*((day - edges[:, None, None]) / line_sd), (lead - surface.out - day) / breath_sd]
    *above, sinks = distribution(np.stack(both))
    ends = np.ones((1, *day.shape))
    line = _recorded(np.diff(np.concatenate([0 * ends, above, ends]), axis=0), theta.wrong)
    out = _recorded(np.stack([sinks, 1 - sinks]), theta.wrong)
    return np.asarray((line[:, None] * out[None]).reshape(8, *day.shape) @ weights)


def worth(need: Marginal, chances: FloatArray) -> Worth:
    """What outcomes with these chances would teach.

    Parameters
    ----------
    need : Marginal
        What is known before, *g* points.
    chances : ndarray, shape (k, g)
        Chance of each outcome at each point; columns add up to 1. [-]

    Returns
    -------
    Worth
        Means over the outcomes, each as likely as it is now.

    References
    ----------
    A. B. Watson, "QUEST+: A general multidimensional Bayesian adaptive psychometric method", J. Vis. 17(3)
    (2017) 10, doi:10.1167/17.3.10: the act with the least expected entropy comes next.
    """
    joint = chances * need.weights
    total = joint.sum(axis=1)
    after = joint / np.maximum(total, 1e-300)[:, None]
    mean = after @ need.points
    variance = np.maximum(after @ need.points**2 - mean**2, 0.0)
    left = -np.sum(after * np.log(np.maximum(after, 1e-300)), axis=1)
    now = -np.sum(need.weights * np.log(np.maximum(need.weights, 1e-300)))
    return Worth(float(now - total @ left), float(total @ np.sqrt(variance + need.scatter**2)))
