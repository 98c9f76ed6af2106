"""What one diver's records may and may not say about that diver."""

from dataclasses import replace

import numpy as np
import pytest

from leadline.arrays import Records, columns_from_rows, empty
from leadline.decide.assessment import Assessment
from leadline.decide.learning import learn
from leadline.model.population import prior_fit
from leadline.records import CHECKS, DIVERS, DIVES, GEAR
from leadline.timeline import PLAN

KIT = {"suit": "full 5", "cylinder": "steel 12", "water": "salt"}


def band(dives, bc_state, theta=None):
    """Quantiles of need for the next dive after so many that hovered with 9 kg."""
    row = {
        "diver": "Ines",
        "lead_kg": 9.0,
        "end_bar": "50",
        "stop_result": "hovered",
        "bc_state": bc_state,
        **KIT,
    }
    seen = [{**row, "dive": str(i), "date": f"2026-05-{1 + i % 28:02d}"} for i in range(dives)]
    records = Records(
        columns_from_rows(
            DIVERS, [{"diver": "Ines", "mass_kg": 64, "height_cm": 168, "birth_year": 1991, "sex": "f"}]
        ),
        columns_from_rows(
            GEAR,
            [
                {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 5},
                {"item": "steel 12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12},
            ],
        ),
        columns_from_rows(DIVES, seen),
        empty("checks"),
    )
    plan = columns_from_rows(DIVES, [{"dive": "next", "diver": "Ines", "date": "2026-06-01", **KIT}])
    fit = prior_fit()
    assessment = Assessment.of(records, replace(fit, theta=theta or fit.theta), plan=plan)
    rows = assessment.line.at(PLAN)
    return assessment.marginals(rows, assessment.state(rows))[0].quantile([0.025, 0.5, 0.975])


@pytest.mark.parametrize("bc_state", ["", "unknown", "gas"])
def test_many_dives_without_a_look_say_no_more_than_prior_and_bound(bc_state):
    # A population in which a noted empty BC is common and gas means heavy must not turn one diver's habit of
    # noting into proof that the diver is heavy: 9 kg lies far above the prior, so its bound says nothing.
    noting = replace(prior_fit().theta, closed_low=0.9, closed_high=0.5, closed_heavy=0.05)
    before, after = band(0, bc_state), band(60, bc_state, noting)
    assert np.abs(after - before).max() < 0.25


def test_a_look_with_an_empty_bc_says_more():
    low, _, high = band(3, "empty")
    wide_low, _, wide_high = band(3, "unknown")
    assert high - low < 0.7 * (wide_high - wide_low)
    assert low > wide_low + 1


def test_without_its_only_diver_a_population_is_the_prior():
    # Independent: with the share of the only diver taken out, nothing has been learned of anybody: means 0,
    # variances 1. Hyperparameters at which the shared effects are not known exactly would leave a rest.
    kit = {"diver": "Ines", "bc": "jacket", **KIT}
    hovered = {**kit, "stop_result": "hovered", "start_bar": "200"}
    records = Records(
        columns_from_rows(
            DIVERS,
            [
                {
                    "diver": "Ines",
                    "mass_kg": 64,
                    "height_cm": 168,
                    "birth_year": 1991,
                    "sex": "f",
                    "dives_before": 40,
                }
            ],
        ),
        columns_from_rows(
            GEAR,
            [
                {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 5},
                {"item": "jacket", "kind": "bc", "style": "jacket"},
                {"item": "steel 12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12},
            ],
        ),
        columns_from_rows(
            DIVES,
            [
                {
                    **hovered,
                    "dive": "1",
                    "date": "2026-05-02",
                    "end_bar": "60",
                    "lead_kg": 7.0,
                    "bc_state": "gas",
                },
                {
                    **hovered,
                    "dive": "2",
                    "date": "2026-05-03",
                    "end_bar": "50",
                    "lead_kg": 6.0,
                    "bc_state": "empty",
                },
            ],
        ),
        columns_from_rows(
            CHECKS,
            [
                {
                    "check": "1",
                    "diver": "Ines",
                    "dive": "2",
                    "date": "2026-05-03",
                    "lead_kg": 6.0,
                    "bar": "50",
                    "waterline": "eye",
                    "breath": "normal",
                }
            ],
        ),
    )
    plan = columns_from_rows(DIVES, [{"dive": "next", "date": "2026-05-09", **kit}])
    assessment = Assessment.of(
        records,
        learn(records).fit,
        plan=plan,
        dives_in_fit=np.ones(2, bool),
        checks_in_fit=np.ones(1, bool),
    )
    left = assessment.population_without(0)
    assert np.abs(left.mean).max() < 0.3
    assert np.abs(np.diagonal(left.covariance, axis1=1, axis2=2) - 1).max() < 0.15
    rows = assessment.line.at(PLAN)
    need = assessment.marginals(rows, assessment.state(rows))[0]
    unseen = band(0, "")
    assert need.quantile(0.025) > unseen[0]
    assert need.sd < (unseen[2] - unseen[0]) / 4


def test_of_kit_changed_since_the_fit_nothing_learned_is_left():
    """Independent: normal equations. Without the prior of the suit, then without the suit itself."""
    from .club import checks, dives, learned, plan_row, records

    held, fit = records(), learned()
    of = {"plan": columns_from_rows(DIVES, [plan_row("Uma")]), "checks_in_fit": np.ones(len(checks()), bool)}
    seen = np.ones(len(dives()), bool)
    as_was = Assessment.of(held, fit, dives_in_fit=seen, **of)
    changed = Assessment.of(held, fit, dives_in_fit=seen, changed_kit=("full 5",), **of)
    assert as_was.in_fit[as_was.line.table != PLAN].all()
    assert not changed.in_fit.any()  # every dive and check of the club was made in it
    names = list(fit.names)
    gone = names.index("type:full 5")
    rest = [i for i in range(len(names)) if i != gone]
    flat = fit.precision.copy()
    flat[gone, gone] -= 1
    mean = np.linalg.solve(flat, fit.precision @ fit.mean)
    got, spread = changed.fit.aligned(names)
    np.testing.assert_allclose(got[rest], mean[rest], atol=1e-4)
    np.testing.assert_allclose(spread[np.ix_(rest, rest)], np.linalg.inv(flat)[np.ix_(rest, rest)], atol=1e-4)
    assert got[gone] == 0
    np.testing.assert_allclose(spread[gone], np.eye(len(names))[gone], atol=1e-12)
    # A suit that nobody of the club wore: all stays as it is.
    assert Assessment.of(held, fit, dives_in_fit=seen, changed_kit=("vest",), **of).fit is fit
