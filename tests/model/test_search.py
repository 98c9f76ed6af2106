"""What is looked at around the mode of the hyperparameters, and the curvature that follows from it.

Kind of expected values: independent (a parabola by hand, central differences on the same book), properties.
"""

from dataclasses import replace
from threading import Thread

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.linalg import eigh

from leadline.errors import FitError
from leadline.model import mode as climbing
from leadline.model import search
from leadline.model.around import simplex
from leadline.model.hyperparameters import CENTRE, SPREAD
from leadline.model.mode import mode
from leadline.model.partition import Partition
from leadline.model.population import fit
from leadline.model.propagation import Sweeper
from leadline.model.search import Height, Looks, covariance_around
from tests.reference.books import TRUE, reference

from .worlds import draw

K = 14


class Parabola:
    """Stands in for `Height`: a log posterior of known curvature, its top at `at`."""

    def __init__(self, curve: np.ndarray, at: np.ndarray) -> None:
        self.curve, self.at = curve, at

    def around(self, points: np.ndarray, settled: None) -> Looks:
        away = points - self.at
        heights = -0.5 * np.sum(away @ self.curve * away, axis=1)
        return Looks(points, heights, -away @ self.curve, np.zeros((len(points), 0)))


@pytest.fixture(scope="module")
def sparse():
    return mode(reference("sparse").observations)


def test_curvature_of_a_parabola_is_its_own_from_anywhere_and_by_any_steps(rng):
    turn, _ = np.linalg.qr(rng.normal(size=(K, K)))
    curve = (turn * rng.uniform(1.0, 400.0, K)) @ turn.T
    root = np.linalg.cholesky(np.linalg.inv(curve)) @ np.diag(rng.uniform(0.3, 3.0, K))
    found, looks = covariance_around(Parabola(curve, rng.normal(size=K)), rng.normal(size=K), None, root)
    assert_allclose(found, np.linalg.inv(curve), atol=1e-12)
    assert len(looks.points) == K + 1


def test_nowhere_is_more_open_than_the_prior_leaves_it(rng):
    turn, _ = np.linalg.qr(rng.normal(size=(K, K)))
    curve = (turn * np.linspace(-0.5, 3.0, K)) @ turn.T
    found, _ = covariance_around(Parabola(curve, np.zeros(K)), np.zeros(K), None, np.eye(K))
    assert np.linalg.eigvalsh(found).max() == pytest.approx(1.0)


@pytest.mark.parametrize(("beside", "apart"), [(0.1, 1.1), (0.65, 1.5)])
def test_curvature_of_a_book_is_that_of_central_differences(beside, apart, sparse, monkeypatch):
    """Between a step of 0.65 posterior sds and a small one lies what the posterior is skewed by."""
    posterior, point, start = sparse.posterior, sparse.point, sparse.settled.start

    def slope(there):
        found = posterior.at(there, start=start, tolerance=1e-4)
        return Looks.of([found], there[None]).slopes[0]

    monkeypatch.setattr(search, "BESIDE", beside)
    monkeypatch.setattr(search, "AROUND", 0.01)
    found, _ = covariance_around(posterior, point, sparse.settled, np.linalg.cholesky(sparse.covariance))
    steps = 0.05 * np.eye(K)
    curve = -np.array([slope(point + step) - slope(point - step) for step in steps]) / 0.1
    ratios = eigh(found, np.linalg.inv((curve + curve.T) / 2), eigvals_only=True)
    assert ratios.min() > 1 / apart
    assert ratios.max() < apart


@pytest.mark.parametrize("threads", [2, 5])
def test_looks_are_the_same_bits_whoever_looks_and_in_whatever_order(threads, sparse):
    o, root = reference("sparse").observations, np.linalg.cholesky(sparse.covariance)
    points = sparse.point + simplex(K) @ root.T
    alone, many = Height(o, None), Height(o, None)
    alone.rows, many.rows = Partition(o, threads=1), Partition(o, threads=threads)
    one, other = alone.around(points, sparse.settled), many.around(points[::-1], sparse.settled)
    for name in ("heights", "slopes", "means"):
        assert_array_equal(getattr(one, name), getattr(other, name)[::-1])


def test_looks_leave_the_rows_they_look_from_as_they_are(sparse):
    posterior = sparse.posterior
    before = posterior.at(sparse.point, start=sparse.settled.start, tolerance=1e-4)
    posterior.around(sparse.point + 0.5 * np.eye(K), before)
    after = posterior.at(sparse.point, start=sparse.settled.start, tolerance=1e-4)
    assert after.log_evidence == before.log_evidence
    assert_array_equal(after.start.sites.shift, before.start.sites.shift)


def test_a_look_that_fails_is_told_and_nobody_waits_for_it(sparse, monkeypatch):
    def fails(*_, **__):
        raise FitError("nowhere")

    posterior = Height(reference("sparse").observations, None)
    posterior.rows = Partition(reference("sparse").observations, threads=2)
    monkeypatch.setattr(Sweeper, "propagate", fails)
    with pytest.raises(FitError, match="nowhere"):
        posterior.around(np.zeros((K, K)), sparse.settled)
    end = Thread(target=posterior.rows.pool.shutdown, daemon=True)
    end.start()
    end.join(timeout=60)
    assert not end.is_alive()


def test_shared_effects_between_looks_are_those_of_a_plane_through_them(rng):
    points, slope, level = rng.normal(size=(K + 1, K)), rng.normal(size=(K, 3)), rng.normal(size=3)
    looks = Looks(points, np.zeros(K + 1), np.zeros((K + 1, K)), level + points @ slope)
    elsewhere = 3 * rng.normal(size=(5, K))
    assert_allclose(looks.shared_at(elsewhere), level + elsewhere @ slope, atol=1e-9)


def test_points_to_average_over_have_the_shared_effects_that_settle_there(sparse):
    """Independent: sites settled at each of them."""
    found = fit(reference("sparse").observations)
    away = (found.vectors - CENTRE) / SPREAD
    off = (found.means - sparse.posterior.around(away, sparse.settled).means) / np.sqrt(
        np.diag(found.covariance)
    )
    assert np.sqrt(np.mean(off**2)) < 0.1
    assert np.abs(found.weights @ off).max() < 0.1


@pytest.mark.parametrize(("name", "most"), [("rich", 26), ("sparse", 28), ("one_sided", 32)])
def test_a_fit_takes_few_settlings(name, most):
    """Kind: pinned. Counts, not seconds: 37 to 42 where points to average over are looked at too."""
    found = fit(reference(name).observations).diagnostics
    assert found["calls"] <= most
    assert found["sweeps"] <= 3.5 * most


@pytest.mark.parametrize(
    ("lower", "left", "chosen"),
    [(1, (0.8, 0.8), 0), (0, (0.8, 0.8), 1), (1, (1.5, 0.8), 1), (0, (0.8, 1.5), 0)],
)
def test_of_a_climb_and_a_search_the_higher_one_that_has_converged_has_the_say(
    lower, left, chosen, monkeypatch
):
    o, ended, ends = reference("sparse").observations, climbing._ended, []

    def noted(*arguments):
        found = ended(*arguments)
        below = replace(found.settled, log_evidence=found.settled.log_evidence - (len(ends) == lower))
        ends.append(replace(found, left=np.full(K, left[len(ends)]), settled=below))
        return ends[-1]

    monkeypatch.setattr(climbing, "_ended", noted)
    assert climbing.mode(o) is ends[chosen]
    assert ends[lower].height < ends[1 - lower].height


def test_where_no_step_leads_upwards_sites_settle_as_closely_as_a_fit_must(sparse, monkeypatch):
    """And how far one step more would lead is told from those sites, not from the rough ones of a climb."""
    monkeypatch.setattr(climbing, "_uphill", lambda *_: None)
    o = reference("sparse").observations
    climb, end = climbing.climbed(o)
    found = climbing._ended(Height(o, None), climb.point, end, 0, climb.corrected)
    assert_array_equal(found.point, climb.point)
    there = sparse.posterior.at(climb.point, start=end.start, tolerance=1e-6)
    assert found.settled.log_evidence == pytest.approx(there.log_evidence, abs=1e-4)
    slope = found.settled.gradient * SPREAD - climb.point
    expected = np.abs(found.covariance @ slope) / np.sqrt(np.diag(found.covariance))
    assert_allclose(found.left, expected, atol=1e-9)


def test_a_search_without_a_climb_finds_the_same(rng, monkeypatch):
    """Where no climb arrived the curvature begins with products of slopes."""
    book = draw(rng, divers=30, dives=8).observations
    usual = fit(book)
    monkeypatch.setattr(climbing, "climbed", lambda observations: None)
    found = fit(book)
    assert_allclose(found.theta_mean, usual.theta_mean, atol=0.15 * usual.theta_sd.max())
    assert_allclose(found.theta_sd, usual.theta_sd, rtol=0.15)


def test_on_the_way_nobody_waits_for_records_that_chase_each_other():
    """Never settled by a tolerance of nothing: within a hundredth of a nat after 50 sweeps as after 150."""
    o = reference("sparse").observations
    hasty = Sweeper(o).propagate(TRUE, sketch=True, tolerance=0.0, hasty=True)
    patient = Sweeper(o).propagate(TRUE, sketch=True, tolerance=0.0)
    assert (hasty.sweeps, patient.sweeps) == (50, 150)
    assert hasty.log_evidence == pytest.approx(patient.log_evidence, abs=0.01)
    # Slopes in prior sds, of which one posterior sd moves each by one at least.
    assert_allclose(hasty.gradient * SPREAD, patient.gradient * SPREAD, atol=0.05)
