"""What the boat sheet of the demo has to put on after a check, against what `check` says of the same look.

Kind: pinned to each other: `check` takes in the look on a grid with what was known; the sheet has what to put
on by the look alone, and between which leads by what is known.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from leadline.book import Book
from leadline.decide.advice import answers
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.check import check
from leadline.decide.check_look import Look
from leadline.decide.checked_dive import CheckedDive
from leadline.decide.learning import learn

DATASETS = Path(__file__).resolve().parents[2] / "datasets"


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], tuple[float, float]]:
    """Lead by the sheet and by `check`, for each diver of the plan who is to look. [kg].

    Eye level is found where it is expected, with the lead to begin with, or with all at hand; or the diver is
    under water without any.
    """
    path = tmp_path_factory.mktemp("demo") / "demo.duckdb"
    with Book.open(path, write=True, create=True) as book:
        book.load(**{name: DATASETS / f"{name}.csv" for name in ("divers", "gear", "dives", "checks")})
        records, plan = book.records(), book.read_plan(DATASETS / "plan.csv")
    fit = learn(records).fit
    in_fit = {
        "dives_in_fit": np.ones(len(records.dives["dive"]), bool),
        "checks_in_fit": np.ones(len(records.checks["check"]), bool),
    }
    found = {}
    for i, answer in enumerate(answers(Assessment.of(records, fit, plan=plan, **in_fit))):
        dive = {name: column[i : i + 1] for name, column in plan.items()}
        before = CheckedDive.around(Assessment.of(records, fit, plan=dive, **in_fit))
        middle = float(before.expected.quantile(0.5))
        if answer.after is None:
            continue
        advice = answer.advice
        if answer.after.deep:
            look = Look(0.0, dive["start_bar"][0], "under")
            read = check(records, fit, dive, [look], **in_fit).advice.bring_kg
            found[advice.diver, "under"] = answer.after.bare_kg, read
        if middle < 0:
            continue
        ends = {"middle": Block().nearest(middle), "begin": advice.lead_kg, "hand": advice.bring_kg}
        for at, eye in ends.items():
            look = Look(eye, dive["start_bar"][0], "eye")
            # What the look asks for: a step down that is held back is not its doing.
            read = check(records, fit, dive, [look], **in_fit).advice.bring_kg
            found[advice.diver, at] = answer.after.lead(eye), read
    return found


def test_sheet_and_check_agree_under_water_without_lead(told) -> None:
    """To a block, and never less."""
    under = {diver: both for (diver, at), both in told.items() if at == "under"}
    assert len(under) >= 2
    for diver, (sheet, read) in under.items():
        assert 0 <= sheet - read <= 0.5, diver


def test_sheet_and_check_agree_where_eye_level_is_expected(told) -> None:
    """To a block where eye level is expected; the more lead it takes, the more the sheet has over `check`."""
    leads = {key: both for key, both in told.items() if key[1] != "under"}
    assert len(leads) >= 15
    for (diver, at), (sheet, read) in leads.items():
        assert -0.5 <= sheet - read <= (0.5 if at == "middle" else 1.5), (diver, at)
    # Rounded once each; nowhere less by more than a rounding.
    assert sum(sheet < read for sheet, read in leads.values()) <= 0.15 * len(leads)
