"""Simulation-based calibration of the engine: ``python .ci/sbc.py [N]``.

N times: hyperparameters from their prior, thirty divers with six dives each from the model, the engine's
posterior of that book, and the ranks of the truth in it, for all hyperparameters and three divers taken at
random. If the posterior is exact, every rank is equally likely; the table says where the distribution of
ranks leaves a band that holds it everywhere, and for all quantities together, with the family-wise chance.

References
----------
S. Talts, M. Betancourt, D. Simpson, A. Vehtari and A. Gelman, "Validating Bayesian inference algorithms with
simulation-based calibration", arXiv:1804.06788 (2018);
T. Säilynoja, P.-C. Bürkner and A. Vehtari, "Graphical test for discrete uniformity and its applications in
goodness-of-fit evaluation and multiple sample comparison", Statistics and Computing 32 (2022) 32,
doi:10.1007/s11222-022-10090-6.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any, Final

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, xlog1py, xlogy
from tests.reference import books, theory

from leadline.errors import FitError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Engine = Callable[..., dict[str, Any]]

LEVELS: Final = np.arange(1, 100) / 100
"""Quantiles of the posterior among which the truth is ranked: a hundred ranks, equally likely."""

NAMES: Final = (
    "diver_sd", "body_factor", "suit_factor", "scatter", "breath_out", "breath_in", "wrong", "closed_low",
    "closed_high", "closed_heavy", "sank_open", "habit", "habit_sd", "drift",
)  # fmt: skip
DIVERS: Final = 3
YEARS: Final = 1.0


def _engine(place: str) -> Engine:
    module, name = place.split(":")
    found: Engine = getattr(import_module(module), name)
    return found


def _one(rng: np.random.Generator, *, divers: int, dives: int) -> theory.Book:
    """A book from the prior."""
    return books.draw(
        rng,
        divers=divers,
        dives=dives,
        values=theory.from_prior(rng),
        years=YEARS,
        exact=True,
    )


def ranks(index: int, *, seed: int, place: str, divers: int, dives: int) -> IntArray | None:
    """Ranks of one draw: hyperparameters, then divers; None where the engine gives no answer."""
    rng = np.random.default_rng([seed, index])
    book = books.possible(rng, partial(_one, divers=divers, dives=dives))
    some = rng.choice(divers, DIVERS, replace=False)
    try:
        answer = _engine(place)(book.observations, levels=LEVELS, divers=some)
    except FitError as error:
        print(f"draw {index}: {error}", file=sys.stderr)
        return None
    known = np.asarray(answer["theta"]["quantiles"])
    whole = np.concatenate([known, np.asarray(answer["offset"]["quantiles"])])
    truth = np.concatenate([book.theta[: len(known)], book.offset[some]])
    return np.asarray(np.sum(whole < truth[:, None], axis=1))


def _binomial(count: IntArray, size: IntArray, share: float) -> FloatArray:
    """Probabilities of the binomial distribution; 0 where the count is impossible."""
    possible = (count >= 0) & (count <= size)
    x = np.where(possible, count, 0)
    log = gammaln(size + 1) - gammaln(x + 1) - gammaln(size - x + 1)
    return np.asarray(np.where(possible, np.exp(log + xlogy(x, share) + xlog1py(size - x, -share)), 0.0))


def limits(chance: float, size: int, cells: int) -> tuple[IntArray, IntArray]:
    """Least and greatest counts at each place if each by itself is left with `chance`."""
    from scipy.stats import binom

    place = np.arange(1, cells) / cells
    return binom.ppf(chance / 2, size, place).astype(int), binom.ppf(1 - chance / 2, size, place).astype(int)


def stays(chance: float, size: int, cells: int) -> float:
    """Probability that the counts of a uniform sample stay within these limits at all places."""
    low, high = limits(chance, size, cells)
    at = np.arange(low[0], high[0] + 1)
    mass = _binomial(at, np.full(len(at), size), 1 / cells)
    for place in range(1, cells - 1):
        after = np.arange(low[place], high[place] + 1)
        step = _binomial(
            after[:, None] - at, np.broadcast_to(size - at, (len(after), len(at))), 1 / (cells - place)
        )
        at, mass = after, step @ mass
    return float(mass.sum())


def band(size: int, cells: int, error: float) -> tuple[IntArray, IntArray]:
    """Widest pointwise chance whose limits hold at all places with 1 - error; by bisection."""
    low, high = np.log(error / (4 * cells)), np.log(error)
    for _ in range(20):
        middle = (low + high) / 2
        if stays(float(np.exp(middle)), size, cells) >= 1 - error:
            low = middle
        else:
            high = middle
    return limits(float(np.exp(low)), size, cells)


def _line(name: str, found: IntArray, low: IntArray, high: IntArray) -> tuple[str, bool]:
    cells = len(LEVELS) + 1
    count = np.sum(found[:, None] < np.arange(1, cells), axis=0)
    outside = np.maximum(low - count, count - high)
    worst = int(np.argmax(outside))
    good = bool(outside[worst] <= 0)
    place = (found + 0.5) / cells
    inside = [np.mean(np.abs(place - 0.5) < level / 2) for level in (0.5, 0.8, 0.95)]
    where = "inside" if good else f"{outside[worst] / len(found):.1%} outside at rank {worst + 1}"
    shares = " ".join(f"{each:6.1%}" for each in inside)
    return f"{name:<14} {place.mean():6.3f} {shares}   {where}", good


def table(found: IntArray, error: float) -> tuple[str, bool]:
    """One line a quantity, and whether all stay inside."""
    hyper = NAMES[: found.shape[1] - DIVERS]
    names = [*hyper, *(f"diver {j + 1}" for j in range(DIVERS))]
    low, high = band(len(found), len(LEVELS) + 1, error / len(names))
    lines = [f"{'':<14} {'mean':>6} {'in 50 %':>6} {'80 %':>6} {'95 %':>6}   ranks below each level"]
    good = True
    for j, name in enumerate(names):
        line, fine = _line(name, found[:, j], low, high)
        lines.append(line)
        good &= fine
    return "\n".join(lines), good


def main(arguments: Sequence[str]) -> int:
    """Print the table; 0 if all ranks stay inside and every draw had an answer."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("draws", nargs="?", type=int, default=200)
    parser.add_argument("--seed", type=int, default=2018)
    parser.add_argument("--divers", type=int, default=30)
    parser.add_argument("--dives", type=int, default=6)
    parser.add_argument("--error", type=float, default=0.01, help="family-wise")
    parser.add_argument("--engine", default="tests.reference.engine:engine", help="module:function")
    parser.add_argument("--processes", type=int, default=1)
    o = parser.parse_args(arguments)
    begun = time.perf_counter()
    work = partial(ranks, seed=o.seed, place=o.engine, divers=o.divers, dives=o.dives)
    if o.processes > 1:
        with ProcessPoolExecutor(o.processes) as pool:
            whole = list(pool.map(work, range(o.draws), chunksize=5))
    else:
        whole = [work(index) for index in range(o.draws)]
    found = [each for each in whole if each is not None]
    text, good = table(np.array(found), o.error)
    seconds = time.perf_counter() - begun
    print(
        f"{o.draws} draws of {o.divers} divers x {o.dives} dives, seed {o.seed}, {o.engine}; "
        f"{o.draws - len(found)} without an answer; {seconds:.0f} s\n{text}"
    )
    print(f"all inside with a family-wise error of {o.error:g}: {'yes' if good else 'no'}")
    return 0 if good and len(found) == o.draws else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
