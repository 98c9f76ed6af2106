"""Loading ahead: what is loaded is what answers need, and nobody waits or reads of it otherwise."""

from __future__ import annotations

import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from leadline.cli import holding
from leadline.decide import readiness
from leadline.decide.ahead import MANY, foresee
from leadline.decide.assessment import Assessment
from leadline.decide.readiness import ask_a_stranger, begin_loading
from leadline.model.crowd_answer import answer
from leadline.timeline import DIVE
from tests.decide.club import learned, records


def test_a_stranger_loads_the_code_that_answers_real_divers() -> None:
    """Arrays of another layout would have code of their own compiled, half a minute of it."""
    book = records()
    assessment = Assessment.of(book, learned(), dives_in_fit=np.full(len(book.dives["dive"]), True))
    ask_a_stranger()
    loaded = list(answer.signatures)
    rows = assessment.line.at(DIVE)[:3]
    foresee(assessment, rows, assessment.state(rows), many=1)
    assert len(assessment.foreseen.all()) == len(rows)
    assert list(answer.signatures) == loaded


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What is done in the background, in order."""
    done: list[str] = []
    monkeypatch.setattr(readiness, "ask_a_stranger", lambda: done.append("asked"))
    monkeypatch.setattr(readiness, "_compiler", lambda: done.append("loaded"))
    return done


def wait() -> None:
    for thread in threading.enumerate():
        if thread is not threading.main_thread() and thread.name.startswith("loading"):
            thread.join()


@pytest.mark.parametrize(
    ("questions", "sure", "expected"),
    [(MANY, True, ["asked"]), (MANY, False, ["loaded"]), (MANY - 1, True, []), (0, False, [])],
)
def test_only_for_many_questions_and_code_only_where_they_are_sure(
    questions: int, sure: bool, expected: list[str], asked: list[str]
) -> None:
    begin_loading(questions, sure=sure)
    wait()
    assert asked == expected


def test_what_cannot_be_loaded_is_told_where_it_is_needed(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "leadline.model.crowd_answer", None)
    with pytest.raises(ImportError, match="crowd_answer"):
        readiness._compiler()
    begin_loading(MANY, sure=False)
    wait()
    assert capfd.readouterr().err == ""


def test_a_plan_that_can_be_read_only_once_is_not_read_ahead(tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,suit\n" + "Ines,full 5\n" * 500)
    assert holding._lines(plan) == 501
    assert holding._lines(tmp_path / "none.csv") == 0
    assert holding._lines(Path("/dev/stdin")) == 0
