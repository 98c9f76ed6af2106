"""What a look at a diver in the water would teach: chances of each outcome over the need, and their worth.

All of it is for one need or for many at once (`Stack`): `...` stands for nothing or for their number.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.model.stack import Stack
from leadline.normal import distribution
from leadline.physics.head import WATERLINES

__all__ = [
    "SurfaceDoubt",
    "Worth",
    "carried",
    "covered",
    "eye_level",
    "handed_off",
    "line_sd",
    "looked",
    "nodes_for",
    "surface_checked",
    "worth",
]

FloatArray = NDArray[np.float64]
Numbers = float | FloatArray
Need = Marginal | Stack

STOP_JUDGEMENT: Final = 0.2
"""How sharply an observer tells hovering from rising or sinking. [kg] (judged, no source)"""

LINE_JUDGEMENT: Final = 0.3
SINK_JUDGEMENT: Final = 0.4
LINE_LITRES: Final = 0.25
"""The same for a waterline, and for sinking on breathing out [kg], and of the head for
how the line is read [L]. (judged, no source)"""

NODES: Final = 9
"""Gauss-Hermite nodes over the scatter that two readings of one dive share, where they are enough.

At a waterline always; where an observer tells hovering from rising more sharply than dives scatter, more are
taken (`nodes_for`). Then the worth of a pair of looks agrees with that of 201 nodes to 2e-3 nats.
"""

_LINE: Final = {word: litres for word, (litres, _, _) in WATERLINES.items()}
_WORDS: Final = ("chin", "eye", "crown", "under")


@dataclass(frozen=True)
class Worth:
    """What an act is expected to teach.

    Parameters
    ----------
    information : ndarray, shape (...)
        Expected fall of the entropy of the expected need. [nat]
    expected_sd : ndarray, shape (...)
        Expected sd of need afterwards, scatter of the dive included. [kg]
    """

    information: FloatArray
    expected_sd: FloatArray


@dataclass(frozen=True)
class SurfaceDoubt:
    """How a surface check relates to need at the stop.

    Parameters
    ----------
    eye : float or ndarray, shape (...)
        Need at the surface on a normal breath with the water at eye level, less need at the stop. [kg]
    out : float or ndarray, shape (...)
        Need at the surface breathed out, head under, less need at the stop. [kg]
    doubt : float or ndarray, shape (...)
        Sd of those differences: foam and head are not known as well at the surface. [kg]
    litre : float or ndarray, shape (...)
        Lead that balances a litre. [kg]
    breath_sd, out_sd : float or ndarray, shape (...)
        Sd of the two breaths. [L]
    """

    eye: Numbers
    out: Numbers
    doubt: Numbers
    litre: Numbers
    breath_sd: Numbers
    out_sd: Numbers


@lru_cache(maxsize=8)
def _nodes(count: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, weights / weights.sum()


def nodes_for(scatter: float) -> int:
    """Nodes for two looks at a stop on dives that scatter so much [kg]."""
    return NODES if scatter <= 0.5 else 15 if scatter <= 0.8 else 31


def _each(numbers: Numbers) -> FloatArray:
    """A number for each need, to go with the points of its grid."""
    return np.asarray(numbers, float)[..., None]


def _recorded(zones: FloatArray, wrong: float) -> FloatArray:
    """Chances of what is written down, given those of what was: a wrong record is any of the others."""
    return np.asarray((1 - wrong) * zones + wrong / (len(zones) - 1) * (1 - zones))


def _zones(need: FloatArray, lead: FloatArray, theta: Hyperparameters, sd: Numbers) -> FloatArray:
    """Chances of rising, hovering and sinking with an empty BC, shape (3, ...)."""
    over, under = need - lead - theta.breath_out, lead - theta.breath_in - need
    rises, sinks = distribution(np.stack([over, under]) / sd)
    return np.stack([rises, np.maximum(1 - rises - sinks, 0.0), sinks])


def looked(need: Need, lead: Numbers, theta: Hyperparameters) -> FloatArray:
    """A look at the stop with an empty BC: rose, hovered, sank.

    Parameters
    ----------
    need : Marginal or Stack
        Need at that stop, *g* points.
    lead : float or ndarray, shape (...)
        Lead on. [kg]
    theta : Hyperparameters
        Breath range and share of wrong records.

    Returns
    -------
    ndarray, shape (3, ..., g)
        Chance of each record at each expected need; those of one need add up to 1. [-]
    """
    sd = _each(np.hypot(need.scatter, STOP_JUDGEMENT))
    return _recorded(_zones(need.points, _each(lead), theta, sd), theta.wrong)


def carried(need: Need, lead: Numbers, theta: Hyperparameters) -> FloatArray:
    """A dive like any other at a lead, the BC not looked at: rose, or not.

    Parameters
    ----------
    need, lead, theta
        As for `looked`.

    Returns
    -------
    ndarray, shape (2, ..., g)
        Chance of each record at each expected need. [-]
    """
    three = looked(need, lead, theta)
    return np.stack([three[0], three[1] + three[2]])


def _dives(need: Need, sd: Numbers, count: int) -> tuple[FloatArray, FloatArray]:
    """Needs on single dives, shape (..., g, count), and the weights of so many nodes."""
    nodes, weights = _nodes(count)
    return need.points[..., None] + _each(_each(sd)) * nodes, weights


def handed_off(need: Need, lead: Numbers, handed: Sequence[float], theta: Hyperparameters) -> FloatArray:
    """A look with an empty BC, and a second one after lead is handed off unless the diver rose at the first.

    Parameters
    ----------
    need, lead, theta
        As for `looked`.
    handed : sequence of float
        Leads that may be handed off, *h* of them. [kg]

    Returns
    -------
    ndarray, shape (h, 7, ..., g)
        Chance of: rose at once; hovered, then each of the three; sank, then each of the three. Both looks
        are of one dive and share its scatter. [-]
    """
    dive, weights = _dives(need, need.scatter, nodes_for(theta.scatter))

    def look(off: float) -> FloatArray:
        there = _each(_each(np.asarray(lead, float) - off))
        return _recorded(_zones(dive, there, theta, STOP_JUDGEMENT), theta.wrong)

    first = look(0.0)
    found = []
    for off in handed:
        pairs = first[1:, None] * look(off)
        found.append(np.concatenate([first[:1], pairs.reshape(6, *dive.shape)]) @ weights)
    return np.stack(found)


def eye_level() -> tuple[float, float]:
    """How much more of the head is out of the water than at eye level where that is the word: mean, sd. [L].

    The word reaches half of the way to the next ones, which are not equally far; all of that is alike.
    """
    most, least = ((_LINE[word] - _LINE["eye"]) / 2 for word in ("chin", "crown"))
    return (most + least) / 2, (most - least) / sqrt(12)


def covered() -> float:
    """How much of the head may be out of the water where the word is under: half of the way to crown. [L]."""
    return (_LINE["crown"] + _LINE["under"]) / 2


def line_sd(litre: Numbers, breath_sd: Numbers) -> FloatArray:
    """How sharply a waterline shows need at the surface, the head being known.

    Parameters
    ----------
    litre : float or ndarray, shape (...)
        Lead that balances a litre. [kg]
    breath_sd : float or ndarray, shape (...)
        Sd of the breath. [L]

    Returns
    -------
    ndarray, shape (...)
        [kg]
    """
    return np.asarray(np.hypot(LINE_JUDGEMENT, litre * np.hypot(breath_sd, LINE_LITRES)))


def surface_checked(need: Need, lead: Numbers, surface: SurfaceDoubt, theta: Hyperparameters) -> FloatArray:
    """A surface check: one of four waterlines, and whether breathing out sinks.

    Parameters
    ----------
    need, lead, theta
        As for `looked`.
    surface : SurfaceDoubt
        How need there relates to need at the stop.

    Returns
    -------
    ndarray, shape (8, ..., g)
        Chance of each waterline with and without sinking; both share the scatter of the day. [-]
    """
    day, weights = _dives(need, np.hypot(need.scatter, surface.doubt), NODES)
    litres = np.array([_LINE[word] for word in _WORDS])
    # A waterline is noted by the nearest word; the more of the head is out, the lighter the diver.
    out_of_water = (litres[:-1] + litres[1:]) / 2 - _LINE["eye"]
    edges = (_each(lead - surface.eye) + _each(surface.litre) * out_of_water).swapaxes(0, -1)
    breath_sd = np.hypot(SINK_JUDGEMENT, surface.litre * surface.out_sd)
    above = (day - _each(_each(edges))) / _each(_each(line_sd(surface.litre, surface.breath_sd)))
    under = (_each(_each(lead - surface.out)) - day) / _each(_each(breath_sd))
    chance = distribution(np.concatenate([above, under[None]]))
    lines, sinks = chance[:-1], chance[-1]
    line = _recorded(np.stack([lines[0], *np.diff(lines, axis=0), 1 - lines[-1]]), theta.wrong)
    out = _recorded(np.stack([sinks, 1 - sinks]), theta.wrong)
    return np.asarray((line[:, None] * out[None]).reshape(8, *day.shape) @ weights)


def worth(need: Need, chances: FloatArray) -> Worth:
    """What outcomes with these chances would teach.

    Parameters
    ----------
    need : Marginal or Stack
        What is known before, *g* points.
    chances : ndarray, shape (k, ..., g)
        Chance of each outcome at each point; those of one need add up to 1. [-]

    Returns
    -------
    Worth
        Means over the outcomes, each as likely as it is now.

    References
    ----------
    A. B. Watson, "QUEST+: A general multidimensional Bayesian adaptive psychometric method", J. Vis. 17(3)
    (2017) 10, doi:10.1167/17.3.10: the act with the least expected entropy comes next.
    """
    after = chances * need.weights
    total = after.sum(axis=-1)
    after /= np.maximum(total, 1e-300)[..., None]
    mean = np.einsum("...g,...g->...", after, need.points)
    variance = np.maximum(np.einsum("...g,...g->...", after, need.points**2) - mean**2, 0.0)
    left = -np.einsum("...g,...g->...", after, np.log(np.maximum(after, 1e-300)))
    now = -np.sum(need.weights * np.log(np.maximum(need.weights, 1e-300)), axis=-1)
    sd = np.sqrt(variance + np.square(need.scatter))
    return Worth(np.asarray(now - (total * left).sum(axis=0)), np.asarray((total * sd).sum(axis=0)))
