"""Answers for many divers at once against those for one after the other."""

import os
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from leadline.arrays import columns_from_rows
from leadline.decide.ahead import foresee
from leadline.decide.assessment import ALL_TIME, Assessment
from leadline.decide.foreseen import Foreseen
from leadline.decide.learning import learn
from leadline.decide.readiness import MANY
from leadline.model.crowd_work import _worked
from leadline.model.marginal import Marginal
from leadline.model.population import prior_fit
from leadline.records import CHECKS
from leadline.timeline import DIVE
from tests.decide.classes import school
from tests.decide.club import learned, records

PROBABILITIES = [0.025, 0.1, 0.5, 0.9, 0.975]


def assessed(book, fit, *, seen):
    dives, checks = len(book.dives["dive"]), len(book.checks["check"])
    return Assessment.of(book, fit, dives_in_fit=np.full(dives, seen), checks_in_fit=np.full(checks, seen))


def shape(need):
    return np.array([need.mean, need.sd, *need.quantile(PROBABILITIES)])


def one_by_one(assessment, rows, state, until):
    return [
        assessment.marginals(rows[i : i + 1], state.take(slice(i, i + 1)), until=int(until[i]))[0]
        for i in range(len(rows))
    ]


def before_each_dive(assessment):
    """Every dive with a noted result, on the evidence of those before it."""
    evidence = assessment.evidence
    rows = assessment.line.at(DIVE)
    first = {int(r): int(o) for r, o in zip(evidence.statements.row[::-1], evidence.order[::-1], strict=True)}
    rows = np.array([row for row in rows if int(row) in first])
    return rows, np.array([first[int(row)] - 1 for row in rows])


def checked(book):
    """The same with a check before each dive that its lead is noted of: rows that share a dive's scatter."""
    rng, dives = np.random.default_rng(3), book.dives
    rows = [
        {
            "check": f"k{row}",
            "diver": dives["diver"][row],
            "dive": dives["dive"][row],
            "date": str(dives["date"][row])[:10],
            "lead_kg": float(dives["lead_kg"][row]) - float(rng.choice([0, 0.5])),
            "bar": 60,
            "waterline": str(rng.choice(["eye", "crown"])),
        }
        for row in np.flatnonzero(~np.isnan(dives["lead_kg"]))
    ]
    return replace(book, checks=columns_from_rows(CHECKS, rows))


@pytest.mark.parametrize(
    ("book", "seen"),
    [
        ("checked", True),
        ("checked", False),
        ("club", True),
        ("club", False),
        ("school", True),
        ("school", False),
        ("club before anything was learned", False),
    ],
)
def test_all_at_once_is_one_after_the_other(book, seen):
    # Independent: the plain array code, which shares no line with the compiled one but the likelihood's ends.
    records_of = school(5, classes=4).records if book in ("school", "checked") else records()
    records_of = checked(records_of) if book == "checked" else records_of
    fit = prior_fit() if book.endswith("learned") else learned()
    if book in ("school", "checked") and seen:
        fit = learn(records_of).fit  # what is taken out of a population must be in it
    assessment = assessed(records_of, fit, seen=seen)
    rows, until = before_each_dive(assessment)
    rows, until = rows[:: len(rows) // 60 + 1], until[:: len(until) // 60 + 1]
    rows, until = np.concatenate([rows, rows]), np.concatenate([until, np.full(len(rows), ALL_TIME)])
    state = assessment.state(rows)
    plain = np.array([shape(need) for need in one_by_one(assessment, rows, state, until)])
    assert foresee(assessment, rows, state, until=until, many=1) == len(rows)
    found = one_by_one(assessment, rows, state, until)
    kept = {id(need) for need in assessment.foreseen.all().values()}
    # Contradictory records are asked about one by one.
    assert sum(id(need) in kept for need in found) > 0.75 * len(found)
    apart = np.abs(np.array([shape(need) for need in found]) - plain) / plain[:, 1:2]
    # In sds of the answer; contradictory records may be settled a little differently, which the far end of
    # such a band shows first. One diver in the book of checks has such ones, and is asked about six times.
    assert np.quantile(apart.max(axis=1), 0.93) < 0.03
    assert np.quantile(apart.max(axis=1), 0.98) < 0.055
    assert np.max(apart) < 0.1
    assert np.mean(apart > 0.015) < 0.05


def test_one_core_or_many_give_the_same_bits(monkeypatch):
    bits = []
    for cores in (1, 2, 5):
        monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
        assessment = assessed(school(5, classes=10).records, learned(), seen=True)
        rows = assessment.line.at(DIVE)
        foresee(assessment, rows, assessment.state(rows), many=1)
        bits.append(b"".join(need.weights.tobytes() for need in assessment.foreseen.all().values()))
    assert bits[0] == bits[1] == bits[2]


def test_few_questions_are_left_to_be_asked():
    assessment = assessed(records(), learned(), seen=True)
    rows = assessment.line.at(DIVE)
    assert len(rows) < MANY
    assert foresee(assessment, rows, assessment.state(rows)) == 0
    assert not assessment.foreseen


def test_another_state_is_another_question():
    assessment = assessed(records(), learned(), seen=True)
    rows = assessment.line.at(DIVE)[:3]
    foresee(assessment, rows, assessment.state(rows), many=1)
    fuller = assessment.marginals(rows[:1], assessment.state(rows[:1], pressure=120.0))[0]
    asked = assessment.marginals(rows[:1], assessment.state(rows[:1]))[0]
    assert_allclose(asked.mean, next(iter(assessment.foreseen.all().values())).mean)
    assert fuller.mean < asked.mean - 0.3  # the gas weighs, so less lead is needed


def test_what_was_found_is_not_asked_again():
    assessment = assessed(records(), learned(), seen=True)
    rows = assessment.line.at(DIVE)[:6]
    state = assessment.state(rows)
    assert foresee(assessment, rows[:4], state.take(slice(0, 4)), many=1) == 4
    kept = assessment.foreseen.all()
    assert foresee(assessment, rows, state, many=1) == 2
    assert all(assessment.foreseen.get(key) is need for key, need in kept.items())
    assert foresee(assessment, rows, state, many=1) == 0


def test_a_share_taken_out_once_for_several_questions_is_the_same_to_the_bit():
    """Independent: each question in a call of its own, which takes the share out anew."""
    together, apart = (assessed(school(5, classes=2).records, learned(), seen=True) for _ in range(2))
    rows = together.line.at(DIVE)
    rows = np.concatenate([rows, rows])
    until = np.repeat([ALL_TIME, -1], len(rows) // 2)
    foresee(together, rows, together.state(rows), until=until, many=1)
    for end in (-1, ALL_TIME):
        half = rows[until == end]
        foresee(apart, half, apart.state(half), until=end, many=1)
    assert together.foreseen.all().keys() == apart.foreseen.all().keys()
    for key, need in together.foreseen.all().items():
        assert need.points.tobytes() == apart.foreseen.get(key).points.tobytes()
        assert need.weights.tobytes() == apart.foreseen.get(key).weights.tobytes()


def test_whoever_asks_waits_for_what_is_asked_and_no_longer():
    """Parts that come one after the other; the last one never comes unless somebody asks for it."""
    taken = []

    def parts():
        for number in range(3):
            taken.append(number)
            yield {(number, 0, b""): needs[number]}

    needs = [Marginal(np.array([float(n)]), np.array([1.0]), 0.5) for n in range(2)] + [None]
    found = Foreseen()
    assert not found
    found.expect([(number, 0, b"") for number in range(3)], parts())
    assert found
    assert (2, 0, b"") in found
    assert found.get((1, 0, b"")) is needs[1]
    assert taken == [0, 1]
    assert found.get((7, 0, b"")) is None  # nobody asked, so nobody waits
    assert taken == [0, 1]
    assert found.get((2, 0, b"")) is None  # to be asked by itself
    assert list(found.all()) == [(0, 0, b""), (1, 0, b"")]


@pytest.mark.parametrize("cores", [1, 3])
def test_work_comes_in_order_and_its_fault_with_it(monkeypatch, cores):
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    done = []

    def work(first):
        if first == 30:
            raise ValueError("thirty")
        done.append(first)

    assert list(_worked(work, range(0, 30, 10))) == [0, 10, 20]
    coming = _worked(work, range(0, 50, 10))
    assert [next(coming) for _ in range(3)] == [0, 10, 20]
    with pytest.raises(ValueError, match="thirty"):
        next(coming)


def test_a_few_late_questions_do_not_wait_for_the_many_before_them():
    many = iter([{(n, 0, b""): Marginal(np.array([float(n)]), np.array([1.0]), 0.5)} for n in range(3)])
    need = Marginal(np.array([9.0]), np.array([1.0]), 0.5)
    found = Foreseen()
    found.expect([(n, 0, b"") for n in range(3)], many)
    found.expect([(9, 0, b"")], iter([{(9, 0, b""): need}]))
    assert found.get((9, 0, b"")) is need
    assert list(next(many)) == [(0, 0, b"")]  # not taken yet
    assert found.get((1, 0, b"")) is not None


def test_a_prior_at_hand_changes_no_answer():
    together, apart = (assessed(records(), learned(), seen=True) for _ in range(2))
    rows, until = before_each_dive(together)
    state = together.state(rows)
    ledger, shared = together.prior(rows, state)
    foresee(together, rows[:3], state.take(slice(0, 3)), until=until[:3], many=1)  # those are not asked again
    foresee(together, rows, state, until=until, many=1, prior=(ledger.need, shared))
    foresee(apart, rows, state, until=until, many=1)
    expected = apart.foreseen.all()
    assert together.foreseen.all().keys() == expected.keys()
    for key, need in expected.items():
        found = together.foreseen.get(key)
        assert_allclose(found.points, need.points, rtol=0, atol=1e-9)
        assert_allclose(found.weights, need.weights, rtol=0, atol=1e-9)
