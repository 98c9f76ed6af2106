"""What a diver has already shown in like kit: which leads were proven enough, and what kind of evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.timeline import CHECK, DIVE

__all__ = ["LikeKit", "evidence_word", "like_kit"]

FloatArray = NDArray[np.float64]

NEAR_RESERVE: Final = 70.0
"""Cylinder pressure up to which a surface check counts as made with a nearly empty cylinder. [bar gauge]"""


@dataclass(frozen=True)
class LikeKit:
    """One diver's history for one planned dive.

    Parameters
    ----------
    known : bool
        Whether there is evidence in the same suit, undersuit and type of cylinder.
    enough : ndarray, shape (k,)
        Leads that held a stop in like kit, carried to this water and pressure by the ledger. [kg]
    carried : ndarray, shape (d,)
        All leads carried in like kit, in order of date, likewise. [kg]
    light_signs : int
        Dives in like kit whose stop showed the diver too light.
    fresh_check : bool
        A surface check near the reserve on the day of the dive.
    upper, lower, point : bool
        Whether evidence in like kit bounds need from above, from below, or reads it.
    dives_used : int
        Occasions of this diver that count as evidence, in any kit.
    last_dive : datetime64
        NaT where there is none.
    suit_worn, water_seen : bool
        Whether this diver has a dive in this suit, in this kind of water.
    """

    known: bool
    enough: FloatArray
    carried: FloatArray
    light_signs: int
    fresh_check: bool
    upper: bool
    lower: bool
    point: bool
    dives_used: int
    last_dive: np.datetime64
    suit_worn: bool
    water_seen: bool


def _proven(assessment: Assessment, dives: NDArray[np.int64], shift: FloatArray) -> FloatArray:
    """Leads at which a stop was held, before and after a hand-off; carried by `shift`. [kg]."""
    line = assessment.line
    rows = line.row[dives]
    records = line.records.dives
    lead = records["lead_kg"][rows] + shift
    first = lead[records["stop_result"][rows] == "hovered"]
    second = (lead - records["handed_off_kg"][rows])[records["handed_off_result"][rows] == "hovered"]
    both = np.concatenate([first, second])
    return np.asarray(both[~np.isnan(both)])


def like_kit(assessment: Assessment, position: int, need_here: float) -> LikeKit:
    """History of the diver of a planned dive in the kit of that dive.

    Parameters
    ----------
    assessment : Assessment
        With the records.
    position : int
        Row of the timeline.
    need_here : float
        Prior need at the planned state. [kg]

    Returns
    -------
    LikeKit
        Leads are compared at equal pressure in equal water: each is moved by the difference of the ledgers.
    """
    line, evidence = assessment.line, assessment.evidence
    o = line.occasions
    diver = o.diver[position]
    alike = (
        (o.diver == diver)
        & (assessment.suit == assessment.suit[position])
        & (assessment.cylinder_types == assessment.cylinder_types[position])
    )
    own = (evidence.diver == diver) & assessment.observed
    here = own & alike[evidence.statements.row]
    seen = evidence.statements.fit[here]
    point = evidence.observations.point[here] | (
        (evidence.statements.kind[here] == "waterline") & (seen[:, 1] == 1) & (seen[:, 2] == 0)
    )
    hints = ((seen > 0) & (seen < 1)).any(axis=1)
    dives = np.flatnonzero(alike & (line.table == DIVE))
    late = np.where(np.isnat(o.date), np.datetime64("9999-12-31", "s"), o.date)
    dives = dives[np.argsort(late[dives], kind="stable")]
    shift = need_here - assessment.noted_need(dives) if len(dives) else np.zeros(0)
    leads = line.records.dives["lead_kg"][line.row[dives]] + shift
    all_dives = np.flatnonzero((o.diver == diver) & (line.table == DIVE))
    dates = o.date[all_dives]
    day = o.date[position].astype("datetime64[D]")
    today = alike & (line.table == CHECK) & (o.date.astype("datetime64[D]") == day)
    near = (np.nanmax(np.where(np.isnan(o.stop), np.inf, o.stop), axis=1) <= NEAR_RESERVE) & today
    light = here & (evidence.statements.kind == "stop") & (evidence.statements.fit[:, 0] == 1)
    return LikeKit(
        known=bool(here.any()),
        enough=_proven(assessment, dives, shift),
        carried=leads[~np.isnan(leads)],
        light_signs=int(light.sum()),
        fresh_check=bool(near.any()),
        upper=bool((~point & ~hints & (seen[:, 0] == 0)).any()),
        lower=bool((~point & ~hints & (seen[:, 2] == 0)).any()),
        point=bool(point.any()),
        dives_used=len(np.unique(evidence.observations.occasion[own])),
        last_dive=dates[~np.isnat(dates)].max() if (~np.isnat(dates)).any() else np.datetime64("NaT", "s"),
        suit_worn=bool((assessment.suit[all_dives] == assessment.suit[position]).any()),
        water_seen=bool((o.water[all_dives] == o.water[position]).any()),
    )


def evidence_word(history: LikeKit) -> str:
    """none, upper_only, two_sided or measured: the strongest kind there is in like kit.

    Bounds from below alone count as none: they say that more is needed, not how much.
    """
    if history.point:
        return "measured"
    if history.upper and history.lower:
        return "two_sided"
    return "upper_only" if history.upper else "none"
