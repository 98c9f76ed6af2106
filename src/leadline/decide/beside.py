"""What stands beside an answer, ready for JSON: acts weighed, reasons to check again, the rig."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from leadline.decide.safety import MOMENTS, RigSafety
from leadline.decide.step import Step
from leadline.decide.trigger import Trigger
from leadline.decide.trim import trim

__all__ = ["acts", "rechecks", "rig"]


def _rounded(values: dict[str, Any]) -> dict[str, Any]:
    return {name: round(value, 4) if isinstance(value, float) else value for name, value in values.items()}


def acts(step: Step) -> list[dict[str, Any]]:
    """Acts that were weighed for the next step.

    Parameters
    ----------
    step : Step
        Of one answer.

    Returns
    -------
    list of dict
        Fields of `leadline.decide.step.Act` and whether it is the one chosen. [kg, nat, -]
    """
    return [{**_rounded(asdict(act)), "chosen": act == step.chosen} for act in step.acts]


def rechecks(triggers: tuple[Trigger, ...]) -> list[dict[str, Any]]:
    """Reasons to check again.

    Parameters
    ----------
    triggers : tuple of Trigger
        Of one answer.

    Returns
    -------
    list of dict
        What is new, and how much wider it makes the band. [kg]
    """
    return [{"new": trigger.name, **_rounded({"widens_kg": trigger.widens_kg})} for trigger in triggers]


def rig(safety: RigSafety, row: int) -> dict[str, Any]:
    """Forces of one rig.

    Parameters
    ----------
    safety : RigSafety
        Of several rigs.
    row : int
        Which.

    Returns
    -------
    dict
        Depth [m], lift [L] against what each moment needs, weights and buoyancies [kg], lead by place [kg]
        and its moment [kg m]; NaN where nobody noted what it takes.
    """

    def number(values: Any) -> float:
        value = float(values[row])
        return value if np.isnan(value) else round(value, 3)

    sits = trim(str(safety.places[row]))
    return {
        "lead_kg": number(safety.lead),
        "depth_m": number(safety.depth),
        "depth_from": str(safety.depth_from[row]),
        "lift_l": number(safety.lift),
        "lift_needed_l": {name: number(safety.lift_needed[:, i]) for i, name in enumerate(MOMENTS)},
        "failed_bc_weight_kg": number(safety.deep_weight),
        "failed_bc_weight_dropped_kg": number(safety.dropped_deep_weight),
        "failed_bc_weight_at_stop_kg": number(safety.stop_weight),
        "ditchable_kg": number(safety.ditchable),
        "ditchable_from": str(safety.ditchable_from[row]) or None,
        "belt_kg": number(safety.belt),
        "afloat_full_kg": number(safety.afloat_full),
        "afloat_near_empty_kg": number(safety.afloat_near_empty),
        "lost_at_stop_light_kg": number(safety.lost_light),
        "light_at_1_m_kg": number(safety.shallow_light),
        "backup_lift": str(safety.backup[row]) or None,
        "lead_places_kg": sits.totals,
        "lead_moment_kgm": round(sits.moment, 3) if sits.totals else float("nan"),
        "lead_pulls": sits.pulls if sits.totals else None,
    }
