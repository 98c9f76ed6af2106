"""What a diver has already shown in like kit: which leads were proven enough, and what kind of evidence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.history_data import LATEST, LikeKit, Sights
from leadline.decide.kin import CLOSE, apart, walked
from leadline.decide.past import NEAR_RESERVE, SAYS, Asked, Past, alike_water
from leadline.decide.sight import taught
from leadline.distinct import distinct
from leadline.physics.ledger import Exposures

__all__ = ["NEAR_RESERVE", "Histories", "LikeKit", "evidence_word", "like_kit"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Learned = tuple[FloatArray, Exposures]

_COUNTED: Final = ("light_signs", "light_hints", "heavy_signs")
_NUMBERS: Final = {"upper": "uppers", "lower": "lowers", "point": "points"}
"""Of what is counted, what is told as a number, and what is told as a number besides."""


class Histories:
    """Histories of the divers of a plan.

    Parameters
    ----------
    assessment : Assessment
        With the records and the plan.
    """

    def __init__(self, assessment: Assessment) -> None:
        self.assessment = assessment
        self.past = Past(assessment)

    def like_kits(
        self, positions: IntArray, need_here: FloatArray, shared: Exposures | None = None
    ) -> list[LikeKit]:
        """Histories for *n* rows of a plan, as `like_kit` finds one: all at once, which is quicker.

        Parameters
        ----------
        positions : ndarray of int, shape (n,)
            Rows of the timeline.
        need_here : ndarray, shape (n,)
            Prior need at the planned states. [kg]
        shared : Exposures, optional
            Its exposures; default those at the planned stops.

        Returns
        -------
        list of LikeKit
            One a row.
        """
        past, assessment = self.past, self.assessment
        if shared is None:
            shared = assessment.prior(positions, assessment.state(positions))[1]
        learned = taught(assessment, shared)
        diver = assessment.line.occasions.diver[positions]
        asked = past.dives.asked(diver)
        in_suit = past.dives["suit"][asked.at] == assessment.suit[positions][asked.of]
        with_cylinder = past.dives["cylinder"][asked.at] == past.cylinder[positions][asked.of]
        like = asked.where(in_suit & with_cylinder)
        columns = {
            **self._leads(like, need_here),
            **self._latest(asked),
            **self._evidence(diver, positions, need_here, (learned, shared), like),
            "fresh_check": self._fresh(diver, positions).tolist(),
            "suit_worn": asked.any(in_suit).tolist(),
            "water_seen": self._water_seen(asked, positions).tolist(),
            "cylinder_used": asked.any(with_cylinder).tolist(),
            "bc_worn": asked.any(past.dives["bc"][asked.at] == past.bc[positions][asked.of]).tolist(),
            "suit_seen": asked.any(past.dives["outer"][asked.at] == past.outer[positions][asked.of]).tolist(),
            "dives_used": past.occasions[diver].tolist(),
        }
        columns["gained"], columns["missing"] = zip(*self._swapped(asked, in_suit, positions), strict=True)
        return [
            LikeKit(**dict(zip(columns, row, strict=True))) for row in zip(*columns.values(), strict=True)
        ]

    def _leads(self, like: Asked, need_here: FloatArray) -> dict[str, Sequence[Any]]:
        """Leads carried in like kit, and those that were enough at a stop, before and after a hand-off."""
        dives, at = self.past.dives, like.at
        worn = dives["lead"][at]
        leads = worn + (need_here[like.of] - dives["noted"][at])
        noted = ~np.isnan(leads)
        told = like.where(noted)
        enough, handed = dives["enough"][at], dives["enough_handed"][at]
        proven = np.concatenate([leads[enough], leads[handed] - dives["handed"][at][handed]])
        whose = np.concatenate([like.of[enough], like.of[handed]])
        kept = ~np.isnan(proven)
        order = np.argsort(whose[kept], kind="stable")
        both = Asked(order, whose[kept][order], like.count)
        return {
            "enough": both.split(proven[kept][order]),
            "carried": told.split(leads[noted]),
            "carried_row": told.split(dives["row"][told.at]),
            "worn": told.split(worn[noted]),
        }

    def _latest(self, asked: Asked) -> dict[str, Sequence[Any]]:
        """Row and date of the latest dive: that with the last date, or without any the last of all."""
        dives = self.past.dives
        date = dives["date"][asked.at]
        dated, every = asked.last(~np.isnat(date)), asked.last(np.ones(len(date), bool))
        place = np.where(dated < 0, every, dated)
        row = np.full(len(place), -1)
        row[place >= 0] = dives["row"][asked.at[place[place >= 0]]]
        day = np.full(len(place), np.datetime64("NaT", "s"))
        day[dated >= 0] = date[dated[dated >= 0]]
        return {"last_dive": list(day), "last_row": row.tolist()}

    def _swapped(
        self, asked: Asked, in_suit: BoolArray, positions: IntArray
    ) -> Iterator[tuple[tuple[int, ...], tuple[int, ...]]]:
        """Other items of a row that no dive in its suit has, and those that all have and the row has not.

        Where there is no dive in its suit, all dives are meant. What is missing is told by the pieces of the
        latest of them: one of the same kind that was worn before it may be another one.
        """
        past, own = self.past, self.past.other[positions]
        worn = asked.any(in_suit)[asked.of]
        meant = asked.where(in_suit | ~worn)
        seen = past.dives["other"][meant.at]
        same = meant.any(seen == own[meant.of])
        latest = self._latest(meant)["last_row"]
        each = zip(meant.split(seen), positions.tolist(), latest, same.tolist(), strict=True)
        for codes, row, last, there in each:
            if there or not len(codes):
                yield (), ()
                continue
            here, sets = past.pieces(row), [past.others[one] for one in set(codes.tolist())]
            ever, always = frozenset().union(*sets), sets[0].intersection(*sets)
            gained = tuple(item for name, item in here.items() if name not in ever)
            before = past.pieces(last).items()
            yield gained, tuple(item for name, item in before if name in always and name not in here)

    def _water_seen(self, asked: Asked, positions: IntArray) -> BoolArray:
        """Whether one of the diver's dives was in water of about the salinity of that row."""
        rows = self.past.dives["row"][asked.at]
        return asked.any(alike_water(self.past, rows, positions[asked.of]))

    def _evidence(
        self, diver: IntArray, positions: IntArray, need_here: FloatArray, learned_of: Learned, like: Asked
    ) -> dict[str, Sequence[Any]]:
        """What the evidence in like kit says, carried to `need_here` of the ledger and what was learned."""
        learned, shared = learned_of
        past, evidence = self.past, self.past.evidence
        asked = evidence.asked(diver)
        here = asked.where(
            (evidence["suit"][asked.at] == self.assessment.suit[positions][asked.of])
            & (evidence["cylinder"][asked.at] == past.cylinder[positions][asked.of])
        )
        counts = {
            name: here.number(says) for name, says in zip(SAYS, evidence["says"][here.at].T, strict=True)
        }
        counts["light_hints"] = counts["light_hints"] + like.number(past.dives["gassy"][like.at])
        shown = asked.where(
            (evidence["outer"][asked.at] == past.outer[positions][asked.of]) & evidence["telling"][asked.at]
        )
        sights = past.sights.take(shown.at).carried(need_here[shown.of], learned[shown.of])
        alike = np.isin(shown.of * len(evidence["row"]) + shown.at, here.of * len(evidence["row"]) + here.at)
        between = self._apart(shown, alike, positions, shared)
        walk = walked(self.assessment, sights.row, positions[shown.of])
        close = between <= CLOSE**2
        kit = np.where(close, 0, 1 + evidence["suit"][shown.at] * past.kinds + evidence["cylinder"][shown.at])
        jumped = self.assessment.passage.jumped
        sights = replace(
            sights,
            alike=alike,
            kit=kit,
            jumped=jumped[sights.row] - jumped[positions][shown.of],
            apart=between,
            doubt=sights.doubt + walk + between,
        )
        own = self._judged(sights.take(close), shown.where(close), like)
        light = sights.dive & close & (sights.fit == (1.0, 0.0, 0.0)).all(axis=1)
        every = counts["known"].tolist()
        told = own.split(shown.where(close).bounds(), every)
        near = told
        if not close.all():
            # Of most divers the two are one.
            more = self._judged(sights, shown, like).split(shown.bounds(), every)
            near = [a if len(a) == len(b) else b for a, b in zip(told, more, strict=True)]
        return {
            "sights": told,
            "near": near,
            "light": shown.where(light).split(sights.lead[light]),
            **{more: counts[name].tolist() for name, more in _NUMBERS.items()},
            **{name: (n if name in _COUNTED else n > 0).tolist() for name, n in counts.items()},
        }

    def _apart(self, shown: Asked, alike: BoolArray, positions: IntArray, shared: Exposures) -> FloatArray:
        """Variance by which needs in the kit of some evidence lie from those in the kit that is asked for."""
        several = (
            self.past.several[positions][shown.of] | self.past.several[self.past.evidence["row"][shown.at]]
        )
        # Of several cylinders one may be there at the one stop and not at the other.
        found, new = np.zeros(len(shown.at)), np.flatnonzero(~alike | several)
        if len(new):
            o, at, of = self.assessment.evidence.observations, shown.at[new], shown.of[new]
            rows, evidence = self.past.seen[at], self.past.evidence
            in_suit = evidence["suit"][at] == self.assessment.suit[positions][of]
            one = shared.take(of)
            found[new] = apart(self.assessment, one, o.exposure[rows], o.suit_weight[rows], in_suit)
        return found

    def _judged(self, sights: Sights, shown: Asked, like: Asked) -> Sights:
        """Sights of several questions as they stand in time."""
        return replace(sights.judged(shown.bounds()), late=self._late(sights, shown, like))

    def _late(self, sights: Sights, shown: Asked, like: Asked) -> BoolArray:
        """Which sights are of the latest dives in kit such as theirs."""
        size, rows = len(self.assessment.line.row), self.past.dives["row"]
        other = ~sights.alike & sights.dive
        each = distinct(
            np.concatenate([like.of * size + rows[like.at], (shown.of * size + sights.row)[other]])
        )
        # Rows of the timeline are in no order: dives are, by diver and date.
        place = np.empty(size, np.int64)
        place[rows] = np.arange(len(rows))
        of, row = np.divmod(each, size)
        order = np.lexsort((place[row], of))
        of, row = of[order], row[order]
        left = np.bincount(of, minlength=like.count).cumsum()[of] - np.arange(len(of))
        late = left <= LATEST
        return np.isin(shown.of * size + sights.row, of[late] * size + row[late])

    def _fresh(self, diver: IntArray, positions: IntArray) -> BoolArray:
        """Whether a check in like kit was made near the reserve on the day of that row."""
        checks, o = self.past.checks, self.assessment.line.occasions
        asked = checks.asked(diver)
        here, day = positions[asked.of], "datetime64[D]"
        return asked.any(
            (checks["suit"][asked.at] == self.assessment.suit[here])
            & (checks["cylinder"][asked.at] == self.past.cylinder[here])
            & (checks["date"][asked.at].astype(day) == o.date[here].astype(day))
            & checks["near_reserve"][asked.at]
        )


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
    return Histories(assessment).like_kits(np.array([position]), np.array([need_here]))[0]


def evidence_word(history: LikeKit) -> str:
    """none, upper_only, two_sided or measured: the strongest kind there is in like kit.

    Bounds from below alone count as none: they say that more is needed, not how much.
    """
    if history.point:
        return "measured"
    if history.upper and history.lower:
        return "two_sided"
    return "upper_only" if history.upper else "none"
