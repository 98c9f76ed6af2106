"""A second process answers what the first one asks, to the bit; without it nothing is lost but time."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from leadline.cli import holding
from leadline.decide.ahead import foresee
from leadline.decide.assessment import Assessment
from leadline.decide.foreseen import Key
from leadline.decide.readiness import MANY, begin_loading
from leadline.model import crowd_work, second
from leadline.model.crowd_answer import answer
from leadline.model.jobs import AT_ONCE
from leadline.model.marginal import Marginal
from leadline.model.second_process import load
from leadline.timeline import DIVE
from tests.decide.club import learned, records


def club() -> Assessment:
    book = records()
    return Assessment.of(book, learned(), dives_in_fit=np.full(len(book.dives["dive"]), True))


def test_a_stranger_loads_the_code_that_answers_real_divers() -> None:
    """Arrays of another layout would have code of their own compiled, half a minute of it."""
    assessment = club()
    load()
    loaded = list(answer.signatures)
    rows = assessment.line.at(DIVE)[:3]
    foresee(assessment, rows, assessment.state(rows), many=1)
    assert len(assessment.foreseen.all()) == len(rows)
    assert list(answer.signatures) == loaded


@pytest.fixture
def beside(monkeypatch: pytest.MonkeyPatch) -> Iterator[second._Second]:
    """A second process of the test's own."""
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(second, "_running", [])
    second.begin()
    (process,) = second._running
    yield process
    second.end()


def asked(assessment: Assessment, rows: NDArray[np.int64]) -> dict[Key, Marginal]:
    """Needs on dives, each on what came before it: a question each."""
    foresee(assessment, rows, assessment.state(rows), until=np.arange(len(rows)) * 5 + 3, many=1)
    return assessment.foreseen.all()


def same(one: dict[Key, Marginal], other: dict[Key, Marginal]) -> bool:
    return one.keys() == other.keys() and all(
        need.points.tobytes() == other[key].points.tobytes()
        and need.weights.tobytes() == other[key].weights.tobytes()
        and need.scatter == other[key].scatter
        for key, need in one.items()
    )


def test_the_second_process_gives_the_same_bits(
    beside: second._Second, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two plans of one assessment, and another assessment after it; none of the work is done here."""
    assessment, other = club(), club()
    rows = assessment.line.at(DIVE)
    assert len(rows) > 2 * AT_ONCE
    with monkeypatch.context() as patch:
        patch.setattr(crowd_work, "worked", lambda *_: pytest.fail("done here"))
        found = asked(assessment, rows[:-3])
        found |= asked(assessment, rows[-3:])
        again = asked(other, rows[:5])
    second.end()
    here = club()
    asked(here, rows[:-3])
    assert same(found, asked(here, rows[-3:]))
    assert same(again, asked(club(), rows[:5]))


def test_what_a_process_that_ended_did_not_answer_is_answered_here(beside: second._Second) -> None:
    assessment = club()
    rows = assessment.line.at(DIVE)
    foresee(assessment, rows, assessment.state(rows), until=np.arange(len(rows)) * 5 + 3, many=1)
    first = next(iter(assessment.foreseen._awaited))
    assert assessment.foreseen.get(first) is not None
    beside._process.kill()
    found = assessment.foreseen.all()
    later = asked(assessment, rows[:4])  # known already
    assert same(found, later)
    second.end()
    assert same(found, asked(club(), rows))


def test_a_process_that_never_came_up_is_done_without(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(second, "_running", [])
    monkeypatch.setattr(second, "_COMMAND", "import nothing_of_that_name")
    second.begin()
    rows = club().line.at(DIVE)[:20]
    found = asked(club(), rows)
    second.end()
    assert same(found, asked(club(), rows))
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("cores", "executable", "fails"), [(1, sys.executable, False), (2, "", False), (2, sys.executable, True)]
)
def test_where_there_is_none_to_be_had_none_is_asked(
    cores: int, executable: str, fails: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object, **__: object) -> None:
        assert fails
        raise OSError("no more processes")

    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    monkeypatch.setattr(sys, "executable", executable)
    monkeypatch.setattr(second, "_running", [])
    monkeypatch.setattr(subprocess, "Popen", refused)
    second.begin()
    assert second._running == []


@pytest.mark.parametrize(("questions", "times"), [(MANY, 1), (MANY - 1, 0), (0, 0)])
def test_only_for_many_questions_and_once(
    questions: int, times: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Started:
        def end(self) -> None:
            pass

    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(second, "_running", [])
    monkeypatch.setattr(second, "_Second", Started)
    begin_loading(questions)
    begin_loading(questions)
    assert len(second._running) == times
    second.end()
    assert second._running == []


def ended(number: int) -> bool:
    """Whether a process is there no more, within a while."""
    for _ in range(200):
        try:
            state = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            return True
        if state == "Z":  # ended, though nobody has asked how
            return True
        time.sleep(0.05)
    return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc to look at processes")
@pytest.mark.parametrize("how", ["leaves", "is killed"])
def test_the_second_process_does_not_outlive_the_first(how: str) -> None:
    program = (
        "import os, sys; os.cpu_count = lambda: 2\n"
        "from leadline.model import second; second.begin()\n"
        "print(second._running[0]._process.pid, flush=True); sys.stdin.read()"
    )
    first = subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert first.stdin
    assert first.stdout
    number = int(first.stdout.readline())
    assert Path(f"/proc/{number}").exists()
    if how == "leaves":
        first.stdin.close()
        assert first.wait() == 0
    else:
        first.send_signal(signal.SIGKILL)
        first.wait()
        first.stdin.close()
    first.stdout.close()
    assert ended(number)


def test_a_plan_that_can_be_read_only_once_is_not_read_ahead(tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,suit\n" + "Ines,full 5\n" * 500)
    assert holding._lines(plan) == 501
    assert holding._lines(tmp_path / "none.csv") == 0
    assert holding._lines(Path("/dev/stdin")) == 0
