"""Surface checks that contradict themselves: they tell how often words are misread, and nothing of need."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from leadline.arrays import Records, columns_from_rows
from leadline.decide.assessment import Assessment
from leadline.decide.learning import learn
from leadline.evidence.statement import AT_ODDS
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.occasion import levels
from leadline.model.population import prior_fit
from leadline.physics.odds import CONTRADICTORY
from leadline.records import CHECKS, DIVERS, DIVES, GEAR
from tests.benchmarks.closed_loop import World, followed
from tests.benchmarks.closed_loop_world import GEAR_ROWS, crew, effects
from tests.reference.nature import LAWFUL

LINES = ("chin", "eye", "crown", "under")


def records(*checks):
    diver = {
        "diver": "Ada", "mass_kg": 64, "height_cm": 168, "birth_year": 1991, "sex": "f", "dives_before": 90,
    }  # fmt: skip
    kit = {"suit": "full 5", "cylinder": "alu 11", "water": "salt", "bc": "jacket", "bar": "50", "lead_kg": 6}
    rows = [
        {"check": str(i), "diver": "Ada", "date": "2026-05-01", **kit, **row} for i, row in enumerate(checks)
    ]
    tables = ((DIVERS, [diver]), (GEAR, GEAR_ROWS), (DIVES, []), (CHECKS, rows))
    return Records(*(columns_from_rows(table, each) for table, each in tables))


def evidence(*checks):
    return Assessment.of(records(*checks), prior_fit()).evidence


@pytest.mark.parametrize("pair", CONTRADICTORY)
def test_a_check_at_odds_says_nothing_of_need(pair) -> None:
    line, sinks = pair
    found = evidence({"waterline": line, "exhale_sinks": sinks})
    assert found.statements.kind.tolist() == [AT_ODDS]
    assert not found.observations.seen.any()
    chance = levels(found.observations.fit, found.observations.form, Hyperparameters())
    assert_allclose(chance, chance[0, 0], rtol=1e-12)


def test_the_other_checks_are_read_word_by_word() -> None:
    for line in LINES:
        for sinks in ("yes", "no"):
            if (line, sinks) not in CONTRADICTORY:
                found = evidence({"waterline": line, "exhale_sinks": sinks})
                assert sorted(found.statements.kind.tolist()) == ["exhale", "waterline"]


def chance_of(line, sinks, wrong):
    """Chance of the pair, by the words' own limits and noises, with leads of habit: normal probabilities."""
    need = np.linspace(-9, 8, 3401)
    # What divers carry over their need by habit: 1.2 kg, and its sd (as in tests/reference/nature.py).
    weight = stats.norm.pdf(need, -1.2, 1.2)
    weight /= weight.sum()
    chances = {}
    for word in LINES:
        o = evidence({"waterline": word}).observations
        at = need + o.prior[0]
        # chin is told by what is above its limit; the others by what lies between their limits.
        above, below = (
            stats.norm.sf((each[0] - at) / o.reading_sd[0]) if np.isfinite(each[0]) else float(each[0] < 0)
            for each in (o.upper, o.lower)
        )
        told = above if word == "chin" else below - above
        chances[word] = (1 - wrong) * told + wrong * (1 - told) / 3
    o = evidence({"exhale_sinks": "no"}).observations
    stays = stats.norm.sf((o.upper[0] - need - o.prior[0]) / o.reading_sd[0])
    stays = (1 - wrong) * stays + wrong * (1 - stays)
    assert_allclose(sum(chances.values()), 1.0, atol=0.01)
    return float(weight @ (chances[line] * (stays if sinks == "no" else 1 - stays)))


@pytest.mark.parametrize("pair", CONTRADICTORY)
def test_it_tells_of_misreading_as_its_chance_does(pair) -> None:
    """Independent: the chance of such a check by normal probabilities, few and many words misread."""
    ratios = []
    for wrong in (0.01, 0.03, 0.1):
        o = evidence({"waterline": pair[0], "exhale_sinks": pair[1]}).observations
        told = levels(o.fit, o.form, replace(Hyperparameters(), wrong=wrong))[0, 0]
        ratios.append(told / chance_of(*pair, wrong))
    assert max(ratios) / min(ratios) < 1.35


@pytest.mark.parametrize("wrong", [0.02, 0.05])
def test_the_share_of_wrong_records_is_learned_where_each_dive_has_a_check(wrong) -> None:
    """Independent: divers, dives and what is written of them simulated with real kit, judged by their own
    noises; were checks at odds with themselves left out, the share would come out a fifth to a half of it,
    and scatter 0.51 to 0.54 kg for a true 0.45."""
    nature = replace(LAWFUL, wrong=wrong, reading=1.0, reading_first=1.0)
    shares, scatters = [], []
    for seed in range(3):
        rng = np.random.default_rng([77, seed])
        others = crew(rng, nature, divers=100, dives=8, beta=effects(rng, nature))
        fit = learn(followed(World(others, prior_fit()), "habit")[1], twice=False).fit
        shares.append(fit.theta.wrong)
        scatters.append(fit.theta.scatter)
    assert 0.6 * wrong < np.mean(shares) < 1.7 * wrong
    assert 0.4 < np.mean(scatters) < 0.5


def test_the_share_of_wrong_records_is_learned_where_gas_hides_many_of_them() -> None:
    """Independent: as above, with no check. One in ten is wrong; the prior, one in fifty, holds that down.

    Were a wrong record that looks like a right one counted as one, the share would come out 0.052 and scatter
    0.57 kg for a true 0.45.
    """
    nature = replace(LAWFUL, wrong=0.1, reading=0.0, reading_first=0.0)
    shares, scatters = [], []
    for seed in range(3):
        rng = np.random.default_rng([78, seed])
        others = crew(rng, nature, divers=100, dives=8, beta=effects(rng, nature))
        fit = learn(followed(World(others, prior_fit()), "habit")[1], twice=False).fit
        shares.append(fit.theta.wrong)
        scatters.append(fit.theta.scatter)
    assert 0.065 < np.mean(shares) < 0.13
    assert 0.4 < np.mean(scatters) < 0.53


def test_learn_names_a_check_that_contradicts_itself() -> None:
    rng = np.random.default_rng(5)
    others = crew(rng, LAWFUL, divers=30, dives=6, beta=effects(rng, LAWFUL))
    book = followed(World(others, prior_fit()), "habit")[1]
    row = {
        "check": "odd", "diver": others.people[0]["diver"], "date": "2025-06-01", "suit": "full 5",
        "bc": "jacket", "cylinder": "alu 11", "water": "salt", "bar": "60", "lead_kg": 6.0,
        "waterline": "chin", "exhale_sinks": "yes",
    }  # fmt: skip
    added = columns_from_rows(CHECKS, [row])
    checks = {name: np.concatenate([book.checks[name], added[name]]) for name in book.checks}
    found = learn(replace(book, checks=checks), twice=False)
    odd = [doubt for doubt in found.doubts if doubt.key == "odd"]
    assert [(doubt.kind, round(doubt.probability, 6)) for doubt in odd] == [(AT_ODDS, 1.0)]
    plain = learn(book, twice=False)
    assert found.counts["observations"] == plain.counts["observations"]
