"""One row of a plan on its way to an answer: its need, what is on record in like kit, and its lead."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.ahead import foresee
from leadline.decide.assessment import ALL_TIME, Assessment
from leadline.decide.block import Block
from leadline.decide.changed import change_starts, changed_need, far, own_row
from leadline.decide.check_reading import again, agreed, doubtful
from leadline.decide.checked_dive import CheckedDive
from leadline.decide.checked_need import Looked, needs
from leadline.decide.disbelief import believed, wrong_sights
from leadline.decide.history import LikeKit
from leadline.decide.history_data import Sights
from leadline.decide.kin import other_kits, recarried
from leadline.decide.lead_rule import ENOUGH, chosen, doubted, fails, levels, step_share
from leadline.decide.past import LIKE_WATER, usual_salinity
from leadline.errors import TooFewBlocksError
from leadline.frozen import dataclass
from leadline.model.marginal import Marginal
from leadline.model.quantile import quantiles
from leadline.physics.ledger import State
from leadline.units import mass_text

__all__ = ["QUANTILES", "Begun", "Case", "begun", "cases_of"]

IntArray = NDArray[np.int64]

QUANTILES: Final = (0.025, 0.1, 0.5, 0.9, 0.975)


@dataclass(frozen=True)
class Case:
    """One row of the plan on its way.

    Parameters
    ----------
    position : int
        Row of the timeline.
    need : Marginal
        Posterior.
    ends : tuple of float
        Its `QUANTILES`, then the one of the accepted risk. [kg]
    history : LikeKit
        Of this diver, without what is not believed.
    lead, bring, check, held, failed
        As of `Choice`.
    doubted : bool
        Whether the last check asks for another look.
    looked : bool
        Whether there is a check of the day.
    shown : bool
        Whether the dive goes by a check, of whatever day.
    remarks : tuple of str
        What else is to be said of the looks it goes by.
    """

    position: int
    need: Marginal
    ends: tuple[float, ...]
    history: LikeKit
    lead: float
    bring: float
    check: bool
    held: bool
    failed: bool
    doubted: bool
    looked: bool
    shown: bool
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Begun:
    """Some rows of a plan whose needs are found and whose leads are not; *n* rows.

    Parameters
    ----------
    rows, state : ndarray of int, State
        As of `begun`.
    checked : sequence of CheckedDive or None
        Looks that each goes by.
    unanswered : sequence of bool
        As of `Looked`.
    found, without : list of Marginal
        Posteriors, and the same without the looks that each goes by.
    ends : list of list of float
        Their `QUANTILES`, then those of the rule. [kg]
    recorded, known : list of LikeKit
        History of each diver: all, and without what is not believed.
    failed : list of bool
        Whether the rule's lead just failed.
    starts : dict
        By number of the row: dives before which something may have changed.
    """

    rows: IntArray
    state: State
    checked: Sequence[CheckedDive | None]
    unanswered: Sequence[bool]
    found: list[Marginal]
    without: list[Marginal]
    ends: list[list[float]]
    recorded: list[LikeKit]
    known: list[LikeKit]
    failed: list[bool]
    starts: dict[int, list[int]]


def begun(
    assessment: Assessment, rows: IntArray, state: State, recorded: list[LikeKit],
    looked: Looked, *, block: Block, risk: float,
) -> Begun:  # fmt: skip
    """Needs of some rows of a plan, and what of their histories is believed.

    Of a long plan, what was known before something may have changed is found in the background from here on;
    `cases_of` waits for it.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    rows, state : ndarray of int, State
        t rows of the timeline, and the stop planned there.
    recorded : list of LikeKit
        History of each diver, from `Histories.like_kits`.
    looked : Looked
        From `checked_dives`.
    block, risk
        As of `advise`.

    Returns
    -------
    Begun
        For `cases_of`.
    """
    checked = looked.gone_by
    found = needs(assessment, rows, state, checked)
    ends = quantiles(found, _asked(risk)).tolist()
    theta = assessment.fit.theta
    without = [
        need if about is None else about.before.marginals(rows[[i]], state.take(np.array([i])))[0]
        for i, (need, about) in enumerate(zip(found, checked, strict=True))
    ]
    recorded = _recarried(assessment, rows, state, without, recorded, checked)
    wrong = wrong_sights(without, [history.sights for history in recorded], theta)
    # A look that is gone by is about that dive. What does not fit it says nothing against stops before it,
    # nor do they against it: it asks for another one. A rise that the looks do not answer stands; and what
    # the looks bear out, such as a rise that they foretold, is not unlikely by all that is known.
    for i, about in enumerate(checked):
        if about is not None and wrong[i].any():
            wrong[i] = wrong[i] & wrong_sights([found[i]], [recorded[i].sights], theta)[0]
    known = [
        believed(history, which if about is None else which & ~about.is_look(history.sights.row))
        for history, which, about in zip(recorded, wrong, checked, strict=True)
    ]
    failed = [
        fails(own[len(QUANTILES) :], history, block=block, theta=theta)
        for own, history in zip(ends, known, strict=True)
    ]
    starts = _starts(assessment, rows, state, found, recorded, known)
    return Begun(
        rows, state, checked, looked.unanswered, found, without, ends, recorded, known, failed, starts
    )


def cases_of(assessment: Assessment, work: Begun, *, block: Block, risk: float) -> list[Case]:
    """Leads of some rows of a plan.

    Parameters
    ----------
    assessment, block, risk
        As of `begun`.
    work : Begun
        From there.

    Returns
    -------
    list of Case
        One a row.

    Raises
    ------
    TooFewBlocksError
        If all blocks together are too light; it names what is to be at hand.
    """
    found, ends, known, failed = list(work.found), list(work.ends), list(work.known), list(work.failed)
    for i, starts in work.starts.items():
        one = work.rows[i : i + 1], work.state.take(np.array([i]))
        recorded, unlikely = work.recorded[i], known[i].doubted
        anew = changed_need(assessment, *one, found[i], recorded, unlikely, starts, work.checked[i])
        if anew is not None:
            (found[i], known[i]), failed[i] = anew, True
            ends[i] = quantiles([found[i]], _asked(risk))[0].tolist()
    return [
        _case(assessment, i, work, *row, block=block, risk=risk)
        for i, row in enumerate(zip(found, ends, known, failed, strict=True))
    ]


def _asked(risk: float) -> list[float]:
    return [*QUANTILES, *levels(risk)]


def _recarried(
    assessment: Assessment, rows: IntArray, state: State, needs: Sequence[Marginal],
    recorded: list[LikeKit], checked: Sequence[CheckedDive | None],
) -> list[LikeKit]:  # fmt: skip
    """Histories with what was seen in other kit carried by each diver's own records."""
    others = [other_kits(history) for history in recorded]
    if assessment.foreseen and any(len(one) for one in others):
        every = np.concatenate(others)
        foresee(assessment, every, assessment.state(every), many=1)
    found = list(recorded)
    for i in (i for i, one in enumerate(others) if len(one)):
        about = checked[i]
        known = assessment if about is None else about.before
        found[i] = recarried(known, rows[[i]], state.take(np.array([i])), needs[i], recorded[i])
    return found


def _starts(
    assessment: Assessment, rows: IntArray, state: State, found: Sequence[Marginal],
    recorded: Sequence[LikeKit], known: Sequence[LikeKit],
) -> dict[int, list[int]]:  # fmt: skip
    """Where something may have changed, by row; what was known before is found for all rows at once."""
    starts, own, before = {}, [], []
    for i, (need, history, after) in enumerate(zip(found, recorded, known, strict=True)):
        sights = history.near
        if (sights.more | sights.sank).any() or len(after.doubted):
            away = far(assessment, int(rows[i]), sights)
            starts[i] = change_starts(need, history, after.doubted, away)
            for first in starts[i]:
                if away[sights.place == first].any():
                    own.append(own_row(sights, first))
                    before.append(first - 1)
    if assessment.foreseen and any(starts.values()):
        # Of a long plan the compiled way is at hand already.
        at = np.repeat(list(starts), [len(one) for one in starts.values()])
        until = np.concatenate([one for one in starts.values() if one]) - 1
        foresee(assessment, rows[at], state.take(at), until=until, many=1)
        if own:
            there = np.array(own + own)
            ends = np.array(before + [ALL_TIME] * len(own))
            foresee(assessment, there, assessment.state(there), until=ends, many=1)
    return starts


def _case(
    assessment: Assessment, i: int, work: Begun, need: Marginal, ends: list[float], history: LikeKit,
    failed: bool, *, block: Block, risk: float,
) -> Case:  # fmt: skip
    """Lead of row *i*; `ends` are `QUANTILES`, then those of the rule."""
    theta, own_ends = assessment.fit.theta, ends[len(QUANTILES) :]
    position, checked = int(work.rows[i]), work.checked[i]
    alike = checked is not None and agreed(checked)
    looked = checked is not None and alike and _after_all(checked, work.recorded[i].sights, history.failed)
    today = checked is not None and checked.own_day
    mass = float(assessment.rigs.body.mass[position])
    # A step on the way may find too few blocks for less than what the answer comes to, which is to be named.
    ready = block.endless
    choice = chosen(
        own_ends,
        history,
        block=ready,
        mass=mass,
        theta=theta,
        failed=failed,
        confirmed=alike,
        free=alike and today,
        looked=looked,
    )
    remarks: tuple[str, ...] = ()
    if choice.held and checked is not None and not today and (alike or checked.near_reserve):
        enough = mass_text(choice.bring, imperial=block.imperial)
        remarks = (
            f"By the last check{_elsewhere(checked)} {enough} is enough, and so large a step down waits for "
            "a check on the day of the dive: look before this one, and go by that",
        )
    # What a step is held back by is no change of mind. A night answers nothing that a look has asked, though
    # what stops have proven or shown since does; nor must a look that nothing bears out make the diver known.
    doubt = checked is not None and again(checked, choice.bring, share=step_share(mass))
    if not today:
        since = checked is not None and checked.since
        open_still = doubt or (work.unanswered[i] and history.known)
        doubt = bool(open_still and not since and not len(history.enough))
    if doubt:
        odd = checked is not None and doubtful(checked)
        without = float(work.without[i].quantile([1 - risk])[0]) if odd else np.nan
        choice = doubted(choice, own_ends, history, block=ready, mass=mass, theta=theta, without=without)
    try:
        block.require(max(choice.lead, choice.bring))
    except TooFewBlocksError as fault:
        who = assessment.line.plan["diver"][assessment.line.row[position]]
        raise TooFewBlocksError(f"{who}: {fault}", lead=fault.lead, most=fault.most) from None
    kept = (*ends[: len(QUANTILES)], ends[len(QUANTILES) + ENOUGH])
    return Case(position, need, kept, history, *choice, doubt, today, checked is not None, remarks)


def _after_all(checked: CheckedDive, sights: Sights, failed: Sights) -> bool:
    """Whether all looks that a dive goes by came after all stops that failed; there are looks."""
    looks = sights.time[checked.is_look(sights.row)]
    return bool(len(looks) and looks.min() > failed.time.max(initial=-1))


def _elsewhere(checked: CheckedDive) -> str:
    """Where the looks were made that a dive goes by, if not in its water or not with its type of cylinder."""
    rows, o = checked.evidence.statements.row[checked.looks], checked.line.occasions
    salinity, types = usual_salinity(o.water, o.salinity), checked.cylinder_types
    other = [
        name
        for name, apart in (
            ("in other water", np.abs(salinity[rows] - salinity[checked.position]) > LIKE_WATER),
            ("with another type of cylinder", types[rows] != types[checked.position]),
        )
        if apart.all()
    ]
    return f", made {' and '.join(other)}," if other else ""
