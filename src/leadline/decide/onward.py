"""From a surface check before a dive to the dive itself: what to put on over the lead of the check.

A check is made with the cylinder full. Whoever dives with the lead that brings the water to eye level then is
too light at the end by the gas that has been breathed, less what foam and breath do on the way down.
`leadline check` reckons that from what is seen; this is for those who have only the sheet in the hand.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.block import Block, BlockSet
from leadline.decide.full import full
from leadline.decide.lead_rule import breath_out
from leadline.decide.look import eye_level, line_sd
from leadline.frozen import dataclass
from leadline.normal import quantile
from leadline.physics.ledger import State, breath_volume, emerged_head, evaluate, exposures

__all__ = ["Onward", "Way", "onward", "put_on", "way_down"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Way:
    """What lies between a check at the start, eye level on a normal breath, and the stop; shape (t,).

    Parameters
    ----------
    bar : ndarray
        Lowest pressure at the start, of all cylinders. [bar gauge]
    more : ndarray
        Need at the stop less the lead of that check. [kg]
    sd : ndarray
        How well such a check shows need at the stop: the word for the waterline, breath, head and foam. [kg]

    Notes
    -----
    Scatter from dive to dive is none of it: the check and the stop are of one dive and share it.
    """

    bar: FloatArray
    more: FloatArray
    sd: FloatArray


@dataclass(frozen=True)
class Onward:
    """What to put on after a check.

    Parameters
    ----------
    bar : float
        Pressure of the check. [bar gauge]
    more_kg : float
        Lead to put on over that which brings the water to eye level on a normal breath; not below 0. [kg]
    deep : bool
        Whether the diver may be deeper than that without any lead: then `more_kg` alone is enough. Not where
        no more than that failed at the stop: what is seen at the surface then has to be looked at again.
    """

    bar: float
    more_kg: float
    deep: bool

    def bare(self, bring: float) -> float:
        """Lead for whoever is deeper than eye level without any, of so much at hand. [kg].

        Need is then less than at eye level without lead, which `more_kg` is enough for.
        """
        return min(bring, self.more_kg)


def way_down(assessment: Assessment, rows: IntArray, stop: State) -> Way:
    """What lies between a check at the start and the stop.

    Parameters
    ----------
    assessment : Assessment
        With the rows.
    rows : ndarray of int, shape (t,)
        Rows of the timeline.
    stop : State
        Their stop.

    Returns
    -------
    Way
        By the ledger and what the population has taught of it. A pressure that nobody noted is that of a
        full cylinder.
    """
    rigs = assessment.rigs.take(rows)
    pressure = full(assessment, rows)
    breath, breath_sd = breath_volume(np.full(len(rows), "normal", object), rigs.lungs)
    check = State(
        depth=0.0,
        cylinder_pressure=pressure,
        carried=rigs.present,
        breath=breath,
        head_out=emerged_head(rigs, "eye")[0],
    )
    first, last = evaluate(rigs, check), evaluate(rigs, stop)
    here, there = exposures(rigs, check, ledger=first), exposures(rigs, stop, ledger=last)
    mean, covariance = assessment.fit.aligned(here.names)
    apart = there.values - here.values
    suit = assessment.fit.theta.suit_factor * (there.suit_sd - here.suit_sd)
    doubt = np.sqrt(np.einsum("np,pq,nq->n", apart, covariance, apart) + suit**2)
    litre = first.water_density / 1e3 / first.lead_factor
    off, off_sd = eye_level()
    return Way(
        bar=np.where(rigs.present, pressure, np.inf).min(axis=1),
        more=last.need - first.need + apart @ mean + litre * off,
        sd=np.hypot(doubt, np.hypot(line_sd(litre, breath_sd), litre * off_sd)),
    )


def put_on(more: float, sd: float, *, block: Block, risk: float, enough: float) -> float:
    """Lead to put on after a check, so that too light is within the accepted risk by the check alone.

    Parameters
    ----------
    more, sd : float
        As of a `Way`. [kg]
    block : Block
        Blocks in use.
    risk : float
        Accepted chance of too light. [-]
    enough : float
        Lightness that exhaling covers. [kg]

    Returns
    -------
    float
        Never below 0: a check that asks for less lead at the stop than at the surface is one to be read by
        `leadline check`. [kg]

    Examples
    --------
    >>> put_on(1.9, 0.6, block=Block(), risk=0.05, enough=0.5)
    2.5
    """
    least = max(more + max(-quantile(risk) * sd - enough, 0.0), 0.0)
    if isinstance(block, BlockSet) and least > block.all_there_is:
        # More than all blocks at hand is said as it is, so that somebody fetches more of them.
        block = block.any_number
    return block.at_least(least)


def onward(
    assessment: Assessment, rows: IntArray, stop: State, first: NDArray[np.bool_], low: FloatArray,
    failed: FloatArray, *, block: Block, risk: float,
) -> list[Onward | None]:  # fmt: skip
    """What to put on after the checks that come before some dives.

    Parameters
    ----------
    assessment, rows, stop
        As for `way_down`.
    first : ndarray of bool, shape (t,)
        Whether a check comes before the dive.
    low : ndarray, shape (t,)
        10 % point of need at the stop. [kg]
    failed : ndarray, shape (t,)
        Most lead that is not to be dived with again; -inf where there is none. [kg]
    block, risk
        As for `put_on`.

    Returns
    -------
    list of Onward or None
        One a row; None where no check comes first.
    """
    found: list[Onward | None] = [None] * len(rows)
    at = np.flatnonzero(first)
    if not len(at):
        return found
    way, enough = way_down(assessment, rows[at], stop.take(at)), breath_out(assessment.fit.theta)
    ends = zip(*(a.tolist() for a in (at, way.bar, way.more, way.sd, low[at], failed[at])), strict=True)
    for i, bar, more, sd, least, never in ends:
        on = put_on(more, sd, block=block, risk=risk, enough=enough)
        found[i] = Onward(bar, on, least < more and on > never)
    return found
