"""Under water without any lead: the head by hand, within the risk by simulation, and as `check` has it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from statistics import NormalDist

import numpy as np
import pytest

from leadline.decide.advice import answers
from leadline.decide.assessment import Assessment
from leadline.decide.bare import Look as Under
from leadline.decide.bare import crowd_under, known_under
from leadline.decide.block import Block
from leadline.decide.check import check, check_rows
from leadline.decide.check_look import Look
from leadline.decide.crowd import Crowd
from leadline.decide.look import covered
from leadline.decide.onward import put_on
from leadline.model.marginal import Marginal
from leadline.model.population import prior_fit

from .test_check import LITRE, stranger
from .test_onward import way_of


def test_the_crown_is_covered_by_hand() -> None:
    """Common practice, no source: 0.15 L of the head is out at the crown, none under; half is the limit."""
    assert covered() == pytest.approx(0.075)


def test_the_head_that_is_out_at_eye_level_is_taken_off() -> None:
    """By hand, Archimedes: eye level is a word with 1.8625 L of head out in the middle (`test_onward`), under
    the word for up to 0.075 L: 1.7875 L of sea water between them. A hood is 45 % out at eye level: more."""
    way, hooded = way_of(), way_of(other="hood 5")
    assert (way.more - way.under.most)[0] == pytest.approx(1.7875 * LITRE, rel=0.005)
    assert (hooded.more - hooded.under.most)[0] > (way.more - way.under.most)[0] + 0.05
    assert way.under.alone_sd[0] < way.sd[0]  # eye level reaches further than a mark


def under(most: float, sd: float, apart: float = 0.0, wider: float = 1.0) -> Under:
    return Under(*(np.array([x]) for x in (most, sd, apart, wider)))


@cache
def dives(mean: float, sd: float, most: float):
    """Needs of many dives where the word is under, by the nearest of four; what is known of them, and the sd.

    Need at that word's limit is `most`; breath and judgement 0.5 L. On one day in fifty nothing known holds.
    """
    rng = np.random.default_rng(7)
    need = rng.normal(mean, sd, 1_000_000) + rng.normal(0, 3.0, 1_000_000) * (rng.random(1_000_000) < 0.02)
    out = 0.075 + (need - most) / LITRE + rng.normal(0, 0.5, len(need))
    seen = np.abs(np.subtract.outer([3.9, 1.7, 0.15, 0.0], out)).argmin(axis=0) == 3
    points = np.linspace(-5, 5, 101) * sd * 0.8 + mean
    weights = np.exp(-0.5 * ((points - mean) / (0.8 * sd)) ** 2)
    return need[seen], Marginal(points, weights / weights.sum(), 0.6 * sd), 0.5 * LITRE


@pytest.mark.parametrize("sd", [0.5, 1.0, 2.5])
@pytest.mark.parametrize("beyond", [2.0, 0.5, 0.0, -1.0, -2.0])
@pytest.mark.parametrize("risk", [0.02, 0.05, 0.2])
def test_too_light_is_within_the_risk_wherever_the_word_is_under(sd, beyond, risk) -> None:
    """Independent, by simulation: need from the band, the waterline by the nearest word, no lead on.

    Whatever the bound lies beyond, be it hardly news or what one look in fifty shows.
    """
    need, known, look_sd = dives(0.0, sd, beyond * sd)
    told = under(beyond * sd, look_sd)
    (most,) = known_under([known], told, risk=risk)
    assert (need > most).mean() <= risk + 0.002
    assert (need > most - 0.1).mean() > risk - 0.003
    assert crowd_under(Crowd.of([known] * 3), told, risk=risk) == pytest.approx(most, abs=0.02)


def test_need_under_water_is_that_of_the_density() -> None:
    """Independent, on a fine grid: what is known, one day in fifty 3 kg wider, times the chance of the word.

    Two peaks: what is known is no normal. Others in the same batch change nothing.
    """
    points = np.linspace(-4, 6, 101)
    weights = np.exp(-0.5 * ((points + 1) / 0.7) ** 2) + 0.5 * np.exp(-0.5 * ((points - 3) / 0.5) ** 2)
    need = Marginal(points, weights / weights.sum(), 0.4)
    grid = np.arange(-25, 25, 0.005)

    def density(sd: float) -> np.ndarray:
        return np.exp(-0.5 * ((grid[:, None] - need.points) / sd) ** 2) @ need.weights / sd

    astray = np.hypot(need.sd, 3.0)
    both = 0.98 * density(0.4) + 0.02 * np.exp(-0.5 * ((grid - need.mean) / astray) ** 2) / astray
    both *= [NormalDist(0, 0.6).cdf(1.5 - need) for need in grid]
    by_hand = np.interp(0.95, np.cumsum(both) / both.sum(), grid)
    other = Marginal(points - 3, need.weights, 0.7)
    two = Under(*(np.array(x) for x in ([0.0, 1.5], [0.9, 0.6], [0.0, 0.0], [1.0, 1.0])))
    found = known_under([other, need], two, risk=0.05)
    assert found[1] == pytest.approx(by_hand, abs=0.02)


@pytest.mark.parametrize("beyond", [0.5, -1.0])
@pytest.mark.parametrize(("apart", "wider"), [(0.5, 1.0), (0.5, 1.2), (0.8, 1.1)])
def test_need_at_the_stop_goes_by_what_it_shares_with_need_at_the_surface(beyond, apart, wider) -> None:
    """Independent, by simulation: foam puts apart what is seen at the surface and what is needed at the stop.

    Taken as one need that the look shows as well as it shows the one at the surface, 8 to 22 in 100 were too
    light where 5 were accepted.
    """
    rng = np.random.default_rng(3)
    own, day, look_sd = 0.8, 0.5, 0.55
    shared = ((1 + wider**2) * own**2 - apart**2) / 2
    both = [[own**2, shared], [shared, (wider * own) ** 2]]
    stop, surface = rng.multivariate_normal([0, 0], both, 1_000_000).T
    off = rng.normal(0, 3.0, len(stop)) * (rng.random(len(stop)) < 0.02) + rng.normal(0, day, len(stop))
    seen = surface + off + rng.normal(0, look_sd, len(stop)) < beyond
    points = np.linspace(-5, 5, 101) * own
    weights = np.exp(-0.5 * (points / own) ** 2)
    known, told = Marginal(points, weights / weights.sum(), day), under(beyond, look_sd, apart, wider)
    (most,) = known_under([known], told, risk=0.05)
    assert ((stop + off)[seen] > most).mean() == pytest.approx(0.05, abs=0.006)
    assert crowd_under(Crowd.of([known] * 3), told, risk=0.05) == pytest.approx(most, abs=0.03)


# Under water needs less than eye level by 1.7 L of head or more; the sheet had what is enough at eye level,
# up to 3.5 kg more than `check` says of the same look.
@pytest.mark.parametrize("body", [0, 1, 2])
@pytest.mark.parametrize("bar", ["200", "100"])
@pytest.mark.parametrize(
    ("suit", "cylinder", "water"),
    [
        ("full 5", "steel 10", "salt"),
        ("full 5", "aluminium 11.1", "fresh"),
        ("two_piece 7", "twin 24", "salt"),
        ("", "steel 12", "fresh"),
    ],
)
def test_sheet_and_check_agree_for_whoever_is_under_water_without_lead(
    body, bar, suit, cylinder, water
) -> None:
    """Pinned to each other: `check` takes the look in on a grid with what was known."""
    if cylinder.startswith("twin"):
        cylinder, bar = "steel 12;steel 12", f"{bar};{bar}"
    known, plan = stranger(body=body, bar=bar, suit=suit, cylinder=cylinder, water=water)
    (answer,) = answers(Assessment.of(known, prior_fit(), plan=plan))
    assert answer.after is not None
    if not answer.after.deep:
        assert answer.advice.need_q10_kg > 0
        return
    found = check(known, prior_fit(), plan, [Look(0.0, bar, "under")])
    assert 0 <= answer.after.bare_kg - found.lead_kg <= 0.5
    assert answer.after.bare_kg <= min(answer.after.lead(0.0), answer.advice.bring_kg)


def test_a_look_of_the_day_that_is_known_already_counts_once() -> None:
    """Looks of one day err together: after another of them the next one counts by itself alone."""
    kit = {"suit": "two_piece 7", "cylinder": "steel 12;steel 12", "bar": "200;200"}
    known, plan = stranger(**kit)
    seen = check_rows(plan, [Look(2.0, "200;200", "under")], ["seen"])
    (answer,) = answers(Assessment.of(replace(known, checks=seen), prior_fit(), plan=plan))
    way, need = way_of(**kit), [answer.need]
    alone = put_on(way.under.most[0], way.under.alone_sd[0], block=Block(), risk=0.05, enough=0.5)
    twice = Block().at_least(known_under(need, way.under, risk=0.05)[0] - 0.5)
    assert answer.after is not None
    assert twice < answer.after.bare_kg == alone < answer.advice.bring_kg
