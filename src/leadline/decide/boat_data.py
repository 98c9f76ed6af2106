"""What a boat sheet shows: who carries which lead tomorrow, and what to load.

Filled by decide, drawn by reports. House units throughout; `BoatData.units` says only what the reader wants
to see.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np

from leadline.decide.advice import Advice
from leadline.decide.onward import Onward
from leadline.decide.stock import Lacking, Stock, There, lacking
from leadline.frozen import dataclass

__all__ = ["BoatData", "BoatDive", "BoatDiver"]


@dataclass(frozen=True)
class BoatDiver:
    """One row of the plan.

    Parameters
    ----------
    answer : Advice
        As `suggest` gives it.
    suit : str
        Suits worn, joined.
    kit : tuple of str
        Labels of all else that is worn and carried.
    water : str
        Label of the water.
    pieces : tuple of int
        Pieces of each size that make up the lead. [-]
    more : tuple of int
        Pieces that lead from there to what is to be at hand. [-]
    check_place : int
        Place in the order of surface checks, from 1; 0 where none comes first. Rows of one diver that one
        check holds for share a place. [-]
    reasons : tuple of str
        Why a check comes first.
    after : Onward or None
        What to put on after it; None where none comes first.
    late_bar : float
        Pressure of a dive that ends late; NaN where the lead is no other then. [bar gauge]
    late_kg : float
        Lightest lead within the accepted risk then. [kg]
    full_bar : tuple of float
        Pressure that each cylinder is to have at a check: that of the start, else as rated. [bar gauge]
    """

    answer: Advice
    suit: str
    kit: tuple[str, ...]
    water: str
    pieces: tuple[int, ...]
    more: tuple[int, ...]
    check_place: int
    reasons: tuple[str, ...]
    after: Onward | None
    late_bar: float
    late_kg: float
    full_bar: tuple[float, ...] = ()


@dataclass(frozen=True)
class BoatDive:
    """Divers who are in the water on the same dive.

    Parameters
    ----------
    dive : str
        Key; may be empty. Of rows with keys of their own the first and the last.
    date : datetime64
        NaT where unknown.
    group, site : str
        May be empty.
    divers : tuple of BoatDiver
        In the order of the plan.
    lead_kg : float
        Lead of all, as listed. [kg]
    own_keys : bool
        Whether each row has a key of its own, and they are one dive by group, place and moment.
    """

    dive: str
    date: np.datetime64
    group: str
    site: str
    divers: tuple[BoatDiver, ...]
    lead_kg: float
    own_keys: bool = False

    @property
    def when(self) -> np.datetime64:
        """Its date; far ahead where none is known, so that it sorts behind the others."""
        return np.datetime64("9999-12-31", "s") if np.isnat(self.date) else self.date


@dataclass(frozen=True)
class BoatData:
    """All that the boat sheet shows.

    Parameters
    ----------
    units : str
        metric or imperial: what the reader sees.
    generated : datetime
        When it was made.
    book, data_version : str
        Where it comes from.
    latest : datetime64
        Latest dive of the book; NaT where there is none.
    fitted : datetime or None
        When the population was fitted; None: never, or nobody said.
    plan : str
        Name of the plan's file.
    risk : float
        Accepted chance of too light. [-]
    since, group : str
        Rows of the plan that were taken; empty: all.
    observations, observed_divers : int
        Evidence about the divers of the plan, and how many of them have any. [-]
    sizes : tuple of float
        Sizes of lead, the largest first. [kg]
    dives : tuple of BoatDive
        In order of the plan.
    load : Stock
        What to load: enough for every dive, one after the other.
    there : tuple of (float, int)
        Sizes [kg] and numbers of the pieces that the book lists; empty: it lists none.
    left_out : tuple of (str, int)
        Blocks that the book lists in the other unit, of which no lead is made, and how many there are.
    changed_kit : tuple of str
        Items whose row was changed since, so that what was learned of them is left out.
    unlearned : bool
        Whether nothing was ever learned from records.
    moments : int
        How often somebody goes in while lead of before can be put on again.
    """

    units: str
    generated: datetime
    book: str
    data_version: str
    latest: np.datetime64
    fitted: datetime | None
    plan: str
    risk: float
    since: str
    group: str
    observations: int
    observed_divers: int
    sizes: tuple[float, ...]
    dives: tuple[BoatDive, ...]
    load: Stock
    there: There = ()
    left_out: tuple[tuple[str, int], ...] = ()
    changed_kit: tuple[str, ...] = ()
    unlearned: bool = False
    moments: int = 1

    @property
    def lacking(self) -> Lacking:
        """Sizes [kg] of which more are to be loaded than there are; how many, and how many there are."""
        return lacking(self.load, self.there)

    @property
    def divers(self) -> tuple[BoatDiver, ...]:
        """All rows of the plan, dive by dive."""
        return tuple(diver for dive in self.dives for diver in dive.divers)

    @property
    def checks(self) -> tuple[BoatDiver, ...]:
        """Those who check first, in the order in which they should; each check by the first of its rows."""
        found: dict[int, BoatDiver] = {}
        for dive in sorted(self.dives, key=lambda dive: dive.when):
            for diver in dive.divers:
                found.setdefault(diver.check_place, diver)
        return tuple(found[place] for place in sorted(found) if place)

    def holds_for(self, place: int) -> tuple[BoatDive, ...]:
        """Dives that the check in that place comes before, in order of time."""
        own = [dive for dive in self.dives if any(diver.check_place == place for diver in dive.divers)]
        return tuple(sorted(own, key=lambda dive: dive.when))
