"""What a diver has already shown in like kit: which leads were proven enough, and what kind of evidence."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.history_data import LATEST, LikeKit, Sights
from leadline.decide.sight import sights, telling
from leadline.physics.water import WATERS
from leadline.timeline import CHECK, DIVE, PLAN

__all__ = ["Histories", "LikeKit", "evidence_word", "like_kit"]

FloatArray = NDArray[np.float64]

NEAR_RESERVE: Final = 70.0
"""Cylinder pressure up to which a surface check counts as made with a nearly empty cylinder. [bar gauge]"""

LIKE_WATER: Final = 5.0
"""Salinities that differ by no more are one water: less than 0.5 kg of lead. [g/kg] (judged)"""

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
_PROOF: Final = ("enough", "handed", "enough_handed")
_SAYS: Final = (
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
_COUNTED: Final = ("light_signs", "light_hints", "heavy_signs")


class _Sorted:
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

    def __init__(self, diver: NDArray[np.int64], count: int, **columns: NDArray[Any]) -> None:
        self._first = np.searchsorted(diver, np.arange(count + 1)).tolist()
        self._columns = columns

    def of(self, diver: int) -> dict[str, NDArray[Any]]:
        """The rows of one diver, by the names of the columns."""
        here = slice(self._first[diver], self._first[diver + 1])
        return {name: values[here] for name, values in self._columns.items()}


def _enough(result: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Results of a stop that prove its lead enough: whoever sinks has more than that."""
    return np.asarray((result == "hovered") | (result == "sank"), bool)


def _gassy(records: dict[str, NDArray[Any]]) -> NDArray[np.bool_]:
    """Rises with gas of unknown amount in BC or suit, which say nothing of need and much of the ascent."""
    gas = (records["bc_state"] == "gas") | (records["suit_gas"] == "more")
    return np.asarray((records["stop_result"] == "rose") & gas & ~(records["bc_gas_l"] > 0), bool)


def _codes(values: NDArray[np.object_]) -> NDArray[np.int64]:
    """A number for each text; equal where the texts are."""
    code: dict[Any, int] = {}
    return np.array([code.setdefault(value, len(code)) for value in values.tolist()], np.int64)


def _sets(items: NDArray[np.int64]) -> NDArray[np.int64]:
    """A number for each set of items of the gear table, -1 for none; shape (n,).

    Folded column by column: to compare whole rows takes ten times as long.
    """
    found = np.zeros(len(items), np.int64)
    for column in np.sort(items, axis=1).T:
        found = found * (int(column.max(initial=0)) + 2) + column + 1
        if found.max(initial=0) > MOST_FOLDED:
            found = np.unique(found, return_inverse=True)[1].reshape(-1)
    return found


def _salinities(words: NDArray[np.object_], noted: FloatArray) -> FloatArray:
    """Salinity as noted, else the usual one of the word; NaN where there is neither. [g/kg]."""
    usual = np.full(len(words), np.nan)
    for word, about in WATERS.items():
        if word:
            usual[words == word] = about.mean
    return np.where(np.isnan(noted), usual, noted)


class Histories:
    """Histories of the divers of a plan; what can be is reckoned for all of them at once.

    Parameters
    ----------
    assessment : Assessment
        With the records and the plan.
    """

    def __init__(self, assessment: Assessment) -> None:
        self.assessment = assessment
        line, o = assessment.line, assessment.line.occasions
        self._cylinder = _codes(assessment.cylinder_types)
        self._salinity = _salinities(o.water, o.salinity)
        self._vague = (o.water == "brackish") & np.isnan(o.salinity)
        self._bc = _sets(o.bc)
        self._outer = _sets(o.suit)
        self._other, self._others = self._other_items()
        self._count = len(line.records.divers["diver"])
        rows = self._by_date()
        self._dives = self._dives_of(rows[line.table[rows] == DIVE])
        self._checks = self._checks_of(rows[line.table[rows] == CHECK])
        self._seen = self._observed()
        self._sights = sights(assessment, self._seen)
        self._evidence = self._evidence_of()
        self._occasions = self._occasions_of()

    def _other_items(self) -> tuple[NDArray[np.int64], list[dict[str, int]]]:
        """For each row its set of other items, and for each set the row of gear of each kind of piece."""
        line = self.assessment.line
        gear = line.records.gear
        names = np.where(gear["type"] == "", gear["item"], gear["type"]).tolist()
        _, first, place = np.unique(_sets(line.occasions.other), return_index=True, return_inverse=True)
        sets = line.occasions.other[first].tolist()
        return place.reshape(-1), [{names[item]: item for item in row if item >= 0} for row in sets]

    def _by_date(self) -> NDArray[np.int64]:
        """Dives and checks by diver and date, what has no date last."""
        line = self.assessment.line
        rows = np.flatnonzero(line.table != PLAN)
        date = line.occasions.date[rows]
        late = np.where(np.isnat(date), np.datetime64("9999-12-31", "s"), date)
        return rows[np.lexsort((late, line.occasions.diver[rows]))]

    def _sorted(self, rows: NDArray[np.int64], **more: NDArray[Any]) -> _Sorted:
        """Rows of the timeline, by diver, with their kit and date."""
        assessment, o = self.assessment, self.assessment.line.occasions
        return _Sorted(
            o.diver[rows],
            self._count,
            row=rows,
            suit=assessment.suit[rows],
            cylinder=self._cylinder[rows],
            date=o.date[rows],
            **more,
        )

    def _dives_of(self, rows: NDArray[np.int64]) -> _Sorted:
        """Dives with their leads, and what the divers of the plan needed on them."""
        line = self.assessment.line
        diver = line.occasions.diver
        noted = np.full(len(rows), np.nan)
        asked = np.flatnonzero(np.isin(diver[rows], np.unique(diver[line.table == PLAN])))
        if len(asked):  # all at once: one row at a time takes as long as a thousand
            noted[asked] = self.assessment.noted_need(rows[asked])
        there = line.row[rows]
        records = {name: line.records.dives[name][there] for name in _OF_DIVE}
        return self._sorted(
            rows,
            salinity=self._salinity[rows],
            brackish=(line.occasions.water == "brackish")[rows],
            vague=self._vague[rows],
            bc=self._bc[rows],
            outer=self._outer[rows],
            other=self._other[rows],
            noted=noted,
            lead=records["lead_kg"],
            enough=_enough(records["stop_result"]),
            handed=records["handed_off_kg"],
            enough_handed=_enough(records["handed_off_result"]),
            gassy=_gassy(records),
        )

    def _checks_of(self, rows: NDArray[np.int64]) -> _Sorted:
        """Checks, and whether each was made with nearly empty cylinders."""
        o = self.assessment.line.occasions
        # A cylinder that is carried and was not read may be full; a padded place holds none.
        read, on = o.stop[rows], o.carried[rows]
        most = np.where(np.isnan(read), np.where(on, np.inf, -np.inf), read).max(axis=1)
        return self._sorted(rows, near_reserve=np.isfinite(most) & (most <= NEAR_RESERVE))

    def _observed(self) -> NDArray[np.int64]:
        """Evidence that was seen, by diver."""
        seen = np.flatnonzero(self.assessment.observed)
        return seen[np.argsort(self.assessment.evidence.diver[seen], kind="stable")]

    def _evidence_of(self) -> _Sorted:
        """What was seen, and what each of it says: the columns of `says` are those of `_SAYS`."""
        evidence = self.assessment.evidence
        seen = self._seen
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
        return _Sorted(
            evidence.diver[seen],
            self._count,
            row=row,
            suit=self.assessment.suit[row],
            cylinder=self._cylinder[row],
            number=np.arange(len(seen)),
            telling=telling(evidence, seen),
            says=np.stack([says[name] for name in _SAYS], axis=1),
        )

    def _occasions_of(self) -> NDArray[np.int64]:
        """Occasions of each diver that count as evidence; shape (divers,)."""
        evidence, seen = self.assessment.evidence, self._seen
        occasion = evidence.observations.occasion[seen]
        each = np.unique(evidence.diver[seen] * (int(occasion.max(initial=0)) + 1) + occasion)
        return np.bincount(each // (int(occasion.max(initial=0)) + 1), minlength=self._count)

    def like_kit(self, position: int, need_here: float) -> LikeKit:
        """As the function of that name."""
        o = self.assessment.line.occasions
        diver = int(o.diver[position])
        suit, cylinder = self.assessment.suit[position], self._cylinder[position]
        dives = self._dives.of(diver)
        in_suit, with_cylinder = dives["suit"] == suit, dives["cylinder"] == cylinder
        like = in_suit & with_cylinder
        shift = need_here - dives["noted"][like]
        worn = dives["lead"][like]
        leads = worn + shift
        told = ~np.isnan(leads)
        dated = np.flatnonzero(~np.isnat(dives["date"]))
        last = int(dated[-1]) if len(dated) else len(dives["row"]) - 1
        gained, missing = self._swapped(
            position, dives["other"][in_suit] if in_suit.any() else dives["other"]
        )
        return LikeKit(
            **self._evidence_in(diver, suit, cylinder, dives, like, need_here, position),
            enough=_proven(leads, {name: dives[name][like] for name in _PROOF}),
            carried=leads[told],
            carried_row=dives["row"][like][told],
            worn=worn[told],
            fresh_check=self._fresh(diver, suit, cylinder, o.date[position]),
            last_dive=dives["date"][last] if len(dated) else np.datetime64("NaT", "s"),
            last_row=int(dives["row"][last]) if last >= 0 else -1,
            suit_worn=bool(in_suit.any()),
            water_seen=self._water_seen(position, dives),
            cylinder_used=bool(with_cylinder.any()),
            bc_worn=bool((dives["bc"] == self._bc[position]).any()),
            dives_used=int(self._occasions[diver]),
            suit_seen=bool((dives["outer"] == self._outer[position]).any()),
            gained=gained,
            missing=missing,
        )

    def _swapped(
        self, position: int, seen: NDArray[np.int64]
    ) -> tuple[tuple[int, ...], tuple[int, ...]]:  # fmt: skip
        """Other items of a row that none of these dives has, and those that all have and the row has not."""
        own = int(self._other[position])
        if not len(seen) or (seen == own).any():
            return (), ()
        here, sets = self._others[own], [self._others[code] for code in set(seen.tolist())]
        gained = tuple(row for name, row in here.items() if not any(name in one for one in sets))
        first, *rest = sets
        missing = tuple(
            row for name, row in first.items() if name not in here and all(name in one for one in rest)
        )
        return gained, missing

    def _water_seen(self, position: int, dives: dict[str, NDArray[Any]]) -> bool:
        """Whether one of the diver's dives was in water of about the salinity of that row."""
        alike = np.abs(dives["salinity"] - self._salinity[position]) <= LIKE_WATER
        if self.assessment.line.occasions.water[position] == "brackish":
            # The word alone covers more than that, so that it cannot tell one such water from another.
            alike |= dives["vague"] | (dives["brackish"] & self._vague[position])
        return bool(alike.any())

    def _evidence_in(
        self, diver: int, suit: int, cylinder: int, dives: dict[str, NDArray[Any]], like: NDArray[np.bool_],
        need_here: float, position: int,
    ) -> dict[str, Any]:  # fmt: skip
        """What the evidence in like kit says, carried to where the ledger's need is `need_here`."""
        seen = self._evidence.of(diver)
        here = (seen["suit"] == suit) & (seen["cylinder"] == cylinder)
        counts = dict(zip(_SAYS, seen["says"][here].sum(axis=0).tolist(), strict=True))
        counts["light_hints"] += int(dives["gassy"][like].sum())
        shown, light = here & seen["telling"], np.zeros(0)
        stops = Sights()
        if shown.any():
            stops = self._sights.take(seen["number"][shown]).carried(need_here)
            stops = stops.judged(
                self._walked(stops.row, position), dives["row"][like][-LATEST:], len(stops) == counts["known"]
            )
            light = stops.lead[stops.dive & (stops.fit == (1.0, 0.0, 0.0)).all(axis=1)]
        return {
            "light": light,
            "sights": stops,
            "uppers": counts["upper"],
            "lowers": counts["lower"],
            "points": counts["point"],
            **{name: n if name in _COUNTED else n > 0 for name, n in counts.items()},
        }

    def _walked(self, rows: NDArray[np.int64], position: int) -> FloatArray:
        """Variance by which need may have walked from rows of the timeline to another. [kg²]."""
        passage, drift = self.assessment.passage, self.assessment.fit.theta.drift
        years = np.abs(passage.elapsed[position] - passage.elapsed[rows])
        return np.asarray(drift**2 * years + np.abs(passage.jumped[position] - passage.jumped[rows]))

    def _fresh(self, diver: int, suit: int, cylinder: int, date: np.datetime64) -> bool:
        """Whether a check in like kit was made near the reserve on that day."""
        checks = self._checks.of(diver)
        if not len(checks["row"]):
            return False
        today = checks["date"].astype("datetime64[D]") == date.astype("datetime64[D]")
        like = (checks["suit"] == suit) & (checks["cylinder"] == cylinder)
        return bool((like & today & checks["near_reserve"]).any())


def _proven(leads: FloatArray, dives: dict[str, NDArray[Any]]) -> FloatArray:
    """Leads, moved already, that were enough at a stop, before and after a hand-off. [kg]."""
    first = leads[dives["enough"]]
    second = (leads - dives["handed"])[dives["enough_handed"]]
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
