"""Default lead for a stranger, by class of body mass and by outfit: what a rental desk hands out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns
from leadline.decide.advice import BEGIN, QUANTILES, TOO_HEAVY, WIDE
from leadline.decide.answering import NOTHING
from leadline.decide.assessment import Assessment
from leadline.decide.bare import crowd_under
from leadline.decide.crowd import Crowd
from leadline.decide.label import items, latest_dive
from leadline.decide.lead_rule import require_risk
from leadline.decide.listed import short_in
from leadline.decide.onward import put_on
from leadline.decide.outfit import Outfit, outfit_keys, outfits, suit_types
from leadline.decide.rental_crowd import RentalCrowd
from leadline.decide.rental_data import LITTLE, RentalCell, RentalData, RentalTable, SeenStops
from leadline.decide.rental_nearer import nearer
from leadline.decide.rental_place import places
from leadline.decide.rental_stock import Renters, rental_stock
from leadline.decide.share import jeffreys
from leadline.decide.stock import Pieces
from leadline.decide.stranger import MassClass, mass_classes
from leadline.errors import RecordError, UnknownNameError
from leadline.frozen import dataclass
from leadline.records import DIVES, RESERVE_PRESSURE
from leadline.timeline import DIVE

__all__ = ["Desk", "rental"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Desk:
    """What is asked of a rental table.

    Parameters
    ----------
    classes : str or None
        Edges of the classes of body mass, joined by commas, in the reader's unit; None: the usual ones.
    suits : sequence of str
        Types or items; none: those that pass from hand to hand.
    waters, cylinders : sequence of str
        A table for each pair; none: the most common one of the records.
    altitude_m, stop_depth_m, salinity_gkg : float or None
        Of all tables; None: as on the dives of the records in that water. [m, g/kg]
    worn_with : mapping of str to str
        Undersuit, BC or other items instead of what is most often worn with each suit.
    pieces : Pieces
        Sizes of lead, and how many there are if that is known; the smallest is the step.
    risk : float
        Accepted chance of too light. [-] Valid 0.001 to 0.5.
    since, group : str
        Dives that count for kit and mix; empty: all.
    renters : int or None
        On the day for which lead is to be ready; None: as on the busiest day of the records.
    seed : int
        Of the simulation of that day.
    """

    classes: str | None = None
    suits: Sequence[str] = ()
    waters: Sequence[str] = ()
    cylinders: Sequence[str] = ()
    altitude_m: float | None = None
    stop_depth_m: float | None = None
    salinity_gkg: float | None = None
    worn_with: Mapping[str, str] | None = None
    pieces: Pieces = field(default_factory=lambda: Pieces.usual(imperial=False))
    risk: float = 0.05
    since: str = ""
    group: str = ""
    renters: int | None = None
    seed: int = 1

    def __post_init__(self) -> None:
        require_risk(self.risk)


def rental(
    assessment: Assessment,
    desk: Desk,
    *,
    units: str = "metric",
    book: str = "",
    data_version: str = "",
    fitted: datetime | None = None,
    generated: datetime | None = None,
) -> RentalData:
    """All that the rental report shows.

    Parameters
    ----------
    assessment : Assessment
        Of the whole book.
    desk : Desk
        What is asked.
    units : str
        metric or imperial: of the classes, and what the reader sees.
    book, data_version : str
        Named on the report.
    fitted, generated : datetime, optional
        When the population was fitted (None: not said), and when this is made (default now).

    Returns
    -------
    RentalData
        Whole.

    Raises
    ------
    RecordError
        If the book has no suits, or water and salinity contradict each other.
    UnknownNameError
        If a suit, a cylinder or another item asked for is not in the book.
    OutOfRangeError
        If classes, water, altitude, stop or number of renters make no sense.
    """
    when = generated or datetime.now()
    classes = mass_classes(desk.classes, imperial=units == "imperial")
    _require_kit(assessment.line.records.gear, desk)
    _require_dives(assessment.line.records.dives, desk)
    handed = _handed(assessment, desk, classes)
    where = places(
        handed.dives,
        handed.here,
        waters=desk.waters,
        cylinders=desk.cylinders,
        altitude=desk.altitude_m,
        stop_depth=desk.stop_depth_m,
        salinity=desk.salinity_gkg,
    )
    crowd = RentalCrowd(assessment, classes, handed.outfits, where, when)
    evidence = _evidence(assessment, classes, handed.outfits)
    tables = tuple(_table(crowd, k, desk, evidence) for k in range(len(crowd.places)))
    needs, came = crowd.needs(), handed.renters()
    return RentalData(
        units=units,
        generated=when,
        book=book,
        data_version=data_version,
        latest=latest_dive(handed.dives),
        fitted=fitted,
        changed_kit=assessment.changed_kit,
        unlearned=assessment.unlearned,
        risk=desk.risk,
        at_bar=RESERVE_PRESSURE,
        since=desk.since,
        group=desk.group,
        **_counts(assessment, handed),
        classes=classes,
        outfits=handed.outfits,
        tables=tables,
        seen=tuple(_seen(handed, j) for j in range(len(handed.outfits))),
        stock=rental_stock(needs, tables[0], came, classes, desk.pieces, number=desk.renters, seed=desk.seed),
        nearer=nearer(crowd, classes, desk.pieces.step),
        there=desk.pieces.there,
        short=tuple(
            (outfit.label, name, gap)
            for outfit in handed.outfits
            for name, gap in short_in(assessment, outfit.pieces).items()
        ),
        short_cylinders=tuple(
            (cylinder, name, gap)
            for cylinder in dict.fromkeys(place.cylinder for place in crowd.places)
            for name, gap in short_in(assessment, items(cylinder)).items()
        ),
    )


@dataclass(frozen=True)
class _Handed:
    """What is handed out, and the dives it was worn on."""

    outfits: tuple[Outfit, ...]
    dives: Columns
    column: IntArray  # outfit of each dive; -1: none of them
    row: IntArray  # class of its diver's body mass; -1: unknown or none of them
    here: BoolArray  # counts for kit and mix

    def renters(self) -> Renters:
        days = self.dives["date"].astype("datetime64[D]")
        here = self.here
        return Renters(self.row[here], self.column[here], days[here], self.dives["diver"][here])


def _handed(assessment: Assessment, desk: Desk, classes: Sequence[MassClass]) -> _Handed:
    """Outfits of the desk, and their dives."""
    line, records = assessment.line, assessment.line.records
    recent = _recent(records.dives, desk)
    mass = line.occasions.body_mass[line.at(DIVE)]
    found = outfits(
        records.gear,
        records.dives,
        mass,
        classes=classes,
        recent=recent,
        suits=desk.suits,
        worn_with=desk.worn_with,
    )
    if not found:
        raise RecordError("no suits in the book to rent out; bring them in with `leadline load --gear`")
    column = _columns_of(outfit_keys(records.dives, suit_types(records.gear)), found)
    return _Handed(found, records.dives, column, _classes_of(mass, classes), recent & (column >= 0))


def _counts(assessment: Assessment, handed: _Handed) -> dict[str, Any]:
    """Dives that count for kit and mix, and evidence of the whole book."""
    return {
        "dives": int(handed.here.sum()),
        "divers": len(set(handed.dives["diver"][handed.here].tolist())),
        "observations": int(assessment.observed.sum()),
        "observed_divers": len(np.unique(assessment.evidence.diver[assessment.observed])),
    }


def _require_kit(gear: Columns, desk: Desk) -> None:
    """Refuse kit that the book does not have, or that is of another kind."""
    kinds = dict(zip(gear["item"].tolist(), gear["kind"].tolist(), strict=True))
    named = [*(desk.worn_with or {}).items(), *(("cylinder", cell) for cell in desk.cylinders)]
    for column, cell in named:
        allowed = DIVES.column(column).gear_kinds
        for item in items(cell):
            if item != NOTHING and kinds.get(item) not in allowed:
                raise UnknownNameError(
                    f"{column} {item!r}: no such {column} in the book; it has "
                    f"{', '.join(name for name, kind in kinds.items() if kind in allowed) or 'none'}"
                )


def _require_dives(dives: Columns, desk: Desk) -> None:
    """Refuse a group or a first day of which the book has no dive: the mix would be nobody's."""
    parts = (desk.group and f"in group {desk.group!r}", desk.since and f"since {desk.since}")
    asked = [text for text in parts if text]
    if asked and not _recent(dives, desk).any():
        raise UnknownNameError(f"no dive of the book {' '.join(asked)}")


def _recent(dives: Columns, desk: Desk) -> BoolArray:
    """Dives that count for what is handed out and to whom."""
    kept = np.ones(len(dives["dive"]), bool)
    if desk.since:
        kept &= dives["date"] >= np.datetime64(desk.since, "s")
    if desk.group:
        kept &= dives["group"] == desk.group
    return kept


def _columns_of(keys: NDArray[np.object_], found: Sequence[Outfit]) -> IntArray:
    """Outfit of each dive; -1 for none of them."""
    place = {outfit.key: j for j, outfit in enumerate(found)}
    return np.array([place.get(key, -1) for key in keys], np.int64)


def _classes_of(mass: FloatArray, classes: Sequence[MassClass]) -> IntArray:
    """Class of each body mass; -1 where unknown or outside all of them."""
    out = np.full(len(mass), -1, np.int64)
    for i, group in enumerate(classes):
        out[group.holds(mass)] = i
    return out


def _seen(handed: _Handed, outfit: int) -> SeenStops:
    """Shares of the watched stops in one outfit that went wrong."""
    result = handed.dives["stop_result"][handed.here & (handed.column == outfit)]
    watched = int((result != "").sum())
    return SeenStops(
        *(jeffreys(int((result == word).sum()), watched) for word in ("rose", "sank")),
    )


def _evidence(
    assessment: Assessment, classes: Sequence[MassClass], found: Sequence[Outfit]
) -> NDArray[np.int64]:
    """Adults' dives with evidence and their divers by class and outfit, shape (classes, outfits, 2).

    The table is for adults: who is known to be under 18 on a dive does not stand behind a cell.
    """
    line = assessment.line
    dives = line.at(DIVE)
    told = np.isin(dives, assessment.evidence.statements.row[assessment.observed])
    dives = dives[told & ~_under_age(assessment, dives)]
    keys = outfit_keys(line.records.dives, suit_types(line.records.gear))[line.row[dives]]
    column = _columns_of(keys, found)
    row = _classes_of(line.occasions.body_mass[dives], classes)
    out = np.zeros((len(classes), len(found), 2), np.int64)
    for i in range(len(classes)):
        for j in range(len(found)):
            mine = (row == i) & (column == j)
            out[i, j] = mine.sum(), len(np.unique(line.occasions.diver[dives[mine]]))
    return out


def _under_age(assessment: Assessment, rows: IntArray) -> BoolArray:
    """Who is under 18 by the year of birth, as the body formulas have it; where that is not noted, nobody."""
    line = assessment.line
    noted = ~np.isnan(line.records.divers["birth_year"][line.occasions.diver[rows]])
    return np.asarray(assessment.rigs.body.junior[rows] & noted)


def _table(crowd: RentalCrowd, place: int, desk: Desk, evidence: IntArray) -> RentalTable:
    """Answers in one water with one cylinder."""
    cells = tuple(
        tuple(_cell(crowd, (i, place, j), desk, evidence=evidence[i, j]) for j in range(evidence.shape[1]))
        for i in range(evidence.shape[0])
    )
    return RentalTable(crowd.places[place], cells)


def _cell(strangers: RentalCrowd, at: tuple[int, int, int], desk: Desk, *, evidence: IntArray) -> RentalCell:
    """The answer of one cell (class, place, outfit), by the rule of the plan file."""
    crowd, out = Crowd.of(strangers.of(*at)), strangers.out
    q = crowd.quantile([*QUANTILES, BEGIN, 1 - desk.risk])
    band, begin, enough = [float(v) for v in q[:5]], float(q[5]), float(q[6])
    step = desk.pieces.step
    bring = step.at_least(enough - out)
    check = band[3] - band[1] > WIDE
    lead = min(step.nearest(begin), bring) if check else bring
    way = strangers.way
    more, sd = (float(x[at]) for x in (way.more, way.sd))
    after = put_on(more, sd, block=step, risk=desk.risk, enough=out) if check else np.nan
    # Whoever is deeper than at eye level needs no more than there.
    under = crowd_under(crowd, way.under.at(at), risk=desk.risk) - out if check else np.nan
    dives, divers = (int(n) for n in evidence)
    little = dives < LITTLE[0] or divers < LITTLE[1]
    return RentalCell(
        lead_kg=lead,
        bring_kg=bring,
        check_first=check,
        p_too_light=float(crowd.above(lead + out)),
        p_too_heavy=float(1 - crowd.above(lead - TOO_HEAVY)),
        need_mean_kg=crowd.mean,
        need_sd_kg=crowd.sd,
        need_q025_kg=band[0],
        need_q10_kg=band[1],
        need_q50_kg=band[2],
        need_q90_kg=band[3],
        need_q975_kg=band[4],
        dives=dives,
        divers=divers,
        evidence="none" if not dives else "little" if little else "some",
        after_check_kg=after,
        bare_kg=min(step.at_least(max(under, 0.0)), after, bring) if check else np.nan,
    )
