"""The answer for one planned dive, held to the words of the contract."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from leadline.decide.advice import TOO_HEAVY, advise, answers, breath_out
from leadline.decide.block import Block
from leadline.decide.history import like_kit
from leadline.decide.sentence import dangers
from leadline.errors import OutOfRangeError
from leadline.model.population import prior_fit
from leadline.timeline import PLAN
from leadline.units import POUND

from .club import DIVERS, HOSTILE, NEED, assess, dives, plan_row

KNOWN = [diver for diver in NEED if diver != HOSTILE]


def one(assessment, **options):
    answers = advise(assessment, **options)
    assert len(answers) == 1
    return answers[0]


def marginal(assessment):
    rows = assessment.line.at(PLAN)
    return assessment.marginals(rows, assessment.state(rows))[0]


@pytest.mark.parametrize("risk", [0.01, 0.05, 0.3])
@pytest.mark.parametrize("block", [Block(0.5), Block(1.0), Block(POUND, imperial=True)])
@pytest.mark.parametrize("diver", KNOWN)
def test_bring_is_the_lightest_lead_on_the_blocks_within_the_risk(diver, block, risk) -> None:
    """The contract's definition, tried on every block from none upwards."""
    assessment = assess([plan_row(diver)])
    answer = one(assessment, block=block, risk=risk)
    need, enough = marginal(assessment), breath_out(assessment.fit.theta)
    leads = np.arange(0, 40) * block.mass
    first = leads[np.flatnonzero(need.above(leads + enough) <= risk)[0]]
    assert answer.bring_kg == pytest.approx(first, abs=1e-9)


def test_chances_are_those_of_the_words_at_the_lead_given() -> None:
    assessment = assess([plan_row("Ivo")])
    answer, need = one(assessment), marginal(assessment)
    lead = answer.lead_kg
    assert answer.p_too_light == pytest.approx(float(need.above(lead + breath_out(assessment.fit.theta))))
    assert answer.p_too_heavy == pytest.approx(1 - float(need.above(lead - TOO_HEAVY)))
    quantiles = [answer.need_q025_kg, answer.need_q10_kg, answer.need_q50_kg, answer.need_q90_kg]
    assert quantiles == sorted(quantiles)
    assert float(need.above(answer.need_q90_kg)) == pytest.approx(0.1, abs=1e-5)


@pytest.mark.parametrize("row", [plan_row("Uma"), plan_row("Zed"), plan_row("Ines", cylinder="alu 11")])
def test_a_stranger_in_this_kit_is_checked_before_the_dive(row) -> None:
    assessment = assess([row])
    answer, need = one(assessment), marginal(assessment)
    assert answer.check_first
    assert answer.evidence == "none"
    assert answer.lead_kg == pytest.approx(Block().nearest(float(need.quantile(0.7))))
    assert answer.lead_kg <= answer.bring_kg
    assert answer.next_step.startswith("Check at the surface before the dive")


def heavy(diver: str, lead: float) -> tuple[list, list]:
    """Dives at `lead` that only show enough, and surface checks on other days that read a need far below."""
    own = [row | {"lead_kg": lead, "bc_state": "gas"} for row in dives() if row["diver"] == diver]
    seen = [
        {
            **plan_row(diver, date=f"2026-05-{day}"),
            "check": f"x{day}",
            "lead_kg": NEED[diver],
            "bar": 35,
            "waterline": "eye",
        }
        for day in (10, 11, 12, 13)
    ]
    for row in seen:
        del row["dive"]
    return own, seen


@pytest.mark.parametrize(
    ("diver", "step"),
    [("Ines", 1.0), (HOSTILE, 0.5)],
    ids=["64 kg: steps of 1 kg", "41 kg: half of it"],
)
def test_a_step_down_is_held_back_and_says_so(diver, step) -> None:
    own, seen = heavy(diver, 9.0)
    # The records were made at 50 bar and the plan is for the reserve: the lead proven there is carried here.
    own = [row | {"end_bar": 35} for row in own]
    answer = one(assess([plan_row(diver)], dives=own, checks=seen))
    assert not answer.check_first
    assert answer.bring_kg < 9.0 - step
    assert answer.lead_kg == pytest.approx(9.0 - step)
    assert "small steps" in answer.next_step


@pytest.mark.parametrize("bc", ["empty", "gas", ""])
def test_whoever_sank_had_enough(bc) -> None:
    """A stop at which the diver sank proves its lead as one that was held does, whatever the BC."""
    own, seen = heavy("Ines", 9.0)
    own = [row | {"end_bar": 35} for row in own]
    sank = own[-1] | {
        "dive": "sank",
        "date": "2026-05-14",
        "lead_kg": 8.0,
        "stop_result": "sank",
        "bc_state": bc,
    }
    before = one(assess([plan_row("Ines")], dives=own, checks=seen))
    after = one(assess([plan_row("Ines")], dives=[*own, sank], checks=seen))
    assert before.lead_kg == pytest.approx(8.0)
    assert after.lead_kg == pytest.approx(max(7.0, after.bring_kg))


def test_a_step_down_in_pounds_is_two_blocks() -> None:
    own, seen = heavy("Ines", 20 * POUND)
    own = [row | {"end_bar": 35} for row in own]
    assessment = assess([plan_row("Ines")], dives=own, checks=seen)
    answer = one(assessment, block=Block.parse("1lb"), imperial=True)
    assert answer.lead_kg / POUND == pytest.approx(18, abs=1e-6)
    assert "18 lb" in answer.next_step


def test_a_surface_check_of_the_day_lifts_the_step() -> None:
    own, seen = heavy("Ines", 9.0)
    own = [row | {"end_bar": 35} for row in own]
    today = seen[-1] | {"check": "today", "date": "2026-05-20"}
    answer = one(assess([plan_row("Ines")], dives=own, checks=[*seen, today]))
    assert answer.lead_kg == answer.bring_kg
    assert answer.lead_kg < 8.0


def test_negative_need_asks_for_no_lead_and_says_so() -> None:
    row = plan_row("Ines", suit="vest", other="heavy plate", water="fresh")
    answer = one(assess([row]))
    assert answer.need_q50_kg < 0
    assert answer.lead_kg == 0
    assert any(caution.startswith("Already heavy by about") for caution in answer.cautions)
    assert "without lead" in answer.next_step
    assert "0 kg" not in answer.next_step


@pytest.mark.parametrize(
    ("salinity", "begins"), [(0, "Already heavy by"), (8, "Likely already heavy by"), (15, None), (30, None)]
)
def test_overweight_without_lead_is_said_as_surely_as_it_is_known(salinity: int, begins: str | None) -> None:
    """A need of -0.1 kg, give or take one, is no fact: half a kilogram is suggested with it."""
    answer = one(assess([plan_row("Ines", suit="vest", water="", salinity_gkg=salinity)]))
    assert (answer.need_q50_kg < -0.25) == bool(begins)
    assert (answer.need_q90_kg < 0) == (begins == "Already heavy by")
    said = [caution for caution in answer.cautions if "without any lead" in caution and "by about" in caution]
    assert [text.startswith(begins or "-") for text in said] == [True] * bool(begins)


def test_plan_without_gas_at_the_stop_is_refused() -> None:
    row = plan_row("Ines", cylinder="steel 12;stage 7", end_bar="-;-")
    with pytest.raises(OutOfRangeError, match="dive next of Ines: every cylinder is marked -"):
        advise(assess([row]))


def test_cylinder_left_before_the_stop_lifts_nothing_there() -> None:
    """A stage that is not carried at the stop changes nothing there but the breadth of what is known."""
    alone = one(assess([plan_row("Zed")]))
    staged = one(assess([plan_row("Zed", cylinder="steel 12;stage 7", end_bar="35;-")]))
    assert staged.prior_mean_kg == pytest.approx(alone.prior_mean_kg, abs=1e-9)
    assert staged.need_at_bar == 35


def test_nothing_learned_rests_on_the_prior() -> None:
    empty = replace(prior_fit(), diagnostics={})
    answer = one(assess([plan_row("Uma")], fit=empty, dives=[], checks=[]))
    assert answer.dives_used == 0
    assert answer.need_mean_kg == pytest.approx(answer.prior_mean_kg, abs=0.02)
    # Nothing is known of the hyperparameters either: wider than with their medians, but not by much.
    with_medians = np.hypot(answer.prior_sd_kg, np.hypot(empty.theta.scatter, empty.theta.diver_sd))
    assert 1.0 < answer.need_sd_kg / with_medians < 1.2


def test_order_of_the_plan_is_kept() -> None:
    names = ["Zed", "Ines", "Uma", "Ines", HOSTILE]
    answers = advise(assess([plan_row(name) for name in names]))
    assert [answer.diver for answer in answers] == names
    assert answers[1] == answers[3]


def test_under_18_is_named() -> None:
    young = [row | {"birth_year": 2012} if row["diver"] == "Uma" else row for row in DIVERS]
    answer = one(assess([plan_row("Uma")], divers=young))
    assert any(caution.startswith("Under 18") for caution in answer.cautions)
    assert not any("grows" in caution for caution in answer.cautions)


@pytest.mark.parametrize(
    ("mass", "year", "said"), [(30, None, True), (41, None, False), (30, 1990, False), (None, None, False)]
)
def test_so_light_a_diver_of_unknown_age_may_be_under_18(mass, year, said) -> None:
    known = [{"diver": "Zed", "birth_year": year}, *DIVERS[:-1]]
    answer = one(assess([plan_row("Zed", body_mass_kg=mass)], divers=known))
    found = [caution for caution in answer.cautions if caution.startswith("Under 18")]
    assert len(found) == said
    if said:
        assert "perhaps" in found[0]
        assert "note the year of birth" in found[0]
        assert dangers(answer.cautions)


def test_after_a_long_break_a_child_has_grown() -> None:
    # Common practice, no source: children are weighed and measured anew; adults are not asked to.
    young = [row | {"birth_year": 2012} if row["diver"] == "Ines" else row for row in DIVERS]
    later = plan_row("Ines", date="2027-01-01")
    assert any(caution.startswith("A child grows") for caution in one(assess([later], divers=young)).cautions)
    assert not any("grows" in caution for caution in one(assess([later])).cautions)


def test_a_caution_is_one_clause() -> None:
    """Cautions are joined by `; ` in the plan file, so none may hold one."""
    for row in (plan_row("Zed"), plan_row("Uma", water="brackish", date="2027-01-01"), plan_row("Ines")):
        assert all(";" not in caution for caution in one(assess([row])).cautions)


@pytest.mark.parametrize(
    ("bar", "cylinder", "counts"),
    [
        (35, "steel 12", True),
        (120, "steel 12", False),
        ("", "steel 12", False),
        ("35;40", "steel 12;stage 7", False),
    ],
    ids=["near the reserve", "too full", "not read", "in other kit"],
)
def test_check_of_the_day_counts_by_its_own_cylinders(bar, cylinder, counts) -> None:
    """A dive with two cylinders elsewhere in the book makes room for two; an empty place holds no gas."""
    two = plan_row("Ole", dive="two", date="2026-05-02", cylinder="steel 12;stage 7", end_bar="50;50")
    today = plan_row("Ines", check="now", lead_kg=5, waterline="eye", cylinder=cylinder, bar=bar)
    del today["dive"]
    assessment = assess([plan_row("Ines")], dives=[*heavy("Ines", 9.0)[0], two], checks=[today])
    position = int(assessment.line.at(PLAN)[0])
    assert like_kit(assessment, position, 5.0).fresh_check is counts


def test_a_jump_is_checked_and_begins_with_all_of_it() -> None:
    """Over 2 kg up on one observation: a step up is at once, and a check confirms it."""
    own = [
        row | {"lead_kg": 4.5, "end_bar": 35, "bc_state": "empty"}
        for row in dives()
        if row["diver"] == "Ines"
    ]
    last = own[-1] | {"lead_kg": 1.0, "stop_result": "rose"}
    answer = one(assess([plan_row("Ines")], dives=[*own[:-1], last], checks=[]))
    assert answer.check_first
    assert answer.lead_kg == answer.bring_kg > 3.0


@pytest.mark.parametrize("risk", [0, -1, 0.0009, 0.501, 0.9, 1.0, 5, float("nan")])
def test_risk_that_nobody_means_is_refused(risk) -> None:
    for plan in ([plan_row("Ines")], []):
        with pytest.raises(OutOfRangeError, match=r"risk must lie in \[0\.001, 0\.5\], got"):
            advise(assess(plan), risk=risk)


@pytest.mark.parametrize("risk", [0.001, 0.5])
def test_ends_of_the_range_of_risk_belong_to_it(risk) -> None:
    assert one(assess([plan_row("Ines")]), risk=risk).bring_kg >= 0


def test_no_rows_no_answers() -> None:
    assert advise(assess([])) == []


@pytest.mark.parametrize("diver", ["Ines", "Noa", "Uma"])
def test_chance_of_a_late_end_is_that_of_the_lead_with_less_gas(diver) -> None:
    """Independent: the same lead at a stop planned with what is left then."""
    made = assess([plan_row(diver)])
    (answer,) = answers(made)
    (later,) = answers(made, pressure=answer.late_bar, lead=answer.advice.lead_kg)
    assert answer.late_bar == 20
    assert answer.late_p_too_light == pytest.approx(later.advice.p_too_light, abs=0.003)
    assert answer.late_p_too_light > answer.advice.p_too_light
