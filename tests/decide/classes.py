"""Simulated classes whose true needs are known: invented students who mostly begin too heavy.

The truth is not the model's own: a bias of the formulas, normal offsets and scatter of our choosing on top of
the ledger, a breath range with hard ends, leads by a rule of thumb, and records of which some are wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from leadline.arrays import Records, columns_from_rows
from leadline.decide.assessment import Assessment
from leadline.decide.roster import roster
from leadline.decide.roster_scope import roster_plan
from leadline.model.population import Fit
from leadline.records import CHECKS, DIVERS, DIVES, GEAR
from leadline.timeline import PLAN

GEAR_ROWS: list[dict[str, Any]] = [
    {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 5},
    {"item": "jacket", "kind": "bc", "style": "jacket"},
    {"item": "steel 12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12, "rated_bar": 232},
]
KIT = {"suit": "full 5", "bc": "jacket", "cylinder": "steel 12", "gas": "air", "water": "salt"}
RESERVE = 35
BREATH_OUT, BREATH_IN = 0.5, 1.2  # kg
TODAY = "2026-06-01"


@dataclass(frozen=True)
class School:
    """Records of many classes, and the truth behind them.

    Parameters
    ----------
    records : Records
        Of all.
    margin : ndarray, shape (students, dives)
        True lead over need on each dive, its scatter included. [kg]
    names : list of str
        Of the students, in the order of `margin`.
    """

    records: Records
    margin: np.ndarray
    names: list[str]

    def too_heavy(self) -> dict[str, bool]:
        """Who was more than 2 kg over need on most of the last five dives."""
        over = self.margin[:, -5:] > 2
        return dict(zip(self.names, (over.sum(axis=1) > over.shape[1] / 2).tolist(), strict=True))


def ledger_need(divers: list[dict[str, Any]]) -> np.ndarray:
    """Need by physics alone in the kit of all classes, at the reserve. [kg]"""
    from leadline.model.population import prior_fit

    plan = [{"dive": "p", "diver": row["diver"], "date": TODAY, **KIT} for row in divers]
    records = Records(
        columns_from_rows(DIVERS, divers),
        columns_from_rows(GEAR, GEAR_ROWS),
        columns_from_rows(DIVES, []),
        columns_from_rows(CHECKS, []),
    )
    assessment = Assessment.of(records, prior_fit(), plan=columns_from_rows(DIVES, plan))
    rows = assessment.line.at(PLAN)
    return np.asarray(assessment.prior(rows, assessment.state(rows))[0].need)


def school(
    seed: int,
    *,
    classes: int = 20,
    size: int = 6,
    dives: int = 6,
    looked: float = 0.4,
    wrong: float = 0.02,
    heeded: float = 0.3,
    excess: float = 1.6,
    by_thumb: float = 0.5,
) -> School:
    """Classes of students.

    `looked` is the chance that a BC is empty and noted so (0: never), `wrong` that a result is none of what
    was, `heeded` that lead comes off after a stop at which the student sank; `excess` is the mean lead over
    what physics says, on the first dive. [kg]
    """
    rng = np.random.default_rng(seed)
    n = classes * size
    female = rng.random(n) < 0.5
    height = np.where(female, 167, 180) + 6.5 * rng.standard_normal(n)
    mass = np.where(female, 23.5, 25) * (height / 100) ** 2 * np.exp(0.12 * rng.standard_normal(n))
    people: list[dict[str, Any]] = [
        {
            "diver": f"Student {i:03d}", "mass_kg": round(float(mass[i]), 1), "dives_before": 0,
            "height_cm": round(float(height[i])), "birth_year": int(rng.integers(1966, 2004)),
            "sex": "f" if female[i] else "m",
        }
        for i in range(n)
    ]  # fmt: skip
    physics = ledger_need(people)
    need = physics + 0.4 * rng.standard_normal() + 1.1 * rng.standard_normal(n)
    # Some go by a rule of thumb that knows nothing of the person but the mass, some are heavy on need.
    thumb = physics.mean() + excess + 0.06 * (mass - mass.mean()) + 0.8 * rng.standard_normal(n)
    lead = np.where(rng.random(n) < by_thumb, thumb, need + excess + 1.0 * rng.standard_normal(n))
    lead = np.maximum(np.round(2 * lead) / 2, 0.0)
    margin = np.zeros((n, dives))
    rows: list[dict[str, Any]] = []
    for k in range(dives):
        margin[:, k] = lead - need - 0.4 * rng.standard_normal(n)
        for i in range(n):
            seen = _seen(rng, float(margin[i, k]), looked=looked, wrong=wrong)
            kept: dict[str, Any] = {
                "start_bar": 200,
                "end_bar": RESERVE,
                "max_depth_m": 14,
                "lead_kg": float(lead[i]),
            }
            where = {"group": f"Class {i // size}", "leader": f"Leader {i // size % 7}"}
            when = {
                "dive": f"{i // size}-{k}",
                "diver": people[i]["diver"],
                "date": f"2026-05-{1 + 2 * k:02d}",
            }
            rows.append(when | where | kept | KIT | seen)
            if seen["stop_result"] == "rose":
                lead[i] += 1.0
            elif seen["stop_result"] == "sank" and rng.random() < heeded:
                lead[i] = max(lead[i] - 0.5, 0.0)
    records = Records(
        columns_from_rows(DIVERS, people),
        columns_from_rows(GEAR, GEAR_ROWS),
        columns_from_rows(DIVES, rows),
        columns_from_rows(CHECKS, []),
    )
    return School(records, margin, [row["diver"] for row in people])


def _seen(rng: np.random.Generator, margin: float, *, looked: float, wrong: float) -> dict[str, str]:
    """What is noted: a look tells the three zones apart, without one a heavy diver hovers on gas."""
    zone = "rose" if margin < -BREATH_OUT else "sank" if margin > BREATH_IN else "hovered"
    if rng.random() < wrong:
        zone = str(rng.choice(["rose", "sank", "hovered"]))
    if rng.random() < looked:
        return {"stop_result": zone, "bc_state": "empty"}
    if zone == "rose":
        return {"stop_result": "rose", "bc_state": "unknown"}
    return {"stop_result": "hovered", "bc_state": "unknown"}


def roster_of(records: Records, fit: Fit, *, in_fit: bool = True, **options: Any) -> Any:
    """Roster of all records with a fit that has seen them, or has not."""
    scope = {name: options[name] for name in ("groups", "since") if name in options}
    plan = roster_plan(records, date=TODAY, **scope)
    seen = np.full(len(records.dives["dive"]), in_fit)
    assessment = Assessment.of(
        records,
        fit,
        plan=plan,
        dives_in_fit=seen,
        checks_in_fit=np.full(len(records.checks["check"]), in_fit),
    )
    return roster(assessment, **options)
