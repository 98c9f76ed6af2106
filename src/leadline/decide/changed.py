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
from leadline.decide.disbelief import chance_of_zones
from leadline.decide.history_data import LikeKit, Sights
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.physics.ledger import State

__all__ = ["change_starts", "changed_need", "mixed"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

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

MOST_STARTS: Final = 4
"""Dives that are tried as the first one after a change, the earliest ones."""


def change_starts(need: Marginal, history: LikeKit, doubted: Sights) -> list[int]:
    """Places in time of dives and looks before which something may have changed.

    Parameters
    ----------
    need : Marginal
        Posterior as the model has it.
    history : LikeKit
        As recorded.
    doubted : Sights
        What of it that need makes unlikely.

    Returns
    -------
    list of int
        The earliest first, `MOST_STARTS` at most. One stop hardly moves the model, so that it has to be rare
        by what the model makes of all records. Several may take it along, and then none would seem rare.
    """
    sights = history.sights
    more, sank = sights.more, sights.sank
    if len(set(sights.place[more].tolist())) == 1:  # of a few, quicker than sorted
        # Nobody wonders at a single rise that gas may have made, nor at a single hover: the BC was not empty.
        more = more & sights.rose & (need.above(sights.above) < RARE)
    if len(set(sights.place[sank].tolist())) == 1:
        sank = sank & (1 - need.above(sights.below) < RARE)
    odd = more | sank | _looks(sights, doubted)
    return sorted(set(sights.place[odd].tolist()))[:MOST_STARTS]


def _looks(sights: Sights, doubted: Sights) -> NDArray[np.bool_]:
    """Looks at the surface that are not believed."""
    return np.asarray(~sights.dive & np.isin(sights.place, doubted.place))


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
    sights, theta = history.sights, assessment.fit.theta
    best: tuple[float, Marginal, int] | None = None
    looks, known, told = np.zeros(len(sights), bool), assessment, None
    if checked is not None:
        looks = checked.is_look(sights.row)
        known, told = checked.before, partial(checked.log_told, state=state)
    unheard = set(doubted.place[doubted.rose | doubted.hinted].tolist())
    for first in starts:
        since = (sights.place >= first) & ~looks
        if not since.any():
            continue
        before = known.marginals(row, state, until=first - 1)[0]
        share, found = mixed(need, before, sights.take(since), theta, told)
        enough = UNHEARD if first in unheard else LIKELY
        if share >= enough and (best is None or share > best[0]):
            best = share, found, first
    if best is None:
        return None
    earlier, held = sights.place < best[2], sights.dive & (sights.fit[:, 0] == 0)
    odd = sights.sank | (sights.more & ~(sights.rose | sights.hinted)) | _looks(sights, doubted)
    return best[1], replace(
        history,
        enough=sights.lead[held & ~earlier],
        at_hand=float(sights.lead[held & earlier].min()) if (held & earlier).any() else 0.0,
        known=True,
        failed=sights.take((sights.rose | sights.hinted) & ~earlier),
        odd=sights.take(odd & ~earlier),
    )


def mixed(
    need: Marginal, before: Marginal, since: Sights, theta: Hyperparameters,
    looks: Callable[[FloatArray], FloatArray] | None = None,
) -> tuple[float, Marginal]:  # fmt: skip
    """Posterior of need over: the records hold, or something changed before some stops.

    Parameters
    ----------
    need : Marginal
        If the records hold: on all of them.
    before : Marginal
        On those before the stops.
    since : Sights
        From the first that failed on.
    theta : Hyperparameters
        Share of wrong records.
    looks : callable, optional
        Log chance of the looks that the dive goes by, for each expected need.

    Returns
    -------
    float
        Chance that something changed. [-]
    Marginal
        How likely a change is, and how far need is then from what was known, is as on the days on which
        records do not hold (`checked_dive.ASTRAY`); what the stops showed says which of the two it is.
    """
    (holds, _), (astray, off) = ASTRAY
    reach = REACH * (before.expected_sd + off)
    grid = np.arange(before.mean - reach, before.mean + reach, STEP)
    every = np.concatenate([grid, before.points])
    both = _log_told(every, since, theta, before.scatter)
    if looks is not None:
        both = both + looks(every)
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
    points = np.concatenate([need.points, grid])
    weights = np.concatenate([(1 - share) * need.weights, share * after * told / if_changed])
    order = np.argsort(points, kind="stable")
    return share, Marginal(points[order], weights[order], need.scatter)


def _log_told(need: FloatArray, sights: Sights, theta: Hyperparameters, scatter: float) -> FloatArray:
    """Log chance of what was seen, at each expected need; each dive has its own scatter."""
    shown = np.einsum("skz,sz->sk", chance_of_zones(need, sights, scatter), sights.fit)
    return np.asarray(np.log(sights.chance(shown, theta.wrong)).sum(axis=0))
