"""The closed loop and the decision curves: ``python .ci/closed_loop.py [--out DIR]``.

Simulated divers of worlds that are not the model's are followed dive by dive under the tool, an oracle, other
next steps, common practice and habit, with the same luck; and the accepted risk is held against the realised
one, on books of worlds that are the model's and of such that are not (`tests/benchmarks`). Writes two
reports, and exits 1 where an aim is missed.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, Final

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import scipy
from tests.benchmarks import closed_loop_summary, decision_curves
from tests.benchmarks.closed_loop_text import CLOSED_LOOP, DECISION_CURVES
from tests.reference.nature import LAWFUL, STEADY

import leadline

Aims = list[tuple[str, str, bool]]

OWN_LAW: Final = {"keeper": "written practice", "nature": LAWFUL, "oracles": decision_curves.THE_ORACLE}
BOOKS: Final[dict[str, dict[str, Any]]] = {
    "few": {**OWN_LAW, "learned_from": 60},
    "many": {**OWN_LAW, "learned_from": 200},
    "practice": {"keeper": "written practice"},
    "habit": {"keeper": "habit"},
}
"""Kinds of books of the decision curves, as the text calls them."""

MORE_WORLDS: Final = 2
"""Times as many worlds where the law is the model's: quick, and rates within 1.5 points need them."""


WORLDS: Final[dict[str, dict[str, Any]]] = {
    "steady": {"nature": STEADY},
    "more": {
        "nature": STEADY,
        "learned_from": 200,
        "guides": ("tool", "oracle", "model's oracle", "practice"),
    },
    "harder": {"guides": ("tool", "oracle", "model's oracle", "no step", "practice")},
}
"""Kinds of worlds of the closed loop, as the text calls them."""


def _loop(index: int, *, seed: int, divers: int, **world: Any) -> Any:
    return closed_loop_summary.trial([seed, index], divers=divers, **world)


def _curves(index: int, *, seed: int, **books: Any) -> Any:
    return decision_curves.curves([seed, index], **books)


def _all(work: Callable[[int], Any], worlds: int, processes: int) -> list[Any]:
    if processes > 1:
        with ProcessPoolExecutor(processes) as pool:
            return list(pool.map(work, range(worlds)))
    return [work(index) for index in range(worlds)]


def _aims(found: Aims) -> str:
    lines = ["| aim | found | met |", "| --- | --- | --- |"]
    lines += [f"| {aim} | {what} | {'yes' if met else '**no**'} |" for aim, what, met in found]
    return "\n".join(lines) + "\n"


def _made(seed: int, worlds: int, divers: int) -> str:
    """How the run was made."""
    versions = f"leadline {leadline.__version__}, Python {platform.python_version()}, numpy {np.__version__}"
    return (
        f"{worlds} worlds of {divers} divers, 8 dives each, seed {seed}; {versions}, scipy "
        f"{scipy.__version__}; {platform.system()} on {platform.machine()}, one thread a process.\n± is one "
        "standard error over divers. Kind: pinned; the same seed and versions give the same numbers.\n"
    )


def _closed_loop(o: argparse.Namespace) -> tuple[str, Aims]:
    parts, aims = {}, []
    for name, world in WORLDS.items():
        work = partial(_loop, seed=o.seed, divers=o.divers, **world)
        found = closed_loop_summary.joined(_all(work, o.worlds, o.processes))
        met = closed_loop_summary.aims(found)
        parts[name] = f"{_aims(met)}\n{closed_loop_summary.tables(found)}"
        aims += met
    return CLOSED_LOOP.format(made=_made(o.seed, o.worlds, o.divers), **parts), aims


def _decision_curves(o: argparse.Namespace) -> tuple[str, Aims]:
    seed, parts, aims = o.seed + 1000, {}, []
    for name, books in BOOKS.items():
        work = partial(_curves, seed=seed, divers=o.curve_divers, **books)
        worlds = o.worlds * (MORE_WORLDS if "nature" in books else 1)
        found = decision_curves.joined(_all(work, worlds, o.processes))
        met = decision_curves.aims(found)
        parts[name] = f"{_aims(met)}\n{decision_curves.tables(found)}"
        aims += met
    made = _made(seed, o.worlds, o.curve_divers)
    return DECISION_CURVES.format(made=made, worlds=o.worlds * MORE_WORLDS, **parts), aims


def main(arguments: Sequence[str]) -> int:
    """Run, print or write; 0 if every aim is met."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--worlds", type=int, default=8)
    parser.add_argument("--divers", type=int, default=25, help="in each world")
    parser.add_argument("--curve-divers", type=int, default=40, help="in each world of the decision curves")
    parser.add_argument("--seed", type=int, default=4001)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--only", choices=("closed_loop", "decision_curves"), help="one of the two")
    parser.add_argument("--out", type=Path, help="folder of the two reports; default: print them")
    o = parser.parse_args(arguments)
    begun, good = time.perf_counter(), True
    for name, write in (("closed_loop.md", _closed_loop), ("decision_curves.md", _decision_curves)):
        if o.only and not name.startswith(o.only):
            continue
        page, aims = write(o)
        if o.out:
            o.out.mkdir(parents=True, exist_ok=True)
            (o.out / name).write_text(page)
        else:
            print(page)
        good &= all(met for _, _, met in aims)
    print(f"{time.perf_counter() - begun:.0f} s", file=sys.stderr)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
