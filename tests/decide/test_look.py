"""What a look would teach, against simulation, closed forms and another library's choice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from leadline.decide.look import (
    SurfaceDoubt,
    carried,
    handed_off,
    looked,
    surface_checked,
    worth,
)
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal

THETA = Hyperparameters(scatter=0.45, breath_out=0.5, breath_in=1.2, wrong=0.02)
SURFACE = SurfaceDoubt(eye=1.3, out=0.6, doubt=0.3, litre=1.13, breath_sd=0.35, out_sd=0.25)


def normal(mean: float = 5.0, sd: float = 1.3, scatter: float = 0.45, count: int = 241) -> Marginal:
    points = np.linspace(mean - 5 * sd, mean + 5 * sd, count)
    return Marginal.from_log_density(points, -0.5 * ((points - mean) / sd) ** 2, scatter=scatter)


ACTS = {
    "look": lambda need: looked(need, 5.5, THETA),
    "less": lambda need: carried(need, 4.5, THETA),
    "hand-off": lambda need: handed_off(need, 6.0, [1.0], THETA)[0],
    "check": lambda need: surface_checked(need, 6.0, SURFACE, THETA),
}


@pytest.mark.parametrize("act", ACTS)
def test_some_outcome_is_certain(act) -> None:
    chances = ACTS[act](normal())
    assert chances.sum(axis=0) == pytest.approx(1.0, abs=1e-12)
    assert chances.min() > 0  # a wrong record is never impossible


def simulated(act: str, need: float, rng: np.random.Generator, count: int) -> np.ndarray:
    """Shares of the outcomes of one expected need, from the words: independent of the formulas."""
    dive = need + 0.45 * rng.standard_normal(count)

    def seen(lead: float, judgement: float) -> np.ndarray:
        felt = dive + judgement * rng.standard_normal(count)
        true = np.where(felt > lead + 0.5, 0, np.where(felt < lead - 1.2, 2, 1))
        other = (true + rng.integers(1, 3, count)) % 3
        return np.where(rng.random(count) < 0.02, other, true)

    if act == "look":
        return np.bincount(seen(5.5, 0.2), minlength=3) / count
    if act == "less":
        return np.bincount(seen(4.5, 0.2) > 0, minlength=2) / count
    if act == "hand-off":
        first, second = seen(6.0, 0.2), seen(5.0, 0.2)
        return np.bincount(np.where(first == 0, 0, 3 * first - 2 + second), minlength=7) / count
    day = dive + 0.3 * rng.standard_normal(count)
    felt = day + np.hypot(0.3, 1.13 * np.hypot(0.35, 0.25)) * rng.standard_normal(count)
    out_of_water = 1.7 + (felt + 1.3 - 6.0) / 1.13  # litres: lighter, more of the head is out
    word = np.searchsorted([-(3.9 + 1.7) / 2, -(1.7 + 0.15) / 2, -0.15 / 2], -out_of_water)
    wrong = rng.random(count) < 0.02
    word = np.where(wrong, (word + rng.integers(1, 4, count)) % 4, word)
    sinks = day + 0.6 + np.hypot(0.4, 1.13 * 0.25) * rng.standard_normal(count) < 6.0
    sinks = sinks ^ (rng.random(count) < 0.02)
    return np.bincount(2 * word + ~sinks, minlength=8) / count


@pytest.mark.parametrize("need", [3.0, 4.6, 5.5, 7.0])
@pytest.mark.parametrize("act", ACTS)
def test_chances_are_those_of_simulated_dives(act, need) -> None:
    count = 200_000
    at = Marginal(np.array([need - 1.0, need]), np.array([0.5, 0.5]), 0.45)
    chances = ACTS[act](at)[:, 1]
    share = simulated(act, need, np.random.default_rng(7), count)
    assert share == pytest.approx(chances, abs=5 * np.sqrt(0.25 / count) + 1e-3)


def test_worth_of_a_coarse_question_in_closed_form() -> None:
    """Independent: above or below the median of a normal, never wrong, is worth exactly one bit, and
    leaves half-normals of sd sqrt(1 - 2/pi)."""
    need = normal(sd=1.0, scatter=1e-9, count=20_001)
    above = (need.points > 5.0) + 0.5 * (need.points == 5.0)
    found = worth(need, np.stack([above, 1 - above]))
    assert found.information == pytest.approx(np.log(2), abs=1e-3)
    assert found.expected_sd == pytest.approx(np.sqrt(1 - 2 / np.pi), rel=1e-3)


def test_worth_of_nothing_is_nothing() -> None:
    need = normal()
    found = worth(need, np.full((3, len(need.points)), 1 / 3))
    assert found.information == pytest.approx(0.0, abs=1e-12)
    assert found.expected_sd == pytest.approx(need.sd, rel=1e-12)


@pytest.mark.parametrize("act", ACTS)
def test_a_look_teaches_and_one_that_is_often_wrong_teaches_less(act, monkeypatch) -> None:
    need = normal()
    sharp = worth(need, ACTS[act](need))
    assert sharp.information > 0.05
    assert sharp.expected_sd < need.sd
    monkeypatch.setitem(globals(), "THETA", replace(THETA, wrong=0.3))
    assert worth(need, ACTS[act](need)).information < 0.5 * sharp.information


@pytest.mark.parametrize("scatter", [0.3, 0.45, 0.5, 0.8, 1.2])
@pytest.mark.parametrize("sd", [0.3, 1.3])
def test_few_nodes_over_the_shared_scatter_are_enough(monkeypatch, sd, scatter) -> None:
    need = normal(sd=sd, scatter=scatter)
    monkeypatch.setitem(globals(), "THETA", replace(THETA, scatter=scatter))
    for act in ("hand-off", "check"):
        few = worth(need, ACTS[act](need))
        with monkeypatch.context() as patch:
            patch.setattr("leadline.decide.look.NODES", 201)
            patch.setattr("leadline.decide.look.nodes_for", lambda _: 201)
            many = worth(need, ACTS[act](need))
        assert few.information == pytest.approx(many.information, abs=2e-3)


LEADS = np.arange(2.0, 9.0, 0.5)


def test_choice_of_lead_agrees_with_another_library_on_its_own_likelihood() -> None:
    """Independent: QUEST+ as the package `questplus` has it, with its own cumulative normal.

    'Not risen at lead x' is a threshold task: threshold need - breath_out, guesses and lapses from wrong
    records.
    """
    questplus = pytest.importorskip("questplus", reason="questplus is not installed")
    rng = np.random.default_rng(3)
    for _ in range(6):
        mean, sd = rng.uniform(4, 7), rng.uniform(0.4, 2.0)
        points = np.linspace(mean - 4 * sd, mean + 4 * sd, 61)
        need = Marginal.from_log_density(points, -0.5 * ((points - mean) / sd) ** 2, scatter=0.45)
        procedure = questplus.QuestPlus(
            stim_domain={"intensity": LEADS},
            param_domain={
                "mean": points - THETA.breath_out,
                "sd": [float(np.hypot(0.45, 0.2))],
                "lower_asymptote": [THETA.wrong],
                "lapse_rate": [THETA.wrong / 2],
            },
            outcome_domain={"response": ["stayed", "rose"]},
            prior={
                "mean": need.weights,
                "sd": [1.0],
                "lower_asymptote": [1.0],
                "lapse_rate": [1.0],
            },
            func="norm_cdf",
            stim_scale="linear",
        )
        theirs = procedure.next_stim["intensity"]
        ours = [worth(need, carried(need, lead, THETA)).information for lead in LEADS]
        assert LEADS[int(np.argmax(ours))] == theirs
        entropy = -np.sum(need.weights * np.log(need.weights)) - max(ours)
        assert entropy == pytest.approx(procedure.entropy, abs=1e-9)


def padded(chances: np.ndarray, count: int) -> np.ndarray:
    """As many outcomes as the others have: one is parted in equal shares, which teaches no more."""
    more = count - len(chances)
    return np.concatenate([chances[:-1], np.repeat(chances[-1:] / (more + 1), more + 1, axis=0)])


def test_choice_among_all_acts_agrees_with_another_library() -> None:
    """Independent: the expected entropies of `questplus` over the same grid and likelihoods."""
    questplus = pytest.importorskip("questplus", reason="questplus is not installed")
    xarray = pytest.importorskip("xarray", reason="xarray comes with questplus")
    rng = np.random.default_rng(5)
    chosen = set()
    for _ in range(12):
        mean, sd, lead = rng.uniform(4, 7), rng.uniform(0.3, 2.0), rng.uniform(4, 8)
        points = np.linspace(mean - 4 * sd, mean + 4 * sd, 61)
        skewed = -0.5 * ((points - mean) / sd) ** 2 + np.log(ndtr((lead + 0.5 - points) / 0.5) + 1e-3)
        need = Marginal.from_log_density(points, skewed, scatter=0.45)
        acts = [
            looked(need, lead, THETA),
            carried(need, lead - 0.5, THETA),
            handed_off(need, lead, [0.5], THETA)[0],
            surface_checked(need, lead, SURFACE, THETA),
        ]
        procedure = questplus.QuestPlus(
            stim_domain={"intensity": np.arange(4.0)},
            param_domain={"mean": points, "sd": [1.0]},
            outcome_domain={"response": ["a", "b"]},
            prior={"mean": need.weights, "sd": [1.0]},
            func="norm_cdf",
            stim_scale="linear",
        )
        procedure.outcome_domain = {"response": np.arange(8)}
        procedure.likelihoods = xarray.DataArray(
            np.stack([padded(act, 8) for act in acts], axis=1)[..., None],
            dims=("response", "intensity", "mean", "sd"),
            coords={"response": np.arange(8), "intensity": np.arange(4.0), "mean": points, "sd": [1.0]},
        )
        ours = [worth(need, act).information for act in acts]
        assert int(np.argmax(ours)) == procedure.next_stim["intensity"]
        chosen.add(int(np.argmax(ours)))
    assert len(chosen) > 1, "the cases must differ in what they choose"
