"""Scores, rivals and the replay of a book: against formulas, other libraries and worlds of known truth."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from leadline.arrays import Records, columns_from_rows, empty
from leadline.decide import forecast
from leadline.decide.assessment import Assessment
from leadline.decide.backtest import Backtest, Score, Word, backtest, summary
from leadline.decide.clock import NEVER, clock, cut_moments, date_of, moment_of
from leadline.decide.forecast import Forecasts
from leadline.decide.outcome import WORDS, Range, chances, outcomes, readings, state_of
from leadline.decide.replay import Replay, replay
from leadline.decide.rivals import Carried, last_lead, mixed_model, ridge, rival_forecasts
from leadline.decide.scores import (
    BINS,
    Share,
    brier,
    brier_parts,
    clustered_correlation,
    clustered_share,
    log_score,
    reliability,
)
from leadline.decide.verdict import Verdict, judged
from leadline.errors import LeadlineError
from leadline.model.population import prior_fit
from leadline.records import CHECKS, DIVERS, DIVES
from leadline.timeline import CHECK, DIVE

from . import club
from .known_world import World, world

MISSING = ("scoringrules", "statsmodels")


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261125)


# Scores


@pytest.mark.parametrize(("mean", "sd", "seen"), [(0.0, 1.0, 0.0), (4.0, 0.7, 5.1), (-1.0, 2.0, -6.0)])
def test_crps_of_a_normal_is_the_published_formula(mean: float, sd: float, seen: float) -> None:
    # T. Gneiting and A. E. Raftery, "Strictly proper scoring rules, prediction, and estimation", J. Am. Stat.
    # Assoc. 102 (2007) 359-378, doi:10.1198/016214506000001437, equation 21. Kind: published (from memory).
    from scipy.stats import norm

    z = (seen - mean) / sd
    expected = sd * (z * (2 * norm.cdf(z) - 1) + 2 * norm.pdf(z) - 1 / np.sqrt(np.pi))
    assert_allclose(Forecasts.normal([mean], [sd]).crps(np.array([seen])), [expected], rtol=1e-12)


def test_crps_of_a_mixture_is_its_integral(rng: np.random.Generator) -> None:
    # CRPS = integral of (F(x) - 1[x >= y])^2 (the definition, same paper). Kind: independent.
    parts = 7
    mixture = Forecasts(
        rng.normal(5, 1, (1, parts)), np.full((1, parts), 1 / parts), np.full((1, parts), 0.5)
    )
    grid = np.linspace(-5, 15, 200_001)
    below = Forecasts(
        *(np.repeat(a, len(grid), axis=0) for a in (mixture.points, mixture.weights, mixture.sd))
    )
    whole = (below.below(grid) - (grid >= 5.5)) ** 2
    assert_allclose(mixture.crps(np.array([5.5])), [np.sum(whole) * (grid[1] - grid[0])], atol=2e-4)


def test_right_forecast_scores_best(rng: np.random.Generator) -> None:
    """Both scores are proper: the truth beats a shift and a wrong width on many cases."""
    seen = rng.normal(3, 1, 20_000)
    crps = [
        Forecasts.normal(np.full(20_000, mean), np.full(20_000, sd)).crps(seen).mean()
        for mean, sd in ((3, 1), (3.3, 1), (3, 0.6), (3, 1.7))
    ]
    assert min(crps) == crps[0]
    came = rng.random(20_000) < 0.3
    told = [log_score(np.where(came, p, 1 - p)).mean() for p in (0.3, 0.2, 0.45)]
    assert min(told) == told[0]


def test_noise_and_doubt_of_a_reading_widen_its_forecast() -> None:
    need = Forecasts.normal([5.0], [0.6])
    noisy = need.noisy(np.array([0.8]))
    assert_allclose(noisy.sd, [[1.0]])  # by hand: 0.6² + 0.8² = 1
    doubted = noisy.doubted(np.array([0.1]), spread=4.0)
    # By hand: 0.9 Phi(-2) + 0.1 Phi(-0.5).
    assert_allclose(doubted.below(np.array([3.0])), [0.9 * 0.0227501 + 0.1 * 0.3085375], atol=1e-6)


def test_scores_of_words_agree_with_another_library(rng: np.random.Generator) -> None:
    from sklearn.metrics import brier_score_loss, log_loss

    chance = rng.dirichlet([1, 3, 2], 400)
    word = np.array([rng.choice(3, p=row) for row in chance])
    came = np.eye(3)[word]
    assert_allclose(log_score(chance[np.arange(400), word]).mean(), log_loss(word, chance))
    assert_allclose(brier(chance, came).mean(), brier_score_loss(word, chance, scale_by_half=False))


def test_parts_of_the_brier_score_add_up(rng: np.random.Generator) -> None:
    """Murphy (1973), doi:10.1175/1520-0450(1973)012<0595:ANVPOT>2.0.CO;2. Kind: published (identity)."""
    each = (np.array(BINS[:-1]) + BINS[1:]) / 2
    first = rng.choice(each, 600)
    chance = np.stack([first, 1 - first], axis=1)
    came = np.eye(2)[(rng.random(600) > first**0.7).astype(int)]
    parts = brier_parts(chance[:, :1], came[:, :1])
    whole = brier(chance[:, :1], came[:, :1]).mean()
    assert_allclose(parts.reliability - parts.resolution + parts.uncertainty, whole, rtol=1e-12)
    assert parts.reliability > 0.001


def test_reliability_counts_by_hand() -> None:
    chance = np.array([0.01, 0.02, 0.4, 0.45, 0.35, 1.0])
    came = np.array([False, False, True, False, True, True])
    bins = reliability(chance, came, np.arange(6))
    assert [(round(b.predicted, 3), b.seen.count, round(b.seen.share, 3)) for b in bins] == [
        (0.015, 2, 0.0),
        (0.4, 3, 0.667),
        (1.0, 1, 1.0),
    ]


def test_interval_of_a_share_is_the_exact_binomial_one_where_cases_are_apart(
    rng: np.random.Generator,
) -> None:
    # SciPy's Clopper-Pearson interval. Kind: independent. One case less is what the variance estimate costs.
    from scipy.stats import binomtest

    hit = rng.random(400) < 0.8
    found = clustered_share(hit, np.arange(400))
    exact = binomtest(int(hit.sum()), 400).proportion_ci(method="exact")
    assert_allclose([found.low, found.high], [exact.low, exact.high], atol=2e-3)


def test_interval_of_a_share_holds_where_divers_are_alike(rng: np.random.Generator) -> None:
    """400 drawn books of 40 divers whose hits go together: 95 % intervals hold 95 %, naive ones far fewer."""
    from scipy.stats import binomtest

    truth, held, naive = 0.8, 0, 0
    for _ in range(400):
        own = rng.beta(4 * truth, 4 * (1 - truth), 40)
        cluster = np.repeat(np.arange(40), 8)
        hit = rng.random(320) < own[cluster]
        found = clustered_share(hit, cluster)
        held += found.low <= truth <= found.high
        plain = binomtest(int(hit.sum()), 320).proportion_ci(method="exact")
        naive += plain.low <= truth <= plain.high
    assert 0.925 <= held / 400 <= 0.985
    assert naive / 400 < 0.9


def test_share_that_cannot_be_told_is_open() -> None:
    alone = clustered_share(np.array([True, True]), np.array([3, 3]))
    assert (alone.share, alone.low, alone.high, alone.clusters) == (1.0, 0.0, 1.0, 1)
    nothing = clustered_share(np.zeros(0, bool), np.zeros(0, int))
    assert np.isnan(nothing.share)
    assert (nothing.low, nothing.high) == (0.0, 1.0)
    # All of ten divers: 1 - 0.025^(1/10), by hand, however many cases each has.
    every = clustered_share(np.ones(50, bool), np.repeat(np.arange(10), 5))
    assert_allclose(every.low, 0.025**0.1, rtol=1e-9)


def test_correlation_and_its_interval(rng: np.random.Generator) -> None:
    # SciPy's Pearson correlation with Fisher's interval, for pairs that are apart. Kind: independent.
    from scipy.stats import pearsonr

    first = rng.normal(size=300)
    second = 0.4 * first + rng.normal(size=300)
    found = clustered_correlation(first, second, np.arange(300))
    expected = pearsonr(first, second)
    assert_allclose(found.correlation, expected.statistic, rtol=1e-12)
    fisher = expected.confidence_interval(0.95)
    assert_allclose([found.low, found.high], [fisher.low, fisher.high], atol=0.02)
    copied = clustered_correlation(np.repeat(first, 4), np.repeat(second, 4), np.repeat(np.arange(300), 4))
    assert_allclose([copied.low, copied.high], [found.low, found.high], atol=1e-9)
    assert np.isnan(clustered_correlation(np.ones(5), np.arange(5.0), np.arange(5)).correlation)


# What is scored


@cache
def assessed() -> Assessment:
    return Assessment.of(club.records(), prior_fit())


def test_outcomes_of_the_club_by_hand() -> None:
    what = outcomes(assessed())
    # Five divers, three stops each with the BC empty; one check at eye level, those at chin and under bound
    # need on one side only.
    assert sorted(zip(*np.unique(what.kind.astype(str), return_counts=True), strict=True)) == [
        ("stop", 15),
        ("waterline", 1),
    ]
    assert what.is_result.sum() == 15
    assert what.is_reading.sum() == 16
    assert set(what.word[what.is_result].tolist()) == {WORDS.index("hovered")}


def test_outcome_is_asked_about_in_the_state_in_which_it_was_seen() -> None:
    """The ledger in the rebuilt state must be the one that the evidence of that record has."""
    assessment = assessed()
    what = outcomes(assessment)
    start = np.where(what.table == DIVE, 0, len(assessment.line.records.dives["dive"]))
    rows = start + what.row
    need = assessment.prior(rows, state_of(assessment, rows, what))[0].need
    seen = assessment.evidence.statements
    for i, row in enumerate(rows):
        same = (seen.row == row) & (seen.kind == what.kind[i])
        assert_allclose(need[i], assessment.evidence.observations.prior[same], atol=1e-8)


def test_chances_and_readings_by_hand() -> None:
    what = outcomes(assessed())
    what = what.take(np.flatnonzero(what.is_result)[:1])
    lead = float(what.upper[0])
    breath = Range(np.array([0.5]), np.array([1.2]), np.array([0.0]))
    need = Forecasts.normal([lead], [1e-3])
    sd = float(what.reading_sd[0])
    from scipy.stats import norm

    light, heavy = norm.cdf(-0.5 / np.hypot(sd, 1e-3)), norm.cdf(-1.2 / np.hypot(sd, 1e-3))
    assert_allclose(chances(what, need, breath), [[light, 1 - light - heavy, heavy]], atol=1e-9)
    wrong = replace(breath, wrong=np.array([0.1]))
    assert_allclose(chances(what, need, wrong)[0, 0], 0.9 * light + 0.05 * (1 - light), atol=1e-9)
    value, noise = readings(what, breath)
    assert_allclose(value, lead - 0.35)
    assert_allclose(noise, np.hypot(sd, 1.7 / np.sqrt(12)))


# The clock


def test_clock_says_what_was_known_when() -> None:
    dives = [
        {"dive": "1", "diver": "A", "date": "2026-05-01"},
        {"dive": "2", "diver": "A", "date": "2026-05-01"},
        {"dive": "3", "diver": "A", "date": "2026-05-02T10:00"},
        {"dive": "4", "diver": "A"},
    ]
    checks = [
        {"check": "of a dive", "diver": "A", "dive": "3", "date": "2026-05-02T08:00"},
        {"check": "some time that day", "diver": "A", "date": "2026-05-02"},
        {"check": "in the morning", "diver": "A", "date": "2026-05-02T09:00"},
        {"check": "never", "diver": "A"},
    ]
    time = clock(
        Records(
            columns_from_rows(DIVERS, [{"diver": "A"}]),
            empty("gear"),
            columns_from_rows(DIVES, dives),
            columns_from_rows(CHECKS, checks),
        )
    )
    first, second, third, undated = time.dive
    assert first < second < third < undated == NEVER
    linked, timeless, morning, never = time.check_known
    assert linked == third  # nothing of a dive is known before it, not even its check
    assert morning < third < timeless < moment_of(np.datetime64("2026-05-03"))
    assert never == NEVER
    assert second < time.check_asked[1] < morning  # asked about at the beginning of the day
    assert date_of(int(third)) == "2026-05-02"


def test_cuts_part_the_dives_and_never_lie_before_all_of_them() -> None:
    day = np.arange(100) * 86400 * 1000 + 36_000_002
    cuts = cut_moments(day, -NEVER, 4)
    assert [int((day < cut).sum()) for cut in cuts] == [20, 40, 60, 80]
    since = int(day[50]) - 36_000_001
    assert [int((day < cut).sum()) for cut in cut_moments(day, since, 5)] == [50, 60, 70, 80, 90]
    assert len(cut_moments(np.full(30, day[0]), -NEVER, 6)) == 0


# Rivals


def herd(rng: np.random.Generator, *, divers: int = 12, each: int = 9) -> Carried:
    diver = np.tile(np.arange(divers), each)
    features = np.column_stack([rng.normal(75, 10, divers)[diver], rng.choice([3.0, 5, 7], divers * each)])
    lead = 2 + 0.05 * features[:, 0] + 0.7 * features[:, 1] + rng.normal(0, 1, divers)[diver]
    return Carried(diver, np.arange(divers * each), lead + rng.normal(0, 0.6, divers * each), features)


def test_mixed_model_is_the_library_s_own_prediction(rng: np.random.Generator) -> None:
    # statsmodels: fixed part plus its predicted random effects, for dives after all it was fitted to.
    from statsmodels.regression.mixed_linear_model import MixedLM

    known = herd(rng)
    asked = replace(known, moment=known.moment + 1000)
    mean, sd = mixed_model(known, known, asked)
    design = np.column_stack([np.ones(len(known)), known.features])
    fitted = MixedLM(known.lead, design, groups=known.diver).fit(reml=True)
    effects = np.array([float(np.asarray(fitted.random_effects[d])[0]) for d in range(12)])
    assert_allclose(mean, design @ fitted.fe_params + effects[known.diver], atol=2e-3)
    assert np.all(sd > np.sqrt(fitted.scale))


def test_ridge_takes_later_dives_in_as_if_it_had_been_fitted_to_them(rng: np.random.Generator) -> None:
    """At the same precisions, the update must be the posterior of all rows at once: by direct solution."""
    from sklearn.linear_model import BayesianRidge

    whole = herd(rng)
    known, later = whole.take(np.arange(60)), whole.take(np.arange(60, 96))
    own = later.diver == 3
    asked = later.take(np.flatnonzero(own)[-1:])
    mean, sd = ridge(known, whole, asked)
    middle, spread = known.features.mean(axis=0), known.features.std(axis=0)

    def design(rows: Carried) -> np.ndarray:
        return np.hstack([(rows.features - middle) / spread, np.eye(12)[rows.diver]])

    fitted = BayesianRidge().fit(design(known), known.lead)
    offset = fitted.X_offset_
    used = later.take(np.flatnonzero(own)[:-1])
    rows = np.vstack([design(known), design(used)]) - offset
    lead = np.concatenate([known.lead, used.lead]) - known.lead.mean()
    precision = fitted.alpha_ * rows.T @ rows + fitted.lambda_ * np.eye(rows.shape[1])
    coefficients = np.linalg.solve(precision, fitted.alpha_ * rows.T @ lead)
    wanted = design(asked)[0] - offset
    assert_allclose(mean, [known.lead.mean() + wanted @ coefficients], atol=1e-8)
    assert_allclose(sd, [np.sqrt(1 / fitted.alpha_ + wanted @ np.linalg.solve(precision, wanted))], atol=1e-8)


def test_last_lead_is_the_last_one() -> None:
    known = Carried(np.array([0, 0, 1]), np.array([1, 5, 2]), np.array([4.0, 6.0, 9.0]), np.zeros((3, 1)))
    asked = Carried(np.array([0, 0, 0, 2]), np.array([5, 6, 1, 9]), np.full(4, np.nan), np.zeros((4, 1)))
    mean, sd = last_lead(known, known, asked)
    assert_allclose(mean, [4.0, 6.0, 19 / 3, 19 / 3])
    assert_allclose(sd[:2], 2.0)


def test_rival_with_too_little_to_learn_from_says_nothing(rng: np.random.Generator) -> None:
    history = herd(rng)
    asked = replace(history, moment=history.moment + 1000)
    found = rival_forecasts("ridge", history, asked, cut=np.full(len(asked), 19))
    assert np.isnan(found.mean).all()
    assert np.isfinite(rival_forecasts("ridge", history, asked, cut=np.full(len(asked), 60)).mean).all()


# The replay


@cache
def known_world(seed: int) -> tuple[World, Replay]:
    made = world(seed)
    return made, replay(made.records, cuts=2)


def joined(parts: list[Any]) -> Any:
    """Records of arrays one after the other; what is no array is that of the first."""
    first, found = parts[0], {}
    for field in fields(first):
        values = [getattr(part, field.name) for part in parts]
        if isinstance(values[0], np.ndarray):
            found[field.name] = np.concatenate(values)
        elif is_dataclass(values[0]):
            found[field.name] = joined(values)
    return replace(first, **found)


@cache
def naive_worlds() -> tuple[Replay, np.ndarray]:
    """Thirty small worlds in one, each as one cluster: its divers share what is wrong with physics."""
    made = [world(100 + seed, divers=4, dives=6, naive=True) for seed in range(30)]
    played = [replay(each.records, cuts=3) for each in made]
    assert [len(each.cuts) for each in played] == [1] * 30  # no day to fit at: the prior all through
    needs = [each.need[found.outcomes.row] for each, found in zip(made, played, strict=True)]
    whole = joined(played)
    number = np.repeat(np.arange(30), [len(found.outcomes) for found in played])
    return replace(whole, outcomes=replace(whole.outcomes, diver=number)), np.concatenate(needs)


def test_bands_hold_the_true_needs_of_known_worlds() -> None:
    """Coverage of the truth within the binomial limits, at 99.9 % with a world as one case."""
    played, need = naive_worlds()
    assert len(need) == 720
    place = played.need.below(need)
    for level in (0.5, 0.8, 0.95):
        found = clustered_share(np.abs(place - 0.5) <= level / 2, played.outcomes.diver, level=0.999)
        assert found.low <= level <= found.high
        assert found.high - found.low < 0.3


@pytest.mark.parametrize("seed", [0, 1])
def test_bands_hold_the_true_needs_where_the_population_is_learned(seed: int) -> None:
    made, played = known_world(seed)
    assert len(played.outcomes) == 128
    place = played.need.below(made.need[played.outcomes.row])
    for level in (0.5, 0.8, 0.95):
        found = clustered_share(np.abs(place - 0.5) <= level / 2, played.outcomes.diver, level=0.999)
        assert found.low <= level <= found.high


def test_stop_results_come_as_often_as_foretold_in_known_worlds() -> None:
    found = summary(naive_worlds()[0])
    assert min(word.seen for word in found.words) > 50
    assert max(abs(word.excess) for word in found.words) < 3.3
    assert found.verdict.trusted != "no"


def test_what_is_learned_beats_physics_alone() -> None:
    made, played = known_world(0)
    late = np.flatnonzero(played.earlier >= 4)
    assert len(late) == 64
    truth = made.need[played.outcomes.row[late]]
    learned, physics = (f.take(late).crps(truth).mean() for f in (played.need, played.prior))
    assert learned < 0.8 * physics


def narrowed(forecasts: Forecasts, factor: float) -> Forecasts:
    middle = forecasts.mean[:, None]
    return replace(forecasts, points=middle + (forecasts.points - middle) * factor, sd=forecasts.sd * factor)


@pytest.mark.parametrize(
    ("book", "factor"),
    [(naive_worlds, 0.45), (lambda: known_world(0), 0.3), (lambda: known_world(1), 0.3)],
    ids=["less than half as wide, many readings", "a third as wide", "a third as wide, another book"],
)
def test_overconfident_predictor_is_not_trusted(book: Any, factor: float) -> None:
    played = next(part for part in book() if isinstance(part, Replay))
    found = summary(replace(played, need=narrowed(played.need, factor)))
    assert found.verdict.trusted == "no"
    assert found.verdict.sentence.startswith("No: of ")
    assert "too narrow" in found.verdict.sentence
    assert summary(played).verdict.trusted != "no"


def test_overconfidence_shows_in_the_stop_results() -> None:
    _, played = known_world(0)
    honest, sure = summary(played), summary(replace(played, need=narrowed(played.need, 0.25)))
    assert sure.overall.log_score > honest.overall.log_score + 0.1
    assert sure.parts.reliability > honest.parts.reliability
    assert sure.overall.bare_coverage[2].high < 0.95


def score(hits: int, of: int, *, divers: int = 20) -> Score:
    share = clustered_share(np.arange(of) < hits, np.arange(of) % divers)
    same = (Share(0.5, 0.4, 0.6, of, divers), Share(0.8, 0.7, 0.9, of, divers), share)
    return Score("all", 0, np.nan, np.nan, of, 0.5, 1.0, 0.0, 0.5, same, same)


def words(foretold: float, seen: int, excess: float) -> tuple[Word, ...]:
    even = Word("hovered", 10.0, 10, 0.0, ())
    return Word("rose", foretold, seen, excess, ()), even, replace(even, word="sank")


@pytest.mark.parametrize(
    ("overall", "rose", "expected"),
    [
        (score(190, 200), words(10, 10, 0.0), "yes"),
        (score(170, 200), words(10, 10, 0.0), "no"),
        (score(190, 200), words(10, 22, 3.0), "no"),
        (score(199, 200), words(10, 10, 0.0), "careful"),
        (score(19, 20), words(1, 1, 0.0), "not_yet"),
        (score(95, 100, divers=3), words(1, 1, 0.0), "not_yet"),
    ],
)
def test_verdict(overall: Score, rose: tuple[Word, ...], expected: str) -> None:
    assert judged(overall, score(0, 0), rose).trusted == expected


def test_readings_that_are_mostly_of_one_diver_say_nothing_of_the_others() -> None:
    # By hand: of 100 readings 60 are of the first diver, of the others 2 each. At 50 all is as it was.
    def lopsided(of_one: int) -> Verdict:
        whose = np.concatenate([np.zeros(of_one, int), 1 + np.arange(100 - of_one) % 20])
        share = clustered_share(np.arange(100)[::-1] < 95, whose)
        assert share.most == of_one
        same = (
            replace(share, share=0.5, low=0.4, high=0.6),
            replace(share, share=0.8, low=0.7, high=0.9),
            share,
        )
        return judged(
            replace(score(95, 100), coverage=same, bare_coverage=same), score(0, 0), words(10, 10, 0.0)
        )

    found = lopsided(60)
    assert found.trusted == "not_yet"
    assert "60 of 100 readings of need from 21 divers are of one diver" in found.sentence
    assert lopsided(50).trusted == "yes"


def test_no_record_changes_what_was_foretold_before_it() -> None:
    made, played = known_world(0)
    dives = {name: values.copy() for name, values in made.records.dives.items()}
    late = np.flatnonzero(dives["date"] >= np.datetime64("2026-05-06"))
    dives["lead_kg"][late] += 5
    dives["stop_result"][late] = "rose"
    dives["bc_state"][late[::2]] = "gas"
    dives["suit"][late] = "full 7"  # worn by many on one day: a kind of suit, which shares its wear
    dives["body_mass_kg"][late] = 120
    checks = columns_from_rows(
        CHECKS,
        [
            {
                "check": f"c{i}",
                "diver": f"d{i:02d}",
                "date": "2026-05-06T23:00",
                "lead_kg": 9,
                "suit": "full 5",
            }
            | {"bar": 60, "waterline": "eye", "water": "salt", "cylinder": "steel 12"}
            for i in range(8)
        ],
    )
    again = replay(replace(made.records, dives=dives, checks=checks), cuts=2)
    before = played.moment < moment_of(np.datetime64("2026-05-06"))
    same = again.moment < moment_of(np.datetime64("2026-05-06"))
    assert before.sum() == same.sum() == 80
    # A leak moves forecasts by grams and more; compiled sums may differ in their last digits.
    for name in ("points", "weights", "sd"):
        assert_allclose(getattr(played.need, name)[before], getattr(again.need, name)[same], atol=1e-6)
    assert_array_equal(played.carried[before], again.carried[same])
    assert (again.outcomes.table[~same] == CHECK).sum() == 8


def test_record_changes_what_is_foretold_after_it() -> None:
    made, played = known_world(0)
    dives = {name: values.copy() for name, values in made.records.dives.items()}
    dives["stop_result"][0] = "sank" if dives["stop_result"][0] == "rose" else "rose"
    again = replay(replace(made.records, dives=dives), cuts=2)
    changed = np.abs(again.need.mean - played.need.mean) > 1e-9
    assert not changed[played.moment <= clock(made.records).dive[0]].any()
    assert changed[(played.outcomes.diver == 0) & (played.earlier > 0)].all()


def test_nothing_of_a_dive_is_known_before_it() -> None:
    """Its own lead and result, its hand-off and its check move no forecast of that dive."""
    played = replay(club.records(), cuts=1)
    last = {"lead_kg": 12, "stop_result": "rose", "handed_off_kg": 2, "handed_off_result": "hovered"}
    dives = [row | last if row["dive"] == "In-8" else row for row in club.dives()]
    checks = [row | {"lead_kg": 11} if row["dive"] == "In-8" else row for row in club.checks()]
    again = replay(club.records(dives=dives, checks=checks), cuts=1)

    def of(found: Replay, kind: str) -> np.ndarray:
        dive = club.records().dives["dive"][np.where(found.outcomes.table == DIVE, found.outcomes.row, 0)]
        return found.need.mean[(dive == "In-8") & (found.outcomes.kind == kind)]

    assert len(of(again, "hand_off")) == 1
    assert_allclose(of(played, "stop"), of(again, "stop"), atol=1e-4)
    # The hand-off leaves need alone: it is asked about in the same state.
    assert_allclose(of(again, "hand_off"), of(again, "stop"), atol=1e-4)


def test_since_scores_only_later_dives_and_knows_the_earlier_ones() -> None:
    made, _ = known_world(0)
    since = np.datetime64("2026-05-06")
    played = replay(made.records, cuts=1, since=np.datetime64("2026-05-06"))
    assert (played.moment >= moment_of(since)).all()
    assert played.cuts[1].dives == 80
    assert played.earlier.min() == 5


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([], r"the book has 0 dives with a date; a backtest needs at least 20"),
        (
            [{"dive": str(i), "diver": "A", "date": "2026-05-01", "lead_kg": 6} for i in range(25)],
            "no record says where need lay",
        ),
    ],
)
def test_book_that_holds_too_little(rows: list[dict[str, object]], said: str) -> None:
    divers = columns_from_rows(DIVERS, [{"diver": "A"}])
    records = Records(divers, empty("gear"), columns_from_rows(DIVES, rows), empty("checks"))
    with pytest.raises(LeadlineError, match=said):
        replay(records)


def test_missing_library_is_named_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    found = forecast.find_spec
    monkeypatch.setattr(forecast, "find_spec", lambda name: None if name in MISSING else found(name))
    with pytest.raises(
        LeadlineError, match=r"needs scoringrules and statsmodels, not.*pip install '\.\[backtest\]'"
    ):
        backtest(club.records())


def test_whole_backtest_of_the_club_is_the_same_twice() -> None:
    first, second = (backtest(club.records(), cuts=2) for _ in range(2))
    assert isinstance(first, Backtest)
    assert first.verdict == second.verdict
    for one, other in zip(first.rivals, second.rivals, strict=True):
        scores = [[s.crps, s.log_score, s.bias] for s in (one, other)]
        assert_allclose(*scores, atol=1e-6)
    assert [score.name for score in first.rivals] == ["model", "prior", "last_lead", "mixed_model", "ridge"]
    assert first.rivals[0].readings == first.rivals[3].readings > 0
