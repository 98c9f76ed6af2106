"""The lead as a hint: learned from simulated rosters, and never a reason to be surer."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from leadline.decide.hint import SHARES, USUAL, USUAL_SD, Case, cautious_chances
from leadline.model.marginal import Marginal

POINTS = np.linspace(-6, 8, 57)


def case(excess, *, read=None, before=(0.0, 1.2), limit=2.0):
    """A student of a first lead `excess` over what was expected; `read`: need and the sd it was seen with."""
    logs = -0.5 * ((POINTS - before[0]) / before[1]) ** 2
    if read is not None:
        logs -= 0.5 * ((POINTS - read[0]) / read[1]) ** 2
    need = Marginal.from_log_density(POINTS, logs, scatter=0.4)
    chance = np.asarray(ndtr((excess - limit - POINTS) / 0.4)) if excess == excess else np.zeros(57)
    return Case(need, *before, excess, chance)


def world(rng, n, *, knowing):
    """Students whose leads follow their own need (`knowing`) or a rule of thumb; all looked at."""
    need = 1.2 * rng.standard_normal(n)
    excess = 1.5 + (need if knowing else 0) + 1.2 * rng.standard_normal(n)
    seen = need + 0.5 * rng.standard_normal(n)
    return need, [case(float(e), read=(float(s), 0.5)) for e, s in zip(excess, seen, strict=True)], excess


@pytest.mark.parametrize("knowing", [True, False])
def test_hint_is_never_a_reason_to_be_surer(knowing) -> None:
    _, cases, _ = world(np.random.default_rng(1), 40, knowing=knowing)
    plain = [float(one.need.weights @ one.chance) for one in cases]
    assert (cautious_chances(cases, usual=1.5) <= np.array(plain) + 1e-12).all()


def test_those_not_looked_at_are_trusted_by_how_leads_of_the_others_were_chosen() -> None:
    """Forty were looked at; the last carries 2 kg more than usual and nobody looked. Where leads follow needs
    that is a hint of a high need, where they follow a rule it says nothing.

    Independent: need and the rest of the lead have the same spread, so half of the 2 kg are need; then need
    is 1 kg with sd 1.2 / sqrt(2), to be below 1.5 kg after a scatter of 0.4.
    """
    found = {}
    for knowing in (True, False):
        _, cases, _ = world(np.random.default_rng(2), 40, knowing=knowing)
        found[knowing] = cautious_chances([*cases, case(3.5)], usual=1.5)[-1]
    plain = float(case(3.5).need.weights @ case(3.5).chance)
    assert found[False] > plain - 0.12
    exact = float(ndtr((1.5 - 1.0) / np.hypot(1.2 / np.sqrt(2), 0.4)))
    assert found[True] == pytest.approx(exact, abs=0.06)


def test_against_brute_force() -> None:
    """Independent: sums over the grid of shares and usual excesses by plain loops and normal densities."""
    from scipy.stats import norm

    cases = [case(3.0, read=(0.5, 0.6)), case(1.0, read=(-0.8, 0.6)), case(2.6)]
    evidence = np.zeros((len(SHARES), len(USUAL)))
    hinted = np.zeros((len(SHARES), len(USUAL)))
    for s, share in enumerate(SHARES):
        for u, moved in enumerate(USUAL):
            evidence[s, u] = norm.logpdf(moved, 0, USUAL_SD)
            for one in cases:
                there = norm.pdf(POINTS, share * (one.excess - 1.5 - moved), 1.2 * np.sqrt(1 - share))
                weight = one.need.weights * there / norm.pdf(POINTS, 0, 1.2)
                evidence[s, u] += np.log(weight.sum())
            hinted[s, u] = weight @ cases[-1].chance / weight.sum()
    likely = np.exp(evidence - evidence.max())
    expected = min(
        float((likely * hinted).sum() / likely.sum()), float(cases[-1].need.weights @ cases[-1].chance)
    )
    assert cautious_chances(cases, usual=1.5)[-1] == pytest.approx(expected, abs=1e-6)


def test_unknown_first_lead_leaves_the_chance_alone() -> None:
    one = case(3.0)
    blind = Case(one.need, one.before_mean, one.before_sd, np.nan, one.chance)
    assert cautious_chances([blind], usual=1.0)[0] == pytest.approx(float(one.need.weights @ one.chance))


def test_nobody() -> None:
    assert cautious_chances([], usual=1.0).shape == (0,)
