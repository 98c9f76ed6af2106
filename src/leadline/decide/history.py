"""What a diver has already shown in like kit: which leads were proven enough, and what kind of evidence."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.timeline import CHECK, DIVE, PLAN

__all__ = ["Histories", "LikeKit", "evidence_word", "like_kit"]

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
        Leads proven enough at a stop in like kit, which was held or at which the diver sank, carried to this
        water and pressure by the ledger. [kg]
    light : ndarray, shape (r,)
        Leads at which the stop showed the diver too light, likewise. [kg]
    carried : ndarray, shape (d,)
        All leads carried in like kit, in order of date, likewise. [kg]
    worn : ndarray, shape (d,)
        The same as they were put on. [kg]
    light_signs, heavy_signs : int
        Dives in like kit whose stop showed the diver too light; heavier than breathing high covers.
    fresh_check : bool
        A surface check near the reserve on the day of the dive.
    upper, lower, point : bool
        Whether evidence in like kit bounds need from above, from below, or reads it.
    dives_used : int
        Occasions of this diver that count as evidence, in any kit.
    last_dive : datetime64
        NaT where there is none.
    last_row : int
        Row of the timeline of the latest dive; -1 where there is none.
    suit_worn, water_seen, cylinder_used, bc_worn : bool
        Whether this diver has a dive in this suit, in this kind of water, with these types of cylinder, in
        this BC.
    """

    known: bool
    enough: FloatArray
    light: FloatArray
    carried: FloatArray
    light_signs: int
    heavy_signs: int
    fresh_check: bool
    upper: bool
    lower: bool
    point: bool
    dives_used: int
    last_dive: np.datetime64
    last_row: int
    suit_worn: bool
    water_seen: bool
    cylinder_used: bool
    bc_worn: bool
    worn: FloatArray = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True)
class _Own:
    """What belongs to one diver, found once for all rows of a plan.

    Parameters
    ----------
    rows : ndarray of int
        Dives and checks, rows of the timeline by date.
    dives, checks : ndarray of bool
        Which of them are dives, checks.
    evidence : ndarray of int
        Evidence that was seen.
    occasions : int
        Occasions of these.
    """

    rows: NDArray[np.int64]
    dives: NDArray[np.bool_]
    checks: NDArray[np.bool_]
    evidence: NDArray[np.int64]
    occasions: int


def _first_of_each(diver: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Where each diver's rows begin, the end appended; the rows are sorted by diver."""
    return np.asarray(np.searchsorted(diver, np.arange(count + 1)))


def _proven(assessment: Assessment, dives: NDArray[np.int64], shift: FloatArray) -> FloatArray:
    """Leads that were enough at a stop, before and after a hand-off; carried by `shift`. [kg]."""
    rows = assessment.line.row[dives]
    records = assessment.line.records.dives
    lead = records["lead_kg"][rows] + shift
    first = lead[_enough(records["stop_result"][rows])]
    second = (lead - records["handed_off_kg"][rows])[_enough(records["handed_off_result"][rows])]
    both = np.concatenate([first, second])
    return np.asarray(both[~np.isnan(both)])


def _enough(result: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Results of a stop that prove its lead enough: whoever sinks has more than that."""
    return np.asarray((result == "hovered") | (result == "sank"), bool)


class Histories:
    """Histories of the divers of a plan; what belongs to each diver is looked up once.

    Parameters
    ----------
    assessment : Assessment
        With the records and the plan.
    """

    def __init__(self, assessment: Assessment) -> None:
        self.assessment = assessment
        self._known: dict[int, _Own] = {}
        o, table = assessment.line.occasions, assessment.line.table
        planned = np.unique(o.diver[table == PLAN])
        self._rows, self._row_first = self._by_diver()
        self._evidence_rows, self._evidence_first = self._evidence_by_diver()
        self._bc = np.sort(o.bc, axis=1)
        self._noted = np.full(len(table), np.nan)
        rows = np.flatnonzero((table == DIVE) & np.isin(o.diver, planned))
        if len(rows):  # all at once: one row at a time takes as long as a thousand
            self._noted[rows] = assessment.noted_need(rows)
        self._alike = np.zeros(len(table), bool)
        said = assessment.evidence.statements
        at_stop = (said.kind == "stop") | (said.kind == "hand_off")
        self._rose = at_stop & (said.litres == 0) & (said.fit == (1.0, 0.0, 0.0)).all(axis=1)

    def _by_diver(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Dives and checks by diver and date, what has no date last; where each diver's begin."""
        line = self.assessment.line
        rows = np.flatnonzero(line.table != PLAN)
        date = line.occasions.date[rows]
        late = np.where(np.isnat(date), np.datetime64("9999-12-31", "s"), date)
        rows = rows[np.lexsort((late, line.occasions.diver[rows]))]
        return rows, _first_of_each(line.occasions.diver[rows], len(line.records.divers["diver"]))

    def _evidence_by_diver(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Evidence that was seen, by diver; where each diver's begins."""
        evidence = self.assessment.evidence
        seen = np.flatnonzero(self.assessment.observed)
        seen = seen[np.argsort(evidence.diver[seen], kind="stable")]
        return seen, _first_of_each(evidence.diver[seen], len(self.assessment.line.records.divers["diver"]))

    def _of(self, diver: int) -> _Own:
        if diver not in self._known:
            here, there = (
                slice(*first[diver : diver + 2]) for first in (self._row_first, self._evidence_first)
            )
            rows = self._rows[here]
            table = self.assessment.line.table[rows]
            seen = self._evidence_rows[there]
            occasions = len(np.unique(self.assessment.evidence.observations.occasion[seen]))
            self._known[diver] = _Own(rows, table == DIVE, table == CHECK, seen, occasions)
        return self._known[diver]

    def like_kit(self, position: int, need_here: float) -> LikeKit:
        """As the function of that name."""
        assessment = self.assessment
        line, o = assessment.line, assessment.line.occasions
        own = self._of(int(o.diver[position]))
        alike = (assessment.suit[own.rows] == assessment.suit[position]) & (
            assessment.cylinder_types[own.rows] == assessment.cylinder_types[position]
        )
        dives, all_dives = own.rows[alike & own.dives], own.rows[own.dives]
        shift = need_here - self._noted[dives]
        worn = line.records.dives["lead_kg"][line.row[dives]]
        leads = worn + shift
        dated = all_dives[~np.isnat(o.date[all_dives])]
        return LikeKit(
            **self._evidence(own, own.rows[alike]),
            enough=_proven(assessment, dives, shift),
            light=self._light(own, dives, shift),
            carried=leads[~np.isnan(leads)],
            worn=worn[~np.isnan(leads)],
            fresh_check=self._fresh(own.rows[alike & own.checks], position),
            last_dive=o.date[dated[-1]] if len(dated) else np.datetime64("NaT", "s"),
            last_row=int(dated[-1] if len(dated) else all_dives[-1]) if len(all_dives) else -1,
            suit_worn=bool((assessment.suit[all_dives] == assessment.suit[position]).any()),
            water_seen=bool((o.water[all_dives] == o.water[position]).any()),
            cylinder_used=bool(
                (assessment.cylinder_types[all_dives] == assessment.cylinder_types[position]).any()
            ),
            bc_worn=bool((self._bc[all_dives] == self._bc[position]).all(axis=1).any()),
        )

    def _evidence(self, own: _Own, alike: NDArray[np.int64]) -> dict[str, Any]:
        """What the evidence in like kit says, and how much there is in any."""
        evidence = self.assessment.evidence
        self._alike[alike] = True
        here = own.evidence[self._alike[evidence.statements.row[own.evidence]]]
        self._alike[alike] = False
        seen, kind = evidence.statements.fit[here], evidence.statements.kind[here]
        point = evidence.observations.point[here] | (
            (kind == "waterline") & (seen[:, 1] == 1) & (seen[:, 2] == 0)
        )
        hints = ((seen > 0) & (seen < 1)).any(axis=1)
        return {
            "known": bool(len(here)),
            "light_signs": int(((kind == "stop") & (seen[:, 0] == 1)).sum()),
            "heavy_signs": int(((kind == "stop") & (seen[:, 2] == 1) & (seen[:, 1] == 0)).sum()),
            "upper": bool((~point & ~hints & (seen[:, 0] == 0)).any()),
            "lower": bool((~point & ~hints & (seen[:, 2] == 0)).any()),
            "point": bool(point.any()),
            "dives_used": own.occasions,
        }

    def _light(self, own: _Own, dives: NDArray[np.int64], shift: FloatArray) -> FloatArray:
        """Leads at which a diver rose with an empty BC, carried by `shift`. [kg]."""
        found = self.assessment.evidence.statements
        self._alike[dives] = True
        seen = own.evidence[self._alike[found.row[own.evidence]] & self._rose[own.evidence]]
        self._alike[dives] = False
        if not len(seen):
            return np.zeros(0)
        order = np.argsort(dives)
        place = order[np.searchsorted(dives, found.row[seen], sorter=order)]
        return np.asarray(found.lead[seen] + shift[place])

    def _near_reserve(self, checks: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether each check was made with nearly empty cylinders."""
        o = self.assessment.line.occasions
        # A cylinder that is carried and was not read may be full; a padded place holds none.
        read, on = o.stop[checks], o.carried[checks]
        most = np.where(np.isnan(read), np.where(on, np.inf, -np.inf), read).max(axis=1)
        return np.asarray(np.isfinite(most) & (most <= NEAR_RESERVE))

    def _fresh(self, checks: NDArray[np.int64], position: int) -> bool:
        """Whether one of these checks was made near the reserve on the day of the row."""
        if not len(checks):
            return False
        o = self.assessment.line.occasions
        today = o.date[checks].astype("datetime64[D]") == o.date[position].astype("datetime64[D]")
        return bool(self._near_reserve(checks[today]).any())


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
    return Histories(assessment).like_kit(position, need_here)


def evidence_word(history: LikeKit) -> str:
    """none, upper_only, two_sided or measured: the strongest kind there is in like kit.

    Bounds from below alone count as none: they say that more is needed, not how much.
    """
    if history.point:
        return "measured"
    if history.upper and history.lower:
        return "two_sided"
    return "upper_only" if history.upper else "none"
