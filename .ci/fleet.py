"""Partitions on Dask workers beside one process: ``python .ci/fleet.py [--divers N] [--dives N]``.

Books from the model itself (`tests/reference/books.py`), their sites settled once by one process and by
worker processes of this machine; then a generated book of many divers (`tests/benchmarks/crowd.py`) learned
from by the command line in both ways. Figures go to `reports/engine/fleet.md`.
"""

from __future__ import annotations

import argparse
import os
import pickle
import resource
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from setting import REPORTS, made_with
from speed import spent
from tests.reference import books

from leadline.model.fleet import Fleet, Held, Workers, fleet, handed_out
from leadline.model.large import ROUGHLY
from leadline.model.observations import Observations
from leadline.model.propagation import Sweeper
from leadline.model.sites import Propagation

SEED: Final = 5
SIZES: Final = (500, 5_000, 50_000)
EACH: Final = 20
LAYOUTS: Final = ((1, 1), (2, 2), (16, 1), (16, 2))
"""Partitions and workers."""


@dataclass
class Crossed:
    """Bytes that went to workers and came back, sweeps and all else apart."""

    there: int = 0
    back: int = 0
    sweeps: int = 0
    other: int = 0
    act: str = ""


@contextmanager
def counted() -> Iterator[Crossed]:
    """Count what crosses, as pickled."""
    found, ask, result = Crossed(), Fleet._ask, Workers.result

    def asked(self: Fleet, share: Any, act: str, arguments: tuple[Any, ...]) -> Any:
        size = len(pickle.dumps(arguments))
        found.act = act
        if act == "sweep":
            found.there += size
        else:
            found.other += size
        return ask(self, share, act, arguments)

    def answered(self: Workers, future: Any) -> Any:
        answer = result(self, future)
        size = len(pickle.dumps(answer))
        if found.act == "sweep":
            found.back += size
        else:
            found.other += size
        return answer

    Fleet._ask, Workers.result = asked, answered  # type: ignore[method-assign]
    try:
        yield found
    finally:
        Fleet._ask, Workers.result = ask, result  # type: ignore[method-assign]


def bits(found: Propagation) -> bytes:
    """What has to be the same."""
    return b"".join(np.asarray(getattr(found, name)).tobytes() for name in ("mean", "precision", "gradient"))


def peak() -> float:
    """Largest memory of this process so far. [MiB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def book(divers: int) -> Observations:
    """Rows of so many divers."""
    rng = np.random.default_rng(SEED)
    return books.draw(rng, divers=divers, dives=EACH, values=books.TRUE.to_vector()).observations


def settled(o: Observations) -> list[dict[str, Any]]:
    """One process, then each layout; the first time for the compiler."""
    Sweeper(o.take(o.diver < 20)).propagate(books.TRUE, tolerance=ROUGHLY)
    begun = time.process_time()
    alone = Sweeper(o, partitions=1).propagate(books.TRUE, tolerance=ROUGHLY)
    found = [{"partitions": "-", "workers": 0, "here": time.process_time() - begun, "there": 0.0}]
    for partitions, workers in LAYOUTS:
        with fleet(workers=workers) as crew:
            run = crew.client.run
            few = Held(crew, handed_out(crew, o.take(o.diver < 40), parts=workers), names=o.names)
            Sweeper(Fleet(few, partitions=workers)).propagate(books.TRUE, tolerance=ROUGHLY)
            held = Held(crew, handed_out(crew, o, parts=workers), names=o.names)
            before, begun = run(time.process_time), time.process_time()
            sweeper = Sweeper(Fleet(held, partitions=partitions))
            with counted() as crossed:
                many = sweeper.propagate(books.TRUE, tolerance=ROUGHLY)
            here, after = time.process_time() - begun, run(time.process_time)
            found.append(
                {
                    "partitions": partitions,
                    "workers": workers,
                    "here": here,
                    "there": sum(after[name] - before[name] for name in before),
                    "sweeps": many.sweeps,
                    "to": crossed.there / many.sweeps,
                    "from": crossed.back / many.sweeps,
                    "other": crossed.other,
                    "same": bits(alone) == bits(many) and alone.log_evidence == many.log_evidence,
                    "peak": max(run(peak).values()),
                }
            )
    return found


def learned(folder: Path, divers: int, each: int) -> list[list[str]]:
    """A book learned from in one process and by workers, from the command line."""
    from leadline.book import Book

    book = folder / "book.duckdb"
    program = [sys.executable, "-c", "from leadline.cli import main; main()", "--book", str(book)]
    files = [part for t in ("divers", "gear", "dives") for part in (f"--{t}", str(folder / f"{t}.csv"))]
    size = ["--divers", str(divers), "--dives", str(each)]
    spent([sys.executable, "-m", "tests.benchmarks.crowd", str(folder), *size])
    spent([*program, "load", *files])
    parts = str(folder / "parts")
    runs = {
        "`export DIR --parts 16`": ["export", parts, "--parts", "16"],
        "`learn`": ["learn"],
        "`learn --parts DIR --workers 1`": ["learn", "--parts", parts, "--workers", "1"],
        "`learn --parts DIR --workers 2`": ["learn", "--parts", parts, "--workers", "2"],
    }
    lines, first = [], b""
    for name, arguments in runs.items():
        used = spent([*program, *arguments])
        with Book.open(book) as opened:
            stored = opened.latest_fit()
        payload = stored[0] if stored else b""
        first = first or payload
        same = ("yes" if payload == first else "NO") if "workers" in name else ""
        lines.append([name, f"{used.processor:.1f} s", f"{used.wall:.1f} s", f"{used.peak:.2f} GiB", same])
    return lines


def _table(head: Sequence[str], lines: Sequence[Sequence[str]]) -> list[str]:
    return [f"| {' | '.join(line)} |" for line in (head, ["---"] * len(head), *lines)]


def page(found: list[tuple[Observations, list[dict[str, Any]]]], whole: list[list[str]], size: str) -> str:
    """All figures."""
    lines = []
    for o, runs in found:
        for each in runs:
            total = each["here"] + each["there"]
            line = [f"{len(o):,}", f"{len(o.body_sd):,}", str(each["partitions"]), str(each["workers"])]
            line += [f"{each['here']:.2f} s", f"{each['there']:.2f} s", f"{1e6 * total / len(o):.1f} µs"]
            if each["workers"]:
                line += [str(each["sweeps"]), f"{each['to']:,.0f}", f"{each['from']:,.0f}"]
                line += [f"{each['other']:,}", f"{each['peak']:,.0f} MiB", "yes" if each["same"] else "NO"]
            lines.append(line + [""] * (13 - len(line)))
    ends = [(len(o), runs[-1]["here"] + runs[-1]["there"]) for o, runs in found[-2:]]
    growth = np.log(ends[1][1] / ends[0][1]) / np.log(ends[1][0] / ends[0][0])
    head = ["rows", "divers", "partitions", "workers", "processor, asking", "processor, workers", "a row",
            "sweeps", "bytes to workers a sweep", "bytes back a sweep", "all other bytes",
            "largest memory of a worker", "same bits"]  # fmt: skip
    p = found[0][0].n_exposures
    return "\n".join(
        [
            "# Partitions on workers",
            "",
            f"Books from the model itself (seed {SEED}), {EACH} dives a diver, {p} shared effects: sites "
            "settled once, from nothing, as closely as a large fit has it. First line of each size: one "
            "process, one thread. Workers are processes of this machine, one thread each. Bytes are of "
            "what is asked and answered, pickled; of 64 chunks each tells "
            f"{p} x {p} numbers and {p}, of a thousand divers one how far it has to go.",
            "",
            *_table(head, lines),
            "",
            "Growth exponent of the last layout's processor seconds between the two largest sizes: "
            f"{growth:.2f}.",
            "",
            f"A generated book, `python -m tests.benchmarks.crowd FOLDER {size}` (seed 6), by the command "
            "line, process starts included, compiled code cached; processor seconds of all processes, memory "
            "of the largest. Same bits: the fit that is stored, against that of `learn`, which also "
            "tells of single records and kit.",
            "",
            *_table(["command", "processor", "wall, machine shared", "largest memory", "same bits"], whole),
            "",
            f"Made by `python .ci/fleet.py`. {made_with('dask', 'distributed', 'duckdb')}",
            "",
        ]
    )


def main(arguments: Sequence[str]) -> int:
    """Measure and write the page."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--divers", type=int, default=50_000)
    parser.add_argument("--dives", type=int, default=EACH, help="of each diver")
    o = parser.parse_args(arguments)
    found = []
    for divers in SIZES:
        rows = book(divers)
        found.append((rows, settled(rows)))
    with tempfile.TemporaryDirectory() as name:
        whole = learned(Path(name), o.divers, o.dives)
    text = page(found, whole, f"--divers {o.divers} --dives {o.dives}")
    REPORTS.mkdir(parents=True, exist_ok=True)
    (REPORTS / "fleet.md").write_text(text, encoding="utf-8")
    print(text, end="")
    bad = [each for _, runs in found for each in runs if not each.get("same", True)]
    return int(bool(bad) or any("NO" in line for line in whole))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
