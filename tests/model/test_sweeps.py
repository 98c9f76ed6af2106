"""The compiled sweeps, the plain ones for one diver, and offsets that walk: each held to something else."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from leadline.errors import FitError
from leadline.model import mode, settling, solo
from leadline.model.diver import conditional_marginals
from leadline.model.hyperparameters import SPREAD, Hyperparameters
from leadline.model.likelihood import point_terms, zone_terms
from leadline.model.observations import Form
from leadline.model.people import Population, Targets, offset_sd, personal_loadings
from leadline.model.population import Fit, fit
from leadline.model.propagation import Sweeper, propagate
from leadline.model.tail import reading, zones

from .test_posterior import EXACT, dense, diver_variance, held, one_diver, readings_only
from .worlds import TRUE, draw


def walked(o, rng, *, weeks=60):
    """The same rows at times of their own, in knots of four weeks, with a change of body mass midway."""
    week = rng.integers(0, weeks, o.occasion.max() + 1)[o.occasion]
    return replace(o, elapsed=(week // 4) * 28 / 365.25, jumped=np.where(week > weeks // 2, 0.25, 0.0))


def walk(o, theta):
    """Covariance of the walk by its definition."""
    same = o.diver[:, None] == o.diver
    time, jump = (np.minimum.outer(v, v) for v in (o.elapsed, o.jumped))
    first_time, first_jump = (
        np.array([v[o.diver == d].min() for d in range(len(o.body_sd))])[o.diver]
        for v in (o.elapsed, o.jumped)
    )
    return same * (theta.drift**2 * (time - first_time) + jump - first_jump)


@pytest.mark.parametrize("need", [-40.0, -3.0, 4.0, 5.2, 9.0, 60.0])
@pytest.mark.parametrize(
    "levels", [(0.01, 0.9, 0.6, 0.01), (0.0, 1.0, 1.0, 0.0), (1.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 1.0)]
)
@pytest.mark.parametrize("edges", [(6.0, 5.0, 4.0), (np.inf, 5.0, 5.0), (6.0, 5.0, -np.inf), (5.0, 5.0, 5.0)])
def test_both_likelihoods_of_a_record_are_one(need, levels, edges):
    # Independent within the package: array code through scipy's tails, compiled code through its own.
    whole = (np.inf, *edges, -np.inf)
    if not any(
        level and upper > lower
        for level, upper, lower in zip(levels, whole, edges + whole[-1:], strict=False)
    ):
        return  # nothing that could happen
    expected = zone_terms(np.array([need]), np.array([edges]), np.array([levels]), sd=np.array([0.7]))[:3]
    found = zones(need, *edges, *levels, 0.7)
    assert_allclose(found, np.ravel(expected), rtol=2e-6, atol=1e-9)


@pytest.mark.parametrize("need", [1.0, 4.0, 4.9, 5.2, 7.0])
@pytest.mark.parametrize("levels", [(0.01, 0.9, 0.6, 0.01), (0.0, 1.0, 1.0, 0.0), (0.3, 0.0, 0.1, 1.0)])
@pytest.mark.parametrize("edges", [(6.0, 5.0, 4.0), (np.inf, 5.0, 5.0), (6.0, 5.0, -np.inf), (5.0, 5.0, 5.0)])
def test_a_record_is_seen_alike_the_short_and_the_long_way(need, levels, edges):
    # Independent: the long way goes by logarithms and by quadrature.
    row, variance = np.array([[*edges, *levels, 0.3]]), 0.2
    scores = (np.array(edges) - need) / np.sqrt(0.5)
    far = settling._seen_far(row[0], need, 0.5, *scores)
    if np.isfinite(far.value):
        assert_allclose(settling._seen(row, 0, need, variance + 0.3), far, rtol=1e-8, atol=1e-12)


@pytest.mark.parametrize("wrong", [0.0, 0.02])
@pytest.mark.parametrize("away", [0.0, 1.0, 30.0])
def test_both_likelihoods_of_a_reading_are_one(wrong, away):
    expected = point_terms(np.array([5.0]), np.array([5.0 + away]), wrong=wrong, sd=np.array([0.6]))[:3]
    assert_allclose(reading(5.0, 5.0 + away, wrong, 0.36), np.ravel(expected), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("partitions", [1, 2, 16])
def test_partitions_give_the_same_bits(partitions):
    o = draw(np.random.default_rng(8), divers=300, dives=6, exposures=5).observations
    one, many = Sweeper(o, partitions=1).propagate(TRUE), Sweeper(o, partitions=partitions).propagate(TRUE)
    for name in ("mean", "precision", "need", "offset", "gradient"):
        assert getattr(one, name).tobytes() == getattr(many, name).tobytes(), name
    assert one.log_evidence == many.log_evidence


@pytest.mark.parametrize("seed", [9, 10])
@pytest.mark.parametrize("tolerance", [5e-3, 1e-3, 1e-4])
def test_what_has_settled_is_as_close_as_was_asked_for(tolerance, seed):
    book = draw(np.random.default_rng(seed), divers=60, dives=12).observations
    sweeper = Sweeper(book)
    middle = sweeper.propagate(TRUE, tolerance=1e-6)
    beside = Hyperparameters.from_vector(TRUE.to_vector() + 0.1 * SPREAD)
    exact = sweeper.propagate(beside, start=middle.start, tolerance=1e-8)
    found = Sweeper(book).propagate(beside, start=middle.start, tolerance=tolerance)
    sd = np.sqrt(np.diag(exact.start.covariance))
    assert np.abs((found.need - exact.need) / np.sqrt(exact.need_variance)).max() < 3 * tolerance
    assert np.abs((found.mean - exact.mean) / sd).max() < tolerance
    assert abs(found.log_evidence - exact.log_evidence) < tolerance
    # Nats for one prior sd of a hyperparameter.
    assert np.abs((found.gradient - exact.gradient) * SPREAD).max() < 3 * tolerance


def test_what_has_settled_already_is_only_looked_at():
    book = draw(np.random.default_rng(8), divers=60, dives=12).observations
    sweeper = Sweeper(book)
    settled = sweeper.propagate(TRUE, tolerance=1e-6)
    assert settled.start.sites.precision.min() < 0  # some are wider than their cavities, and stay so
    again = sweeper.propagate(TRUE, start=settled.start, tolerance=1e-4)
    assert again.sweeps == 2
    assert again.log_evidence == pytest.approx(settled.log_evidence, abs=1e-8)


def test_the_same_book_gives_the_same_bits_again():
    o = draw(np.random.default_rng(3), divers=40, dives=5).observations
    first, second = fit(o), fit(replace(o, exposure=o.exposure.copy(), prior=o.prior.copy()))
    assert first.to_bytes() == second.to_bytes()


def test_an_offset_that_walks_is_the_mixed_model_with_that_covariance(rng):
    # Independent: the density of a multivariate normal with the walk's covariance written out. Everything
    # is Gaussian here, so nothing is approximated.
    o = walked(readings_only(draw(rng, divers=12, dives=9, exposures=3)), rng)
    covariance = dense(o, EXACT) + walk(o, EXACT)
    found = propagate(o, EXACT)
    expected = stats.multivariate_normal(o.prior, covariance).logpdf(o.lower)
    assert_allclose(found.log_evidence, expected, rtol=1e-8)
    pulled = np.linalg.solve(covariance, o.lower - o.prior)
    assert_allclose(found.mean, o.exposure.T @ pulled, atol=1e-5)


def test_a_break_widens_the_band_by_the_walk_and_no_more():
    # By hand: with readings so sharp that the offset is known, the variance after two years is 2 drift².
    rows = replace(
        one_diver([5.0] * 200, [5.0] * 200, [[0, 1, 0]] * 200),
        point=np.ones(200, bool),
        lower_breath=np.zeros(200),
        upper_breath=np.zeros(200),
    )
    theta = replace(EXACT, drift=0.4)
    people = Population.of(held(theta), ("z",))
    at = Targets(
        np.full(2, 5.0),
        np.zeros((2, 1)),
        np.full(2, 0.5),
        np.zeros(2, int),
        1.0,
        np.array([0.0, 2.0]),
        np.zeros(2),
    )
    now, later = conditional_marginals(people, rows, at)
    assert_allclose(later.expected_sd**2 - now.expected_sd**2, 2 * 0.4**2, rtol=0.01)
    jumped = replace(at, elapsed=np.zeros(2), jumped=np.array([0.0, 0.25]))
    now, later = conditional_marginals(people, rows, jumped)
    assert_allclose(later.expected_sd**2 - now.expected_sd**2, 0.25, rtol=0.01)


@pytest.mark.parametrize("seed", [1, 2])
def test_one_diver_at_once_agrees_with_everyone(seed):
    """What `log` refreshes is what `learn` finds at the same population, within 0.02 sd."""
    rng = np.random.default_rng(seed)
    o = walked(draw(rng, divers=40, dives=8).observations, rng)
    whole = propagate(o, TRUE)
    population = Fit(o.names, whole.mean, whole.precision, TRUE, SPREAD)
    people = Population.of(population, o.names)
    for d in range(0, 40, 3):
        own = o.take(np.flatnonzero(o.diver == d))
        without = people.without(own)
        spread = offset_sd(own.body_sd, (TRUE,))
        at = np.flatnonzero(np.any(own.exposure != 0, axis=0))
        root = np.linalg.cholesky(without.covariance[:, at[:, None], at])
        loadings = np.concatenate(
            [own.exposure[:, at] @ root, personal_loadings(own, None, (TRUE,), spread)], axis=2
        )
        mean = own.prior + without.mean[:, at] @ own.exposure[:, at].T
        found = solo.settled(solo.Rows(own, (TRUE,)), solo.Gaussian(mean[:, None], loadings[:, None]))
        need = mean[0] + (loadings[0] @ found.mean[0, 0])
        variance = np.sum((loadings[0] @ found.covariance[0, 0]) * loadings[0], axis=1)
        rows = np.flatnonzero(o.diver == d)
        sd = np.sqrt(whole.need_variance[rows])
        # Records that contradict each other are held to narrow sites by one of the two, not by the other.
        settled_alike = whole.start.sites.precision[rows].min() >= 0
        if settled_alike and found.sites.precision.min() >= 0:
            assert np.abs(need - whole.need[rows]).max() < 0.02 * sd.max()
            assert_allclose(np.sqrt(variance), sd, rtol=0.02)


def test_a_need_in_a_new_suit_keeps_both_peaks():
    """Two suits, contradictory records: against importance sampling of the same posterior."""
    rng = np.random.default_rng(4)
    leads = np.array([7.0, 9.0, 9.0, 6.0, 6.5])
    rows = replace(
        one_diver(leads, leads, [[0, 1, 0], [0, 1, 0], [0, 0, 1], [0, 1, 1], [1, 0, 0]]),
        suit=np.array([0, 0, 0, 1, 1]),
    )
    theta = Hyperparameters()
    target = Targets(np.array([5.0]), np.zeros((1, 1)), np.array([0.5]), np.array([-1]), 1.0)
    found = conditional_marginals(Population.of(held(theta), ("z",)), rows, target)[0]
    n = 400_000
    offset = rng.normal(0, np.hypot(theta.diver_sd, theta.body_factor), n)
    suits = rng.normal(0, theta.suit_factor, (n, 3))
    need = 5 + offset[:, None] + 0.5 * suits[:, rows.suit]
    value = solo.Rows(rows, (theta,)).value(need[None], np.zeros((1, 1, 1)))[0].sum(axis=1)
    weight = np.exp(value - value.max())
    weight /= weight.sum()
    wanted = 5 + offset + 0.5 * suits[:, 2]
    mean = weight @ wanted
    sd = np.sqrt(weight @ (wanted - mean) ** 2)
    assert_allclose(found.mean, mean, atol=0.06 * sd)
    assert_allclose(found.expected_sd, sd, rtol=0.05)


def test_records_that_nobody_has_seen_yet_weigh_the_hyperparameters():
    """A diver's own news make hyperparameters more or less likely: against sums on a grid for each."""
    leads, fits = np.array([6.0, 6.0, 5.0, 4.0]), [[0, 1, 0], [0, 1, 0], [0, 0, 1], [0, 1, 0]]
    rows = one_diver(leads, leads, fits)
    thetas = [
        replace(Hyperparameters(), scatter=s, breath_in=b) for s, b in ((0.3, 0.8), (0.6, 1.4), (1.0, 2.0))
    ]
    people = Population(
        np.zeros((3, 1)), np.broadcast_to(np.eye(1), (3, 1, 1)), tuple(thetas), np.full(3, 1 / 3)
    )
    target = Targets(np.array([5.0]), np.zeros((1, 1)), np.array([0.5]), np.array([0]), 1.0)
    found = conditional_marginals(people, rows, target)[0]
    grid = np.linspace(-4, 14, 4001)
    total, first, second = 0.0, 0.0, 0.0
    for theta in thetas:
        sd = np.hypot(theta.scatter, 0.2)
        density = stats.norm.pdf(
            grid, 5, np.sqrt(diver_variance(rows, theta)[0] + 0.25 * theta.suit_factor**2)
        )
        for lead, level in zip(leads, np.array(fits) * 0.98 + (1 - np.array(fits)) * 0.01, strict=True):
            light = stats.norm.sf(lead + theta.breath_out, grid, sd)
            heavy = stats.norm.cdf(lead - theta.breath_in, grid, sd)
            density *= level[0] * light + level[1] * (1 - light - heavy) + level[2] * heavy
        total += density.sum()
        first += density @ grid
        second += density @ grid**2
    assert_allclose(found.mean, first / total, atol=0.01)
    assert_allclose(found.expected_sd, np.sqrt(second / total - (first / total) ** 2), rtol=0.02)
    known = conditional_marginals(people, rows, target, in_fit=np.ones(4, bool))[0]
    assert abs(known.mean - found.mean) > 0.02  # seen already: the hyperparameters' weights stay
    assert np.all(rows.form == Form.ANY)


def test_what_does_not_settle_where_the_search_left_it_may_settle_from_nothing(rng, monkeypatch):
    """By construction: where sites go on from the search's they do not settle, as if chasing each other."""
    book, settled, begun = draw(rng, divers=12, dives=4, exposures=2).observations, mode._settled, []

    def chasing(posterior, point, begin, *, inform):
        begun.append(begin)
        if begin is None:
            raise FitError("the fit did not settle")
        return settled(posterior, point, begin, inform=inform)

    expected = mode.mode(book)
    monkeypatch.setattr(mode, "climbed", lambda observations: None)
    monkeypatch.setattr(mode, "_settled", chasing)
    found = mode.mode(book)
    assert begun[0] is None
    assert not len(begun[1].sites.precision)
    assert found.left.max() <= mode.CLOSE
    assert_allclose(found.point, expected.point, atol=0.02)
