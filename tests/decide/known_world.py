"""A simulated book whose truth is known: drawn from the model itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Records, columns_from_rows
from leadline.decide.assessment import Assessment
from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters
from leadline.model.population import prior_fit
from leadline.records import CHECKS, DIVERS, DIVES, GEAR
from leadline.timeline import DIVE

GEAR_ROWS: list[dict[str, Any]] = [
    {"item": "full 5", "kind": "suit", "style": "full", "thickness_mm": 5},
    {"item": "full 7", "kind": "suit", "style": "full", "thickness_mm": 7},
    {"item": "shorty", "kind": "suit", "style": "shorty", "thickness_mm": 3},
    {"item": "jacket", "kind": "bc", "style": "jacket"},
    {"item": "steel 12", "kind": "cylinder", "material": "steel", "water_capacity_l": 12, "rated_bar": 232},
    {"item": "alu 11", "kind": "cylinder", "material": "aluminium", "water_capacity_l": 11.1},
]


@dataclass(frozen=True)
class World:
    """A book, and the need of each of its dives at the stop as it was made. [kg]."""

    records: Records
    need: NDArray[np.float64]


def _rows(
    rng: np.random.Generator, divers: int, dives: int, one_day: bool
) -> tuple[list[dict[str, Any]], ...]:
    who = [
        {
            "diver": f"d{i:02d}",
            "mass_kg": round(float(rng.normal(75, 11)), 1),
            "height_cm": round(float(rng.normal(173, 8))),
            "birth_year": int(rng.integers(1960, 2004)),
            "sex": "fm"[i % 2],
            "dives_before": int(rng.integers(0, 200)),
        }
        for i in range(divers)
    ]
    made = []
    for number in range(dives):
        for i in range(divers):
            made.append(
                {
                    "dive": f"{number}",
                    "diver": f"d{i:02d}",
                    "date": f"2026-05-01T{number:02d}:00" if one_day else f"2026-05-{1 + number:02d}",
                    "water": "salt",
                    "suit": ("full 5", "full 7", "shorty")[int(rng.choice(3, p=[0.6, 0.3, 0.1]))],
                    "bc": "jacket",
                    "cylinder": ("steel 12", "alu 11")[(i + number // 3) % 2],
                    "start_bar": "200",
                    "end_bar": str(int(rng.integers(4, 12)) * 10),
                }
            )
    return who, made


def world(seed: int, *, divers: int = 16, dives: int = 8, naive: bool = False) -> World:
    """A book of stops that were all watched with the BC empty; the same for the same seed.

    A `naive` one is dived on one day, with leads chosen from physics alone: so nothing can be learned of the
    population in between, and the leads tell nothing of need. Its hyperparameters are drawn from their
    priors, so that over many worlds the model before any fit is the truth to the letter.
    """
    rng = np.random.default_rng(seed)
    who, made = _rows(rng, divers, dives, naive)

    def records() -> Records:
        return Records(
            columns_from_rows(DIVERS, who),
            columns_from_rows(GEAR, GEAR_ROWS),
            columns_from_rows(DIVES, made),
            columns_from_rows(CHECKS, []),
        )

    fit = prior_fit()
    theta = (
        Hyperparameters.from_vector(CENTRE + SPREAD * rng.normal(size=len(CENTRE))) if naive else fit.theta
    )
    assessment = Assessment.of(records(), fit)
    rows = assessment.line.at(DIVE)
    pressure = assessment.line.occasions.stop[rows]
    state = replace(assessment.state(rows), cylinder_pressure=pressure)
    ledger, shared = assessment.prior(rows, state)
    diver = assessment.line.occasions.diver[rows]
    own_sd = np.hypot(theta.diver_sd, theta.body_factor * np.hypot(shared.body_sd, shared.rest_sd))
    suit = np.unique(assessment.suit[rows], return_inverse=True)[1]
    usual = (
        ledger.need
        + shared.values @ rng.normal(size=shared.values.shape[1])
        + own_sd * rng.normal(size=divers)[diver]
        + theta.suit_factor * shared.suit_sd * rng.normal(size=suit.max() + 1)[suit]
    )
    need = usual + theta.scatter * rng.normal(size=len(rows))
    # People carry what they are used to, over their usual need; what that is differs from suit to suit.
    known = ledger.need if naive else usual
    habit = rng.normal(0.6, 1.2, suit.max() + 1)[suit]
    lead = np.maximum(np.round(2 * (known + habit + rng.normal(0, 0.5, len(rows)))) / 2, 0.0)
    felt = need + rng.normal(0, 0.2, len(rows)) - lead
    zone = np.where(felt > theta.breath_out, 0, np.where(felt < -theta.breath_in, 2, 1))
    other = (zone + rng.integers(1, 3, len(rows))) % 3
    zone = np.where(rng.random(len(rows)) < theta.wrong, other, zone)
    for row, carried, word in zip(made, lead.tolist(), zone.tolist(), strict=True):
        row |= {"lead_kg": carried, "stop_result": ("rose", "hovered", "sank")[word], "bc_state": "empty"}
    return World(records(), need)
