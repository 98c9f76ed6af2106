"""Accepted against realised risk: leads for each accepted chance of too light, on simulated books.

Each diver's next dive is answered from the records before it, by the tool and by the oracle that reads the
same records under the true law. A lead is too light where the need of that dive, its scatter in it, exceeds
lead and breath.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.lead_rule import breath_out
from leadline.model.marginal import Marginal
from leadline.timeline import PLAN
from tests.benchmarks import closed_loop_oracle as oracle
from tests.benchmarks.closed_loop import World, followed, world
from tests.benchmarks.closed_loop_oracle import Stop
from tests.benchmarks.closed_loop_summary import clustered
from tests.benchmarks.closed_loop_world import Sighting
from tests.reference.nature import Nature

__all__ = ["ORACLES", "RISKS", "THE_ORACLE", "Curves", "aims", "curves", "joined", "tables"]

FloatArray = NDArray[np.float64]

ORACLES: Final = {"oracle": True, "model's oracle": False}
"""Whether each knows the law of the world."""

THE_ORACLE: Final = {"oracle": False}
"""Where the model is the law the two are one, and the model's has less to reckon."""

RISKS: Final = (0.01, 0.02, 0.03, 0.05, 0.075, 0.10, 0.15, 0.20)
POINTS: Final = 0.015
EXCESS: Final = 0.2
BLOCK: Final = Block()


@dataclass(frozen=True)
class Curves:
    """Leads of d divers on n dives for k accepted risks.

    Parameters
    ----------
    lead : dict of ndarray, shape (d, n, k)
        By 'tool' and oracles: exact, not put on blocks; may be below 0. [kg]
    middle, width : dict of ndarray, shape (d, n)
        Mean and sd of need, likewise. [kg]
    need : ndarray, shape (d, n)
        With scatter. [kg]
    breath_out : ndarray, shape (d,)
        What exhaling covers. [kg]
    """

    lead: Mapping[str, FloatArray]
    middle: Mapping[str, FloatArray]
    width: Mapping[str, FloatArray]
    need: FloatArray
    breath_out: FloatArray

    @property
    def oracles(self) -> list[str]:
        """Names of the oracles."""
        return [who for who in self.lead if who != "tool"]

    def light(self, who: str, *, blocks: bool = False) -> FloatArray:
        """Whether each dive is too light, shape (d, n, k)."""
        lead = self.on_blocks(who) if blocks else self.lead[who]
        return (self.need[..., None] > lead + self.breath_out[:, None, None]).astype(float)

    def on_blocks(self, who: str) -> FloatArray:
        """The leads on blocks of 0.5 kg, none below 0. [kg]."""
        return np.asarray(np.maximum(np.ceil(self.lead[who] / BLOCK.mass - 1e-9), 0.0) * BLOCK.mass)


class _Watch:
    """Answers before each dive, from what is recorded by then."""

    def __init__(self, here: World, oracles: Mapping[str, bool]) -> None:
        self.here = here
        who, shape = ("tool", *oracles), here.crew.shape
        self.lead = {each: np.zeros((*shape, len(RISKS))) for each in who}
        self.middle, self.width = ({each: np.zeros(shape) for each in who} for _ in range(2))
        self.divers = {
            each: [oracle.Diver(here.crew, d, lawful=lawful) for d in range(shape[0])]
            for each, lawful in oracles.items()
        }

    def before(self, n: int, log: Any) -> None:
        """Answer for dive n."""
        assessment = Assessment.of(log.records(), self.here.fit, plan=log.plan(n))
        rows = assessment.line.at(PLAN)
        state, out = assessment.state(rows), breath_out(self.here.fit.theta)
        usual = self.here.crew.nature.breath_out
        for d, row in enumerate(rows):
            need = assessment.marginals(np.array([row]), state.take(np.array([d])))[0]
            self._keep("tool", d, n, need, out)
            for who, divers in self.divers.items():
                divers[d].dive(n)
                self._keep(who, d, n, divers[d].need(n), usual)

    def _keep(self, who: str, d: int, n: int, need: Marginal, out: float) -> None:
        self.lead[who][d, n] = need.quantile(1 - np.array(RISKS)) - out
        self.middle[who][d, n], self.width[who][d, n] = need.mean, need.sd

    def after(self, d: int, n: int, stop: Stop, seen: Sighting | None) -> None:
        """Let the oracles take in the dive."""
        for divers in self.divers.values():
            divers[d].stop(n, stop)
            if seen:
                divers[d].check(n, seen, when="end")
            divers[d].close()


def curves(
    seed: Sequence[int],
    *,
    divers: int,
    dives: int = 8,
    learned_from: int = 60,
    keeper: str = "habit",
    nature: Nature | None = None,
    oracles: Mapping[str, bool] = ORACLES,
) -> Curves:
    """One world's leads for all of `RISKS`.

    Parameters
    ----------
    seed, divers, dives, learned_from, nature
        As for a world.
    keeper : {"habit", "written practice"}
        How the divers of the books choose their leads: by a habit that hangs on their true need, or by what
        the records say alone.
    oracles : mapping of bool
        By name: whether each knows the law of the world.

    Returns
    -------
    Curves
    """
    here = world(seed, divers=divers, dives=dives, learned_from=learned_from, nature=nature)
    watch, reality = _Watch(here, oracles), here.crew.reality
    followed(here, keeper, watch=watch)
    return Curves(
        watch.lead, watch.middle, watch.width, reality.expected("plan") + reality.scatter, reality.breath_out
    )


def joined(found: Sequence[Curves]) -> Curves:
    """All divers of several worlds."""
    leads, middles, widths = (
        {who: np.concatenate([getattr(f, name)[who] for f in found]) for who in found[0].lead}
        for name in ("lead", "middle", "width")
    )
    return Curves(
        leads,
        middles,
        widths,
        np.concatenate([f.need for f in found]),
        np.concatenate([f.breath_out for f in found]),
    )


def _row(found: Curves, k: int) -> dict[str, tuple[float, float]]:
    """Rates and excess at one accepted risk, each with its standard error."""
    cells = {who: clustered(found.light(who)[..., k]) for who in found.lead}
    for who in found.oracles:
        cells[f"over the {who}"] = clustered((found.lead["tool"] - found.lead[who])[..., k])
    cells["tool, blocks"] = clustered(found.light("tool", blocks=True)[..., k])
    cells["over, blocks"] = clustered((found.on_blocks("tool") - found.on_blocks("oracle"))[..., k])
    return cells


def tables(found: Curves) -> str:
    """The curve, and the rate at 5 % by dive, as Markdown."""
    over = " | ".join(f"over the {who}'s, kg" for who in found.oracles)
    lines = [
        f"| accepted | too light: tool | {' | '.join(found.oracles)} | tool's lead {over} "
        "| on 0.5 kg blocks: tool too light | over the oracle's, kg |",
        "| --- |" + " --- |" * (3 + 2 * len(found.oracles)),
    ]
    for k, risk in enumerate(RISKS):
        cells = [
            f"{mean:+.2f} ± {error:.2f}" if "over" in name else f"{mean:.1%} ± {error:.1%}"
            for name, (mean, error) in _row(found, k).items()
        ]
        lines.append(f"| {risk:.1%} | {' | '.join(cells)} |")
    k = RISKS.index(0.05)
    lines += ["", "| at 5 %, by dives before | " + " | ".join(map(str, range(found.need.shape[1]))) + " |"]
    lines.append("| --- |" + " --- |" * found.need.shape[1])
    for who in found.lead:
        rates = found.light(who)[..., k].mean(axis=0)
        lines.append(f"| too light: {who} | " + " | ".join(f"{rate:.1%}" for rate in rates) + " |")
    for who in found.oracles:
        more = (found.lead["tool"] - found.lead[who])[..., k].mean(axis=0)
        lines.append(f"| tool's lead over the {who}'s, kg | " + " | ".join(f"{m:+.2f}" for m in more) + " |")
    for who in ("tool", "oracle"):
        away = found.middle[who] - found.need
        means = " | ".join(f"{mean:+.2f}" for mean in away.mean(axis=0))
        sds = " | ".join(f"{sd:.2f}" for sd in (away / found.width[who]).std(axis=0))
        lines += [
            f"| expected less true need: {who}, kg | {means} |",
            f"| its sd, in sds of the band | {sds} |",
        ]
    return "\n".join(lines) + "\n"


def aims(found: Curves) -> list[tuple[str, str, bool]]:
    """What was aimed at, what was found, and whether the aim was met."""
    away = [_row(found, k)["tool"][0] - risk for k, risk in enumerate(RISKS)]
    far = int(np.argmax(np.abs(away)))
    rows = [
        (
            "realised rate within 1.5 points of the accepted risk, 1 to 20 %",
            f"furthest: {away[far] * 100:+.1f} points at {RISKS[far]:.1%}",
            bool(abs(away[far]) <= POINTS),
        )
    ]
    for who in found.oracles:
        excess = [_row(found, k)[f"over the {who}"][0] for k in range(len(RISKS))]
        much = int(np.argmax(excess))
        said = f"most: {excess[much]:+.2f} kg at {RISKS[much]:.1%}"
        rows.append((f"mean lead at most 0.2 kg over the {who}'s", said, bool(excess[much] <= EXCESS)))
    return rows
