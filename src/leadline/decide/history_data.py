"""One diver's history for one planned dive, as numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.frozen import dataclass

__all__ = ["LikeKit", "Sights", "restless"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


LATEST: Final = 3
"""Dives in like kit of which a rise is fresh. (judged)"""

ALIKE: Final = 0.1
LESS: Final = 0.5
"""Leads that differ by no more are as little; by so much, less. [kg]"""

LOOKS: Final = 2
"""Looks at the surface that answer a rise at the stop. [-]"""

MOST_JUMPED: Final = 0.1
"""A change of the body by which need may have jumped further is no matter of the same lead. [kg²]"""

APART: Final = 0.5
"""A rise is wondered at where need was shown before to be no more than this above what it asks for. [kg]"""


def _none() -> FloatArray:
    return np.zeros(0)


def _nothing() -> IntArray:
    return np.zeros(0, np.int64)


def _no() -> BoolArray:
    return np.zeros(0, bool)


@dataclass(frozen=True)
class Sights:
    """*s* stops and looks at the surface in one suit that tell zones of need apart.

    Parameters
    ----------
    row : ndarray of int, shape (s,)
        Row of the timeline.
    lead, worn : ndarray, shape (s,)
        Lead on, carried to the water and pressure of the plan by the ledger, and as it was. [kg]
    above, below : ndarray, shape (s,)
        Need there, carried likewise, above which the diver is too light, and below which too heavy. [kg]
    doubt, own : ndarray, shape (s,)
        Variance, besides the scatter of dives, of what was seen and carried; and of what was seen, alone.
        [kg²]
    fit : ndarray, shape (s, 3)
        1 for each zone that the record allows, light, neutral and heavy; else 0, or between for a rise that
        gas may have made.
    slip : ndarray, shape (s,)
        Share of wrong records of its kind that say what it says. [-]
    dive, handed : ndarray of bool, shape (s,)
        Of a dive, not of a look at the surface; after a hand-off.
    place, time : ndarray of int, shape (s,)
        In time: of its occasion, which all looks of a day share; and of the record itself.
    rose, sank : ndarray of bool, shape (s,)
        The diver rose, and no later stop was held with as little lead, nor did two looks at the surface find
        it enough; sank with less than did not sink before, and nothing later was held, or was too light, with
        as much.
    hinted : ndarray of bool, shape (s,)
        Rose, perhaps for gas, and nothing answers that as it answers a rise.
    more : ndarray of bool, shape (s,)
        A stop that shows need for more than something earlier had a place for, by a rise or by a hover with
        much more lead, and nothing later has room for less.
    late : ndarray of bool, shape (s,)
        On one of the latest dives in like kit.
    alike : ndarray of bool, shape (s,)
        In like kit: others were with another cylinder or undersuit.
    kit : ndarray of int, shape (s,)
        The same number for the same kit; 0 for like kit and what is as good.
    jumped : ndarray, shape (s,)
        How much need varies with the mass of the body from there to the plan, see `Passage`; its sign tells
        earlier from later. [kg²]
    apart, known : ndarray, shape (s,)
        Variance of need in like kit less need in its own, by the population; and of need in its own by this
        diver's records, infinite where nobody asked. [kg²]
    moved : ndarray, shape (s,)
        What these records tell of that difference beyond ledger and population: it is in what was carried.
        [kg]
    all_there_is : bool
        Whether they are all the evidence in like kit.
    """

    row: IntArray = field(default_factory=_nothing)
    lead: FloatArray = field(default_factory=_none)
    worn: FloatArray = field(default_factory=_none)
    above: FloatArray = field(default_factory=_none)
    below: FloatArray = field(default_factory=_none)
    doubt: FloatArray = field(default_factory=_none)
    own: FloatArray = field(default_factory=_none)
    fit: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    slip: FloatArray = field(default_factory=_none)
    dive: BoolArray = field(default_factory=_no)
    handed: BoolArray = field(default_factory=_no)
    place: IntArray = field(default_factory=_nothing)
    time: IntArray = field(default_factory=_nothing)
    rose: BoolArray = field(default_factory=_no)
    sank: BoolArray = field(default_factory=_no)
    hinted: BoolArray = field(default_factory=_no)
    more: BoolArray = field(default_factory=_no)
    late: BoolArray = field(default_factory=_no)
    alike: BoolArray = field(default_factory=_no)
    kit: IntArray = field(default_factory=_nothing)
    jumped: FloatArray = field(default_factory=_none)
    apart: FloatArray = field(default_factory=_none)
    known: FloatArray = field(default_factory=_none)
    moved: FloatArray = field(default_factory=_none)
    all_there_is: bool = False

    def __len__(self) -> int:
        return len(self.row)

    def take(self, which: BoolArray | IntArray | slice) -> Sights:
        """Some of them."""
        return Sights(*(getattr(self, name)[which] for name in _EACH))

    def chance(self, shown: FloatArray, wrong: float) -> FloatArray:
        """Chance of each record.

        Parameters
        ----------
        shown : ndarray, shape (s,) or (s, k)
            Chance that what was, was what the record says.
        wrong : float
            Share of wrong records.

        Notes
        -----
        A stop held with gas in the BC may be a wrong record and yet true: neutral, taken for heavy.
        """
        both = self.dive & (self.fit == (0.0, 1.0, 1.0)).all(axis=1)
        kept, slip = np.where(both, 1 - wrong / 2, 1 - wrong), self.slip * wrong
        if shown.ndim > 1:
            kept, slip = kept[:, None], slip[:, None]
        return np.asarray(shown * kept + (1 - shown) * slip)

    def carried(self, need: float | FloatArray, learned: float | FloatArray = 0.0) -> Sights:
        """The same, carried from leads less need there to where need is so much [kg].

        Leads are carried by the ledger's `need`, edges of zones by that and by what was `learned` of it.
        """
        expected = need + learned
        return replace(self, lead=self.lead + need, above=self.above + expected, below=self.below + expected)

    def judged(self, bounds: Sequence[tuple[int, int]] | None = None) -> Sights:
        """The same with `rose`, `sank`, `hinted` and `more` as they stand in time.

        Parameters
        ----------
        bounds : sequence of tuple of int, optional
            Where the sights of several questions begin and end; default all are about one.
        """
        bounds = [(0, len(self))] if bounds is None else bounds
        rose, sank, hinted = _results(self.fit)
        more = np.zeros(len(self), bool)
        for first, end in _with_any(rose | sank | hinted, bounds):
            part = slice(first, end)
            rose[part], sank[part], hinted[part] = _unanswered(self.take(part))
        least, most = _least(self), _most(self)
        for first, end in bounds:
            if end - first > 1 and least[first:end].max() >= most[first:end].min():
                more[first:end] = _more(self.take(slice(first, end)))
        return replace(
            self, rose=rose & self.dive, sank=sank & self.dive, hinted=hinted & self.dive, more=more
        )

    def split(self, bounds: Sequence[tuple[int, int]], every: Sequence[int]) -> list[Sights]:
        """Those of each question, whose evidence in like kit is so many pieces."""
        columns = [getattr(self, name) for name in _EACH]
        alike = np.concatenate([[0], np.cumsum(self.alike)]).tolist()
        return [
            Sights(*[*(column[first:end] for column in columns), alike[end] - alike[first] == many])
            if end > first
            else _NO_SIGHTS
            for (first, end), many in zip(bounds, every, strict=True)
        ]


_EACH: Final = tuple(one.name for one in fields(Sights) if one.name != "all_there_is")
"""Columns of `Sights`."""

_NO_SIGHTS: Final = Sights()


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
        Dives in like kit whose stop showed the diver too light, BC and suit empty; heavier than breathing
        high covers.
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
        Whether this diver has a dive in this suit, in water of about this salinity, with these types of
        cylinder, in this BC.
    sights, doubted : Sights
        Of like kit, and of kit whose difference is known as well: all, and those that are not believed, once
        that has been judged.
    near : Sights
        All in the same suit, with whatever cylinder and undersuit.
    failed, odd : Sights
        At which the diver rose and with whose lead none was held since, of the latest dives or not believed;
        and others that do not fit what went before.
    carried_row : ndarray of int, shape (d,)
        Rows of the timeline of `carried`.
    at_hand : float
        Lead that was enough before something may have changed; 0 where nothing may have. [kg]
    uppers, lowers, points : int
        Records in like kit that bound need from above, from below, and that read it.
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
    light_hints: int = 0
    looked: bool = False
    estimated: bool = False
    suit_seen: bool = False
    gained: tuple[int, ...] = ()
    missing: tuple[int, ...] = ()
    sights: Sights = _NO_SIGHTS
    near: Sights = _NO_SIGHTS
    doubted: Sights = _NO_SIGHTS
    failed: Sights = _NO_SIGHTS
    odd: Sights = _NO_SIGHTS
    carried_row: IntArray = field(default_factory=lambda: np.zeros(0, np.int64))
    at_hand: float = 0.0
    uppers: int = 0
    lowers: int = 0
    points: int = 0


def _with_any(which: BoolArray, bounds: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Those questions of which some sight is so."""
    before = np.concatenate([[0], np.cumsum(which)]).tolist()
    return [(first, end) for first, end in bounds if before[end] > before[first]]


def _results(fit: FloatArray) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Who rose, who sank, and who rose perhaps for gas."""
    rose, sank = fit[:, 1] + fit[:, 2] == 0, fit[:, 0] + fit[:, 1] == 0
    return rose, sank, ~rose & (fit[:, 1] < 1) & (fit[:, 0] == 1)


def _unanswered(sights: Sights) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Who rose, or sank with less than before, or rose perhaps for gas, and since when nothing answers it."""
    place, lead, fit = sights.place, sights.lead, sights.fit
    rose, sank, hinted = _results(fit)
    later, not_heavy = (sights.time > sights.time[:, None]) & _same_need(sights), fit[:, 2] == 0
    enough = later & (lead <= lead[:, None] + ALIKE) & (fit[:, 0] == 0)
    held = (enough & sights.dive).any(axis=1) | _by_looks(enough & ~sights.dive, sights.row)
    with_more = (place < place[:, None]) & (lead >= lead[:, None] + LESS) & not_heavy
    answered = (later & (lead >= lead[:, None] - ALIKE) & not_heavy).any(axis=1)
    return rose & ~held, sank & with_more.any(axis=1) & ~answered, hinted & ~held


def _by_looks(shown: BoolArray, row: IntArray) -> BoolArray:
    """Whether looks at the surface answer a rise: two of them, for a single one may be misread; (s,)."""
    found = np.zeros(len(row), np.int64)
    for look in set(row[shown.any(axis=0)].tolist()):
        found += shown[:, row == look].any(axis=1)
    return np.asarray(found >= LOOKS, bool)


def _rises(sights: Sights) -> BoolArray:
    """Stops at which the diver went up, be it for gas."""
    return np.asarray((sights.fit[:, 0] == 1) & (sights.fit[:, 1] < 1))


def restless(sights: Sights) -> bool:
    """Whether any stop of them rose or sank, answered or not."""
    return bool((sights.dive & (_rises(sights) | (sights.fit[:, 0] + sights.fit[:, 1] == 0))).any())


def _least(sights: Sights) -> FloatArray:
    """Need that each stop shows at least, for a rise by so much that it is wondered at. [kg]."""
    held = np.where(sights.fit[:, 2] == 0, sights.below, -np.inf)
    return np.where(sights.dive, np.where(_rises(sights), sights.above + APART, held), -np.inf)


def _most(sights: Sights) -> FloatArray:
    """Need that each sight shows at most. [kg]."""
    fit = sights.fit
    return np.where(fit[:, 0] == 0, np.where(fit[:, 1] == 0, sights.below, sights.above), np.inf)


def _more(sights: Sights) -> BoolArray:
    """Stops that show need for more than something earlier had a place for, and nothing later answers."""
    least, most = _least(sights), _most(sights)
    apart = sights.place - sights.place[:, None]
    known = ((apart < 0) & (most <= least[:, None])).any(axis=1)
    shown = least - np.where(_rises(sights), APART, 0.0)
    answered = (apart > 0) & (most <= shown[:, None] + ALIKE) & _same_need(sights)
    return np.asarray(known & ~answered.any(axis=1))


def _same_need(sights: Sights) -> BoolArray:
    """Which may answer which, (s, s): those of its own kit and body, and those of the plan's."""
    far = np.abs(sights.jumped - sights.jumped[:, None]) > MOST_JUMPED
    here = (sights.kit == 0) & (np.abs(sights.jumped) <= MOST_JUMPED)
    return np.asarray(((sights.kit == sights.kit[:, None]) & ~far) | here)
