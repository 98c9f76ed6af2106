"""The engine beside the no-U-turn sampler, book by book: ``python .ci/reference.py``.

The sampler's summaries are stored with the books they belong to (`tests/reference`); the engine fits each
book afresh. What is compared, in units of the sampler's posterior sd: every diver's offset at the last time,
and the hyperparameters. The limits are what the tests hold. The table goes to `reports/engine/nuts.md`.
"""

from __future__ import annotations

import os
import sys
import time
from importlib import import_module
from pathlib import Path
from typing import Any, Final

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from numpy.typing import NDArray
from setting import REPORTS, made_with
from tests.reference import books
from tests.reference.engine import engine

from leadline.model.population import fit

FloatArray = NDArray[np.float64]

# The library behind it ships no type information.
run: Any = import_module("tests.reference.run")

NAMES: Final = (
    "diver_sd", "body_factor", "suit_factor", "scatter", "breath_out", "breath_in", "wrong", "closed_low",
    "closed_high", "closed_heavy", "sank_open", "habit", "habit_sd", "drift",
)  # fmt: skip
LIMITS: Final = {
    "mean, rms": (0.0, 0.10),
    "mean, worst": (0.0, 0.3),
    "sd ratio, 5 %": (0.93, 1.07),
    "sd ratio, 95 %": (0.93, 1.07),
    "2.5 %, rms": (0.0, 0.15),
    "50 %, rms": (0.0, 0.15),
    "97.5 %, rms": (0.0, 0.15),
    "hyperparameter, worst": (0.0, 0.2),
}
ABOUT: Final = {
    "rich": "many dives of many divers",
    "sparse": "few dives of each",
    "standing": "few dives of each, no time passes",
    "one_sided": "results only, the BC mostly not noted",
}


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def compared(expected: dict[str, Any], found: dict[str, Any]) -> dict[str, float]:
    """What is held to `LIMITS`, of one book."""
    sd = expected["offset"]["sd"]
    away = (found["offset"]["mean"] - expected["offset"]["mean"]) / sd
    ratio = np.quantile(found["offset"]["sd"] / sd, [0.05, 0.95])
    off = (found["offset"]["quantiles"] - expected["offset"]["quantiles"]) / sd[:, None]
    hyper = (found["theta"]["mean"] - expected["theta"]["mean"]) / expected["theta"]["sd"]
    values = (_rms(away), np.abs(away).max(), *ratio, *(_rms(q) for q in off.T), np.abs(hyper).max())
    return dict(zip(LIMITS, (float(value) for value in values), strict=True))


def _row(cells: list[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _marked(name: str, value: float) -> str:
    low, high = LIMITS[name]
    return f"{value:.3f}{'' if low <= value <= high else ' **!**'}"


def _timed(observations: Any) -> float:
    """Median seconds of three fits, compiled before."""
    taken = []
    for _ in range(3):
        begun = time.perf_counter()
        fit(observations)
        taken.append(time.perf_counter() - begun)
    return float(np.median(taken))


def _table(found: dict[str, dict[str, float]]) -> list[str]:
    head = ["book", *found, "allowed"]
    lines = [_row(head), _row(["---"] * len(head))]
    for name, (low, high) in LIMITS.items():
        allowed = f"{low:g} to {high:g}" if low else f"{high:g}"
        lines.append(_row([name, *(_marked(name, values[name]) for values in found.values()), allowed]))
    return lines


def _samplers(stored: dict[str, dict[str, Any]], seconds: dict[str, float]) -> list[str]:
    head = ["book", "rows", "divers", "draws", "divergences", "least ESS, bulk and tail", "error of means",
            "of quantiles", "sampler, s", "`fit`, s", "ratio"]  # fmt: skip
    lines = [_row(head), _row(["---"] * len(head))]
    for name, whole in stored.items():
        parts = [whole[part] for part in run.PARTS]
        least = [min(float(part[key].min()) for part in parts) for key in ("ess_bulk", "ess_tail")]
        error = max(float(np.max(part["mcse"] / part["sd"])) for part in parts)
        ends = max(float(np.max(part["mcse_quantiles"] / part["sd"][:, None])) for part in parts)
        lines.append(
            _row(
                [
                    f"{name}: {ABOUT[name]}",
                    f"{whole['rows']:,}",
                    str(whole["divers"]),
                    f"{whole['chains']} x {whole['draws']:,}",
                    str(whole["divergences"]),
                    f"{least[0]:,.0f}, {least[1]:,.0f}",
                    f"{error:.3f} sd",
                    f"{ends:.3f} sd",
                    f"{whole['seconds']:.0f}",
                    f"{seconds[name]:.2f}",
                    f"{whole['seconds'] / seconds[name]:,.0f}",
                ]
            )
        )
    return lines


def _hyperparameters(stored: dict[str, dict[str, Any]], answers: dict[str, dict[str, Any]]) -> list[str]:
    head = ["hyperparameter", *stored]
    lines = [_row(head), _row(["---"] * len(head))]
    for j, name in enumerate(NAMES):
        cells = []
        for book, whole in stored.items():
            expected, found = whole["theta"], answers[book]["theta"]
            away = (found["mean"][j] - expected["mean"][j]) / expected["sd"][j]
            cells.append(f"{away:+.2f}, {found['sd'][j] / expected['sd'][j]:.2f}")
        lines.append(_row([name, *cells]))
    return lines


def main() -> int:
    """Write the page; 0 if all is within what is allowed."""
    stored = {name: run.stored(name) for name in books.RECIPES if (run.FOLDER / f"{name}.json").exists()}
    answers, seconds = {}, {}
    for name, whole in stored.items():
        book = books.reference(name)
        if run.fingerprint(book) != whole["fingerprint"]:
            raise SystemExit(f"the stored summary of {name} belongs to another book: run tests.reference.run")
        answers[name], seconds[name] = engine(book.observations), _timed(book.observations)
    found = {name: compared(whole, answers[name]) for name, whole in stored.items()}
    good = all(LIMITS[k][0] <= v <= LIMITS[k][1] for values in found.values() for k, v in values.items())
    verdict = "All is within what is allowed." if good else "Not all is within what is allowed: see the !."
    sampled = next(iter(stored.values()))["versions"]
    lines = [
        "# The engine beside the no-U-turn sampler",
        "",
        (__doc__ or "").split("\n\n", 1)[1].strip(),
        "",
        f"**{verdict}**",
        "",
        *_table(found),
        "",
        "Hyperparameters one by one, unconstrained: mean less the sampler's in its sd, and ratio of sds.",
        "",
        *_hyperparameters(stored, answers),
        "",
        "The sampler's runs. An error of a mean or a quantile is its Monte-Carlo error, the largest of all "
        "that is compared. Times: the sampler's whole run, compilation included, as stored; the engine's "
        "`fit`, compiled before, median of three.",
        "",
        *_samplers(stored, seconds),
        "",
        f"Made by `python .ci/reference.py`. {made_with()} The sampler: seed "
        f"{next(iter(stored.values()))['sampler_seed']}; "
        + ", ".join(f"{name} {number}" for name, number in sampled.items())
        + "; book seeds "
        + ", ".join(f"{name} {whole['book_seed']}" for name, whole in stored.items())
        + ".",
        "",
    ]
    text = "\n".join(lines)
    REPORTS.mkdir(parents=True, exist_ok=True)
    (REPORTS / "nuts.md").write_text(text, encoding="utf-8")
    print(text, end="")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
