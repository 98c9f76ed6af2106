"""Run the engine's benchmarks and write them down: ``python .ci/speed.py [--divers N] [--dives N]``.

Three parts: `tests/benchmarks/test_engine.py` (pytest-benchmark); a generated book of many divers
(`tests/benchmarks/crowd.py`), loaded and learned by the command line in a process of its own; the same book's
reading and evidence step by step. Figures go to `reports/engine/speed.md`. On a machine that others use,
seconds are those of processor time unless it says wall.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from setting import REPORTS, made_with

ROOT: Final = Path(__file__).resolve().parents[1]

AIMS: Final = {"fit": 0.2, "ratio": 500.0, "learn": 15.0, "peak": 2.0, "growth": 1.05, "diver": 5.0}
"""Seconds; times the sampler's; seconds; GiB; exponent; milliseconds."""

Benchmarks = dict[str, dict[str, Any]]


@dataclass(frozen=True)
class Spent:
    """What a process took: wall and processor seconds, largest memory in GiB."""

    wall: float
    processor: float
    peak: float


def spent(command: Sequence[str]) -> Spent:
    """Run a command to its end; it must succeed."""
    begun = time.perf_counter()
    # What runs is this project's own program, on files that were just made.
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)  # noqa: S603
    _, status, used = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{' '.join(command)} failed")
    wall = time.perf_counter() - begun
    return Spent(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 2**20)


def benchmarks(folder: Path) -> Benchmarks:
    """Statistics and notes of each benchmark, by name."""
    file = folder / "benchmarks.json"
    command = [
        *(sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/benchmarks/test_engine.py"),
        *("--benchmark-enable", "--benchmark-only", "--benchmark-timer=time.process_time"),
        f"--benchmark-json={file}",
    ]
    spent(command)
    return read(file)


def read(file: Path) -> Benchmarks:
    """The same from a file that is there."""
    whole = json.loads(file.read_text(encoding="utf-8"))["benchmarks"]
    return {each["name"]: {**each["extra_info"], "median": each["stats"]["median"]} for each in whole}


def stages(book: Path) -> list[tuple[str, float]]:
    """Processor seconds of each step from book to fit, and of one sweep of all rows."""
    from leadline.book import Book
    from leadline.evidence.crowd import gather_in_parts
    from leadline.model.hyperparameters import Hyperparameters
    from leadline.model.large import ROUGHLY, fit_with_sites
    from leadline.model.propagation import Sweeper
    from leadline.timeline import timeline

    taken: list[tuple[str, float]] = []

    def timed(name: str, work: Callable[[], Any]) -> Any:
        begun = time.process_time()
        found = work()
        taken.append((name, time.process_time() - begun))
        return found

    with Book.open(book) as opened:
        records = timed("reading the book", opened.records)
    line = timed("names to arrays, histories counted", lambda: timeline(records))
    evidence = timed(
        "kit, statements, ledgers, exposures, some divers at a time", lambda: gather_in_parts(line)
    )
    timed("the whole fit", lambda: fit_with_sites(evidence.observations))
    sweeper = timed("rows laid out for the sweeps", lambda: Sweeper(evidence.observations))
    settled = timed(
        "sites settled once, from nothing", lambda: sweeper.propagate(Hyperparameters(), tolerance=ROUGHLY)
    )
    taken.append((f"of that, one of {settled.sweeps} sweeps", taken[-1][1] / settled.sweeps))
    return taken


def _row(cells: Sequence[object]) -> str:
    return f"| {' | '.join(str(cell) for cell in cells)} |"


def _table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> list[str]:
    return [_row(head), _row(["---"] * len(head)), *(_row(row) for row in rows), ""]


def _seconds(value: float) -> str:
    return f"{value:.3g} s" if value >= 0.1 else f"{1e3 * value:.3g} ms"


def _verdict(good: bool) -> str:
    return "met" if good else "**missed**"


def exponent(found: Benchmarks, stem: str) -> tuple[float, list[list[str]]]:
    """Growth from 10^4 rows on, by least squares of the logarithms; rows of a table beside it."""
    sizes = sorted((v for k, v in found.items() if k.startswith(stem)), key=lambda each: each["rows"])
    rows = [
        [
            f"{each['rows']:,}",
            _seconds(each["median"]),
            f"{1e6 * each['median'] / each['rows']:.3g} µs",
            f"{each.get('calls', 1):.0f}",
            f"{each['sweeps']:.0f}",
            f"{each['peak_mib']:,} MiB",
        ]
        for each in sizes
    ]
    large = [each for each in sizes if each["rows"] > 5_000]
    return steepness([[each["rows"], each["median"]] for each in large]), rows


def _timely(learned: dict[str, float]) -> str:
    """Verdict on wall time, which a machine that others use can only leave open."""
    idle = learned["wall"] <= learned["processor"]  # it never waited for a core
    if idle or learned["wall"] <= AIMS["learn"] or learned["processor"] / 2 > AIMS["learn"]:
        return _verdict(learned["wall"] <= AIMS["learn"])
    wall, least, most = learned["wall"], learned["processor"] / 2, learned["processor"]
    return (
        f"open: {wall - most:,.0f} s of it without a core; two idle ones take {least:,.0f} to {most:,.0f} s"
    )


def steepness(points: Sequence[Sequence[float]]) -> float:
    """Exponent of a power law through sizes and times, by least squares of the logarithms."""
    logs = np.log(points)
    return float(np.polyfit(logs[:, 0], logs[:, 1], 1)[0])


def peer_rows(found: Benchmarks, world: str) -> list[list[str]]:
    """Rows of the table of peers, the sampler first."""
    here = [each for each in found.values() if each.get("world") == world]
    here.sort(key=lambda each: (each["peer"] != "sampler", "leadline" not in each["peer"], each["crps"]))
    by = {each["peer"]: each for each in here}
    known = by.get("sampler")
    rows = []
    for name, each in by.items():
        away, ratio = "", ""
        if known:
            away = f"{np.sqrt(np.mean(((np.array(each['mean']) - known['mean']) / known['sd']) ** 2)):.2f}"
            ends = np.quantile(np.array(each["sd"]) / known["sd"], [0.05, 0.5, 0.95])
            ratio = " / ".join(f"{end:.2f}" for end in ends)
        shares = f"{each['in_80']:.1%} / {each['in_95']:.1%}"
        rows.append(
            [
                name,
                _seconds(each["median"]),
                away,
                ratio,
                shares,
                f"{each['crps']:.3f}",
                f"{each['bias']:+.2f}",
            ]
        )
    return rows


def page(found: Benchmarks, crowd: dict[str, Any]) -> str:
    """The whole page."""
    fit, growth = found["test_fit_of_the_reference_book"], {}
    lines = ["# Speed of the engine", "", (__doc__ or "").split("\n\n", 1)[1].strip(), ""]
    growth["fit"], fits = exponent(found, "test_fit_grows_with_rows")
    growth["sites"], sites = exponent(found, "test_propagation_grows_with_rows")
    growth["learn"] = steepness([[size["dives"], size["learn"]["processor"]] for size in crowd["sizes"]])
    one, whole = found["test_answer_for_one_diver"], found["test_answer_for_one_diver_from_records"]
    fast = found["test_answer_for_one_diver_compiled"]
    ratio, learned = fit["sampler_seconds"] / fit["median"], crowd["learn"]
    lines += _table(
        ["what", "found", "aim", ""],
        [
            ["`fit` of the rich reference book (4,000 dives)", _seconds(fit["median"]), "< 0.2 s",
             _verdict(fit["median"] < AIMS["fit"])],
            ["the sampler's seconds over those", f"{ratio:,.0f}", ">= 500", _verdict(ratio >= AIMS["ratio"])],
            [f"`learn` of {crowd['dives']:,} dives, process start included",
             f"{learned['processor']:,.1f} s, {learned['wall']:,.1f} s wall", "<= 15 s wall on 2 cores",
             _timely(learned)],
            ["its largest memory", f"{learned['peak']:.2f} GiB", "<= 2 GiB",
             _verdict(learned["peak"] <= AIMS["peak"])],
            ["growth exponent of `learn`", f"{growth['learn']:.2f}", "<= 1.05",
             _verdict(growth["learn"] <= AIMS["growth"])],
            ["growth exponent of `fit`", f"{growth['fit']:.2f}", "<= 1.05",
             _verdict(growth["fit"] <= AIMS["growth"])],
            ["growth exponent of settling the sites once", f"{growth['sites']:.2f}", "<= 1.05",
             _verdict(growth["sites"] <= AIMS["growth"])],
            [f"one diver's answer, {one['rows']} observations", _seconds(one["median"]), "<= 5 ms",
             _verdict(1e3 * one["median"] <= AIMS["diver"])],
            ["the same, compiled", _seconds(fast["median"]), "<= 5 ms",
             _verdict(1e3 * fast["median"] <= AIMS["diver"])],
            [f"as the first from records, {whole['rows']} dives, physics included", _seconds(whole["median"]),
             "<= 5 ms", _verdict(1e3 * whole["median"] <= AIMS["diver"])],
        ],
    )  # fmt: skip
    lines += [
        "Seconds of the engine are processor time of all threads, medians; compiled code was cached. The "
        f"sampler's {fit['sampler_seconds']:,.0f} s are wall time of two chains side by side, as stored with "
        "its summary.",
        "",
        "## Growth",
        "",
        "Books from the model itself (seed 5), 20 dives a diver, six shared effects. The fit: up to 10,000 "
        "rows a search, from there on a climb over samples of 200,000 rows at most:",
        "",
        *_table(
            ["rows", "median", "a row", "settlings", "sweeps in all", "peak of the process so far"], fits
        ),
        "Sites settled once, at the true hyperparameters, from nothing, as closely as a large fit has it:",
        "",
        *_table(["rows", "median", "a row", "settlings", "sweeps", "peak of the process so far"], sites),
        *crowd_lines(crowd),
        *peer_lines(found),
        f"Made by `python .ci/speed.py`. "
        f"{made_with('numpyro', 'jax', 'scikit-learn', 'statsmodels', 'duckdb', 'pytest-benchmark')}",
        "",
    ]
    return "\n".join(lines)


def crowd_lines(crowd: dict[str, Any]) -> list[str]:
    """The section of the large book."""
    names = {"made": "write the files", "load": "`leadline load`", "learn": "`leadline learn`"}
    runs = [
        [f"{size['dives']:,}", name, f"{used['processor']:,.1f} s", f"{used['wall']:,.1f} s",
         f"{used['peak']:.2f} GiB"]
        for size in crowd["sizes"]
        for name, used in ((name, size[key]) for key, name in names.items())
    ]  # fmt: skip
    parts = [[name, f"{value:,.2f} s"] for name, value in crowd["stages"]]
    before = sum(value for _, value in crowd["stages"][:3])
    rest = crowd["learn"]["processor"] - before
    size = f"--divers {crowd['divers']} --dives {crowd['each']}"
    return [
        f"## {crowd['divers']:,} divers, {crowd['dives']:,} dives",
        "",
        f"`python -m tests.benchmarks.crowd FOLDER {size}`, seed 6; three quarters of the stops noted, no "
        "surface checks.",
        "",
        *_table(["dives", "process", "processor", "wall", "largest memory"], runs),
        "Where the time of `learn` goes, each step by itself in one process:",
        "",
        *_table(["step", "processor"], [*parts, ["`learn` less the first three", f"{rest:,.0f} s"]]),
    ]


def peer_lines(found: Benchmarks) -> list[str]:
    """The section of the peers."""
    head = ["forecast", "time", "means against the sampler's, in its sd, rms", "sd ratio 5 / 50 / 95 %",
            "in 80 / 95 %", "CRPS, kg", "bias, kg"]  # fmt: skip
    lines = [
        "## Beside what else one might take",
        "",
        "Need of 200 divers on their next dive, scatter included, from the same rows "
        "(`tests/reference/nature.py`, seed 2027, 100). *Carried is needed*: the lead of every stop is read "
        "as the need; *two-sided rows*: only 'hovered, BC empty', in the middle of the breath range, and "
        "readings. The sampler draws 2 x 1,000 after 500, the variational guide (mean-field normal) takes "
        "3,000 steps; their times include compilation. CRPS is twice the pinball loss at 99 levels. Answers "
        "leave out what the sampler sees: the diver's own lead of habit, and what the form of a record says, "
        "so they differ from it on purpose; the line below them reads all of it.",
        "",
    ]
    for world, title in (("nearly", "A world that is nearly the model's"), ("not", "A world that is not")):
        lines += [f"{title}:", "", *_table(head, peer_rows(found, world))]
    return lines


def large(folder: Path, divers: int, each: int) -> dict[str, Any]:
    """Books of a hundredth, a tenth and all of the divers made and learned from; the last step by step."""
    sizes = [whole(folder / str(part), divers // part, each) for part in (100, 10, 1)]
    return sizes[-1] | {"sizes": sizes, "stages": stages(folder / "1" / "book.duckdb")}


def whole(folder: Path, divers: int, each: int) -> dict[str, Any]:
    """A book made, loaded and learned from, each in a process of its own."""
    program = [
        sys.executable,
        "-c",
        "from leadline.cli import main; main()",
        "--book",
        str(folder / "book.duckdb"),
    ]
    files = [part for t in ("divers", "gear", "dives") for part in (f"--{t}", str(folder / f"{t}.csv"))]
    size = ["--divers", str(divers), "--dives", str(each)]
    made = spent([sys.executable, "-m", "tests.benchmarks.crowd", str(folder), *size])
    load = spent([*program, "load", *files])
    learn = spent([*program, "learn"])
    return {
        "divers": divers,
        "each": each,
        "dives": divers * each,
        "made": vars(made),
        "load": vars(load),
        "learn": vars(learn),
    }


def main(arguments: Sequence[str]) -> int:
    """Measure and write the page."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--divers", type=int, default=50_000)
    parser.add_argument("--dives", type=int, default=20, help="of each diver")
    parser.add_argument("--benchmarks", type=Path, help="JSON of pytest-benchmark; default: measured now")
    parser.add_argument("--crowd", type=Path, help="JSON of the large book; default: measured now")
    o = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        found = read(o.benchmarks) if o.benchmarks else benchmarks(folder)
        crowd = (
            json.loads(o.crowd.read_text(encoding="utf-8")) if o.crowd else large(folder, o.divers, o.dives)
        )
    REPORTS.mkdir(parents=True, exist_ok=True)
    text = page(found, crowd)
    (REPORTS / "speed.md").write_text(text, encoding="utf-8")
    print(text, end="")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
