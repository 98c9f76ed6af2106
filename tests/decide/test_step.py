"""The next step: what is allowed, what is chosen, and words that keep a diver safe."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.decide.advice import answers
from leadline.decide.block import Block, BlockSet
from leadline.decide.history import LikeKit
from leadline.decide.look import SurfaceDoubt
from leadline.decide.step import LEAST_SHRINK, Setup, next_act, next_acts, surface_doubts
from leadline.decide.step_sentence import NOTHING_MORE, act_text, next_step
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.model.population import prior_fit
from leadline.physics.ledger import State, evaluate
from leadline.timeline import PLAN
from leadline.units import POUND

from .club import assess, plan_row

THETA = Hyperparameters(scatter=0.4, breath_out=0.5, breath_in=1.2, wrong=0.02)
SURFACE = SurfaceDoubt(eye=1.3, out=0.6, doubt=0.3, litre=1.13, breath_sd=0.35, out_sd=0.25)


def normal(mean: float, sd: float) -> Marginal:
    points = np.linspace(mean - 5 * sd, mean + 5 * sd, 121)
    return Marginal.from_log_density(points, -0.5 * ((points - mean) / sd) ** 2, scatter=0.4)


def known(**changed) -> LikeKit:
    """A diver who has looked with an empty BC before."""
    none = np.zeros(0)
    facts = {
        "known": True,
        "enough": np.array([7.0]),
        "light": none,
        "carried": np.array([7.0]),
        "light_signs": 0,
        "heavy_signs": 0,
        "fresh_check": False,
        "upper": True,
        "lower": True,
        "point": False,
        "dives_used": 5,
        "last_dive": np.datetime64("2026-05-01", "s"),
        "last_row": 0,
        "suit_worn": True,
        "water_seen": True,
        "cylinder_used": True,
        "bc_worn": True,
    }
    return LikeKit(**(facts | changed))


def setup(**changed) -> Setup:
    facts = {
        "lead": 7.0,
        "check": False,
        "risk": 0.05,
        "breath_out": 0.5,
        "less": 6.5,
        "imperial": False,
        "mass": 70.0,
        "loose": np.nan,
    }
    return Setup(**(facts | changed))


def step(need: Marginal, *, history: LikeKit | None = None, **changed):
    return next_act(need, setup(**changed), history=history or known(), surface=SURFACE, theta=THETA)


def by_name(found):
    return {(act.name, round(act.mass_kg, 3)): act for act in found.acts}


def test_what_is_known_needs_no_act() -> None:
    found = step(normal(6.7, 0.15))
    assert found.chosen is None
    assert max(act.shrink_kg for act in found.acts) < LEAST_SHRINK


def test_small_gains_add_up() -> None:
    """Pinned: a tenth of a kilogram or less a dive is still asked for, half of that no more."""
    found = step(normal(6.0, 0.35))
    assert found.chosen is not None
    assert 0.05 <= found.chosen.shrink_kg < 0.1
    assert step(normal(6.7, 0.25)).chosen is None


def test_what_is_not_known_is_looked_at() -> None:
    found = step(normal(5.5, 1.0), history=known(upper=True, lower=False))
    assert found.chosen is not None
    assert found.chosen.name in ("look", "surface_check")
    assert found.chosen.information == max(act.information for act in found.acts if act.allowed)
    assert all(not act.allowed for act in found.acts if act.name == "hand_off")


def test_steps_of_many_are_those_of_one_after_the_other() -> None:
    """Whoever stands beside: checks and others, grids of all lengths, light bodies, pounds, other leads."""
    rng = np.random.default_rng(11)
    needs, setups, histories, surfaces = [], [], [], []
    for i in range(60):
        mean, sd = rng.uniform(3, 8), rng.uniform(0.2, 2)
        points = np.linspace(mean - 5 * sd, mean + 5 * sd, 41 + 20 * (i % 3))
        logs = -0.5 * ((points - mean) / sd) ** 2
        needs.append(Marginal.from_log_density(points, logs, scatter=rng.uniform(0.3, 0.5)))
        lead = float(rng.uniform(0, 9))
        setups.append(
            setup(
                lead=lead, less=max(lead - 0.5, 0.0), check=i % 4 == 0, imperial=i % 5 == 0,
                mass=(40.0, 80.0)[i % 2], loose=(np.nan, 0.5, 2.0)[i % 3],
            )
        )  # fmt: skip
        histories.append(known(light_signs=int(i % 7 == 0), lower=i % 3 > 0))
        surfaces.append(replace(SURFACE, eye=float(rng.uniform(0.5, 2)), doubt=float(rng.uniform(0, 1))))
    together = next_acts(needs, setups, histories=histories, surfaces=surfaces, theta=THETA)
    alone = [
        next_act(need, one, history=history, surface=surface, theta=THETA)
        for need, one, history, surface in zip(needs, setups, histories, surfaces, strict=True)
    ]
    kinds = {None if one.chosen is None else one.chosen.name for one in together}
    assert len(kinds) >= 4
    for many, one in zip(together, alone, strict=True):
        assert [(a.name, a.mass_kg, a.reason) for a in many.acts] == [
            (a.name, a.mass_kg, a.reason) for a in one.acts
        ]
        for field in ("expected_sd_kg", "shrink_kg", "information", "p_wrong", "p_sinks"):
            pairs = [(getattr(a, field), getattr(b, field)) for a, b in zip(many.acts, one.acts, strict=True)]
            assert_allclose(*np.transpose(pairs), rtol=1e-9, atol=1e-12)
        assert (many.chosen is None) == (one.chosen is None)
        assert many.chosen is None or many.chosen.name == one.chosen.name


@pytest.mark.parametrize(
    ("places", "handed"), [("belt:7", False), ("belt:5;pockets:2", True), ("Belt: 7", False), ("", True)]
)
def test_nothing_is_handed_off_the_belt(places, handed) -> None:
    """Where all lead sits on the belt there is none to hand over."""
    row = plan_row("Ines", lead_places=places)
    acts = [act for act in answers(assess([row]))[0].step.acts if act.name == "hand_off"]
    assert acts
    refused = "no lead but on the belt or in a ditchable pocket"
    assert all((act.reason == refused) != handed for act in acts if act.mass_kg <= 1)


def test_no_dives_have_no_steps() -> None:
    assert next_acts([], [], histories=[], surfaces=[], theta=THETA) == []


def test_a_hand_off_is_the_choice_of_a_diver_who_looked_and_is_likely_heavy() -> None:
    """Sure to be heavy at 7 kg: a look there says nothing new, one at 6 kg parts the band."""
    found = step(normal(5.6, 0.5))
    assert found.chosen is not None
    assert (found.chosen.name, found.chosen.mass_kg) == ("hand_off", 1.0)


@pytest.mark.parametrize(
    ("changed", "history", "reason"),
    [
        ({}, {"light_signs": 1}, "too light before"),
        ({}, {"light_hints": 1}, "rose before in like kit, for want of lead or for gas"),
        ({}, {"lower": False}, "an empty BC at the stop comes first"),
        ({"loose": 0.0}, {}, "no lead but on the belt or in a ditchable pocket"),
        ({"lead": 0.0, "less": 0.0}, {}, "not that much lead on"),
    ],
)
def test_no_hand_off_without_its_conditions(changed, history, reason) -> None:
    acts = by_name(step(normal(5.6, 0.5), history=known(**history), **changed))
    for mass in (0.5, 1.0):
        assert acts["hand_off", mass].reason.startswith(reason)


def test_no_hand_off_where_the_diver_may_rise() -> None:
    acts = by_name(step(normal(6.6, 0.5)))
    assert acts["hand_off", 0.5].allowed
    assert acts["hand_off", 1.0].reason == "too likely to rise"
    assert acts["hand_off", 1.0].p_wrong > 0.2


@pytest.mark.parametrize(
    ("never", "left"), [(np.nan, {0.5, 1.0}), (5.5, {0.5, 1.0}), (6.0, {0.5}), (6.45, set()), (6.5, set())]
)
def test_nothing_is_handed_off_down_to_a_lead_that_the_answer_forbids(never, left) -> None:
    """By hand: of 7 kg a hand-off of 0.5 leaves 6.5, one of 1 kg 6.0; a tenth of a kilogram is as little."""
    found = step(normal(5.6, 0.5), never=never)
    acts = by_name(found)
    assert {mass for mass in (0.5, 1.0) if acts["hand_off", mass].allowed} == left
    refused = {act.reason for act in found.acts if act.name == "hand_off" and not act.allowed}
    assert refused <= {"never with so little"}
    assert found.chosen is not None
    assert found.chosen.information == max(act.information for act in found.acts if act.allowed)


def test_nothing_is_left_out_down_to_a_lead_that_the_answer_forbids() -> None:
    acts = by_name(step(normal(5.0, 0.5), never=6.5))
    assert acts["carry_less", 0.5].reason == "never with so little"
    assert by_name(step(normal(5.0, 0.5), never=6.0))["carry_less", 0.5].allowed


@pytest.mark.parametrize(("risk", "last"), [(0.05, 7.0), (0.1, 5.0), (0.1, 6.0), (0.1, 7.0)])
def test_no_act_goes_down_to_what_the_danger_of_the_same_answer_names(risk, last) -> None:
    """That stop fails on more than one dive in five with the lead carried last, and with the lead advised on
    some too: the hand-off alone is less than four times the accepted risk, and was allowed for that."""
    seen = {"stop_result": "hovered", "bc_state": "empty", "end_bar": 60}
    rows = [
        plan_row("Ines", dive=f"x{day}", date=f"2026-05-0{day}", lead_kg=lead, **seen)
        for day, lead in ((1, last + 0.5), (2, last))
    ]
    (answer,) = answers(assess([plan_row("Ines")], dives=rows, checks=[], fit=prior_fit()), risk=risk)
    lead, said = answer.advice.lead_kg, answer.advice.cautions[0]
    assert said.startswith("Danger")
    assert f"with the lead carried last, {last:g} kg," in said
    handed = [act for act in answer.step.acts if act.name == "hand_off" and lead - act.mass_kg <= last]
    assert any(act.p_wrong <= min(4 * risk, 0.25) for act in handed)  # its own risk would be accepted
    assert {act.reason for act in handed} == {"never with so little"}
    for act in answer.step.acts:
        assert not act.allowed or lead - act.mass_kg > last


def test_loose_lead_bounds_what_is_handed_off() -> None:
    acts = by_name(step(normal(5.6, 0.5), loose=0.5))
    assert acts["hand_off", 0.5].allowed
    assert not acts["hand_off", 1.0].allowed


def test_light_bodies_and_pounds_have_their_own_steps() -> None:
    assert ("hand_off", 1.0) not in by_name(step(normal(5.6, 0.5), mass=44.0))
    acts = by_name(step(normal(5.6, 0.5), imperial=True))
    assert {key for key in acts if key[0] == "hand_off"} == {
        ("hand_off", round(POUND, 3)),
        ("hand_off", round(2 * POUND, 3)),
    }


def test_carrying_less_stays_within_the_accepted_risk() -> None:
    acts = by_name(step(normal(6.6, 0.5)))
    assert acts["carry_less", 0.5].reason == "beyond the accepted risk"
    assert by_name(step(normal(5.0, 0.5)))["carry_less", 0.5].allowed


def test_chances_of_going_wrong_are_those_of_the_need() -> None:
    need = normal(6.4, 0.6)
    acts = by_name(step(need))
    rises = float(need.above(7.0 + 0.5))
    assert acts["look", 0.0].p_wrong == pytest.approx(rises)
    assert acts["look", 0.0].p_sinks == pytest.approx(1 - float(need.above(7.0 - 1.2)))
    assert acts["hand_off", 1.0].p_wrong == pytest.approx(float(need.above(6.5)) - rises)
    assert acts["surface_check", 0.0].p_wrong == 0


def test_before_a_check_nothing_else_is_weighed() -> None:
    found = step(normal(5.5, 1.5), check=True)
    assert [act.name for act in found.acts] == ["check_first"]
    assert found.chosen is not None


def test_surface_check_is_related_to_the_stop_by_the_ledger() -> None:
    """By hand: without foam, a normal breath of 0.65 L above the middle lifts and 1.7 L of head do not:
    1.13 kg of lead a litre; published: the lungs of Quanjer et al. 1993 are in the ledger's own tests."""
    assessment = assess([plan_row("Ines", suit="", salinity_gkg=35, water_temp_c=20)], checks=[], dives=[])
    rows = assessment.line.at(PLAN)
    found = surface_doubts(assessment, rows, assessment.state(rows))[0]
    assert found.litre == pytest.approx(1.0247 / (1 - 1.0247 / 11.34), rel=1e-3)
    assert found.eye == pytest.approx(found.litre * (0.65 - 1.7), abs=0.05)
    rigs = assessment.rigs.take(rows)
    stop = evaluate(rigs, assessment.state(rows)).need
    low = State(0.0, np.where(rigs.present, 35.0, 0.0), rigs.carried, breath=-0.5)
    assert found.out == pytest.approx(float((evaluate(rigs, low).need - stop)[0]), abs=0.35)
    suited = assess([plan_row("Ines", salinity_gkg=35)], checks=[], dives=[])
    rows = suited.line.at(PLAN)
    assert surface_doubts(suited, rows, suited.state(rows))[0].doubt > found.doubt


SAFE = {
    "look": ("near bottom", "line", "leader in reach", "without holding the breath"),
    "hand_off": (
        "never at its start",
        "line or bar",
        "not from the belt or a ditchable pocket",
        "take it back",
    ),
    "surface_check": ("planned to be left in the cylinder and no less", "held only there"),
    "carry_less": ("Next time",),
}


@pytest.mark.parametrize("name", SAFE)
def test_words_carry_the_conditions_of_safety(name) -> None:
    """Common practice, no source."""
    act = next(act for act in step(normal(5.6, 0.5)).acts if act.name == name)
    text = act_text(act)
    for words in SAFE[name]:
        assert words in text
    assert " lb" in act_text(act, imperial=True) or not act.mass_kg
    assert " kg" not in act_text(act, imperial=True)
    assert ("vent the suit" in act_text(act, dry=True)) == (name in ("look", "hand_off"))


@pytest.mark.parametrize(
    ("block", "handed"),
    [
        (Block(0.5), {0.5, 1.0}),
        (Block(1.0), {1.0}),
        (Block(2.0), set()),
        (BlockSet.parse("2kg:3,0.5kg:1"), {0.5}),
        (BlockSet.parse("1kg:1,0.5kg:2"), {0.5, 1.0}),
    ],
)
def test_only_what_there_are_blocks_for_is_handed_off(block, handed) -> None:
    acts = step(normal(5.6, 0.5), block=block).acts
    assert {act.mass_kg for act in acts if act.name == "hand_off" and act.allowed} == handed
    why = {act.reason for act in acts if act.name == "hand_off" and act.mass_kg not in handed}
    assert why <= {"no blocks that make that mass"}


def test_sentence_says_what_is_held_back_and_what_to_look_at() -> None:
    chosen = step(normal(5.6, 0.5)).chosen
    held = next_step(7.0, 6.0, check=False, held=True, chosen=chosen)
    assert held.startswith("The records point lower, to 6 kg, but go down in small steps: dive 7 kg")
    assert "hand 1 kg to your buddy" in held
    assert "narrow the band by about" in held
    assert chosen is not None
    assert f"; on about {round(100 * chosen.p_wrong)} dives in 100 the diver goes up." in held
    rare = next_step(7.0, 7.0, check=False, held=False, chosen=replace(chosen, p_wrong=0.004))
    assert rare.endswith("; on fewer than 1 dive in 100 the diver goes up.")
    afloat = next_step(7.0, 7.0, check=False, held=False, chosen=replace(chosen, p_wrong=0.0))
    assert "goes up" not in afloat
    assert next_step(7.0, 7.0, check=False, held=False, chosen=None) == NOTHING_MORE
    check = next_step(0.0, 2.0, check=True, held=False, chosen=None)
    assert "begin without lead" in check
    assert "have 2 kg at hand" in check


@pytest.mark.parametrize("diver", ["Ines", "Ivo", "Uma"])
def test_no_act_of_an_answer_asks_for_less_than_the_reserve(diver) -> None:
    """Every act is weighed at the planned pressure, and none is worth more with less gas."""
    found = answers(assess([plan_row(diver)]))[0]
    for act in found.step.acts:
        assert 0 <= act.p_wrong <= 1
        assert act.expected_sd_kg <= found.need.sd + 1e-9
    for text in (
        found.advice.next_step,
        *(act_text(act) for act in found.step.acts if act.name != "check_first"),
    ):
        assert not re.search(r"\d (bar|psi)", text)
