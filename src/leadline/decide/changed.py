"""Need of a diver whose stops do not fit the records before them any more: slips, or something changed.

The model lets need drift, not jump. So however many stops fail, it holds all of them for wrong records before
it lets go of the many that went before, the dangerous side; and a few slips of the same kind may take it with
them on the other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.checked_dive import ASTRAY, CheckedDive
from leadline.decide.disbelief import chance_of_zones, wrong_sights
from leadline.decide.history_data import LikeKit, Sights
from leadline.decide.kin import apart_rows, prior_need, walked
from leadline.frozen import dataclass
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.physics.ledger import State

__all__ = ["There", "change_starts", "changed_need", "far", "mixed", "own_row"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

STEP: Final = 0.15
"""Of the grid. [kg] (a third of the usual scatter: against steps of 10 g nothing moves by 0.1 g)"""

REACH: Final = 4.5
"""Sds to either side."""

LIKELY: Final = 0.2
"""Chance of a change from which the band holds it. [-] (judged)

One rise that was thought of as less likely than one in thirty; a dive at the accepted risk is one in twenty.
"""

UNHEARD: Final = 0.05
"""The same, where what failed has no say in the answer: it is taken for a slip. [-]

The accepted risk that is usual. What is believed moves need by itself; of what is not, one chance in six that
it was so would be no chance at all.
"""

RARE: Final = 0.2
"""Chance of what a single stop showed, by all records, from which on it need not be wondered at. [-]"""

NEAR: Final = 0.02
"""Variance that need may have walked by, up to which a stop is held against need at the plan. [kg²]"""

NODES: Final = np.array([-2.8569700, -1.3556262, 0.0, 1.3556262, 2.8569700])
NODE_WEIGHTS: Final = np.array([0.0112574, 0.2220759, 0.5333333, 0.2220759, 0.0112574])
"""Of the Gauss-Hermite rule of five points, for a standard normal (tables)."""

MOST_STARTS: Final = 4
"""Dives that are tried as the first one after a change, the earliest ones."""


@dataclass(frozen=True)
class There:
    """Where a change is judged: on the occasion of the first record after it.

    Parameters
    ----------
    before, all_known : Marginal
        Need there, on the records before it and on all.
    since : Sights
        Those from the first one on, carried there.
    shift, spread : float
        Need at the plan less need there, on the records before it, and its variance beside. [kg, kg²]
    """

    before: Marginal
    all_known: Marginal
    since: Sights
    shift: float = 0.0
    spread: float = 0.0


def change_starts(need: Marginal, history: LikeKit, doubted: Sights, away: BoolArray) -> list[int]:
    """Places in time of dives and looks before which something may have changed.

    Parameters
    ----------
    need : Marginal
        Posterior as the model has it.
    history : LikeKit
        As recorded.
    doubted : Sights
        What of it that need makes unlikely.
    away : ndarray of bool
        Of the sights in the same suit those of which need on that dive says little, see `far`.

    Returns
    -------
    list of int
        The earliest first, `MOST_STARTS` at most. One stop hardly moves the model, so that it has to be rare
        by what the model makes of all records. Several may take it along, and then none would seem rare.
    """
    sights = history.near
    more, sank = sights.more, sights.sank
    if _single(sights, more):
        # Nobody wonders at a single rise that gas may have made, nor at a single hover: the BC was not empty.
        more = more & sights.rose & (away | (need.above(sights.above) < RARE))
    if _single(sights, sank):
        sank = sank & (away | (1 - need.above(sights.below) < RARE))
    odd = more | sank | _looks(sights, doubted)
    return sorted(set(sights.place[odd].tolist()))[:MOST_STARTS]


def _single(sights: Sights, which: BoolArray) -> bool:
    """Whether they are of one place in time."""
    return len(set(sights.place[which].tolist())) == 1  # of a few, quicker than sorted


def _looks(sights: Sights, doubted: Sights) -> BoolArray:
    """Looks at the surface that are not believed."""
    return np.asarray(~sights.dive & np.isin(sights.place, doubted.place))


def far(assessment: Assessment, position: int, sights: Sights) -> BoolArray:
    """Sights that are judged on their own occasion: other kit, or need may have walked since.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    position : int
        Row of the timeline that is asked about.
    sights : Sights
        In its suit.

    Notes
    -----
    A break, or another body mass, makes the band of that dive wider. It makes nothing that was seen before
    it likelier, nor does other kit.
    """
    if not len(sights):
        return np.zeros(0, bool)
    walk = walked(assessment, sights.row, position)
    return np.asarray(~sights.alike | (walk > NEAR) | (sights.apart > NEAR))


def own_row(sights: Sights, first: int) -> int:
    """Row of the timeline of the first record at a place in time."""
    return int(sights.row[np.argmax(sights.place == first)])


def _there(
    assessment: Assessment, row: IntArray, state: State, need: Marginal, history: LikeKit, first: int,
    looks: BoolArray, away: BoolArray,
) -> There | None:  # fmt: skip
    """Where the change before that place is judged; None where nothing but looks of the dive came since."""
    sights = history.near
    since = (sights.place >= first) & ~looks
    if not since.any():
        return None
    here = assessment.marginals(row, state, until=first - 1)[0]
    at = np.argmax(sights.place == first)
    if not away[at]:
        return There(here, need, sights.take(since))
    own = sights.row[[at]]
    stop = assessment.state(own)
    before, known = assessment.marginals(own, stop, until=first - 1)[0], assessment.marginals(own, stop)[0]
    told = sights.take(since)
    differ = _expected(assessment, own, stop) - _expected(assessment, row, state) - sights.moved[at]
    # Its own kit it knows as well as can be; of other kit no less than each need by itself is in doubt.
    kit = np.minimum(apart_rows(assessment, told.row, int(own[0])), known.expected_sd**2 + told.known)
    doubt = told.own + walked(assessment, told.row, int(own[0])) + kit
    there = replace(told, above=told.above + differ, below=told.below + differ, doubt=doubt)
    # What is known better there is known less here: as much as need may have walked, and of the other kit.
    spread = max(here.expected_sd**2 - before.expected_sd**2, 0.0)
    return There(before, known, there, here.mean - before.mean, spread)


def _expected(assessment: Assessment, row: IntArray, state: State) -> float:
    """Need by the ledger and what was learned of it. [kg]."""
    return float(prior_need(assessment, row, state)[1][0])


def _odd_there(there: There, first: int) -> bool:
    """Whether what a single record there showed is rare by all of them, or not only a rise or a sinking."""
    sights = there.since
    more, sank = sights.more, sights.sank
    rare = np.zeros(len(sights), bool)
    for which, chance in (
        (more, there.all_known.above(sights.above)),
        (sank, 1 - there.all_known.above(sights.below)),
    ):
        rare |= which & (chance < RARE) if _single(sights, which) else which
    return bool(rare[sights.place == first].any())


def changed_need(
    assessment: Assessment, row: IntArray, state: State, need: Marginal, history: LikeKit, doubted: Sights,
    starts: Sequence[int], checked: CheckedDive | None = None,
) -> tuple[Marginal, LikeKit] | None:  # fmt: skip
    """Need with the chance that something changed before stops that failed, and what is on record since.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    row : ndarray of int, shape (1,)
        Row of the plan.
    state : State
        The stop planned there.
    need, history, doubted
        As of `change_starts`.
    starts : sequence of int
        From there.
    checked : CheckedDive, optional
        The dive with the looks it goes by: those are taken at their word, changed or not.

    Returns
    -------
    Marginal, LikeKit
        A mixture, see `mixed`, and a history without leads proven before; nothing is doubted any more, since
        the band holds both. None where chance and drift explain the records well enough.
    """
    sights, theta = history.near, assessment.fit.theta
    best: tuple[float, Marginal, int] | None = None
    looks, known, told = np.zeros(len(sights), bool), assessment, None
    if checked is not None:
        looks = checked.is_look(sights.row)
        known, told = checked.before, partial(checked.log_told, state=state)
    away = far(assessment, int(row[0]), sights)
    unheard = set(doubted.place[doubted.rose | doubted.hinted].tolist())
    looked = set(sights.place[_looks(sights, doubted)].tolist())
    for first in starts:
        there = _there(known, row, state, need, history, first, looks, away)
        if there is None:
            continue
        odd = first in unheard
        if away[sights.place == first][0]:
            if first not in looked and not _odd_there(there, first):
                continue
            wrong = wrong_sights([there.all_known], [there.since], theta)[0]
            odd = bool((wrong & (there.since.rose | there.since.hinted) & (there.since.place == first)).any())
        share, found = mixed(need, there, theta, told)
        if share >= (UNHEARD if odd else LIKELY) and (best is None or share > best[0]):
            best = share, found, first
    if best is None:
        return None
    earlier, held = sights.place < best[2], sights.dive & (sights.fit[:, 0] == 0) & sights.alike
    odd_ones = sights.sank | (sights.more & ~(sights.rose | sights.hinted)) | _looks(sights, doubted)
    return best[1], replace(
        history,
        enough=sights.lead[held & ~earlier],
        at_hand=float(sights.lead[held & earlier].min()) if (held & earlier).any() else 0.0,
        known=history.known or bool(sights.alike.any()),
        failed=sights.take((sights.rose | sights.hinted) & ~earlier),
        odd=sights.take(odd_ones & ~earlier),
    )


def mixed(
    need: Marginal, there: There, theta: Hyperparameters,
    looks: Callable[[FloatArray], FloatArray] | None = None,
) -> tuple[float, Marginal]:  # fmt: skip
    """Posterior of need over: the records hold, or something changed before some stops.

    Parameters
    ----------
    need : Marginal
        If the records hold: on all of them.
    there : There
        The stops from the first that failed on, and what was known before.
    theta : Hyperparameters
        Share of wrong records.
    looks : callable, optional
        Log chance of the looks that the dive goes by, for each expected need on it.

    Returns
    -------
    float
        Chance that something changed. [-]
    Marginal
        How likely a change is, and how far need is then from what was known, is as on the days on which
        records do not hold (`checked_dive.ASTRAY`); what the stops showed says which of the two it is.
    """
    (holds, _), (astray, off) = ASTRAY
    before = there.before
    reach = REACH * (before.expected_sd + off)
    grid = np.arange(before.mean - reach, before.mean + reach, STEP)
    every = np.concatenate([grid, before.points])
    both = _log_told(every, there.since, theta, before.scatter)
    if looks is not None:
        both = both + looks(every + there.shift)
    log_told, log_before = both[: len(grid)], both[len(grid) :]
    # Of hundreds of records the chance itself is too small for a number.
    top = max(log_told.max(), log_before.max())
    told = np.exp(log_told - top)
    apart = (grid[:, None] - before.points) / off
    after = np.exp(-0.5 * apart**2) @ before.weights
    after /= after.sum()
    as_before = np.exp(log_before - top) @ before.weights
    if_changed = after @ told
    share = float(astray * if_changed / (astray * if_changed + holds * as_before))
    changed, weight = grid + there.shift, share * after * told / if_changed
    if there.spread:
        changed = (changed[:, None] + np.sqrt(there.spread) * NODES).reshape(-1)
        weight = (weight[:, None] * NODE_WEIGHTS).reshape(-1)
    points = np.concatenate([need.points, changed])
    weights = np.concatenate([(1 - share) * need.weights, weight])
    order = np.argsort(points, kind="stable")
    return share, Marginal(points[order], weights[order], need.scatter)


def _log_told(need: FloatArray, sights: Sights, theta: Hyperparameters, scatter: float) -> FloatArray:
    """Log chance of what was seen, at each expected need; each dive has its own scatter."""
    shown = np.einsum("skz,sz->sk", chance_of_zones(need, sights, scatter), sights.fit)
    return np.asarray(np.log(sights.chance(shown, theta.wrong)).sum(axis=0))
