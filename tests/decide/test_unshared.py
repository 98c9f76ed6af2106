"""What is not known of a dive's kit and water widens its band, whatever the diver's own records say.

Kind of expected values: independent, by hand from the ledger's doubts; a water that nobody named lies between
fresh and sea water, whose needs are some 2.3 kg apart for a body and kit of 90 L (Archimedes).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from leadline.decide.advice import advise
from leadline.decide.ahead import foresee
from leadline.decide.assessment import Assessment, seen_ends, unshared_sd
from leadline.model.population import Fit
from leadline.timeline import PLAN

from . import club


def answer(plan, **changed):
    return advise(club.assess([club.plan_row("Ines", **plan)], **changed))[0]


def dives_of_ines(**changed):
    return [row | changed for row in club.dives() if row["diver"] == "Ines"]


@pytest.mark.parametrize("column", ["water", "cylinder"])
def test_what_the_plan_does_not_name_widens_the_band(column) -> None:
    known, unknown = answer({}), answer({column: ""})
    grown = np.sqrt(unknown.need_sd_kg**2 - known.need_sd_kg**2)
    doubt = np.sqrt(unknown.prior_sd_kg**2 - known.prior_sd_kg**2)
    assert grown > 0.5
    assert grown == pytest.approx(doubt, rel=0.35)
    assert any("not named" in c or "No cylinder named" in c for c in unknown.cautions)
    assert not any("First dive with this type" in c for c in unknown.cautions)


@pytest.mark.parametrize("column", ["water", "cylinder"])
def test_what_no_record_named_widens_the_band_once_it_is_named(column) -> None:
    rows = dives_of_ines(**{column: ""})
    named = answer({}, dives=rows, checks=[])
    always = answer({column: ""}, dives=rows, checks=[])
    # The cylinder or water that is never named may be the same each time: nothing is added then.
    assert named.need_sd_kg > always.need_sd_kg + 0.2
    assert named.need_sd_kg > answer({}, dives=dives_of_ines(), checks=[]).need_sd_kg + 0.2


def test_one_record_that_names_it_is_enough() -> None:
    rows = dives_of_ines(water="")
    one_named = [*rows[:-1], rows[-1] | {"water": "salt"}]
    none, one = (answer({}, dives=held, checks=[]).need_sd_kg for held in (rows, one_named))
    assert one < none


def test_asked_all_at_once_it_is_the_same() -> None:
    plan = [club.plan_row("Ines", dive=str(i), water=("", "salt")[i % 2]) for i in range(4)]
    one, many = club.assess(plan), club.assess(plan)
    rows = one.line.at(PLAN)
    state = one.state(rows)
    foresee(many, rows, state, many=1)
    assert many.foreseen
    for a, b in zip(one.marginals(rows, state), many.marginals(rows, state), strict=True):
        assert (a.mean, a.sd) == pytest.approx((b.mean, b.sd), abs=2e-3)


def test_doubt_is_counted_once_and_small_ones_are_scatter() -> None:
    """By hand: 1.5² - 0.9² with a dead zone of 0.35²; none without records, and none below it."""
    assessment: Assessment = club.assess([club.plan_row("Zed", water="")])
    _, shared = assessment.prior(assessment.line.at(PLAN), assessment.state(assessment.line.at(PLAN)))
    here = float((shared.body_sd**2 + shared.rest_sd**2)[0])
    assert unshared_sd(shared.body_sd, shared.rest_sd, *seen_ends(np.zeros(0))) == 0.0
    assert unshared_sd(shared.body_sd, shared.rest_sd, here, here) == 0.0
    assert unshared_sd(shared.body_sd, shared.rest_sd, here - 0.1, here - 0.1) == 0.0
    assert unshared_sd(shared.body_sd, shared.rest_sd, here - 0.8, here - 0.8)[0] == pytest.approx(
        np.sqrt(0.8 - 0.35**2)
    )
    assert unshared_sd(shared.body_sd, shared.rest_sd, here + 2.0, here + 0.8)[0] == pytest.approx(
        np.sqrt(0.8 - 0.35**2)
    )


def test_a_need_is_the_same_whatever_is_asked_along_with_it() -> None:
    for diver in ("Ines", "Zed"):
        plan = [
            club.plan_row(diver, dive="a", water=""),
            club.plan_row(diver, dive="b"),
            club.plan_row(diver, dive="c", cylinder=""),
        ]
        together = advise(club.assess(plan))
        turned = advise(club.assess(plan[::-1]))[::-1]
        for row, whole, other in zip(plan, together, turned, strict=True):
            (alone,) = advise(club.assess([row]))
            for found in (whole, other):
                assert found.need_mean_kg == pytest.approx(alone.need_mean_kg, abs=0.01)
                assert found.need_sd_kg == pytest.approx(alone.need_sd_kg, rel=0.01)


def test_without_records_no_need_bears_on_another_whatever_was_learned_of_bodies_and_time() -> None:
    """Independent: each row asked by itself; one by one, and all at once ahead of being asked."""
    fit = club.learned()
    theta = replace(fit.theta, body_factor=0.4, diver_sd=0.3, drift=1.0)
    narrow = Fit(fit.names, fit.mean, fit.precision, theta, fit.theta_sd)
    plan = [
        club.plan_row("Zed", dive="a", water=""),
        club.plan_row("Zed", dive="b"),
        club.plan_row("Zed", dive="c", date="2027-05-20", cylinder=""),
    ]

    def needs(rows, *, ahead: bool = False):
        assessment = club.assess(rows, fit=narrow)
        at = assessment.line.at(PLAN)
        state = assessment.state(at)
        if ahead:
            foresee(assessment, at, state, many=1)
            assert assessment.foreseen
        return [(need.mean, need.sd) for need in assessment.marginals(at, state)]

    alone = [needs([row])[0] for row in plan]
    assert needs(plan) == [pytest.approx(one, abs=1e-6) for one in alone]
    assert needs(plan, ahead=True) == [pytest.approx(one, abs=2e-3) for one in alone]
