"""What divers have shown so far: dives, checks and evidence by diver, ready for many questions."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Occasions
from leadline.decide.assessment import Assessment
from leadline.decide.sight import sights, telling
from leadline.distinct import distinct
from leadline.evidence.gather import in_time
from leadline.frozen import dataclass
from leadline.physics.water import WATERS
from leadline.timeline import CHECK, DIVE, PLAN

__all__ = [
    "LIKE_WATER",
    "NEAR_RESERVE",
    "SAYS",
    "Asked",
    "Past",
    "Sorted",
    "alike_water",
    "highest_read",
    "usual_salinity",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

NEAR_RESERVE: Final = 70.0
"""Cylinder pressure up to which a surface check counts as made with a nearly empty cylinder. [bar gauge]"""

MOST_FOLDED: Final = 2**40
"""Up to this number one more column of a gear table fits in 64 bits."""

_OF_DIVE: Final = (
    "lead_kg",
    "stop_result",
    "handed_off_kg",
    "handed_off_result",
    "bc_state",
    "bc_gas_l",
    "suit_gas",
)
SAYS: Final = (
    "known",
    "light_signs",
    "light_hints",
    "heavy_signs",
    "upper",
    "lower",
    "point",
    "looked",
    "estimated",
)
"""Columns of what a statement says."""


@dataclass(frozen=True)
class Asked:
    """Rows of a table that questions are about, the rows of one question beside one another.

    Parameters
    ----------
    at : ndarray of int, shape (m,)
        Row of the table.
    of : ndarray of int, shape (m,)
        Question, ascending.
    count : int
        Questions there are; some may have no row.
    """

    at: IntArray
    of: IntArray
    count: int

    def where(self, which: BoolArray) -> Asked:
        """Some of the rows."""
        return Asked(self.at[which], self.of[which], self.count)

    def number(self, which: BoolArray) -> IntArray:
        """How many of the rows of each question are so; shape (count,)."""
        return np.bincount(self.of[which], minlength=self.count)

    def any(self, which: BoolArray) -> BoolArray:
        """Whether any row of each question is so; shape (count,)."""
        return self.number(which) > 0

    def last(self, which: BoolArray) -> IntArray:
        """Place among all rows of the last one that is so, of each question; -1 where none is; (count,)."""
        found = np.full(self.count, -1)
        np.maximum.at(found, self.of[which], np.flatnonzero(which))
        return found

    def bounds(self) -> list[tuple[int, int]]:
        """First row of each question, and the one after its last."""
        return list(pairwise(np.searchsorted(self.of, np.arange(self.count + 1)).tolist()))

    def split(self, values: NDArray[Any]) -> list[NDArray[Any]]:
        """Values of all rows, question by question."""
        return [values[first:end] for first, end in self.bounds()]


class Sorted:
    """Some rows of a table by diver, and where each diver's are.

    Parameters
    ----------
    diver : ndarray of int, shape (n,)
        Diver of each row, ascending.
    count : int
        Divers there are.
    columns : ndarray
        What is asked of the rows, shape (n, ...) each.
    """

    def __init__(self, diver: IntArray, count: int, **columns: NDArray[Any]) -> None:
        self._first = np.searchsorted(diver, np.arange(count + 1))
        self._columns = columns

    def __getitem__(self, name: str) -> NDArray[Any]:
        """One of the columns."""
        return self._columns[name]

    def asked(self, divers: IntArray) -> Asked:
        """The rows of these divers, in the order of the questions."""
        first, many = self._first[divers], self._first[divers + 1] - self._first[divers]
        of = np.repeat(np.arange(len(divers)), many)
        ends = np.cumsum(many)
        return Asked(np.arange(len(of)) + np.repeat(first - (ends - many), many), of, len(divers))


def _enough(result: NDArray[np.object_]) -> BoolArray:
    """Results of a stop that prove its lead enough: whoever sinks has more than that."""
    return np.asarray((result == "hovered") | (result == "sank"), bool)


def _gassy(records: dict[str, NDArray[Any]]) -> BoolArray:
    """Rises with gas of unknown amount in BC or suit, which say nothing of need and much of the ascent."""
    gas = (records["bc_state"] == "gas") | (records["suit_gas"] == "more")
    return np.asarray((records["stop_result"] == "rose") & gas & ~(records["bc_gas_l"] > 0), bool)


def _codes(values: NDArray[np.object_]) -> IntArray:
    """A number for each text; equal where the texts are."""
    code: dict[Any, int] = {}
    return np.array([code.setdefault(value, len(code)) for value in values.tolist()], np.int64)


def _sets(items: IntArray) -> IntArray:
    """A number for each set of items of the gear table, -1 for none; shape (n,).

    Folded column by column: to compare whole rows takes ten times as long.
    """
    found = np.zeros(len(items), np.int64)
    for column in np.sort(items, axis=1).T:
        found = found * (int(column.max(initial=0)) + 2) + column + 1
        if found.max(initial=0) > MOST_FOLDED:
            found = np.unique(found, return_inverse=True)[1].reshape(-1)
    return found


def usual_salinity(words: NDArray[np.object_], noted: FloatArray) -> FloatArray:
    """Salinity as noted, else the usual one of the word; NaN where there is neither. [g/kg]."""
    usual = np.full(len(words), np.nan)
    for word, about in WATERS.items():
        if word:
            usual[words == word] = about.mean
    return np.where(np.isnan(noted), usual, noted)


def highest_read(occasions: Occasions, rows: IntArray) -> FloatArray:
    """Highest pressure among the cylinders of some checks; infinite where one was not read. [bar gauge]."""
    # A cylinder that is carried and was not read may be full; a padded place holds none.
    read, on = occasions.stop[rows], occasions.carried[rows]
    most = np.where(np.isnan(read), np.where(on, np.inf, -np.inf), read).max(axis=1, initial=-np.inf)
    return np.asarray(np.where(np.isfinite(most), most, np.inf))


LIKE_WATER: Final = 5.0
"""Salinities that differ by no more are one water: less than 0.5 kg of lead. [g/kg] (judged)"""


class Past:
    """Dives, checks and evidence of the divers of a plan, reckoned for all of them at once.

    Parameters
    ----------
    assessment : Assessment
        With the records and the plan.
    """

    def __init__(self, assessment: Assessment) -> None:
        self.assessment = assessment
        line, o = assessment.line, assessment.line.occasions
        self.cylinder = _codes(assessment.cylinder_types)
        self.kinds = int(self.cylinder.max(initial=0)) + 1
        self.several = (o.cylinder >= 0).sum(axis=1) > 1
        self.salinity = usual_salinity(o.water, o.salinity)
        self.brackish = o.water == "brackish"
        self.vague = self.brackish & np.isnan(o.salinity)
        self.bc = _sets(o.bc)
        self.outer = _sets(o.suit)
        gear = line.records.gear
        self._pieces = np.where(gear["type"] == "", gear["item"], gear["type"]).tolist()
        self.other, self.others = self._other_items()
        self._count = len(line.records.divers["diver"])
        rows = self._by_date()
        self.dives = self._dives_of(rows[line.table[rows] == DIVE])
        self.checks = self._checks_of(rows[line.table[rows] == CHECK])
        self.seen = self._observed()
        self.sights = sights(assessment, self.seen)
        self.evidence = self._evidence_of()
        self.occasions = self._occasions_of()

    def _other_items(self) -> tuple[IntArray, list[frozenset[str]]]:
        """For each row its set of other items, and for each set its kinds of piece.

        The numbers of the sets hang on all rows there are, so that their order means nothing.
        """
        other = self.assessment.line.occasions.other
        _, first, place = np.unique(_sets(other), return_index=True, return_inverse=True)
        return place.reshape(-1), [frozenset(self.pieces(row)) for row in first.tolist()]

    def pieces(self, row: int) -> dict[str, int]:
        """Other items of a row of the timeline: the row of gear of each kind of piece, in its order."""
        items = self.assessment.line.occasions.other[row].tolist()
        return {self._pieces[item]: item for item in items if item >= 0}

    def piece(self, item: int) -> str:
        """Kind of piece of a row of the gear table."""
        return str(self._pieces[item])

    def _by_date(self) -> IntArray:
        """Dives and checks by diver and date, what has no date last."""
        line = self.assessment.line
        rows = np.flatnonzero(line.table != PLAN)
        return rows[np.lexsort((in_time(line)[rows], line.occasions.diver[rows]))]

    def _sorted(self, rows: IntArray, **more: NDArray[Any]) -> Sorted:
        """Rows of the timeline, by diver, with their kit and date."""
        assessment, o = self.assessment, self.assessment.line.occasions
        return Sorted(
            o.diver[rows],
            self._count,
            row=rows,
            suit=assessment.suit[rows],
            cylinder=self.cylinder[rows],
            date=o.date[rows],
            **more,
        )

    def _dives_of(self, rows: IntArray) -> Sorted:
        """Dives with their leads, and what the divers of the plan needed on them."""
        line = self.assessment.line
        diver = line.occasions.diver
        noted = np.full(len(rows), np.nan)
        asked = np.flatnonzero(np.isin(diver[rows], distinct(diver[line.table == PLAN])))
        if len(asked):  # all at once: one row at a time takes as long as a thousand
            noted[asked] = self.assessment.noted_need(rows[asked])
        there = line.row[rows]
        records = {name: line.records.dives[name][there] for name in _OF_DIVE}
        return self._sorted(
            rows,
            bc=self.bc[rows],
            outer=self.outer[rows],
            other=self.other[rows],
            noted=noted,
            lead=records["lead_kg"],
            enough=_enough(records["stop_result"]),
            handed=records["handed_off_kg"],
            enough_handed=_enough(records["handed_off_result"]),
            gassy=_gassy(records),
        )

    def _checks_of(self, rows: IntArray) -> Sorted:
        """Checks, and whether each was made with nearly empty cylinders."""
        most = highest_read(self.assessment.line.occasions, rows)
        return self._sorted(rows, near_reserve=most <= NEAR_RESERVE)

    def _observed(self) -> IntArray:
        """Evidence that was seen, by diver."""
        seen = np.flatnonzero(self.assessment.observed)
        return seen[np.argsort(self.assessment.evidence.diver[seen], kind="stable")]

    def _evidence_of(self) -> Sorted:
        """What was seen, and what each of it says: the columns of `says` are those of `SAYS`."""
        evidence = self.assessment.evidence
        seen = self.seen
        said, kind, fit = evidence.statements, evidence.statements.kind[seen], evidence.statements.fit[seen]
        point = evidence.observations.point[seen] | (
            (kind == "waterline") & (fit[:, 1] == 1) & (fit[:, 2] == 0)
        )
        plain = ~point & ~((fit > 0) & (fit < 1)).any(axis=1)
        at_stop = (kind == "stop") | (kind == "hand_off")
        light = (kind == "stop") & (fit[:, 0] == 1)
        litres, certain = said.litres[seen] > 0, (fit == (1.0, 0.0, 0.0)).all(axis=1)
        held = at_stop & (fit == (0.0, 1.0, 0.0)).all(axis=1)
        says = {
            "known": np.ones(len(seen), bool),
            "light_signs": light & ~litres & certain,
            "light_hints": light & (litres | ~certain),
            "heavy_signs": (kind == "stop") & (fit[:, 2] == 1) & (fit[:, 1] == 0),
            "upper": plain & (fit[:, 0] == 0),
            "lower": plain & (fit[:, 2] == 0),
            "point": point,
            "looked": held & ~litres,
            "estimated": held & litres,
        }
        row = said.row[seen]
        return Sorted(
            evidence.diver[seen],
            self._count,
            row=row,
            suit=self.assessment.suit[row],
            outer=self.outer[row],
            cylinder=self.cylinder[row],
            telling=telling(evidence, seen),
            says=np.stack([says[name] for name in SAYS], axis=1),
        )

    def _occasions_of(self) -> IntArray:
        """Occasions of each diver that count as evidence; shape (divers,)."""
        evidence, seen = self.assessment.evidence, self.seen
        occasion = evidence.observations.occasion[seen]
        each = distinct(evidence.diver[seen] * (int(occasion.max(initial=0)) + 1) + occasion)
        return np.bincount(each // (int(occasion.max(initial=0)) + 1), minlength=self._count)


def alike_water(past: Past, one: IntArray, other: IntArray) -> BoolArray:
    """Whether rows of the timeline are in water of about the salinity of others, pair by pair."""
    alike = np.abs(past.salinity[one] - past.salinity[other]) <= LIKE_WATER
    # The word alone covers more than that, so that it cannot tell one such water from another.
    vague = past.vague[one] | (past.brackish[one] & past.vague[other])
    return np.asarray(alike | (past.brackish[other] & vague))
