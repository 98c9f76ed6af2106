"""Books that say little, nothing or the opposite: a wide band or one clear line, never NaN or a warning.

Warnings of any library fail the test (`pytest` turns them into errors). Bounds are what physics allows: no
band is narrower than scatter, none of a stranger is wider than prior and sense.
"""

from __future__ import annotations

from dataclasses import fields

import numba
import numpy as np
import pytest

from leadline.arrays import columns_from_rows
from leadline.decide.advice import advise
from leadline.decide.assessment import Assessment
from leadline.decide.learning import learn
from leadline.model.population import Fit
from leadline.records import DIVES
from tests.decide.club import DIVERS, dives, plan_row, records

INES = [row for row in dives() if row["diver"] == "Ines"]


@pytest.fixture(autouse=True, scope="module")
def one_thread():
    """A fit here takes milliseconds; threads that wait for each other take longer."""
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    yield
    numba.set_num_threads(before)


def changed(rows, **cells):
    return [row | cells for row in rows]


def strangers(count):
    """Divers of whom only a mass is known, with one dive each."""
    people = [{"diver": f"diver {n}", "mass_kg": 55 + n % 40} for n in range(count)]
    results = ("hovered", "sank", "rose")
    made = [
        INES[0]
        | {"diver": p["diver"], "dive": f"d{n}", "lead_kg": 2 + n % 9, "stop_result": results[n % 3]}
        | {"bc_state": ("empty", "gas")[n % 2]}
        for n, p in enumerate(people)
    ]
    return people, made


BOOKS = {
    "no dives": {"dives": []},
    "nothing at all": {"dives": [], "divers": [{"diver": "Ines"}]},
    "one diver, one dive": {"divers": DIVERS[:1], "dives": INES[:1]},
    "one dive without a result": {
        "divers": DIVERS[:1],
        "dives": changed(INES[:1], stop_result="", bc_state=""),
    },
    "one diver": {"divers": DIVERS[:1], "dives": INES},
    "upper bounds only": {"dives": changed(dives(), bc_state="gas")},
    "BC never noted": {"dives": changed(dives(), bc_state="unknown")},
    "lower bounds only": {"dives": changed(dives(), stop_result="rose", bc_state="empty")},
    "all sank": {"dives": changed(dives(), stop_result="sank", bc_state="empty")},
    "all the same": {"dives": changed(dives(), lead_kg=6.0, stop_result="hovered", bc_state="empty")},
    "one diver contradicts": {
        "divers": DIVERS[:1],
        "dives": [
            row | {"lead_kg": lead, "stop_result": result, "bc_state": "empty"}
            for row, (lead, result) in zip(
                INES, [(2, "sank"), (12, "rose"), (3, "sank"), (11, "rose"), (4, "hovered")] * 2, strict=False
            )
        ],
    },
    "absurd lead": {"dives": changed(dives(), lead_kg=60.0)},
    "no lead": {"dives": changed(dives(), lead_kg=0.0)},
}


def answer(fit, **tables):
    """Advice for Ines in the kit of the club, after learning."""
    held = records(checks=[], **tables)
    assessment = Assessment.of(held, fit, plan=columns_from_rows(DIVES, [plan_row("Ines")]))
    (found,) = advise(assessment)
    return found


def check(advice):
    numbers = {f.name: getattr(advice, f.name) for f in fields(advice)}
    bad = [name for name, value in numbers.items() if isinstance(value, float) and not np.isfinite(value)]
    assert bad == []
    quantiles = [numbers[f"need_{name}_kg"] for name in ("q025", "q10", "q50", "q90", "q975")]
    assert np.all(np.diff(quantiles) > 0)
    assert 0 <= advice.p_too_light <= 1
    assert 0 <= advice.p_too_heavy <= 1
    # Dive-to-dive scatter alone, and physics for a diver of whom nothing is known, with room to spare.
    assert 0.2 < advice.need_sd_kg < 6
    assert advice.next_step


@pytest.mark.parametrize("name", BOOKS)
def test_bad_book_gets_a_wide_band(name):
    tables = BOOKS[name]
    found = learn(records(checks=[], **tables))
    assert np.all(np.isfinite(found.fit.mean))
    assert np.all(np.isfinite(found.fit.theta_sd))
    assert Fit.from_bytes(found.fit.to_bytes()).theta == found.fit.theta
    advice = answer(found.fit, **tables)
    check(advice)


def test_one_sided_books_leave_the_band_open_below():
    # Gas in the BC on every dive proves lead enough, never that it is needed. So the lower half of the band
    # must keep most of the width it has before the first dive; leads chosen by others narrow it a little.
    tables = BOOKS["upper bounds only"]
    after = answer(learn(records(checks=[], **tables)).fit, **tables)
    before = answer(learn(records(checks=[], dives=[])).fit, dives=[])
    assert after.evidence == "upper_only"
    assert after.check_first
    below = after.need_q50_kg - after.need_q025_kg
    assert below > 0.6 * (before.need_q50_kg - before.need_q025_kg)
    assert below > after.need_q975_kg - after.need_q50_kg


def test_contradictions_do_not_make_sure():
    # Of these dives half must be wrong; the band must not be narrower than that of the same dives agreeing.
    tables = BOOKS["one diver contradicts"]
    torn = answer(learn(records(checks=[], **tables)).fit, **tables)
    agreed = answer(learn(records(checks=[], **BOOKS["one diver"])).fit, **BOOKS["one diver"])
    assert torn.need_sd_kg > agreed.need_sd_kg


def test_many_strangers_with_one_dive_each():
    people, made = strangers(500)
    tables = {"divers": [*people, DIVERS[0]], "dives": made}
    found = learn(records(checks=[], **tables))
    # By hand: every sixth rose with gas in the BC, which says nothing (83 of 500).
    assert found.counts["divers"] == 417
    advice = answer(found.fit, **tables)
    check(advice)
    assert advice.evidence == "none"
