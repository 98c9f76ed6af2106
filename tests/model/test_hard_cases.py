"""Answers where the Gaussian of a diver's records misleads, against brute-force integration.

Kind: independent. The other side draws expected needs evenly from the prior, as one dense covariance has it,
and weighs each draw by the exact chance of all records; neither sites nor a grid come into it.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from scipy.special import ndtr

from leadline.model.crowd import Question, crowd_marginals
from leadline.model.density import SettledDiver, corrected
from leadline.model.diver import conditional_marginals
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Observations
from leadline.model.people import Population, Targets

LIGHT, NEUTRAL, HEAVY = (1, 0, 0), (0, 1, 0), (0, 0, 1)


def records(leads, fits, **columns):
    """One diver in one suit, each record on a dive of its own, but for what is said otherwise."""
    n = len(leads)
    usual = {
        "prior": np.full(n, 5.0),
        "exposure": np.zeros((n, 1)),
        "suit_weight": np.full(n, 0.5),
        "lower": np.array(leads, float),
        "upper": np.array(leads, float),
        "lower_breath": np.ones(n),
        "upper_breath": np.ones(n),
        "reading_sd": np.full(n, 0.25),
        "fit": np.array(fits, float),
        "form": np.zeros(n, int),
        "point": np.zeros(n, bool),
        "occasion": np.arange(n),
        "suit": np.zeros(n, int),
        "diver": np.zeros(n, int),
        "body_sd": np.array([1.2]),
        "names": ("z",),
    }
    return Observations(**(usual | {name: np.array(value) for name, value in columns.items()}))


def wanted(prior, weight, suit, *, body_sd=1.2, elapsed=0.0):
    return Targets(
        np.array([prior]),
        np.zeros((1, 1)),
        np.array([weight]),
        np.array([suit]),
        body_sd,
        np.array([elapsed]),
        np.zeros(1),
    )


def people(theta, *, error=0.0):
    return Population(np.zeros((1, 1)), np.eye(1)[None], (theta,), np.ones(1), error)


def chances(o, theta, need):
    """Log chance of all records at expected needs, shape (draws, n)."""
    shared = np.bincount(o.occasion)[o.occasion] > 1
    sd = np.sqrt(o.reading_sd**2 + np.where(shared, 0, theta.scatter**2))
    light = ndtr((need - o.upper - theta.breath_out * o.upper_breath) / sd)
    heavy = ndtr((o.lower - theta.breath_in * o.lower_breath - need) / sd)
    right = o.fit * (1 - theta.wrong) + (1 - o.fit) * theta.wrong / 2
    zones = np.stack([light, 1 - light - heavy, heavy], axis=-1)
    return np.log(np.sum(right * zones, axis=-1)).sum(axis=-1)


def covariance(o, t, theta, error):
    n, both = len(o), lambda name: np.concatenate([getattr(o, name), getattr(t, name)])
    elapsed, suit, weight = both("elapsed"), both("suit"), both("suit_weight")
    found = np.minimum(elapsed[:, None], elapsed) * theta.drift**2
    found += theta.diver_sd**2 + (theta.body_factor * t.body_sd) ** 2
    found += (suit[:, None] == suit) * np.outer(weight, weight) * theta.suit_factor**2
    several = np.bincount(o.occasion)[o.occasion] > 1
    found[:n, :n] += ((o.occasion[:, None] == o.occasion) & several) * theta.scatter**2 + error**2
    return found


def integrated(population, o, t, *, wide):
    """Mean and sd of the need; `wide` times as far as the prior is drawn from."""
    theta, n = population.thetas[0], len(o)
    whole = covariance(o, t, theta, population.own_error)
    size, axes = np.linalg.eigh(whole[:n, :n])
    kept = size > 1e-10 * size.max()
    draws = wide * stats.norm.ppf(stats.qmc.Sobol(int(kept.sum()), seed=1).random_base2(16))
    apart = draws @ (axes[:, kept] * np.sqrt(size[kept])).T
    log = chances(o, theta, o.prior + apart) - 0.5 * np.sum(draws**2, axis=1) * (1 - wide**-2)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    assert 1 / np.sum(weight**2) > 100  # draws that count; they are even, so their mean is known much closer
    pull = whole[n:, :n] @ np.linalg.pinv(whole[:n, :n], rcond=1e-10, hermitian=True)
    left = whole[n, n] - pull[0] @ whole[n, :n]
    need = t.prior[0] + apart @ pull[0]
    mean = weight @ need
    return mean, np.sqrt(weight @ (need - mean) ** 2 + left + theta.scatter**2)


def far_records(away):
    """Twenty dives on which the diver hovered at a lead far from what physics says."""
    return records(5 + away + np.tile([-0.5, 0.0, 0.5, 0.0], 5), [NEUTRAL] * 20)


PEAK = replace(
    Hyperparameters(),
    diver_sd=1.13, body_factor=1.28, suit_factor=0.61, scatter=0.4, breath_out=0.54, breath_in=1.13,
    wrong=0.022, drift=0.4,
)  # fmt: skip
"""A diver in three suits: an estimate of litres, a float line at the eyes, an uneasy descent."""
THREE_SUITS = records(
    [0.79, -1.1, 3.0],
    [NEUTRAL, NEUTRAL, (1, 0.4, 0.15)],
    prior=[6.46, 3.63, 5.14],
    suit_weight=[2.6, 0.7, 0.7],
    upper=[0.79, 0.0, 4.0],
    lower_breath=[1.0, 0.0, 0.0],
    upper_breath=[1.0, 0.0, 0.0],
    reading_sd=[0.5, 0.45, 0.8],
    suit=[0, 1, 2],
    elapsed=[0.08, 0.08, 0.0],
    body_sd=[2.0],
)

TAIL = replace(
    Hyperparameters(),
    diver_sd=0.4, body_factor=0.75, suit_factor=2.25, scatter=0.64, breath_out=0.46, breath_in=1.2,
    wrong=0.014, drift=0.19,
)  # fmt: skip
"""One suit of a large doubt, and three looks on one dive, of which two say the opposite."""
ONE_DIVE = records(
    [-0.6, 0.0, -1.5, 1.0],
    [LIGHT, (0.8, 0.8, 0.35), LIGHT, HEAVY],
    prior=[0.72] * 4,
    suit_weight=[2.0] * 4,
    lower=[-np.inf, 0.0, -1.5, 1.0],
    upper=[-0.6, 1.0, -1.5, 1.0],
    lower_breath=[0.0, 0.0, 1.0, 1.0],
    upper_breath=[0.0, 0.0, 1.0, 1.0],
    reading_sd=[0.5, 0.8, 0.5, 0.2],
    occasion=[0, 1, 1, 1],
    elapsed=[0.0, 0.15, 0.15, 0.15],
)

GIVEN = replace(
    Hyperparameters(),
    diver_sd=0.794, body_factor=0.704, suit_factor=0.798, scatter=0.395, breath_out=0.45, breath_in=0.786,
    wrong=0.049, drift=0.53,
)  # fmt: skip
"""Three suits, and in the second one looks at 3 kg and a fall at 9: what they say of a fourth hangs on which
are right."""
AT_ODDS = records(
    [4.76, 2.91, 3.32, -np.inf, 8.88, -np.inf],
    [NEUTRAL, NEUTRAL, NEUTRAL, LIGHT, HEAVY, LIGHT],
    prior=[5.36, 7.36, 7.36, 7.36, 7.36, 5.63],
    suit_weight=[1.0] * 6,
    upper=[4.76, 4.11, 4.52, 4.32, 8.88, 6.47],
    lower_breath=[0.0, 1.0, 1.0, 0.0, 1.0, 0.0],
    upper_breath=[0.0, 1.0, 1.0, 0.0, 1.0, 0.0],
    reading_sd=[0.8, 0.2, 0.8, 0.5, 0.3, 0.5],
    suit=[0, 1, 1, 1, 1, 2],
    elapsed=[0.25, 0.0, 0.29, 0.74, 0.15, 1.03],
    body_sd=[2.0],
)

CASES = {
    "agree far above physics": (Hyperparameters(), 0.2, far_records(14), wanted(5.0, 0.5, 0), 4.0),
    "agree far below physics": (Hyperparameters(), 0.2, far_records(-11), wanted(5.0, 0.5, 0), 4.0),
    "a false peak far off": (
        PEAK, 0.2, THREE_SUITS, wanted(6.96, 2.0, 0, body_sd=2.0, elapsed=0.18), 2.0,
    ),
    "a tail beyond what rows say one by one": (TAIL, 0.2, ONE_DIVE, wanted(0.72, 2.0, 0, elapsed=2.15), 2.0),
    "a new suit where others are at odds": (
        GIVEN, 0.2, AT_ODDS, wanted(6.0, 1.0, 3, body_sd=2.0, elapsed=1.23), 2.0,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_the_answer_is_the_integral(name):
    theta, error, o, t, wide = CASES[name]
    population = people(theta, error=error)
    mean, sd = integrated(population, o, t, wide=wide)
    (found,) = conditional_marginals(population, o, t)
    assert_allclose(found.mean, mean, atol=0.06 * sd)
    assert_allclose(found.sd, sd, rtol=0.06)


@pytest.mark.parametrize("name", CASES)
def test_many_at_once_are_the_same_or_left_to_be_asked(name):
    theta, _, o, t, _ = CASES[name]
    population = people(theta)
    rows = np.arange(len(o))
    question = Question(rows, np.zeros(len(o), bool), np.zeros(0, np.int64), t)
    ((found,),) = crowd_marginals(population, o, [question])
    (plain,) = conditional_marginals(replace(population, own_error=population.cautious().own_error), o, t)
    # What many records agree on far from physics is left.
    assert (found is None) == name.startswith("agree far")
    if found is not None:
        assert_allclose(found.mean, plain.mean, atol=0.05 * plain.sd)
        assert_allclose(found.sd, plain.sd, rtol=0.05)


def test_hyperparameters_that_count_for_nothing_decide_nothing():
    # By construction: the second ones, under which the records are not at odds, are as good as impossible.
    unlike = replace(GIVEN, scatter=4.0)
    t, known = wanted(6.0, 1.0, 3, body_sd=2.0, elapsed=1.23), np.ones(len(AT_ODDS), bool)
    both = Population(np.zeros((2, 1)), np.ones((2, 1, 1)), (GIVEN, unlike), np.array([1 - 1e-9, 1e-9]), 0.2)
    (alone,) = conditional_marginals(people(GIVEN, error=0.2), AT_ODDS, t, in_fit=known)
    (found,) = conditional_marginals(both, AT_ODDS, t, in_fit=known)
    assert_allclose([found.mean, found.sd], [alone.mean, alone.sd], rtol=5e-3)
    question = Question(np.arange(len(AT_ODDS)), known, np.zeros(0, np.int64), t)
    ((many,),) = crowd_marginals(both, AT_ODDS, [question])
    assert many is not None
    assert_allclose(many.mean, alone.mean, atol=0.05 * alone.sd)
    assert_allclose(many.sd, alone.sd, rtol=0.05)


@pytest.mark.parametrize("every", [1, 2, 3])
def test_points_that_do_not_settle_leave_an_answer(monkeypatch, every):
    # Some of a real diver's points, or all of them, may not settle anew: what the rows say one by one stands.
    anew = SettledDiver.log_conditional

    def lost(self, points, direction, which):
        found = anew(self, points, direction, which)
        found[:, ::every] = np.nan
        return found

    monkeypatch.setattr(SettledDiver, "log_conditional", lost)
    for theta, error, o, t, _ in CASES.values():
        (found,) = conditional_marginals(people(theta, error=error), o, t)
        assert np.all(np.isfinite(found.weights))
        assert np.isfinite(found.sd)


def test_a_correction_is_borrowed_only_where_it_mattered():
    # By hand: of the wide ones the correction is slight where they have anything, and large beyond. The
    # narrow one has something four of its own sds off, where those have nothing: no peak may come of it.
    points = np.linspace(-8, 8, 65)
    sd = np.array([1.0, 1.4, 1.4])
    logs = -0.5 * (points / 1.6) ** 2 - np.where(np.abs(points) > 5 * sd[:, None] ** 0.1, 30.0, 0.0)

    def anew(few, direction, which):
        plain = np.array([np.interp(few, points, logs[k]) for k in which])
        return plain + np.where(np.abs(few) > 5, 12.0, 0.3)

    found = SimpleNamespace(
        centre=np.zeros((3, 1)), sd=sd[:, None], start_sd=2 * sd[:, None], log_conditional=anew
    )
    more = corrected(found, 0, points, logs) - logs
    assert np.max(more[0][np.isfinite(more[0])]) == pytest.approx(0.3)
