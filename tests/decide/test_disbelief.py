"""Sights that an answer does not believe, against exact chances and what `learn` names."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.stats import norm

from leadline.decide.advice import advise, answers
from leadline.decide.disbelief import believed, wrong_sights
from leadline.decide.history import like_kit
from leadline.decide.learning import learn
from leadline.decide.season import season
from leadline.decide.sight import sights, taught
from leadline.model.marginal import Marginal
from leadline.model.population import prior_fit
from leadline.timeline import PLAN

from .club import NEED, assess, dives, plain_sights, plan_row, records

THETA = replace(prior_fit().theta, wrong=0.03)
SCATTER = 0.45
ZONES = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 1, 1]], float)


def shown(x, lead, fit):
    """Independent: chance that a stop shows what is written, at each expected need."""
    rises = norm.sf(lead + THETA.breath_out, x, SCATTER)
    sinks = norm.cdf(lead - THETA.breath_in, x, SCATTER)
    return fit[0] * rises + fit[1] * (1 - rises - sinks) + fit[2] * sinks


def exact(prior, leads, fits):
    """Independent: posterior of need on a fine grid, and the chance that each record is untrue.

    Whoever notes wrongly names one of the two other zones, and the record then fits that zone or does not.
    """
    x = np.linspace(prior[0] - 6 * prior[1], prior[0] + 6 * prior[1], 2001)
    true, untrue = np.zeros((2, len(leads), len(x)))
    for i, (lead, fit) in enumerate(zip(leads, fits, strict=True)):
        chance = [shown(x, lead, zone) for zone in np.eye(3)]
        for was, named in product(range(3), range(3)):
            noted = 1 - THETA.wrong if was == named else THETA.wrong / 2
            (true if fit[was] else untrue)[i] += chance[was] * noted * fit[named]
    likelihood = true + untrue
    weight = norm.pdf(x, *prior) * likelihood.prod(axis=0)
    weight /= weight.sum()
    return Marginal(x, weight, SCATTER), (weight * untrue / likelihood).sum(axis=1)


def stops(leads, fits):
    leads = np.asarray(leads, float)
    return plain_sights(leads, fits, THETA)


def test_just_those_are_named_that_are_likelier_wrong_than_right() -> None:
    """Three hundred divers with one to eight stops, one in five of them random nonsense."""
    rng, named = np.random.default_rng(11), 0
    for _ in range(300):
        truth, count = rng.normal(6, 1.5), rng.integers(1, 9)
        leads = np.round(2 * (truth + rng.normal(1, 1.5, count))) / 2
        need = truth + SCATTER * rng.normal(size=count)
        zone = (need < leads + THETA.breath_out).astype(int) + (need < leads - THETA.breath_in)
        zone = np.where(rng.random(count) < 0.2, rng.integers(0, 3, count), zone)
        # What is heavy or right may also be written as a stop held with gas in the BC.
        fits = ZONES[np.where((zone > 0) & (rng.random(count) < 0.4), 3, zone)]
        marginal, chance = exact((6.0, 1.5), leads, fits)
        (wrong,) = wrong_sights([marginal], [stops(leads, fits)], THETA)
        np.testing.assert_array_equal(wrong, chance > 0.5)
        named += wrong.sum()
    assert named > 50


@pytest.mark.parametrize("answers", [3, 4, 2], ids=["stop", "waterline", "sinking"])
@pytest.mark.parametrize("fit", ZONES)
def test_a_single_record_is_doubted_just_where_it_cannot_be(fit, answers) -> None:
    """All leads from far too light to far too heavy for a need that is known well."""
    known = Marginal(np.array([6.0]), np.array([1.0]), SCATTER)
    right, slip = 1 - THETA.wrong, THETA.wrong / (answers - 1)
    if answers == 3 and fit.sum() == 2:
        # Neutral or heavy: of a light diver both wrong results, of a neutral one a wrong one is true.
        right, slip = right + THETA.wrong / 2, THETA.wrong
    for lead in np.arange(0.0, 14.0, 0.05):
        sights = stops([lead], [fit])
        if answers != 3:
            sights = replace(sights, slip=np.array([1 / (answers - 1)]), dive=np.array([False]))
        (wrong,) = wrong_sights([known], [sights], THETA)
        p = float(shown(6.0, lead, fit))
        assert wrong[0] == (slip * (1 - p) > right * p)


def typed(diver: str, number: int, **changed):
    """The club's dives with one of them typed wrong."""
    own = dives()
    place = [i for i, row in enumerate(own) if row["diver"] == diver][number]
    own[place] = own[place] | changed
    return own


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"lead_kg": 15.5, "bc_state": "empty"}, "hovered with 15.5 kg"),
        ({"lead_kg": 0.5, "bc_state": "gas"}, "stop held with gas in the BC and 0.5 kg"),
        ({"lead_kg": 15.5, "bc_state": "empty", "stop_result": "rose"}, "rose with 15.5 kg"),
        ({"lead_kg": 0.0, "bc_state": "empty", "stop_result": "sank"}, "sank with 0 kg"),
    ],
)
def test_a_slip_is_named_with_its_dive_and_moves_little(changed, words) -> None:
    plan = [plan_row("Ivo")]
    (plain,) = advise(assess(plan))
    (found,) = advise(assess(plan, dives=typed("Ivo", 3, **changed)))
    (said,) = [text for text in found.cautions if text.startswith("Not believed here")]
    assert f"dive Iv-4 of 2026-05-04 ({words})" in said
    assert ";" not in said
    assert not any("Not believed" in text for text in plain.cautions)
    assert abs(found.need_q50_kg - plain.need_q50_kg) < 0.6
    assert found.lead_kg <= plain.lead_kg + 1.0


def test_a_stop_that_is_not_believed_proves_no_lead() -> None:
    """'Held' with far too little would let the lead go down to one step below that."""
    own = [row for row in dives() if row["diver"] == "Ivo"]
    low = own[0] | {"dive": "low", "lead_kg": 0.5, "bc_state": "gas"}
    assessment = assess([plan_row("Ivo")], dives=[*own, low])
    rows = assessment.line.at(PLAN)
    state = assessment.state(rows)
    (need,) = assessment.marginals(rows, state)
    history = like_kit(assessment, int(rows[0]), float(assessment.prior(rows, state)[0].need[0]))
    (wrong,) = wrong_sights([need], [history.sights], assessment.fit.theta)
    after = believed(history, wrong)
    assert wrong.sum() == 1
    assert len(after.enough) == len(history.enough) - 1
    assert (len(after.carried), len(after.worn)) == (len(history.carried) - 1, len(history.worn) - 1)
    assert 0.5 not in after.worn.tolist()
    assert after.enough.min() > history.enough.min() + 3
    assert after.known
    assert after.light_signs == history.light_signs


def test_what_bounds_need_is_what_is_believed() -> None:
    """Of the lower side there is a slip alone: the records show what was enough, no more."""
    own = [row | {"bc_state": "gas"} for row in dives() if row["diver"] == "Ivo"]
    own[3] |= {"lead_kg": 16.0, "bc_state": "empty"}
    (found,) = advise(assess([plan_row("Ivo")], dives=own, checks=[]))
    assert any("hovered with 16 kg" in text for text in found.cautions)
    assert found.evidence == "upper_only"


def test_a_check_that_is_not_believed_has_not_measured_need() -> None:
    """Fifteen kilograms typed at eye level: it moves no number, and no answer rests on it."""
    slip = {
        **plan_row("Ivo", date="2026-05-20"),
        "check": "typed", "lead_kg": 15.0, "bar": 50, "waterline": "eye", "exhale_sinks": "yes",
    }  # fmt: skip
    own = [row for row in dives() if row["diver"] == "Ivo"]
    plan = [plan_row("Ivo", date="2026-06-10")]
    (plain,) = advise(assess(plan, dives=own, checks=[]))
    (found,) = advise(assess(plan, dives=own, checks=[slip]))
    assert found.evidence == plain.evidence == "two_sided"
    assert any("check typed of 2026-05-20 (water at eye level with 15 kg)" in text for text in found.cautions)
    assert abs(found.need_q50_kg - plain.need_q50_kg) < 0.2


# Kind: by hand, the words of the record. Ivo needs five to six kilograms.
@pytest.mark.parametrize(
    ("seen", "words"),
    [
        ({"lead_kg": 15, "waterline": "eye", "exhale_sinks": "yes"}, "water at eye level with 15 kg"),
        ({"lead_kg": 15, "waterline": "chin"}, "water at the chin with 15 kg"),
        (
            {"lead_kg": 15, "waterline": "crown", "breath": "out"},
            "water at the crown breathed out with 15 kg",
        ),
        ({"lead_kg": 3, "waterline": "under", "breath": "full"}, "under water on a full breath with 3 kg"),
        ({"lead_kg": 3, "exhale_sinks": "yes"}, "sinks on breathing out with 3 kg"),
        ({"lead_kg": 15, "exhale_sinks": "no"}, "stays up breathed out with 15 kg"),
        (
            {"lead_kg": 18, "waterline": "eye", "exhale_sinks": "no"},
            "water at eye level, stays up breathed out, with 18 kg",
        ),
    ],
)
def test_a_check_that_is_not_believed_is_named_in_its_own_words(seen, words) -> None:
    """A check of which breathing out does not fit was told as 'sank', which it does not say."""
    own = [row for row in dives() if row["diver"] == "Ivo"]
    slip = {**plan_row("Ivo", date="2026-05-20"), "check": "typed", "bar": 50, **seen}
    (found,) = advise(assess([plan_row("Ivo", date="2026-06-10")], dives=own, checks=[slip]))
    assert any(f"check typed of 2026-05-20 ({words})" in text for text in found.cautions)


def test_a_diver_whose_only_record_is_not_believed_is_not_known() -> None:
    """Ten kilograms and more from physics, and nothing else on record: a check comes first, and says why."""
    only = [row | {"lead_kg": 22.0, "bc_state": "empty"} for row in dives() if row["dive"] == "Iv-1"]
    (found,) = advise(assess([plan_row("Ivo")], dives=only, checks=[], fit=prior_fit()))
    assert found.check_first
    assert found.evidence == "none"
    assert any("hovered with 22 kg" in text for text in found.cautions)
    assert "Nothing else is known of this diver in this suit and type of cylinder" in found.cautions


def test_answers_name_what_learn_names() -> None:
    """The same four slips in one book: learned from all records at once, and asked one diver at a time."""
    slips = {"Ines": 15.0, "Noa": 16.0, "Ole": 0.5}
    own = dives()
    for i, row in enumerate(own):
        if row["diver"] in slips and row["dive"].endswith("-3"):
            own[i] = row | {"lead_kg": slips[row["diver"]], "bc_state": "empty"}
    held = learn(records(dives=own))
    doubted = {doubt.key for doubt in held.doubts if doubt.table == "dives"}
    found = set()
    for diver in NEED:
        (answer,) = advise(assess([plan_row(diver)], fit=held.fit, dives=own, checks=[]))
        said = [text for text in answer.cautions if text.startswith("Not believed")]
        found |= {row["dive"] for row in own if any(f"dive {row['dive']} of" in text for text in said)}
    assert found == {"In-3", "No-3", "Ol-3"}
    assert found <= doubted


def test_the_season_page_says_so_too() -> None:
    assessment = assess([plan_row("Ivo")], dives=typed("Ivo", 3, lead_kg=15.5, bc_state="empty"))
    data = season(assessment, "Ivo", answers=answers(assessment))
    assert data.suggestion is not None
    assert data.dives.evidence.tolist().count("doubted") == 1
    assert data.dives.evidence[3] == "doubted"
    assert any(text.startswith("Not believed here: dive Iv-4") for text in data.suggestion.cautions)


def test_a_look_that_is_wrong_is_one_of_as_many_others_as_there_are() -> None:
    """A waterline is one of four, a word on sinking one of two, a result at the stop one of three."""
    check = {
        "diver": "Ivo",
        "dive": "Iv-1",
        "lead_kg": 7,
        "bar": "60",
        "waterline": "eye",
        "exhale_sinks": "yes",
    }
    assessment = assess([plan_row("Ivo")], checks=[check | {"check": "c1"}])
    rows = assessment.line.at(PLAN)
    history = like_kit(
        assessment, int(rows[0]), float(assessment.prior(rows, assessment.state(rows))[0].need[0])
    )
    assert {round(float(slip), 3) for slip in history.sights.slip} == {0.5, 0.333, 1.0}


def test_of_a_light_diver_either_wrong_result_is_a_stop_held_with_gas() -> None:
    own = [row | {"bc_state": "gas"} if row["dive"] == "Iv-2" else row for row in dives()]
    assessment = assess([plan_row("Ivo")], dives=own)
    rows = assessment.line.at(PLAN)
    sights = like_kit(
        assessment, int(rows[0]), float(assessment.prior(rows, assessment.state(rows))[0].need[0])
    ).sights
    both = (sights.fit == (0, 1, 1)).all(axis=1)
    assert both.any()
    assert not both.all()
    assert (sights.slip == np.where(both, 1.0, 0.5)).all()
    noted = 1 - THETA.wrong, THETA.wrong / 2
    for shown, expected in ((0.0, 2 * noted[1]), (1.0, sum(noted))):
        found = sights.chance(np.full(len(sights), shown), THETA.wrong)
        assert found[both] == pytest.approx(expected)
        assert found[~both] == pytest.approx(noted[1] if shown == 0 else noted[0])


def test_what_was_learned_stands_between_a_look_and_the_stop() -> None:
    """By the ledger alone a crown was read a kilogram off where checks had taught as much of heads."""
    assessment = assess([plan_row("Ines")])
    o, fit = assessment.evidence.observations, assessment.fit
    seen = np.arange(len(o))
    learned = o.exposure @ fit.aligned(o.names)[0]
    assert np.ptp(learned) > 0.05
    there = sights(assessment, seen).carried(o.prior, learned)
    np.testing.assert_allclose(
        there.above, o.upper + fit.theta.cautious().breath_out * o.upper_breath, atol=1e-9
    )
    rows = assessment.line.at(PLAN)
    state = assessment.state(rows)
    ledger, shared = assessment.prior(rows, state)
    here = like_kit(assessment, int(rows[0]), float(ledger.need[0])).sights
    mine = assessment.evidence.diver == 0
    compared = 0
    for row, above in zip(here.row.tolist(), here.above.tolist(), strict=True):
        (own,) = [np.flatnonzero(mine & (assessment.evidence.statements.row == row))]
        if len(own) == 1 and np.isfinite(above):
            there_above = float(sights(assessment, own).above[0])
            expected = ledger.need[0] + taught(assessment, shared)[0]
            assert above == pytest.approx(there_above + expected, abs=1e-6)
            compared += 1
    assert compared > 5
