"""The other end of `leadline.model.second`: loads all code that answers need, and answers what is asked."""

from __future__ import annotations

import gc
import os
import pickle
import sys
from pathlib import Path
from queue import SimpleQueue
from threading import Lock, Thread
from types import ModuleType
from typing import IO, TYPE_CHECKING, Final

from leadline.model.second import received, send

if TYPE_CHECKING:
    from leadline.model.jobs import Jobs
    from leadline.model.observations import Observations
    from leadline.model.people import Population

__all__ = ["load", "serve"]

SWITCH: Final = 0.0001
"""How long a thread may keep the interpreter while another one wants it. [s]"""


def serve() -> None:
    """Answer until whoever asks has gone. What is asked is taken in while all is still being loaded."""
    # Loading would let go of the interpreter a hundred times too seldom for a pipe that wants to be emptied.
    sys.setswitchinterval(SWITCH)
    gc.disable()  # what is loaded stays, and to look through it for garbage takes a sixth of the time
    messages: SimpleQueue[bytes] = SimpleQueue()
    # What else is written to standard output would be taken for an answer.
    sink = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    Thread(target=_answer_all, args=(messages, sink), daemon=True).start()
    while (text := received(sys.stdin.buffer)) is not None:
        messages.put(text)
    os._exit(0)  # without waiting for answers that nobody waits for


def _bindings_alone() -> None:
    """Let the compiler have the two modules of SciPy's linear algebra that it asks for without the rest.

    It asks as it starts, and the package around them takes a quarter of all loading. Nothing else here has a
    use for it. Should SciPy be laid out otherwise some day, loading fails and whoever asks does it all.
    """
    import scipy

    package = ModuleType("scipy.linalg")
    package.__path__ = [str(Path(place, "linalg")) for place in scipy.__path__]
    sys.modules["scipy.linalg"] = package


def _answer_all(messages: SimpleQueue[bytes], sink: IO[bytes]) -> None:
    """Take up one message after the other; few questions that come late need not wait for many before."""
    try:
        _bindings_alone()
        load()
        lock = Lock()
        population = observations = None
        while True:
            number, known, jobs = pickle.loads(messages.get())  # noqa: S301 (from our own process)
            if known is not None:
                population, observations = known
            Thread(target=_answer, args=(number, population, observations, jobs, sink, lock)).start()
    except BaseException:
        os._exit(1)  # whoever asks does it then


def _answer(
    number: int, population: Population, observations: Observations, jobs: Jobs, sink: IO[bytes], lock: Lock
) -> None:
    from leadline.model.crowd_work import worked

    try:
        for part in worked(population, observations, jobs):
            with lock:
                send(sink, (number, part))
    finally:
        with lock:
            send(sink, (number, None))


def load() -> None:
    """Ask for the need of somebody of whom nothing is known, which loads all code that any answer needs."""
    import numpy as np

    from leadline.model.crowd import Question, crowd_marginals
    from leadline.model.observations import Observations
    from leadline.model.people import Population, Targets
    from leadline.model.population import prior_fit

    none, label, names = np.zeros(0), np.zeros(0, np.int64), ("one", "other")
    nothing = Observations(
        prior=none,
        exposure=np.zeros((0, len(names))),
        suit_weight=none,
        lower=none,
        upper=none,
        lower_breath=none,
        upper_breath=none,
        reading_sd=none,
        fit=np.zeros((0, 3)),
        form=label,
        point=np.zeros(0, bool),
        occasion=label,
        suit=label,
        diver=label,
        body_sd=none,
        names=names,
    )
    need = Targets(np.zeros(1), np.zeros((1, len(names))), np.ones(1), np.zeros(1, np.int64), 1.0)
    question = Question(label, np.zeros(0, bool), label, need)
    crowd_marginals(Population.of(prior_fit(names), names), nothing, [question])
