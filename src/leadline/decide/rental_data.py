"""What a rental report shows: default leads for people nobody knows, filled by decide, drawn by reports.

House units throughout; `RentalData.units` says only what the reader wants to see. *Need* is that of the
contract: neutral at the stop at the planned reserve. [kg in air] A negative need: already heavy.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

import numpy as np

from leadline.decide.outfit import Outfit
from leadline.decide.rental_place import Place
from leadline.decide.share import Share
from leadline.decide.stock import Lacking, Stock, There, lacking
from leadline.decide.stranger import MassClass
from leadline.frozen import dataclass

__all__ = ["LITTLE", "Nearer", "RentalCell", "RentalData", "RentalStock", "RentalTable", "SeenStops"]

LITTLE: Final = (10, 3)
"""Fewer dives, or fewer divers, than these are little evidence for a cell; judged. [-]"""


@dataclass(frozen=True)
class RentalCell:
    """Answer for a stranger of one class of body mass in one outfit.

    Parameters
    ----------
    lead_kg : float
        Default lead, or lead to begin a surface check with where `check_first`. [kg]
    bring_kg : float
        Lightest lead on the blocks whose chance of too light is accepted: what to have at hand. [kg]
    check_first : bool
        Whether the band is too wide to hand out a lead without a check.
    p_too_light, p_too_heavy : float
        Share of such renters who would be too light, or more than 2 kg over need, with `lead_kg`. [-]
    need_mean_kg, need_sd_kg, need_q025_kg, need_q10_kg, need_q50_kg, need_q90_kg, need_q975_kg : float
        Need of one of them on one dive, body and dive-to-dive scatter included. [kg]
    dives, divers : int
        Dives that say something about need, and their divers, in this class and outfit, in any water; without
        those of divers who were under 18. [-]
    evidence : str
        none, little or some.
    after_check_kg : float
        What to put on after the check over the lead that brings the water to eye level; NaN where none
        comes first. [kg]
    bare_kg : float
        Lead to dive with for whoever is under water without any; NaN where no check comes first. [kg]
    """

    lead_kg: float
    bring_kg: float
    check_first: bool
    p_too_light: float
    p_too_heavy: float
    need_mean_kg: float
    need_sd_kg: float
    need_q025_kg: float
    need_q10_kg: float
    need_q50_kg: float
    need_q90_kg: float
    need_q975_kg: float
    dives: int
    divers: int
    evidence: str
    after_check_kg: float
    bare_kg: float


@dataclass(frozen=True)
class RentalTable:
    """Answers in one water with one cylinder.

    Parameters
    ----------
    place : Place
        Water, cylinder, altitude and stop.
    cells : tuple of tuple of RentalCell
        A row for each class of body mass, a column for each outfit.
    """

    place: Place
    cells: tuple[tuple[RentalCell, ...], ...]

    @property
    def bare_less_kg(self) -> float:
        """How much less than `after_check_kg` is enough for all who are under water without any lead. [kg].

        Not below 0; infinite where all of them dive without.
        """
        cells = [cell for row in self.cells for cell in row if cell.bare_kg > 0]
        return max(min((cell.after_check_kg - cell.bare_kg for cell in cells), default=np.inf), 0.0)


@dataclass(frozen=True)
class Nearer:
    """What knowing the sex changes in one class of body mass, in every outfit.

    Parameters
    ----------
    woman_kg, man_kg : float
        To add to both leads of a cell, in whole blocks; NaN where there are too few such adults. [kg]
    width_kg, woman_width_kg, man_width_kg : float
        Width of the band of 80 % as in the table, and with the sex known. [kg]
    """

    woman_kg: float
    man_kg: float
    width_kg: float
    woman_width_kg: float
    man_width_kg: float


@dataclass(frozen=True)
class SeenStops:
    """What was seen at the stops of dives in one outfit.

    Parameters
    ----------
    rose, sank : Share
        Of the stops that somebody watched. [-]
    """

    rose: Share
    sank: Share


@dataclass(frozen=True)
class RentalStock:
    """Lead for a day of renters.

    Parameters
    ----------
    renters : int
        On that day. [-]
    busiest : bool
        Whether that is the busiest day of the records, rather than what was asked for.
    days : int
        Simulated days. [-]
    stock : Stock
        What to have.
    """

    renters: int
    busiest: bool
    days: int
    stock: Stock


@dataclass(frozen=True)
class RentalData:
    """All that the rental report shows.

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
    risk : float
        Accepted chance of too light, one for the whole table. [-]
    at_bar : float
        Cylinder pressure of every need. [bar gauge]
    since, group : str
        Which dives count for kit and mix; empty: all.
    dives, divers : int
        Dives in these outfits that count for kit and mix. [-]
    observations, observed_divers : int
        Evidence of the whole book. [-]
    classes : tuple of MassClass
        Rows of each table.
    outfits : tuple of Outfit
        Columns of each table.
    tables : tuple of RentalTable
        One for each water and cylinder; the first is the default one.
    seen : tuple of SeenStops
        One for each outfit.
    stock : RentalStock
        For the first table.
    nearer : tuple of Nearer
        One for each class.
    there : tuple of (float, int)
        Sizes [kg] and numbers of the pieces that the book lists; empty: it lists none.
    left_out : tuple of (str, int)
        Blocks that the book lists in the other unit, of which no lead is made, and how many there are.
    short : tuple of (str, str, float)
        Outfit, kit in it whose entry the records contradict, and the lead that they alone put on it beyond
        what stands in the table, which goes only part of that way while the entry stands. [kg]
    short_cylinders : tuple of (str, str, float)
        The same of cylinders: that of a table, its type, the lead. [kg]
    changed_kit : tuple of str
        Items whose row was changed since the fit, so that what was learned of them is left out.
    unlearned : bool
        Whether nothing was ever learned from records.
    """

    units: str
    generated: datetime
    book: str
    data_version: str
    latest: np.datetime64
    fitted: datetime | None
    risk: float
    at_bar: float
    since: str
    group: str
    dives: int
    divers: int
    observations: int
    observed_divers: int
    classes: tuple[MassClass, ...]
    outfits: tuple[Outfit, ...]
    tables: tuple[RentalTable, ...]
    seen: tuple[SeenStops, ...]
    stock: RentalStock
    nearer: tuple[Nearer, ...]
    there: There = ()
    left_out: tuple[tuple[str, int], ...] = ()
    short: tuple[tuple[str, str, float], ...] = ()
    short_cylinders: tuple[tuple[str, str, float], ...] = ()
    changed_kit: tuple[str, ...] = ()
    unlearned: bool = False

    @property
    def lacking(self) -> Lacking:
        """Sizes [kg] of which more should be ready than there are; how many, and how many there are."""
        return lacking(self.stock.stock, self.there)
