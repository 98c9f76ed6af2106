"""What the closed loop shows: nearness, agreement with the oracle, and the rate of too light, by dive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.closed_loop import GUIDES, Course, followed, world
from tests.reference.nature import Nature

__all__ = ["NEAR", "Trial", "aims", "joined", "tables", "trial"]

FloatArray = NDArray[np.float64]

NEAR: Final = 1.0
AGREED: Final = 0.5
"""Kilograms within which a lead is near the need, and agrees with the oracle's."""

REACHES: Final = (0.8, 0.9, 1.0, 1.1, 1.25, 1.5)
RISK: Final = 0.05
LATER: Final = slice(3, None)
"""The dives after three."""

OF_ORACLE: Final = 0.9
AGREEMENT: Final = 0.85
POINT: Final = 0.01


@dataclass(frozen=True)
class Trial:
    """Divers under every guide; d divers, n dives.

    Parameters
    ----------
    expected, need : ndarray, shape (d, n)
        Need at the planned reserve, without and with the scatter of the dive. [kg]
    breath_out : ndarray, shape (d, 1)
        What exhaling covers. [kg]
    courses : dict of Course
        By guide.
    """

    expected: FloatArray
    need: FloatArray
    breath_out: FloatArray
    courses: Mapping[str, Course]

    def near(self, guide: str, *, reach: float = NEAR) -> FloatArray:
        """Whether each lead is near its dive's expected need."""
        return (np.abs(self.courses[guide].lead - self.expected) <= reach + 1e-9).astype(float)

    def excess(self, guide: str, *, over: str = "oracle") -> FloatArray:
        """Lead over an oracle's. [kg]."""
        return np.asarray(self.courses[guide].lead - self.courses[over].lead)

    def agreed(self, guide: str, *, over: str = "oracle") -> FloatArray:
        """Whether each lead agrees with an oracle's own."""
        return (np.abs(self.excess(guide, over=over)) <= AGREED + 1e-9).astype(float)

    def light(self, guide: str) -> FloatArray:
        """Whether each dive is too light."""
        return (self.need > self.courses[guide].lead + self.breath_out).astype(float)


def trial(
    seed: Sequence[int],
    *,
    divers: int,
    dives: int = 8,
    guides: Sequence[str] = GUIDES,
    learned_from: int = 60,
    nature: Nature | None = None,
) -> Trial:
    """One world, its divers under each guide, with the same luck."""
    here = world(seed, divers=divers, dives=dives, learned_from=learned_from, nature=nature)
    reality = here.crew.reality
    expected = reality.expected("plan")
    return Trial(
        expected,
        expected + reality.scatter,
        reality.breath_out[:, None],
        {guide: followed(here, guide)[0] for guide in guides},
    )


def joined(trials: Sequence[Trial]) -> Trial:
    """All divers of several worlds."""

    def whole(guide: str) -> Course:
        courses = [t.courses[guide] for t in trials]
        return Course(
            np.concatenate([c.lead for c in courses]),
            np.concatenate([c.act for c in courses]),
            np.concatenate([c.rose for c in courses]),
        )

    return Trial(
        np.concatenate([t.expected for t in trials]),
        np.concatenate([t.need for t in trials]),
        np.concatenate([t.breath_out for t in trials]),
        {guide: whole(guide) for guide in trials[0].courses},
    )


def clustered(values: FloatArray) -> tuple[float, float]:
    """Mean over divers and dives, and its standard error; the dives of a diver hang together."""
    own = values.mean(axis=1)
    return float(own.mean()), float(own.std(ddof=1) / np.sqrt(len(own)))


def _table(title: str, found: Mapping[str, FloatArray], *, percent: bool) -> str:
    dives = next(iter(found.values())).shape[1]
    head = " | ".join(f"{n}" for n in range(1, dives + 1))
    lines = [
        f"**{title}**\n",
        f"| dive | {head} | 1 to {dives} | 4 to {dives} |",
        "| --- |" + " --- |" * (dives + 2),
    ]
    for guide, values in found.items():
        cells = [f"{v:.0%}" if percent else f"{v:+.2f}" for v in values.mean(axis=0)]
        for part in (values, values[:, LATER]):
            mean, error = clustered(part)
            cells.append(f"{mean:.1%} ± {error:.1%}" if percent else f"{mean:+.2f} ± {error:.2f}")
        lines.append(f"| {guide} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def _reaches(found: Trial) -> str:
    """How the share of near leads hangs on what is called near."""
    lines = [
        "**Share of leads on dives 4 and later within so many kg of the expected need**\n",
        f"| kg | {' | '.join(f'{reach:g}' for reach in REACHES)} |",
        "| --- |" + " --- |" * len(REACHES),
    ]
    for guide in found.courses:
        near = [found.near(guide, reach=reach)[:, LATER].mean() for reach in REACHES]
        lines.append(f"| {guide} | {' | '.join(f'{share:.0%}' for share in near)} |")
    return "\n".join(lines) + "\n"


def _acts(found: Trial) -> str:
    """How often each act was tried, and how often it made the diver rise."""
    lines = [
        "**What was tried, share of dives; share of looks and hand-offs after which the diver rose**\n",
        "| guide | check before | look | hand-off | check after | less next time | nothing | rose |",
        "| --- |" + " --- |" * 7,
    ]
    names = ("check_first", "look", "hand_off", "surface_check", "carry_less", "")
    for guide, course in found.courses.items():
        cells = [f"{np.mean(course.act == name):.0%}" for name in names]
        tried = np.isin(course.act, ("look", "hand_off", "check_first"))
        cells.append(f"{course.rose[tried].mean():.1%}" if tried.any() else "")
        lines.append(f"| {guide} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def tables(found: Trial) -> str:
    """All tables, as Markdown."""
    guides = list(found.courses)
    parts = [
        _table(
            "Share of leads within 1 kg of the dive's expected need",
            {g: found.near(g) for g in guides},
            percent=True,
        ),
        _table(
            "Share within 0.5 kg of the oracle's own lead", {g: found.agreed(g) for g in guides}, percent=True
        ),
        _table("Mean lead over the oracle's, kg", {g: found.excess(g) for g in guides}, percent=False),
        _table(
            "Mean lead over the dive's expected need, kg",
            {g: found.courses[g].lead - found.expected for g in guides},
            percent=False,
        ),
        _reaches(found),
        _table("Rate of too light", {g: found.light(g) for g in guides}, percent=True),
        _acts(found),
    ]
    return "\n".join(parts)


def _beside(found: Trial, who: str) -> list[tuple[str, str, bool]]:
    """The aims that are held against one of the oracles."""
    near, best = (found.near(g)[:, LATER] for g in ("tool", who))
    ratio, fourth = near.mean() / best.mean(), near[:, 0].mean() / best[:, 0].mean()
    agreed = found.agreed("tool", over=who)[:, LATER]
    return [
        (
            f"after 3 dives, share within 1 kg at least 0.9 of the {who}'s",
            f"{ratio:.2f} over dives 4 to 8, {fourth:.2f} on dive 4",
            bool(min(ratio, fourth) >= OF_ORACLE),
        ),
        (
            f"after 3 dives, 85 % within 0.5 kg of the {who}'s own lead",
            f"{agreed.mean():.1%} over dives 4 to 8, {agreed[:, 0].mean():.1%} on dive 4",
            bool(min(agreed.mean(), agreed[:, 0].mean()) >= AGREEMENT),
        ),
    ]


def aims(found: Trial) -> list[tuple[str, str, bool]]:
    """What was aimed at, what was found, and whether the aim was met."""
    light, error = clustered(found.light("tool"))
    near, safe = (
        {g: of(g).mean(axis=0)[1:] for g in ("tool", "practice")} for of in (found.near, found.light)
    )
    nearer = np.flatnonzero(near["practice"] > near["tool"]) + 2
    safer = np.flatnonzero(safe["practice"] < safe["tool"]) + 2
    rows = [
        *_beside(found, "oracle"),
        *_beside(found, "model's oracle"),
        ("too light at most 6 %", f"{light:.1%} ± {error:.1%} of all dives", bool(light <= RISK + POINT)),
    ]
    for word, dives in (("nearer", nearer), ("safer", safer)):
        said = f"{word} on dives {', '.join(map(str, dives))}" if len(dives) else "on none"
        rows.append((f"common practice {word} on no dive after the first", said, not len(dives)))
    return rows
