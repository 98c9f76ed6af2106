"""From a surface check before a dive to the dive itself: what to put on over the lead of the check.

A check is made with the cylinder full. Whoever dives with the lead that brings the water to eye level then is
too light at the end by the gas that has been breathed, less what foam and breath do on the way down.
`leadline check` reckons that from what is seen and from what is known of the diver; this is for those who
have only the sheet in the hand: what to put on, whatever lead eye level was found with, and the least lead to
dive with.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.bare import Look as Under
from leadline.decide.bare import known_under
from leadline.decide.block import Block, BlockSet
from leadline.decide.case import QUANTILES, Case
from leadline.decide.checked_dive import ASTRAY
from leadline.decide.full import full
from leadline.decide.lead_rule import MORE_THAN_LIGHT, breath_out
from leadline.decide.look import covered, eye_level, line_sd
from leadline.decide.look_density import bias_nodes
from leadline.frozen import dataclass
from leadline.model.marginal import Marginal
from leadline.model.quantile import quantiles
from leadline.model.stack import stacks
from leadline.normal import quantile
from leadline.physics.ledger import State, breath_volume, emerged_head, evaluate, exposures

__all__ = ["Onward", "Way", "between", "onward", "put_on", "seen_at", "way_down"]

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
    under : Under
        What being under water without any lead shows of that need.

    Notes
    -----
    Scatter from dive to dive is none of it: the check and the stop are of one dive and share it.
    """

    bar: FloatArray
    more: FloatArray
    sd: FloatArray
    under: Under


@dataclass(frozen=True)
class Onward:
    """What to put on after a check.

    Parameters
    ----------
    bar : float
        Pressure of the check. [bar gauge]
    more_kg : float
        Lead to put on over that which brings the water to eye level on a normal breath; not below 0. [kg]
    least_kg : float
        Least lead to dive with, whatever the check shows; up to `more_kg` it needs no saying. [kg]
    bare_kg : float
        Lead for whoever is under water without any; NaN where nobody is to expect that, and where no more
        failed at the stop: what is seen at the surface then has to be looked at again. [kg]
    likely : bool
        Whether nine times in ten the diver is under water without any lead.
    """

    bar: float
    more_kg: float
    least_kg: float = 0.0
    bare_kg: float = np.nan
    likely: bool = False

    @property
    def deep(self) -> bool:
        """Whether the diver may be under water without any lead."""
        return not np.isnan(self.bare_kg)

    @property
    def sunk(self) -> bool:
        """Whether that is what to expect: there is no eye level to find."""
        return self.deep and self.likely

    @property
    def at_least(self) -> float:
        """Least lead to dive with; NaN where no less is on after the check anyway. [kg]."""
        return self.least_kg if self.least_kg > self.more_kg + 1e-9 else np.nan

    def lead(self, eye: float) -> float:
        """Lead for the dive of whoever found eye level with that. [kg]."""
        return max(eye + self.more_kg, self.least_kg)


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
    head, covers = (emerged_head(rigs, word)[0] for word in ("eye", "under"))
    check = State(depth=0.0, cylinder_pressure=pressure, carried=rigs.present, breath=breath, head_out=head)
    first, last = evaluate(rigs, check), evaluate(rigs, stop)
    here, there = exposures(rigs, check, ledger=first), exposures(rigs, stop, ledger=last)
    mean, covariance = assessment.fit.aligned(here.names)
    apart = there.values - here.values
    suit = assessment.fit.theta.suit_factor * (there.suit_sd - here.suit_sd)
    doubt = np.sqrt(np.einsum("np,pq,nq->n", apart, covariance, apart) + suit**2)
    litre = first.water_density / 1e3 / first.lead_factor
    off, off_sd = eye_level()
    down, line = last.need - first.need + apart @ mean, line_sd(litre, breath_sd)
    wide, narrow = (
        np.einsum("np,pq,nq->n", one.values, covariance, one.values)
        + (assessment.fit.theta.suit_factor * one.suit_sd) ** 2
        + one.body_sd**2
        + one.rest_sd**2
        for one in (here, there)
    )
    return Way(
        bar=np.where(rigs.present, pressure, np.inf).min(axis=1),
        more=down + litre * off,
        sd=np.hypot(np.hypot(doubt, line), litre * off_sd),
        under=Under(
            # The head that is out at eye level, with what of a hood, is not out here.
            most=down - litre * (head - covers - covered()),
            sd=line,
            # As `check` carries what was seen: by the physics, whatever the population has taught.
            apart=np.hypot(np.sqrt(np.einsum("np,np->n", apart, apart)), suit),
            wider=np.sqrt(wide / narrow),
        ),
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
    return _on_blocks(max(more + max(-quantile(risk) * sd - enough, 0.0), 0.0), block)


def _on_blocks(least: float, block: Block) -> float:
    """The lightest lead on blocks that is not less. [kg]."""
    if isinstance(block, BlockSet) and least > block.all_there_is:
        # More than all blocks at hand is said as it is, so that somebody fetches more of them.
        block = block.any_number
    return block.at_least(least)


def seen_at(needs: Sequence[Marginal], shown: FloatArray, sd: FloatArray) -> list[Marginal]:
    """Needs at the stop once checks have shown them.

    Parameters
    ----------
    needs : sequence of Marginal
        What was known before, of *t* dives.
    shown : ndarray, shape (t, k)
        Need at the stop by each of k checks alone. [kg]
    sd : ndarray, shape (t,)
        How well they show it. [kg]

    Returns
    -------
    list of Marginal
        *t k* of them, all of one dive together. As `leadline check` has it: on one day in fifty what is known
        does not hold, so that a look far from it is gone by alone.
    """
    found: list[Marginal] = [needs[0]] * shown.size
    (holds, _), (astray, off) = ASTRAY
    nodes, spread = bias_nodes()
    for places, stack in stacks(needs, numbers=shown.shape[1]):
        look, own = shown[places][..., None], stack.scatter[:, None, None]
        points, width = stack.points[:, None], sd[places][:, None, None]
        wide, least = np.hypot(own, off), np.log(np.maximum(stack.weights, 1e-300))[:, None]
        near = least - (look - points) ** 2 / (own**2 + width**2) / 2 - np.log(np.hypot(own, width))
        far = least - (look - points) ** 2 / (wide**2 + width**2) / 2 - np.log(np.hypot(wide, width))
        top = np.maximum(near, far).max(axis=2, keepdims=True)
        near, far = holds * np.exp(near - top), astray * np.exp(far - top)
        drawn = (points * width**2 + look * own**2) / (own**2 + width**2)
        # On a day astray all points say about the same: one normal, on nodes that the scatter fills between.
        each = (points * width**2 + look * wide**2) / (wide**2 + width**2)
        total = far.sum(axis=2, keepdims=True)
        mean = (far * each).sum(axis=2, keepdims=True) / total
        scatter, rest = own * width / np.hypot(own, width), wide * width / np.hypot(wide, width)
        variance = (far * (each - mean) ** 2).sum(axis=2, keepdims=True) / total + rest**2 - scatter**2
        values = np.concatenate([drawn, mean + np.sqrt(variance) * nodes], axis=2)
        mass = np.concatenate([near, total * spread], axis=2)
        mass /= mass.sum(axis=2, keepdims=True)
        order = np.argsort(values, axis=2, kind="stable")
        values, mass = (np.take_along_axis(one, order, axis=2) for one in (values, mass))
        for i, place in enumerate(places.tolist()):
            at = place * shown.shape[1]
            found[at : at + shown.shape[1]] = [
                Marginal(*own_, float(scatter[i, 0, 0])) for own_ in zip(values[i], mass[i], strict=True)
            ]
    return found


def between(
    needs: Sequence[Marginal], way: Way, band: FloatArray, begin: FloatArray, hand: FloatArray, *,
    risk: float, enough: float,
) -> FloatArray:  # fmt: skip
    """What to put on after a check and the least lead of the dive, by look and what is known.

    Parameters
    ----------
    needs : sequence of Marginal
        Need at the stop, before the check, of *t* divers.
    way : Way
        From the check to the stop.
    band : ndarray, shape (t, 2)
        10 and 50 % points of need. [kg]
    begin, hand : ndarray, shape (t,)
        Lead to begin the check with, and most that is at hand for it. [kg]
    risk, enough : float
        As for `put_on`.

    Returns
    -------
    ndarray, shape (t, 2)
        In this order. [kg]

    Notes
    -----
    What is enough in all is a bent line over the lead of eye level, which rises by less than a kilogram for
    each. Two straight ones follow it: the least touches it where the 10 % point of the band would show eye
    level, or at no lead; the other, a kilogram for each, halfway from there to where the middle would, and
    it is enough at the lead to begin with and with all that is at hand. A third one, for the most, takes no
    more than another hundredth of dives off those too heavy, and is one number more to keep in mind.
    """
    lowest, middle = np.clip(band - way.more[:, None], 0.0, begin[:, None]).T
    looks = np.stack([lowest, (lowest + middle) / 2, begin, hand], axis=1)
    after = seen_at(needs, looks + way.more[:, None], way.sd)
    lead = quantiles(after, [1 - risk]).reshape(looks.shape) - enough
    return np.stack([(lead - looks)[:, 1:].max(axis=1), lead[:, 0]], axis=1)


def onward(
    assessment: Assessment, rows: IntArray, stop: State, cases: Sequence[Case], failed: Sequence[float], *,
    block: Block, risk: float,
) -> list[Onward | None]:  # fmt: skip
    """What to put on after the checks that come before some dives.

    Parameters
    ----------
    assessment, rows, stop
        As for `way_down`.
    cases : sequence of Case
        Needs and leads of these dives.
    failed : sequence of float
        Most lead that is not to be dived with again; -inf where there is none. [kg]
    block, risk
        As for `put_on`.

    Returns
    -------
    list of Onward or None
        One a row; None where no check comes first.

    Notes
    -----
    What is known of the diver weighs with the look, see `between`, where that asks for less to put on. Where
    a look of the day is known, or one in doubt, the next look is gone by alone: it errs as that one did.
    """
    found: list[Onward | None] = [None] * len(rows)
    at = [i for i, case in enumerate(cases) if case.check]
    if not at:
        return found
    way = way_down(assessment, rows[at], stop.take(np.array(at)))
    enough = breath_out(assessment.fit.theta)
    band = np.array([[cases[i].ends[QUANTILES.index(q)] for q in (0.1, 0.5)] for i in at])
    begin = np.array([cases[i].lead for i in at])
    hand = np.array([max(cases[i].bring, cases[i].lead) for i in at])
    needs = [cases[i].need for i in at]
    known = between(needs, way, band, begin, hand, risk=risk, enough=enough)
    under, deep = np.zeros(len(at)), band[:, 0] < way.more
    if len(some := np.flatnonzero(deep)):
        diver, evidence = assessment.line.occasions.diver[rows[at][some]], assessment.evidence
        told = way.under.take(some).with_spare(np.isin(diver, evidence.diver))
        under[some] = known_under([needs[i] for i in some.tolist()], told, risk=risk)
    each = (way.bar, way.more, way.sd, way.under.most, way.under.alone_sd, known, under, deep)
    for i, bar, more, sd, most, most_sd, (on, least), beyond, sinks in zip(
        at, *(a.tolist() for a in each), strict=True
    ):
        alone, case = put_on(more, sd, block=block, risk=risk, enough=enough), cases[i]
        on, least, bare = (_on_blocks(max(kg, 0.0), block) for kg in (on, least, beyond - enough))
        again = case.looked or case.doubted
        # By the look alone each lead of eye level is within the risk, and needs no least one.
        if again or on >= alone:
            on, least = alone, 0.0
        if again:
            bare = max(bare, put_on(most, most_sd, block=block, risk=risk, enough=enough))
        # Who is deeper than at eye level needs less than there.
        bare = min(bare, max(on, least), case.bring)
        # Nor does one look send anybody down with what failed; what was typed wrong is no lead to ask for.
        more_than = min(_on_blocks(max(failed[i] + MORE_THAN_LIGHT, 0.0), block), case.bring)
        bare = max(bare, more_than) if sinks and bare > failed[i] else np.nan
        found[i] = Onward(bar, on, max(least, more_than), bare, case.ends[QUANTILES.index(0.9)] < most)
    return found
