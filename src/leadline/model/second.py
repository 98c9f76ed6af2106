"""A second process that answers for many divers, and loads the compiler while this one still reads.

Compiler and compiled code take half a second to load. Most of that is Python, for which two threads of a
process take turns, so that a plan would be read and loaded for one after the other. Nothing hangs on the
second process: what it does not answer is done here, by the same code, to the same bits.
"""

from __future__ import annotations

import atexit
import os
import pickle
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from queue import SimpleQueue
from threading import Lock, Thread
from typing import IO, TYPE_CHECKING, Final

if TYPE_CHECKING:
    from leadline.model.jobs import Jobs, Part
    from leadline.model.observations import Observations
    from leadline.model.people import Population

__all__ = ["ask", "begin", "end", "received", "send"]

_LENGTH: Final = struct.Struct("<Q")

_COMMAND: Final = "from leadline.model.second_process import serve; serve()"


def send(sink: IO[bytes], message: object) -> None:
    """Write one message into a pipe."""
    text = pickle.dumps(message, pickle.HIGHEST_PROTOCOL)
    sink.write(_LENGTH.pack(len(text)))
    sink.write(text)
    sink.flush()


def received(source: IO[bytes]) -> bytes | None:
    """Read one message, still pickled; None at the end of the pipe."""
    length = source.read(_LENGTH.size)
    if len(length) < _LENGTH.size:
        return None
    text = source.read(size := _LENGTH.unpack(length)[0])
    return text if len(text) == size else None


class _Second:
    """The process, and who waits for which of its answers."""

    def __init__(self) -> None:
        # As this one finds its modules, but for the folder that it happens to run in.
        home = str(Path(__file__).parents[2])
        path = os.pathsep.join(filter(None, [home, os.environ.get("PYTHONPATH")]))
        self._process = subprocess.Popen(  # noqa: S603 (our own module)
            [sys.executable, "-P", "-c", _COMMAND],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"PYTHONPATH": path},
        )
        self._waiting: dict[int, SimpleQueue[Part | None]] = {}
        self._told: tuple[Population, Observations] | None = None
        self._asked = 0
        self._lock = Lock()
        self._gone = False
        Thread(name="second", target=self._receive, daemon=True).start()

    def _receive(self) -> None:
        """Hand answers to who waits for them; at the end of all, tell everybody."""
        source = self._process.stdout
        try:
            while source is not None and (text := received(source)) is not None:
                number, part = pickle.loads(text)  # noqa: S301 (from our own process)
                self._waiting[number].put(part)
        except (OSError, ValueError, EOFError, KeyError, pickle.UnpicklingError):
            pass  # as good as the end
        with self._lock:
            self._gone = True
            for queue in self._waiting.values():
                queue.put(None)

    def ask(self, population: Population, observations: Observations, jobs: Jobs) -> Iterator[Part] | None:
        """See `ask`."""
        told = self._told is not None and self._told[0] is population and self._told[1] is observations
        queue: SimpleQueue[Part | None] = SimpleQueue()
        with self._lock:
            if self._gone:
                return None
            self._asked += 1
            number = self._asked
            self._waiting[number] = queue
        sink = self._process.stdin
        try:
            if sink is None:
                return None
            send(sink, (number, None if told else (population, observations), jobs))
        except (OSError, ValueError):
            return None
        self._told = population, observations
        return iter(queue.get, None)

    def end(self) -> None:
        """Have it end, whatever it is at."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            try:
                if pipe is not None:
                    pipe.close()
            except OSError:
                pass  # what was not sent yet has nobody to go to


_running: list[_Second] = []


def begin() -> None:
    """Start the second process, where there is a core for it and it has not been started."""
    if _running or (os.cpu_count() or 1) < 2 or not sys.executable:
        return
    try:
        _running.append(_Second())
    except OSError:
        return  # then all is done here
    atexit.register(end)


def end() -> None:
    """Stop it, if it runs."""
    while _running:
        _running.pop().end()


def ask(population: Population, observations: Observations, jobs: Jobs) -> Iterator[Part] | None:
    """Have jobs done by the second process.

    Parameters
    ----------
    population, observations, jobs
        As of `leadline.model.crowd_work.worked`.

    Returns
    -------
    iterator of Part or None
        In their order; it ends early where the process ended or could not do one. None where there is no
        second process.
    """
    return _running[0].ask(population, observations, jobs) if _running else None
