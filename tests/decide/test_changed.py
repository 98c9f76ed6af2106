"""Sights that fail with more lead than the records before call for: the band holds both slip and change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from leadline.decide.advice import advise
from leadline.decide.ahead import foresee
from leadline.decide.block import Block
from leadline.decide.changed import There, mixed
from leadline.decide.history import like_kit
from leadline.decide.look import STOP_JUDGEMENT
from leadline.model.marginal import Marginal
from leadline.model.population import prior_fit
from leadline.timeline import PLAN

from .club import NEED, assess, dives, plain_sights, plan_row

THETA = replace(prior_fit().theta, wrong=0.02)
SCATTER = 0.45
SD = float(np.hypot(SCATTER, STOP_JUDGEMENT))
ROSE, HELD, WITH_GAS = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 1.0, 1.0)


def normal(mean: float, sd: float) -> Marginal:
    points = np.linspace(mean - 6 * sd, mean + 6 * sd, 801)
    weights = norm.pdf(points, mean, sd)
    return Marginal(points, weights / weights.sum(), SCATTER)


def told(x: float, leads, fits) -> float:
    """Independent: chance of all records at an expected need, dive by dive."""
    noted = (1 - 1.5 * THETA.wrong) * np.eye(3) + THETA.wrong / 2
    found = 1.0
    for lead, fit in zip(leads, fits, strict=True):
        rises = norm.sf((lead + THETA.breath_out - x) / SD)
        sinks = norm.cdf((lead - THETA.breath_in - x) / SD)
        found *= float(np.array([rises, 1 - rises - sinks, sinks]) @ noted @ np.array(fit))
    return found


@pytest.mark.parametrize(
    ("leads", "fits"),
    [
        ([5.0], [ROSE]),
        ([5.0, 5.0], [ROSE, ROSE]),
        ([4.0, 7.0], [ROSE, HELD]),
        ([9.0] * 3, [ROSE] * 3),
        ([4.0, 4.5, 1.0], [ROSE, ROSE, WITH_GAS]),
    ],
)
def test_slip_and_change_are_weighed_as_bayes_has_it(leads, fits) -> None:
    """Independent: two integrals by adaptive quadrature.

    One day in fifty the records before do not hold, and need is then 3 kg from them: as at a surface check.
    """
    before, sd = 3.0, 0.4
    if_same = quad(lambda x: norm.pdf(x, before, sd) * told(x, leads, fits), -3, 9, epsabs=1e-12)[0]
    wide = float(np.hypot(sd, 3.0))
    if_changed, moved = (
        quad(lambda x, k=k: x**k * norm.pdf(x, before, wide) * told(x, leads, fits), -12, 30, epsabs=1e-12)[0]
        for k in (0, 1)
    )
    share = 0.02 * if_changed / (0.02 * if_changed + 0.98 * if_same)
    need = normal(3.1, 0.3)  # whatever the model makes of all records
    leads = np.array(leads)
    stops = plain_sights(leads, fits, THETA, doubt=STOP_JUDGEMENT**2)
    weighed, found = mixed(need, There(normal(before, sd), need, stops), THETA)
    assert weighed == pytest.approx(share, abs=2e-3)
    assert found.weights.sum() == pytest.approx(1)
    assert (np.diff(found.points) >= 0).all()
    assert found.mean == pytest.approx((1 - share) * 3.1 + share * moved / if_changed, abs=0.01)
    assert np.sum(found.weights[found.points > 5.5]) == pytest.approx(
        share
        * quad(lambda x: norm.pdf(x, before, wide) * told(x, leads, fits), 5.5, 30, epsabs=1e-12)[0]
        / if_changed,
        abs=0.01,
    )


def test_looks_that_a_dive_goes_by_hold_whether_something_changed_or_not() -> None:
    """Independent: the integrals above times the chance of a look, here a normal one around 5.6 kg."""
    before, sd, wide = 3.0, 0.4, float(np.hypot(0.4, 3.0))
    leads, fits = [5.0], [ROSE]

    def both(x: float) -> float:
        return told(x, leads, fits) * float(norm.pdf(x, 5.6, 0.5))

    if_same, if_changed, moved = (
        quad(lambda x, k=k, w=w: x**k * norm.pdf(x, before, w) * both(x), -3, 12, epsabs=1e-13)[0]
        for k, w in ((0, sd), (0, wide), (1, wide))
    )
    share = 0.02 * if_changed / (0.02 * if_changed + 0.98 * if_same)
    stops = plain_sights(np.array(leads), fits, THETA, doubt=STOP_JUDGEMENT**2)
    need = normal(3.1, 0.3)
    weighed, found = mixed(
        need, There(normal(before, sd), need, stops), THETA, lambda x: norm.logpdf(x, 5.6, 0.5)
    )
    assert weighed == pytest.approx(share, abs=2e-3)
    assert found.mean == pytest.approx((1 - share) * 3.1 + share * moved / if_changed, abs=0.01)


def test_hundreds_of_records_are_weighed_as_well() -> None:
    """The chance of them all is too small for a number; what is left of it is not."""
    leads, fits = np.array([5.0, *[7.0] * 400]), [ROSE, *[HELD] * 400]
    need, sights = normal(3.1, 0.3), plain_sights(leads, fits, THETA)
    share, found = mixed(need, There(normal(3.0, 0.4), need, sights), THETA)
    assert share > 0.999
    assert 5.5 < found.mean < 7.5


def after(*seen: tuple[float, str], diver: str = "Ines") -> list[dict]:
    """The club's dives, then others with an empty BC: lead over the true need, result."""
    last = [row for row in dives() if row["diver"] == diver][-1]
    return [
        *dives(),
        *(
            last | {"dive": f"x{i}", "date": f"2026-05-{10 + i}", "lead_kg": NEED[diver] + over,
                    "stop_result": result, "bc_state": "empty"}
            for i, (over, result) in enumerate(seen)
        ),
    ]  # fmt: skip


def answer(*seen: tuple[float, str]):
    (found,) = advise(assess([plan_row("Ines")], dives=after(*seen), checks=[]))
    return found


def test_after_one_such_stop_a_check_comes_first_with_more_than_that() -> None:
    plain, found = answer(), answer((2.0, "rose"))
    assert not plain.check_first
    assert found.check_first
    assert found.lead_kg > NEED["Ines"] + 2.0
    assert found.bring_kg >= found.lead_kg
    # The rest of the records still says most: half of the chance stays where it was.
    assert abs(found.need_q50_kg - plain.need_q50_kg) < 1.0
    assert found.need_q975_kg > plain.need_q975_kg + 2.0
    (said,) = [text for text in found.cautions if text.startswith("Rose at the stop with 6.5 kg")]
    assert "check before the dive" in said


def test_after_several_need_is_where_they_put_it() -> None:
    """However many went before: three slips in a row are rarer than a change."""
    found = answer(*[(2.0, "rose")] * 3)
    assert found.check_first
    assert found.need_q10_kg > NEED["Ines"] + 1.5
    assert found.lead_kg > NEED["Ines"] + 2.0
    assert found.p_too_light > 0.01
    assert not any(text.startswith(("Not believed", "Usually carried")) for text in found.cautions)
    danger = "Danger of an ascent that cannot be held: with the lead carried last, 6.5 kg"
    assert found.cautions[0].startswith(danger)


@pytest.mark.parametrize("number", range(1, 7))
def test_one_more_rise_never_lowers_what_is_at_hand(number) -> None:
    less, more = answer(*[(1.5, "rose")] * (number - 1)), answer(*[(1.5, "rose")] * number)
    assert more.need_mean_kg >= less.need_mean_kg - 0.02
    assert more.lead_kg > NEED["Ines"] + 1.5


@pytest.mark.parametrize("over", [2.5, 3.0, 3.5, 4.0])
def test_a_rise_far_over_the_records_is_not_outvoted_while_it_may_be_true(over) -> None:
    """From one such rise on the answer held it for a slip, and had less at hand than what had failed."""
    found = answer((over, "rose"))
    assert found.check_first
    assert found.lead_kg > NEED["Ines"] + over
    assert found.bring_kg >= found.lead_kg


def test_nobody_begins_a_check_with_what_was_typed_wrong() -> None:
    """Rose with 20 kg, the last dive on record: no change is as large, so a check begins as ever."""
    plain, found = answer(), answer((15.5, "rose"))
    assert found.check_first
    assert found.bring_kg <= plain.bring_kg + 2.0
    assert any("rose with 20 kg" in text for text in found.cautions)
    assert not any("do not go down with so little" in text for text in found.cautions)


def test_a_stop_held_with_as_little_since_answers_it() -> None:
    found = answer((2.0, "rose"), (1.5, "hovered"), (1.5, "hovered"))
    assert not any(text.startswith("Rose at the stop with") for text in found.cautions)
    assert found.lead_kg <= NEED["Ines"] + 2.0


def test_a_stop_held_with_more_does_not() -> None:
    found = answer((2.0, "rose"), (4.0, "hovered"))
    assert found.lead_kg > NEED["Ines"] + 2.0
    assert found.need_q50_kg > answer((2.0, "rose")).need_q50_kg


def test_several_slips_on_the_heavy_side_take_nobody_down_light() -> None:
    """Three times the lead of one side was typed: need would be two kilograms less, so a check says which."""
    found = answer(*[(-2.0, "sank")] * 3)
    assert found.check_first
    assert any(text.startswith("Sank at the stop with 2.5 kg") for text in found.cautions)
    assert found.bring_kg >= NEED["Ines"]  # what was enough before is at hand
    fine = answer(*[(2.5, "sank")] * 3)  # as the records before have it
    assert not any(text.startswith("Sank at the stop with") for text in fine.cautions)


def test_a_body_that_changed_makes_no_slips_of_what_went_before() -> None:
    heavier = [
        row | ({"body_mass_kg": 72} if row["dive"].startswith("x") else {"body_mass_kg": 64})
        for row in after(*[(2.0, "hovered")] * 3)
        if row["diver"] == "Ines"
    ]
    plan = [plan_row("Ines", body_mass_kg=72)]
    (found,) = advise(assess(plan, dives=heavier, checks=[]))
    assert not any(text.startswith("Not believed") for text in found.cautions)


def test_rises_are_fresh_for_three_dives() -> None:
    """A rise that the records explain, and with more lead on ever since, is history."""
    assessment = assess([plan_row("Ines")], dives=after((0.0, "rose"), *[(1.0, "hovered")] * 3), checks=[])
    stops = like_kit(assessment, int(assessment.line.at(PLAN)[0]), 5.0).sights
    rises = stops.fit[:, 0] == 1
    assert stops.rose[rises].tolist() == [True]
    assert stops.late[rises].tolist() == [False]
    assert stops.late.sum() == 3


def test_blocks_are_never_short_of_what_failed() -> None:
    """On one kilogram blocks as well; none of less risk suggests less."""
    assessment = assess([plan_row("Ines")], dives=after(*[(1.7, "rose")] * 2), checks=[])
    leads = [advise(assessment, block=Block(1.0), risk=risk)[0] for risk in (0.3, 0.1, 0.05, 0.01)]
    assert all(one.check_first for one in leads)
    assert all(one.lead_kg > NEED["Ines"] + 1.7 for one in leads)
    assert np.all(np.diff([one.bring_kg for one in leads]) >= 0)
    assert np.all(np.diff([one.lead_kg for one in leads]) >= 0)


def test_a_long_plan_weighs_as_a_single_dive_does() -> None:
    """Independent: compiled and for all at once, against one by one."""
    dived = [row for diver in ("Ines", "Ivo", "Ole") for row in after(*[(2.0, "rose")] * 2, diver=diver)]
    dived = list({(row["diver"], row["dive"]): row for row in dived}.values())
    plan = [plan_row(diver) for diver in ("Ines", "Ivo", "Noa", "Ole")]
    single, many = (assess(plan, dives=dived, checks=[]) for _ in range(2))
    rows = many.line.at(PLAN)
    assert foresee(many, rows, many.state(rows), many=1)
    for one, other in zip(advise(single), advise(many), strict=True):
        assert other.check_first == one.check_first == (one.diver != "Noa")
        assert other.need_mean_kg == pytest.approx(one.need_mean_kg, abs=0.03)
        assert other.need_q90_kg == pytest.approx(one.need_q90_kg, abs=0.05)
