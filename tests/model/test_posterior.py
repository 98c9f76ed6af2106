"""Posteriors against closed forms, brute-force integration and the truth of simulated worlds."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from leadline.errors import FitError, OutOfRangeError
from leadline.model.diver import Targets, marginals
from leadline.model.hyperparameters import CENTRE, Hyperparameters
from leadline.model.laplace import diver_variance, solve
from leadline.model.marginal import Marginal
from leadline.model.population import Fit, fit, prior_fit

from .worlds import draw


def readings_only(world):
    """The same book with a reading of need on every dive: everything Gaussian."""
    o = world.observations
    rows = np.flatnonzero(np.diff(o.occasion, prepend=-1))
    kept = o.take(rows)
    truth = (
        kept.prior
        + kept.exposure @ world.beta
        + world.diver[kept.diver]
        + kept.suit_weight * world.suit[o.suit[rows]]
    )
    value = truth + np.random.default_rng(5).normal(0, np.hypot(world.theta.scatter, 0.3), len(rows))
    n = len(rows)
    return replace(
        kept,
        lower=value,
        upper=value,
        point=np.ones(n, bool),
        reading_sd=np.full(n, 0.3),
        lower_breath=np.zeros(n),
        upper_breath=np.zeros(n),
    )


def dense(o, theta):
    """Covariance of all readings, and its parts, without any block structure."""
    suit = (o.suit[:, None] == o.suit) * np.outer(o.suit_weight, o.suit_weight) * theta.suit_factor**2
    diver = (o.diver[:, None] == o.diver) * diver_variance(o, theta)[o.diver]
    noise = np.diag(theta.scatter**2 + o.reading_sd**2)
    return o.exposure @ o.exposure.T + suit + diver + noise


def test_equal_bounds_reproduce_the_linear_mixed_model(rng):
    # Independent: the marginal density of a linear mixed model by scipy's multivariate normal, and its best
    # linear predictions by dense linear algebra. With equal bounds and no wrong records Laplace is exact.
    o = readings_only(draw(rng, divers=12, dives=6, exposures=3))
    theta = replace(Hyperparameters(), wrong=1e-300)
    mode = solve(o, theta)
    covariance = dense(o, theta)
    density = stats.multivariate_normal(o.prior, covariance).logpdf(o.lower)
    # The Laplace value leaves out the same constants of the effects' priors and of their integral.
    assert_allclose(mode.log_marginal, density, rtol=1e-8)
    pulled = np.linalg.solve(covariance, o.lower - o.prior)
    assert_allclose(mode.effects.beta, o.exposure.T @ pulled, atol=1e-6)
    first = np.array([np.flatnonzero(o.diver == d)[0] for d in range(12)])
    cross = (o.diver[first, None] == o.diver) * diver_variance(o, theta)[:, None]
    assert_allclose(mode.effects.diver, cross @ pulled, atol=1e-6)
    expected = np.linalg.inv(np.eye(3) - o.exposure.T @ np.linalg.solve(covariance, o.exposure))
    assert_allclose(mode.remainder.precision, expected, rtol=1e-6)


def test_one_divers_posterior_is_the_mixed_models_prediction(rng):
    # Independent: conditional normal distribution by dense linear algebra.
    o = readings_only(draw(rng, divers=8, dives=6, exposures=3))
    theta = replace(Hyperparameters(), wrong=1e-300)
    mode = solve(o, theta)
    population = Fit(o.names, mode.effects.beta, mode.remainder.precision, theta, np.ones(7))
    rows = np.flatnonzero(o.diver == 3)
    own = o.take(rows)
    target = Targets(
        own.prior[:1] + 1, own.exposure[:1] * 1.5, own.suit_weight[:1], own.suit[:1], float(own.body_sd[0])
    )
    found = marginals(population, own, target, in_fit=np.ones(len(rows), bool))[0]
    cross = (
        target.exposure[0] @ o.exposure.T
        + (o.diver == 3) * diver_variance(o, theta)[3]
        + (o.suit == o.suit[rows[0]]) * target.suit_weight[0] * o.suit_weight * theta.suit_factor**2
    )
    covariance = dense(o, theta)
    mean = target.prior[0] + cross @ np.linalg.solve(covariance, o.lower - o.prior)
    spread = (
        target.exposure[0] @ target.exposure[0]
        + diver_variance(o, theta)[3]
        + (target.suit_weight[0] * theta.suit_factor) ** 2
    )
    variance = spread - cross @ np.linalg.solve(covariance, cross)
    assert_allclose(found.mean, mean, atol=2e-3)
    assert_allclose(found.expected_sd, np.sqrt(variance), rtol=5e-3)


def one_diver(lower, upper, fits, *, prior=5.0):
    """Rows of one diver in one suit in one state, each on a dive of its own."""
    n = len(lower)
    from leadline.model.observations import Observations

    return Observations(
        prior=np.full(n, prior),
        exposure=np.zeros((n, 1)),
        suit_weight=np.full(n, 0.5),
        lower=np.array(lower, float),
        upper=np.array(upper, float),
        lower_breath=np.ones(n),
        upper_breath=np.ones(n),
        reading_sd=np.full(n, 0.2),
        fit=np.array(fits, float),
        point=np.zeros(n, bool),
        occasion=np.arange(n),
        suit=np.zeros(n, int),
        diver=np.zeros(n, int),
        body_sd=np.ones(1),
        names=("z",),
    )


@pytest.mark.parametrize(
    "fits",
    [[[0, 1, 1]] * 6, [[0, 1, 0]] * 2 + [[0, 0, 1]], [[1, 0, 0]] + [[0, 1, 1]] * 3],
    ids=["only 'hovered, BC unknown'", "hovered and sank", "rose, then hovered"],
)
def test_posterior_matches_brute_force_integration(fits):
    # Independent: prior times likelihood on a fine grid, plain normal probabilities.
    leads = np.array([6.5, 6.0, 5.5, 5.5, 5.0, 5.0])[: len(fits)]
    theta = Hyperparameters()
    rows = one_diver(leads, leads, fits)
    target = Targets(np.array([5.0]), np.zeros((1, 1)), np.array([0.5]), np.array([0]), 1.0)
    found = marginals(prior_fit(("z",)), rows, target)[0]

    grid = np.linspace(-3, 13, 8001)
    chance = np.array(fits) * (1 - theta.wrong) + (1 - np.array(fits)) * theta.wrong / 2
    sd = np.hypot(theta.scatter, 0.2)
    density = stats.norm.pdf(grid, 5, np.sqrt(theta.diver_sd**2 + 1.0 + 0.5**2 * theta.suit_factor**2))
    for lead, level in zip(leads, chance, strict=True):
        light = stats.norm.sf(lead + theta.breath_out, grid, sd)
        heavy = stats.norm.cdf(lead - theta.breath_in, grid, sd)
        density *= level[0] * light + level[1] * (1 - light - heavy) + level[2] * heavy
    density /= density.sum()
    mean = density @ grid
    wide = np.sqrt(density @ (grid - mean) ** 2)
    assert_allclose(found.mean, mean, atol=0.01 * wide)
    assert_allclose(found.expected_sd, wide, rtol=0.01)
    cumulative = np.array(
        [density @ stats.norm.cdf(x, grid, theta.scatter) for x in found.quantile([0.025, 0.5, 0.975])]
    )
    assert_allclose(cumulative, [0.025, 0.5, 0.975], atol=2e-3)


def test_one_sided_evidence_gives_a_skewed_band_not_a_confident_one():
    leads = np.full(30, 7.0)
    rows = one_diver(leads, leads, [[0, 1, 1]] * 30)
    target = Targets(np.array([5.0]), np.zeros((1, 1)), np.array([0.5]), np.array([0]), 1.0)
    before, after = (marginals(prior_fit(("z",)), r, target)[0] for r in (rows.take(np.zeros(0, int)), rows))
    # Thirty dives that all held the stop heavy cut off the upper tail and leave the lower one alone.
    assert after.quantile(0.975) < before.quantile(0.975) - 0.2
    assert_allclose(after.quantile(0.025), before.quantile(0.025), atol=0.15)


def test_the_population_without_a_diver_is_the_population_fitted_without_that_diver(rng):
    # Independent: the same fit run on a book from which the diver's rows were taken out.
    world = draw(rng, divers=25, dives=10)
    o, theta = world.observations, world.theta
    own = np.flatnonzero(o.diver == 4)
    whole, rest = solve(o, theta), solve(o.take(o.diver != 4), theta)
    target = Targets(
        o.prior[own[:1]], o.exposure[own[:1]], o.suit_weight[own[:1]], np.array([0]), float(o.body_sd[4])
    )
    found = []
    for mode, seen in ((whole, True), (rest, False)):
        population = Fit(o.names, mode.effects.beta, mode.remainder.precision, theta, np.ones(7))
        found.append(marginals(population, o.take(own), target, in_fit=np.full(len(own), seen))[0])
    assert_allclose(found[0].mean, found[1].mean, atol=0.1 * found[1].expected_sd)
    assert_allclose(found[0].expected_sd, found[1].expected_sd, rtol=0.05)


def test_hyperparameters_survive_the_round_trip():
    assert_allclose(Hyperparameters.from_vector(CENTRE).to_vector(), CENTRE)


def test_fit_survives_bytes(rng):
    o = draw(rng, divers=5, dives=4).observations
    original = prior_fit(o.names)
    copy = Fit.from_bytes(original.to_bytes())
    assert copy.names == original.names
    assert copy.theta == original.theta
    assert_allclose(copy.precision, original.precision)


def test_a_new_item_keeps_its_prior_beside_what_is_learned(rng):
    world = draw(rng, divers=10, dives=8)
    mode = solve(world.observations, world.theta)
    names = world.observations.names
    population = Fit(names, mode.effects.beta, mode.remainder.precision, world.theta, np.ones(7))
    mean, precision = population.aligned((*names, "type:new"))
    assert_allclose(mean[:-1], population.mean)
    assert_allclose(np.linalg.inv(precision)[-1], np.eye(len(names) + 1)[-1], atol=1e-9)


def test_marginal_quantiles_and_probabilities_agree():
    grid = np.linspace(-6, 6, 201)
    marginal = Marginal.from_log_density(grid, -0.5 * grid**2, scatter=0.75)
    # Independent: a normal plus a normal is a normal with sd 1.25.
    assert_allclose(
        marginal.quantile([0.025, 0.5, 0.9]), stats.norm.ppf([0.025, 0.5, 0.9], scale=1.25), atol=1e-4
    )
    assert_allclose(marginal.above(1.0), stats.norm.sf(1.0, scale=1.25), atol=1e-5)
    assert_allclose(marginal.sd, 1.25, rtol=1e-5)


def test_observations_refuse_what_the_engine_cannot_hold():
    with pytest.raises(OutOfRangeError, match="lower must not exceed upper"):
        one_diver([2.0], [1.0], [[0, 1, 0]])
    with pytest.raises(OutOfRangeError, match="prior must be finite"):
        one_diver([1.0], [1.0], [[0, 1, 0]], prior=np.nan)


@pytest.mark.parametrize("seed", [11, 12])
def test_offsets_are_recovered_and_bands_cover(seed):
    """Truth: the engine's own model; offsets recovered, bands neither too narrow nor too wide."""
    rng = np.random.default_rng(seed)
    world = draw(rng, divers=80, dives=12)
    o = world.observations
    population = fit(o)
    inside, misses, guesses = [], [], []
    for d in range(80):
        rows = np.flatnonzero(o.diver == d)
        own = o.take(rows)
        target = Targets(
            own.prior[:1], own.exposure[:1], own.suit_weight[:1], own.suit[:1], float(own.body_sd[0])
        )
        found = marginals(population, own, target, in_fit=np.ones(len(rows), bool))[0]
        truth = (
            own.prior[0]
            + own.exposure[0] @ world.beta
            + world.diver[d]
            + own.suit_weight[0] * world.suit[o.suit[rows[0]]]
        )
        need = truth + rng.normal(0, world.theta.scatter)
        low, high = found.quantile([0.025, 0.975])
        inside.append(low < need < high)
        misses.append(truth - found.mean)
        guesses.append(truth - own.prior[0])
    # Binomial 0.001 limits around 95 % of 80.
    low, high = stats.binom.ppf([0.0005, 0.9995], 80, 0.95)
    assert low <= sum(inside) <= high
    assert np.std(misses) < 0.4 * np.std(guesses)
    learned = np.log([population.theta.scatter, population.theta.breath_out, population.theta.breath_in])
    assert_allclose(
        learned, np.log([world.theta.scatter, world.theta.breath_out, world.theta.breath_in]), atol=0.3
    )


def test_no_observations_give_the_prior():
    empty = draw(np.random.default_rng(1), divers=2, dives=2).observations.take(np.zeros(0, int))
    assert fit(empty).theta == Hyperparameters()


def test_a_stalled_fit_says_where_to_look(rng, monkeypatch):
    monkeypatch.setattr("leadline.model.laplace.MOST_STEPS", 1)
    with pytest.raises(FitError, match="look for records that contradict each other"):
        solve(draw(rng, divers=5, dives=5).observations, Hyperparameters())
