"""Coverage in worlds that are not the model's: ``python .ci/worlds.py [N]``.

N seeded worlds of 150 divers (`tests/reference/nature.py`): heavy-tailed scatter and suits, wrong records,
results noted the more seldom the heavier the diver, ageing suits, a biased catalogue, beginners who relax,
drift. The prior holds what the ledger reckons of wear and of beginners, and the exposures its doubts, as in
any book; what truly happens is another: other amounts, another pace, some people only, dry suits too
(`--reckoned 0`: as if neither dives nor suits were counted). In every second world people follow the advice
of the engine itself. Each diver's next dive is predicted from the records; standard errors are clustered by
world.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any, Final

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from numpy.typing import NDArray
from tests.reference.nature import Nature, Next, World, lived

from leadline.errors import FitError
from leadline.model.diver import Targets

FloatArray = NDArray[np.float64]

ENDS: Final = (0.025, 0.1, 0.25, 0.75, 0.9, 0.975)
BANDS: Final = {"95 %": (0, 5), "80 %": (1, 4), "50 %": (2, 3)}
ALLOWED: Final = {"95 %": (0.93, 0.97), "80 %": (0.77, 0.84), "50 %": (0.47, 0.54)}
STRATUM_ALLOWED: Final = (0.92, 0.98)
BREATH_ALLOWED: Final = 0.15
RATIO_ALLOWED: Final = {"95 % width": 1.1, "80 % width": 1.1, "50 % width": 1.1, "CRPS": 1.03}
FULL: Final = "the sampler on the full model"
UNHINTED: Final = "the sampler without the leads of habit"
READINGS: Final = (
    ("answers", FULL, False),
    ("answers", UNHINTED, True),
    ("all that the sampler reads", FULL, True),
)
"""What of the engine is compared with what, and whether it must be within what is allowed."""

MIDPOINTS: Final = (np.arange(100) + 0.5) / 100
LEVELS: Final = (*ENDS, *MIDPOINTS.tolist())
STRATA: Final = ("0", "1-3", "4-10", "> 10", "new suit", "by habit", "by advice", "all")


class Adviser:
    """Quantiles of need from the engine, and the lead that follows from them."""

    def __init__(self, engine: str) -> None:
        self.engine: Any = import_module(engine)

    def quantiles(
        self,
        population: Any,
        world: World,
        ahead: Sequence[Next],
        levels: Sequence[float],
        *,
        everything: bool = False,
    ) -> FloatArray:
        """Of all dives ahead; shape (dives of one diver, divers, levels)."""
        o, first = world.observations, ahead[0]
        place = {int(d): row for row, d in enumerate(world.diver)}
        answers = []
        for d in range(len(first.prior)):
            rows = np.flatnonzero(o.diver == place[d]) if d in place else np.zeros(0, int)
            labels = np.unique(o.suit[rows])
            suits = {int(world.label[label]): k for k, label in enumerate(labels)}
            targets = Targets(
                np.array([a.prior[d] for a in ahead]),
                np.array([a.exposure[d] for a in ahead]),
                np.array([a.suit_weight[d] for a in ahead]),
                np.array([suits.get(int(a.suit[d]), -1) for a in ahead]),
                float(first.body_sd[d]),
            )
            elapsed = np.array([a.elapsed[d] for a in ahead])
            answers.append(
                self.engine.needs(
                    population, o.take(rows), targets, elapsed=elapsed, levels=levels, everything=everything
                )
            )
        return np.stack(answers, axis=1)

    def plan(self, world: World, ahead: list[Next]) -> FloatArray:
        """Enough at a risk of 5 %; where little is known, a middling lead to begin with."""
        population = self.engine.fitted(world.observations)
        q10, q70, q90, q95 = np.moveaxis(
            self.quantiles(population, world, ahead, (0.1, 0.7, 0.9, 0.95)), -1, 0
        )
        least = min(population.theta.breath_out, 0.5)
        lead = np.where(q90 - q10 > 2.5, q70, q95 - least)
        return np.asarray(np.ceil(np.maximum(lead, 0.0).T * 2) / 2)


def scored(need: FloatArray, found: FloatArray) -> dict[str, FloatArray]:
    """Scores of each diver, from quantiles at `LEVELS`, shape (divers, levels)."""
    # The library ships no type information.
    crps = import_module("scoringrules").crps_ensemble
    ends, ensemble = found[:, : len(ENDS)], found[:, len(ENDS) :]
    scores = {"CRPS": crps(need, ensemble), "bias": ensemble.mean(axis=1) - need}
    for name, (low, high) in BANDS.items():
        scores[name] = ((ends[:, low] < need) & (need < ends[:, high])).astype(float)
        scores[f"{name} width"] = ends[:, high] - ends[:, low]
    return scores


def _sampled(world: World, seed: int) -> dict[str, FloatArray]:
    """Scores of the sampler."""
    draws = import_module("tests.reference.forecast").sampled_needs(world, seed=seed)
    return scored(world.next.need, np.quantile(draws, LEVELS, axis=0).T)


def one(index: int, *, seed: int, engine: str, nature: Nature, sampled: int) -> dict[str, Any] | None:
    """Scores of all divers of one world; None where the engine gives no answer."""
    adviser = Adviser(engine)
    advice = index % 2 == 1
    try:
        world = lived(np.random.default_rng([seed, index]), nature, plan=adviser.plan if advice else None)
        population = adviser.engine.fitted(world.observations)
    except FitError as error:
        print(f"world {index}: {error}", file=sys.stderr)
        return None
    ahead = world.next
    scores = scored(ahead.need, adviser.quantiles(population, world, [ahead], LEVELS)[0])
    reference: dict[str, Any] = {}
    if index < sampled:
        full = adviser.quantiles(population, world, [ahead], LEVELS, everything=True)[0]
        reference = {
            "answers": scores,
            "all that the sampler reads": scored(ahead.need, full),
            FULL: _sampled(world, seed + index),
            UNHINTED: _sampled(import_module("tests.reference.forecast").without_habits(world), seed + index),
        }
    n = ahead.earlier
    strata = (n == 0, (n >= 1) & (n <= 3), (n >= 4) & (n <= 10), n > 10, ahead.fresh & (n > 0))
    whole = np.ones(len(n), bool)
    return {
        "scores": scores,
        "sampled": reference,
        "strata": dict(zip(STRATA, (*strata, whole & (not advice), whole & advice, whole), strict=True)),
        "breath_out": population.theta.breath_out - nature.breath_out,
        "rows": len(world.observations),
    }


def clustered(worlds: Sequence[dict[str, Any]], score: str, stratum: str) -> tuple[float, float, int]:
    """Mean over all divers of a stratum, its standard error clustered by world, and how many there are."""
    parts = [world["scores"][score][world["strata"][stratum]] for world in worlds]
    total = sum(len(part) for part in parts)
    if not total:
        return float("nan"), float("nan"), 0
    mean = sum(float(part.sum()) for part in parts) / total
    away = np.array([float(np.sum(part - mean)) for part in parts if len(part)])
    return mean, float(np.sqrt(np.sum(away**2) * len(away) / max(len(away) - 1, 1)) / total), total


def table(worlds: Sequence[dict[str, Any]]) -> tuple[str, bool]:
    """One line a stratum, and whether all is within what is allowed."""
    head = "".join(f"{name:>17}" for name in (*BANDS, "95 % width", "CRPS", "bias"))
    lines, good = [f"{'earlier dives':<14} {'divers':>7}{head}"], True
    for stratum in (s for s in STRATA if clustered(worlds, "CRPS", s)[2]):
        cells = []
        for score in (*BANDS, "95 % width", "CRPS", "bias"):
            mean, error, count = clustered(worlds, score, stratum)
            share = score in BANDS
            text = f"{mean:.1%} ± {error:.1%}" if share else f"{mean:.2f} ± {error:.2f}"
            low, high = ALLOWED.get(score, (-np.inf, np.inf)) if stratum == "all" else STRATUM_ALLOWED
            if share and (stratum == "all" or score == "95 %") and count and not low <= mean <= high:
                text, good = text + " !", False
            cells.append(f"{text:>17}")
        lines.append(f"{stratum:<14} {count:>7}{''.join(cells)}")
    breath = np.array([world["breath_out"] for world in worlds])
    worst, within = float(np.abs(breath).max()), float(np.mean(np.abs(breath) <= BREATH_ALLOWED))
    good &= worst <= BREATH_ALLOWED
    lines.append(
        f"breath_out less the truth: mean {breath.mean():+.3f}, sd {breath.std():.3f}, worst {worst:.3f} kg, "
        f"within {BREATH_ALLOWED} kg in {within:.0%} of worlds"
        f"{'' if worst <= BREATH_ALLOWED else ' !'}"
    )
    return "\n".join(lines), good


def against(worlds: Sequence[dict[str, Any]]) -> tuple[str, bool]:
    """Widths and CRPS over those of the sampler, in the worlds where it ran.

    Answers leave out what the sampler sees: the diver's own lead of habit, and what the form of a record
    says. So the engine is also asked with all of it, and the sampler also without the leads of habit; those
    are the comparisons that must hold.
    """
    both = [world["sampled"] for world in worlds if world["sampled"]]
    if not both:
        return "", True
    mean = {
        key: {name: float(np.mean(np.concatenate([w[key][name] for w in both]))) for name in both[0][key]}
        for key in both[0]
    }
    lines, good = [], True
    for key, sampler, must in READINGS:
        ratio = {name: mean[key][name] / mean[sampler][name] for name in RATIO_ALLOWED}
        text = f"  {key}, over {sampler}: " + ", ".join(
            f"{name} {value:.3f}" for name, value in ratio.items()
        )
        if must and any(ratio[name] > most for name, most in RATIO_ALLOWED.items()):
            text, good = text + " !", False
        lines.append(text)
    lines += [
        f"  inside those of {sampler}: " + ", ".join(f"{mean[sampler][name]:.1%} of {name}" for name in BANDS)
        for sampler in (FULL, UNHINTED)
    ]
    return "\n".join([f"beside the sampler, {len(both)} worlds", *lines]) + "\n", good


def main(arguments: Sequence[str]) -> int:
    """Print parameters and table; 0 if all is within what is allowed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("worlds", nargs="?", type=int, default=30)
    parser.add_argument("--seed", type=int, default=2027)
    parser.add_argument("--divers", type=int, default=150)
    parser.add_argument(
        "--reckoned", type=float, default=1.0, help="what the ledger says of wear and beginners"
    )
    parser.add_argument("--engine", default="tests.reference.engine", help="module with fitted() and needs()")
    parser.add_argument("--sampled", type=int, default=0, help="worlds in which the sampler runs too")
    parser.add_argument("--processes", type=int, default=1)
    o = parser.parse_args(arguments)
    begun = time.perf_counter()
    nature = Nature(divers=o.divers, reckoned=o.reckoned)
    work = partial(one, seed=o.seed, engine=o.engine, nature=nature, sampled=o.sampled)
    if o.processes > 1:
        with ProcessPoolExecutor(o.processes) as pool:
            whole = list(pool.map(work, range(o.worlds)))
    else:
        whole = [work(index) for index in range(o.worlds)]
    found = [each for each in whole if each is not None]
    print(", ".join(f"{name} {value:g}" for name, value in asdict(nature).items()))
    rows = np.mean([each["rows"] for each in found])
    text, good = table(found)
    compared, near = against(found)
    print(
        f"{o.worlds} worlds, seed {o.seed}, {rows:.0f} rows each; {o.worlds - len(found)} without an answer; "
        f"{time.perf_counter() - begun:.0f} s; ± one standard error, clustered by world; ! not allowed\n"
        f"{text}\n{compared}",
        end="",
    )
    return 0 if good and near and len(found) == o.worlds else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
