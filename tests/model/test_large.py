"""Many divers: the climb over samples against the search on all rows."""

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from leadline.errors import FitError
from leadline.model import large, mode
from leadline.model.climb import step_to_top
from leadline.model.hyperparameters import SPREAD, Hyperparameters, log_prior
from leadline.model.large import fit_any_size, likeliest_any_size, sampled
from leadline.model.people import Population
from leadline.model.population import fit, likeliest
from leadline.model.propagation import Sweeper
from leadline.model.search import REACH, Height, sought
from tests.reference.books import reference
from tests.reference.engine import engine

from .worlds import draw, lone


@pytest.fixture(scope="module")
def book():
    return draw(np.random.default_rng(5), divers=500, dives=8, exposures=5).observations


@pytest.mark.parametrize("name", ["rich", "sparse"])
def test_a_climb_neither_creeps_nor_goes_to_and_fro(name):
    # Pinned: with products of slopes around zero, and a step corrected by setbacks alone, 14 and 7.
    climb, _ = mode.climbed(reference(name).observations)
    assert climb.arrived
    assert climb.calls <= 6


def test_a_sample_is_of_whole_divers_and_always_the_same(book):
    taken = sampled(book, 1500)
    whole = np.bincount(book.diver, taken) / np.bincount(book.diver)
    assert set(whole) == {0.0, 1.0}
    assert 1500 <= taken.sum() < 1600
    assert np.array_equal(taken, sampled(book, 1500))


def test_a_small_book_is_fitted_as_ever(book):
    few = book.take(book.diver < 20)
    assert fit_any_size(few).to_bytes() == fit(few).to_bytes()


@pytest.fixture(scope="module")
def searched(book):
    """The search on all rows, with differences of the gradient around its end."""
    return fit(book)


def test_the_climb_comes_to_what_the_search_on_all_rows_finds(book, searched):
    # Independent: another search, and curvature by differences instead of slopes squared.
    one, all_rows = fit_any_size(book, few=0, samples=(1500, len(book))), searched
    assert one.diagnostics["sampled_observations"] == len(book)
    away = (one.theta_mean - all_rows.theta_mean) / all_rows.theta_sd
    assert np.sqrt(np.mean(away**2)) < 0.6
    assert_allclose(one.mean, all_rows.mean, atol=0.15 * np.sqrt(np.diag(all_rows.covariance)).max())
    assert_allclose(np.diag(one.covariance), np.diag(all_rows.covariance), rtol=0.05)
    spread = np.std(one.vectors, axis=0) / np.std(all_rows.vectors, axis=0)
    # Nobody sank with gas in the BC here: that share is held at the end of its range, where there is no top.
    spread = np.delete(spread, 10)
    assert 0.7 < spread.min() < spread.max() < 1.3
    people = [Population.of(found, book.names) for found in (one, all_rows)]
    assert_allclose(people[0].mean.mean(axis=0), people[1].mean.mean(axis=0), atol=0.02)
    divers = range(0, 500, 40)
    found = [engine(book, divers=divers, population=p)["offset"] for p in (one, all_rows)]
    off = (found[0]["quantiles"] - found[1]["quantiles"]) / found[1]["sd"][:, None]
    assert np.sqrt(np.mean(off**2, axis=0)).max() < 0.05


def test_a_climb_on_a_sample_leaves_its_own_width_and_the_shared_effects_of_all(book, searched):
    # Independent: the search on all rows. Half of them tell half as much: sds are wider by a root of 2.
    one = fit_any_size(book, few=0, samples=(700, len(book) // 2 - 50))
    assert one.diagnostics["sampled_observations"] < len(book) / 2 + 50 < one.diagnostics["observations"]
    away = (one.theta_mean - searched.theta_mean) / one.theta_sd
    assert np.sqrt(np.mean(away**2)) < 1.5
    assert 0.8 < np.median(one.theta_sd / searched.theta_sd) < 2.0
    off = (one.mean - searched.mean) / np.sqrt(np.diag(searched.covariance))
    assert np.sqrt(np.mean(off**2)) < 0.3


def test_shared_effects_move_with_the_hyperparameters_as_slopes_say(book):
    """How they follow, from squared slopes, against settling anew at the other hyperparameters."""
    few = book.take(book.diver < 250)
    found = fit_any_size(few, few=0, samples=())
    sweeper, way = Sweeper(few), []
    for vector in found.vectors[:4]:
        way.append(sweeper.propagate(Hyperparameters.from_vector(vector)).mean - found.mean)
    sd = np.sqrt(np.diag(found.covariance))
    assert np.abs((found.means[:4] - found.mean - np.array(way)) / sd).max() < 0.5


@pytest.mark.parametrize(("samples", "rows"), [((), 6258), ((700,), 706), ((700, 1500), 1502)])
def test_the_mode_alone_is_found_on_a_sample_of_whole_divers(book, searched, samples, rows):
    # Independent: the search on all rows.
    found, used = likeliest_any_size(book, few=0, samples=samples)
    assert used == rows
    away = (found.to_vector() - searched.theta.to_vector()) / searched.theta_sd
    assert np.sqrt(np.mean(away**2)) < (0.6 if used == len(book) else 3.0)
    assert likeliest_any_size(book.take(book.diver < 20))[0] == likeliest(book.take(book.diver < 20))


@pytest.fixture(scope="module")
def strangers():
    """A book whose climb used to end 24 sds from the top, tossed from one end of the range to another."""
    return lone(np.random.default_rng(2), 2000)


def test_divers_with_one_dive_each_are_learned(strangers):
    # Independent: L-BFGS-B on the same height. Half a nat is what a climb leaves.
    found = fit_any_size(strangers, few=0, samples=())
    assert found.diagnostics["left"] < 0.6
    assert found.diagnostics["calls"] < 25
    vector = found.theta.to_vector()
    top = -sought(Height(strangers, None)).fun
    assert found.diagnostics["log_evidence"] + log_prior(vector) > top - 1.0
    # What such records cannot tell stays as wide as the prior has it.
    assert found.theta_sd[3] > 0.5 * SPREAD[3]


def test_what_is_held_at_the_end_of_its_range_moves_nothing_else(rng):
    # By definition: the top of the parabola in the others alone, since that one cannot follow.
    k = len(SPREAD)
    root = rng.normal(size=(k, k))
    curve, point, slope = root @ root.T + np.eye(k), np.zeros(k), 0.1 * rng.normal(size=k)
    point[7], slope[7] = REACH, 5.0
    settled = SimpleNamespace(gradient=(slope + point) / SPREAD)
    covariance = np.linalg.inv(curve)
    step, left = mode._step(covariance, settled, point)
    free = np.arange(k) != 7
    assert (step[7], left[7]) == (0.0, 0.0)
    assert_allclose(step[free], np.linalg.solve(curve[np.ix_(free, free)], slope[free]))
    assert_allclose(left, np.abs(step) / np.sqrt(np.diag(covariance)))


def test_a_fit_that_one_step_more_would_move_by_more_than_an_sd_is_none(strangers, book, monkeypatch):
    """And what is told as the reason can be true: nobody has two records, or somebody has."""
    assert mode.MOST_LEFT == 1.0
    few = strangers.take(strangers.diver < 200)
    monkeypatch.setattr(large, "MOST_LEFT", 1e-9)
    monkeypatch.setattr(mode, "MOST_LEFT", 1e-9)
    for one in (lambda o: fit_any_size(o, few=0, samples=()), fit):
        with pytest.raises(FitError, match=r"more would move '.*' by .*: no.*stored; no diver has two"):
            one(few)
        with pytest.raises(FitError, match=r"stored; look for records that contradict each other"):
            one(book.take(book.diver < 20))


@pytest.mark.parametrize("stride", [0.3, 2.0, 9.0])
def test_a_step_leads_to_the_top_of_what_range_and_stride_leave(rng, stride):
    # Independent: L-BFGS-B.
    for _ in range(20):
        root = rng.normal(size=(6, 6))
        curve, slope = root @ root.T + 0.1 * np.eye(6), 5 * rng.normal(size=6)
        point = rng.uniform(-REACH, REACH, 6)
        point[0] = REACH
        low, high = np.maximum(-REACH - point, -stride), np.minimum(REACH - point, stride)
        best = minimize(
            lambda s, curve=curve, slope=slope: (0.5 * s @ curve @ s - slope @ s, curve @ s - slope),
            np.zeros(6),
            jac=True,
            method="L-BFGS-B",
            bounds=list(zip(low, high, strict=True)),
            options={"ftol": 1e-15, "gtol": 1e-10},
        )
        step = step_to_top(point, curve, slope, stride)
        assert np.all((step >= low) & (step <= high))
        assert_allclose(step, best.x, atol=1e-4)
