"""Cells that are allowed and hardly true: said, not refused."""

# Statements are made from constants; values are bound as parameters.
# ruff: noqa: S608

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from leadline.book.sql import literal, rows
from leadline.book.written import Written
from leadline.units import FOOT, POUND

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from leadline.book.source import Source

__all__ = [
    "body_notes",
    "cylinder_notes",
    "depth_doubt",
    "depth_notes",
    "mass_notes",
    "piece_notes",
    "suit_notes",
]

LIGHT, LIGHT_SHELL, HEAVY = 0.6, 0.35, 1.6
"""Shares of the usual mass between which cylinders lie, and the least where no metal is noted: composite
shells weigh less than half of steel, and 300 bar takes more of it than 232. Pounds under kilograms are 2.2 of
it, the other way round 0.45. (judged)"""

MOST: Final = {
    "suit": 12.0, "undersuit": 5.0, "hood": 2.0, "gloves": 2.0, "boots": 5.0, "fins": 6.0, "bc": 12.0,
    "plate": 10.0, "regulator": 6.0,
}  # fmt: skip
"""What pieces of each kind hardly weigh more than: a slip of the decimal point makes a plate of 2.8 kg one of
28, and of a diver one who needs no lead. [kg] (judged)"""

THIN, STOUT = 13.0, 45.0
"""Body mass indices between which divers lie, children too. Pounds under kilograms are beyond it from an
index of 21 on, kilograms under pounds up to 28. (judged)"""

FELL, GREW = 0.55, 1.8
"""Shares of the mass among the divers between which the same diver stays from then on; children grow, and
pounds under kilograms are 2.2 of it, the other way round 0.45. (judged)"""

MOVED: Final = 2.0
"""Change of a body mass from which on it is told. [kg] (judged)"""

SHALLOW_STOP, DEEP_STOP = 2.0, 9.0
"""Depths between which stops lie without a question; most are at 3 to 6 m (common practice, no source). Feet
under metres are beyond it from 10 ft on, metres under feet up to 6 m. [m] (judged)"""

_NAMED: Final = 3
_METALS: Final = ("aluminium", "steel")
_EITHER: Final = (np.minimum, np.maximum)


def _mass_unit(pounds: bool) -> tuple[str, float]:
    """The unit a row gives its mass in, which others of the file need not share, and its kilograms."""
    return ("lb", POUND) if pounds else ("kg", 1.0)


def cylinder_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """One line for each of the first cylinders whose mass is far from what such cylinders weigh.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of the gear in the temporary table `sound`.
    source : Source
        The file.

    Returns
    -------
    list of str
        Names file, row, column and what is usual; the last line counts those that are left out.
    """
    found = rows(
        connection,
        'SELECT "row", imperial, material, mass_kg, water_capacity_l, rated_bar FROM sound '
        f"{Written(source).beside('mass_kg')} WHERE kind = 'cylinder' AND mass_kg > 0"
        ' AND water_capacity_l > 0 ORDER BY "row"',
    )
    if not found:
        return []
    from leadline.physics.cylinder import usual_mass  # only where there is something to judge

    number, pounds, material, *given = zip(*found, strict=True)
    mass, litres, rated = (np.array(values, float) for values in given)  # what is empty becomes NaN
    size, rating = np.clip(litres, 0.0, 50.0), np.clip(rated, 50.0, 400.0)
    each = {metal: usual_mass(size, metal, rated_pressure=rating) for metal in _METALS}
    is_metal = [np.array([one == metal for one in material]) for metal in _METALS]
    # Where the metal is not noted, either may be meant.
    least, most = (np.select(is_metal, list(each.values()), pick(*each.values())) for pick in _EITHER)
    light = np.where(is_metal[0] | is_metal[1], LIGHT, LIGHT_SHELL)
    odd = np.flatnonzero((mass < light * least) | (mass > HEAVY * most)).tolist()
    said = []
    for i in odd[:_NAMED]:
        unit, per = _mass_unit(pounds[i])
        said.append(
            f"{source.at(number[i])}mass_{unit} {mass[i] / per:.4g}: a cylinder of {litres[i]:.3g} L usually "
            f"weighs about {(least[i] + most[i]) / 2 / per:.3g} {unit}; kept as it is: is the unit right?"
        )
    if len(odd) > _NAMED:
        said.append(f"{source.told}{len(odd) - _NAMED} more cylinders of an unusual mass")
    return said


def piece_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """One line for each of the first pieces, cylinders left out, that weigh more than such pieces do.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of the gear in the temporary table `sound`.
    source : Source
        The file.

    Returns
    -------
    list of str
        Names file, row, column and what is usual; the last line counts those that are left out.
    """
    most = " ".join(f"WHEN {literal(kind)} THEN {mass!r}" for kind, mass in MOST.items())
    found = rows(
        connection,
        f'SELECT "row", imperial, kind, mass_kg, CAST(CASE kind {most} END AS DOUBLE) AS most FROM sound'
        f' {Written(source).beside("mass_kg")} WHERE mass_kg > most ORDER BY "row"',
    )
    said = []
    for number, pounds, kind, mass, usual in found[:_NAMED]:
        unit, per = _mass_unit(pounds)
        said.append(
            f"{source.at(number)}mass_{unit} {mass / per:.4g}: hardly any {kind} weighs more than "
            f"{usual / per:.2g} {unit}; kept as it is: are unit and decimal point right?"
        )
    if len(found) > _NAMED:
        said.append(f"{source.told}{len(found) - _NAMED} more pieces of an unusual mass")
    return said


def body_notes(
    connection: DuckDBPyConnection, source: Source, found_in: Literal["sound", "stage"] = "sound"
) -> list[str]:
    """One line for each of the first divers whose mass hardly goes with their height, or with what it was.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the rows of divers, dives or checks in a temporary table.
    source : Source
        The file.
    found_in : {"sound", "stage"}
        That table: of rows that came in, or of a plan.

    Returns
    -------
    list of str
        Names file, row, column and what may be meant; the last line counts those that are left out.
    """
    own = source.table.name == "divers"
    column = "mass_kg" if own else "body_mass_kg"
    twin = column.replace("_kg", "_lb")
    if not {column, twin} & set(source.headers):
        return []
    joined, before = ("", "NULL") if own else ("JOIN divers d USING (diver)", "d.mass_kg")
    # Of several dives of a diver the first one stands for all.
    found = rows(
        connection,
        f'SELECT min("row"), arg_min(imperial, "row"), {column}, height_cm,'
        f" {column} / pow(height_cm / 100.0, 2) AS mass_index,"
        f" {before} AS mass_before, {column} / {before} AS share FROM {found_in} {joined}"
        f" {Written(source).beside(column)} WHERE mass_index NOT BETWEEN ? AND ? OR share NOT BETWEEN ? AND ?"
        f" GROUP BY diver, {column}, height_cm, mass_before ORDER BY 1",
        [THIN, STOUT, FELL, GREW],
    )
    said = []
    for number, pounds, mass, height, index, was, share in found[:_NAMED]:
        unit, per = _mass_unit(pounds)
        header, given = twin if pounds else column, mass / per
        odd = index is not None and not THIN <= index <= STOUT
        asked = "is that right?"
        if pounds and (index < THIN if odd else share < FELL):
            asked = f"kilograms? ({given:.4g} kg are {given / POUND:.4g} lb)"
        elif not pounds and (index > STOUT if odd else share > GREW):
            asked = f"pounds? ({given:.4g} lb are {given * POUND:.3g} kg)"
        why = (
            f"at a height of {height:.3g} cm a body mass index of {index:.0f}"
            if odd
            else f"{share:.2g} times the {was / per:.4g} {unit} among the divers"
        )
        said.append(f"{source.at(number)}{header} {given:.4g}: {why}: {asked}; kept as it is")
    if len(found) > _NAMED:
        said.append(f"{source.told}{len(found) - _NAMED} more divers of an unusual mass")
    return said


def depth_doubt(depth: float, *, feet: bool = False) -> str:
    """Whether another unit is meant, asked of a stop that is deeper or shallower than stops are.

    Parameters
    ----------
    depth : float
        Of the stop. [m]
    feet : bool
        Whether it was given in feet.

    Returns
    -------
    str
        A clause; empty where nothing is to be asked.

    Examples
    --------
    >>> depth_doubt(15.0)
    'a stop is usually at 3 to 6 m: feet? (15 ft are 4.6 m)'
    >>> depth_doubt(5.0)
    ''
    """
    if SHALLOW_STOP <= depth <= DEEP_STOP:
        return ""
    if feet:
        given, asked = depth / FOOT, "is that right?"
        if depth < SHALLOW_STOP:
            asked = f"metres? ({given:.4g} m are {given / FOOT:.0f} ft)"
        return f"a stop is usually at 10 to 20 ft: {asked}"
    asked = f"feet? ({depth:.4g} ft are {depth * FOOT:.1f} m)" if depth > DEEP_STOP else "is that right?"
    return f"a stop is usually at 3 to 6 m: {asked}"


def depth_notes(
    connection: DuckDBPyConnection, source: Source, found_in: Literal["sound", "stage"] = "sound"
) -> list[str]:
    """One line for each of the first stops that are deeper or shallower than stops are.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the rows of dives in a temporary table.
    source : Source
        The file.
    found_in : {"sound", "stage"}
        That table: of rows that came in, or of a plan.

    Returns
    -------
    list of str
        Names file, row, column and the unit that may be meant; the last line counts those left out.
    """
    if not {"stop_depth_m", "stop_depth_ft"} & set(source.headers):
        return []
    found = rows(
        connection,
        f'SELECT "row", imperial, stop_depth_m FROM {found_in} {Written(source).beside("stop_depth_m")}'
        " WHERE stop_depth_m NOT BETWEEN ? AND ? ORDER BY 1",
        [SHALLOW_STOP, DEEP_STOP],
    )
    said = []
    for number, feet, depth in found[:_NAMED]:
        header, per, other = ("stop_depth_ft", FOOT, "m") if feet else ("stop_depth_m", 1.0, "ft")
        text = depth_doubt(depth, feet=feet).replace(")", f", which go under stop_depth_{other})")
        said.append(f"{source.at(number)}{header} {depth / per:.4g}: {text}; kept as it is")
    if len(found) > _NAMED:
        said.append(f"{source.told}stops of an unusual depth besides: {len(found) - _NAMED}")
    return said


def suit_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """One line on dives without a suit where most of the diver's, or of the file's, name one.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of dives in the temporary table `sound`, written already.
    source : Source
        The file.

    Returns
    -------
    list of str
        Counts the rows that are new or changed and names the first; empty where there is none.
    """
    found = rows(
        connection,
        """
        WITH own AS (SELECT diver, 2 * count(suit) > count(*) AS mostly FROM dives GROUP BY diver),
        file AS (SELECT 2 * count(suit) > count(*) AS mostly FROM sound)
        SELECT count(*), min("row"), arg_min(dive, "row"), arg_min(s.diver, "row")
        FROM sound s JOIN own ON own.diver = s.diver CROSS JOIN file
        WHERE s.suit IS NULL AND (NOT s.known OR s.changed) AND (own.mostly OR file.mostly)
        """,
    )
    count, number, dive, diver = found[0]
    if not count:
        return []
    what = "1 dive names" if count == 1 else f"{count} dives name"
    return [
        f"{source.at(number)}{what} no suit, {dive} of {diver}{'' if count == 1 else ' first'}, and "
        f"{'is' if count == 1 else 'are'} read as made without one: most others of the diver or the file "
        "name one; where one was worn, fill it in and load again"
    ]


def mass_notes(connection: DuckDBPyConnection, source: Source) -> list[str]:
    """One line for each of the first divers with dives or checks on record whose body mass the file changed.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the sound rows of the divers in the temporary table `sound`, and in it the mass they had.
    source : Source
        The file.

    Returns
    -------
    list of str
        Names the row, both masses and where a mass goes that changed; the last line counts those left out.
    """
    found = rows(
        connection,
        'SELECT "row", imperial, diver, mass_before, mass_kg FROM sound '
        f"{Written(source).beside('mass_kg')} WHERE changed AND abs(mass_kg - mass_before) >= ?"
        " AND (diver IN (SELECT diver FROM dives) OR diver IN (SELECT diver FROM checks)) ORDER BY 1",
        [MOVED],
    )
    said = []
    for number, pounds, diver, before, now in found[:_NAMED]:
        unit, per = _mass_unit(pounds)
        said.append(
            f"{source.name}: row {number}: mass_{unit} of {diver} was {before / per:.4g} and is "
            f"{now / per:.4g}, for dives on record too: right where it was wrong; a mass that has changed "
            f"goes under body_mass_{unit} of a dive or check, from that date on"
        )
    if len(found) > _NAMED:
        said.append(f"{source.name}: {len(found) - _NAMED} more divers of another mass than before")
    return said
