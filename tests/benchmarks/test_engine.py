"""How long the engine takes, how that grows, and what else a user might take for the same rows.

Full sizes when benchmarks are on (`pytest tests/benchmarks --benchmark-enable`), a few rows otherwise;
`python .ci/speed.py` runs them and writes `reports/engine/speed.md`. Scores go to the benchmark's own notes.
"""

from __future__ import annotations

import os
import resource
from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pytest

from leadline.arrays import Records
from leadline.decide.assessment import Assessment
from leadline.decide.learning import learn
from leadline.model.crowd import Question, crowd_marginals
from leadline.model.diver import Population, Targets, conditional_marginals
from leadline.model.large import ROUGHLY, fit_any_size
from leadline.model.population import fit
from leadline.model.propagation import Sweeper
from tests.benchmarks import crowd, peers
from tests.reference import books, run
from tests.reference.engine import needs
from tests.reference.nature import Nature, lived

ROWS_A_DIVER = 26.8
SIZES = (1_000, 10_000, 100_000)
LARGEST = (1_000_000, 10_000_000) if os.environ.get("LEADLINE_LONG") else ()
"""Rows; the largest only where there is time and memory (12 GiB) for it."""


def sized(rows, *, enabled):
    """A book of about so many rows; a small one where nothing is to be measured."""
    divers = max(round(rows / ROWS_A_DIVER), 3) if enabled else 5
    return books.draw(np.random.default_rng(5), divers=divers, dives=20, values=books.TRUE.to_vector())


def noted(benchmark, **values):
    """Keep what was found beside the times, and the process's largest memory so far."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    benchmark.extra_info.update(values, peak_mib=round(peak))


def scores(quantiles, truth):
    """What a forecast is judged by."""
    return {
        "crps": peers.crps(quantiles, truth),
        "bias": float(np.mean(quantiles.mean(axis=1) - truth)),
        "in_80": peers.coverage(quantiles, truth, 0.80),
        "in_95": peers.coverage(quantiles, truth, 0.95),
        "mean": quantiles.mean(axis=1).tolist(),
        "sd": peers.spread(quantiles).tolist(),
    }


def test_fit_of_the_reference_book(benchmark):
    name = "rich" if benchmark.enabled else "standing"
    observations = books.reference(name).observations
    found = benchmark.pedantic(fit, args=(observations,), rounds=5, warmup_rounds=1)
    noted(benchmark, rows=len(observations), sampler_seconds=run.stored(name)["seconds"])
    expected = run.stored(name)["theta"]
    away = (found.theta_mean - expected["mean"]) / expected["sd"]
    assert np.abs(away).max() < 0.25


@pytest.mark.parametrize("rows", [*SIZES, *LARGEST])
def test_propagation_grows_with_rows(benchmark, rows):
    observations = sized(rows, enabled=benchmark.enabled).observations
    sweeper = Sweeper(observations)
    found = benchmark.pedantic(
        sweeper.propagate,
        args=(books.TRUE,),
        kwargs={"tolerance": ROUGHLY},
        rounds=3 if rows < 500_000 else 1,
        warmup_rounds=int(rows < 500_000),
    )
    noted(benchmark, rows=len(observations), sweeps=found.sweeps)
    assert np.isfinite(found.log_evidence)


@pytest.mark.parametrize("rows", [*SIZES, *LARGEST])
def test_fit_grows_with_rows(benchmark, rows):
    observations = sized(rows, enabled=benchmark.enabled).observations
    rounds = 3 if rows < 50_000 else 1
    found = benchmark.pedantic(
        fit_any_size, args=(observations,), rounds=rounds, warmup_rounds=int(rows < 50_000)
    )
    noted(benchmark, rows=len(observations), **found.diagnostics)
    assert np.all(found.theta_sd > 0)


def one_of_many(benchmark):
    """A population, one diver's observations, and need on the next dive."""
    population = fit(books.reference("sparse").observations)
    one = books.draw(
        np.random.default_rng(8),
        divers=1,
        dives=100 if benchmark.enabled else 5,
        values=books.TRUE.to_vector(),
    ).observations
    last = Targets(
        one.prior[-1:],
        one.exposure[-1:],
        one.suit_weight[-1:],
        one.suit[-1:],
        1.2,
        one.elapsed[-1:],
        one.jumped[-1:],
    )
    return Population.of(population, one.names), one, last


def test_answer_for_one_diver(benchmark):
    """From observations: the diver's share taken out of the population, then need on the next dive."""
    population, one, last = one_of_many(benchmark)
    seen = np.ones(len(one), bool)

    def answered():
        around = population.without(one).cautious()
        return conditional_marginals(around, one.as_intervals(), last, in_fit=seen)[0]

    found = benchmark(answered)
    noted(benchmark, rows=len(one), hyperparameters=len(population.weights))
    assert 0 < found.expected_sd < 2


def test_answer_for_one_diver_compiled(benchmark):
    """The same by what answers many at once."""
    population, one, last = one_of_many(benchmark)
    rows = np.arange(len(one))
    question = Question(rows, np.ones(len(one), bool), rows, last)
    found = benchmark(lambda: crowd_marginals(population, one, [question])[0][0])
    noted(benchmark, rows=len(one), hyperparameters=len(population.weights))
    assert 0 < found.expected_sd < 2


def test_answer_for_one_diver_from_records(benchmark):
    """From records, as after `log`: physics, evidence and need on the last dive."""
    rng = np.random.default_rng(9)
    population = learn(crowd.crowd(rng, divers=40 if benchmark.enabled else 8, each=10)).fit
    records = crowd.crowd(rng, divers=1, each=100 if benchmark.enabled else 5)

    def answered():
        known = Assessment.of(records, population)
        rows = np.array([len(records.dives["dive"]) - 1])
        return known.marginals(rows, known.state(rows))[0]

    found = benchmark(answered)
    noted(benchmark, rows=len(records.dives["dive"]))
    assert 0 < found.expected_sd < 3


TAME = {
    "suit_tail": 300.0,
    "scatter_tail": 300.0,
    "reading_tail": 300.0,
    "catalogue": 1.0,
    "turned": 0.0,
    "relaxing": 0.0,
    "ageing": 0.0,
    "breath_sd": 0.0,
    "wrong": 0.01,
    "rose_noted": 0.8,
    "heavy_noted": 0.8,
}
"""Parameters under which a world is nearly the model's."""

WORLDS = {"nearly": Nature(**TAME), "not": Nature()}
"""How far a world is the model's."""


@pytest.fixture(params=WORLDS)
def world(request, benchmark):
    """Everybody's records and next dive, and what it is called."""
    nature = replace(WORLDS[request.param], divers=200 if benchmark.enabled else 16)
    return request.param, lived(np.random.default_rng([2027, 100]), nature)


def next_dives(found):
    """What is asked of the peers, scatter included."""
    place = np.full(len(found.next.prior), -1)
    place[found.diver] = np.arange(len(found.diver))
    return peers.Asked(found.next.prior, found.next.exposure, place)


def needs_by_engine(found, *, everything=False):
    """Quantiles of everybody's need on the next dive, as `learn` and then `suggest` reckon them.

    With `everything` the diver's records are read as the population's are, which is what the sampler does.
    """
    population, o, ahead = fit(found.observations), found.observations, found.next
    place = next_dives(found).diver
    answers = []
    for d in range(len(ahead.prior)):
        rows = np.flatnonzero(o.diver == place[d])
        known = {int(found.label[label]): k for k, label in enumerate(np.unique(o.suit[rows]))}
        wanted = Targets(
            ahead.prior[[d]],
            ahead.exposure[[d]],
            ahead.suit_weight[[d]],
            np.array([known.get(int(ahead.suit[d]), -1)]),
            float(ahead.body_sd[d]),
        )
        answers.append(
            needs(
                population,
                o.take(rows),
                wanted,
                elapsed=ahead.elapsed[[d]],
                levels=peers.LEVELS,
                everything=everything,
            )[0]
        )
    return np.stack(answers)


ENGINE = {"leadline": False, "leadline, reading all that the sampler does": True}


@pytest.mark.parametrize("peer", [*ENGINE, *peers.PEERS])
def test_needs_on_the_next_dive(benchmark, world, peer):
    name, found = world
    if peer in ENGINE:
        quantiles = benchmark.pedantic(
            needs_by_engine,
            args=(found,),
            kwargs={"everything": ENGINE[peer]},
            rounds=3,
            warmup_rounds=1,
        )
    else:
        arguments = (found.observations, next_dives(found))
        quantiles = benchmark.pedantic(peers.PEERS[peer], args=arguments, rounds=3, warmup_rounds=1)
    judged = scores(quantiles, found.next.need)
    noted(benchmark, peer=peer, world=name, rows=len(found.observations), **judged)
    # Who takes what was carried for what is needed foretells too much lead.
    assert judged["bias"] > 0.5 if "carried" in peer else judged["in_95"] > 0.5


@pytest.mark.parametrize("peer", ["sampler", "variational"])
def test_needs_on_the_next_dive_by_drawing(benchmark, world, peer):
    if not benchmark.enabled:
        pytest.skip("takes minutes: add --benchmark-enable")
    pytest.importorskip("numpyro", reason="NumPyro is not installed")
    from tests.reference import forecast

    name, found = world
    drawn = forecast.nuts.sample if peer == "sampler" else peers.variational
    with patch.object(forecast.nuts, "sample", drawn):
        draws = benchmark.pedantic(forecast.sampled_needs, args=(found,), kwargs={"seed": 3}, rounds=1)
    judged = scores(np.quantile(draws, peers.LEVELS, axis=0).T, found.next.need)
    noted(benchmark, peer=peer, world=name, rows=len(found.observations), **judged)
    assert abs(judged["bias"]) < 0.5


def test_the_crowd_is_worth_learning_from():
    """Dives of the generated crowd: some of every result, leads over need, everybody in a suit."""
    records = crowd.crowd(np.random.default_rng(1), divers=30, each=10)
    assert isinstance(records, Records)
    assert set(records.dives["stop_result"]) == {"", "hovered", "rose", "sank"}
    assert (records.dives["lead_kg"] > 0).mean() > 0.8
    assert (records.dives["suit"] != "").all()
