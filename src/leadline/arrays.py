"""Records as arrays: names become indices, lists become padded columns, histories become counts.

A *column set* (`Columns`) maps the names of `leadline.records` to arrays of one length: text and words
as object arrays of `str` with `""` where missing, numbers as float64 with NaN, dates as `datetime64[s]`
with NaT. Lists (`a;b`) stay text here; `occasions` splits them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.distinct import runs
from leadline.errors import RecordError, UnknownNameError
from leadline.frozen import dataclass
from leadline.records import TABLES, Table

__all__ = ["Columns", "Occasions", "Records", "columns_from_rows", "occasions", "ranks"]

Columns = Mapping[str, NDArray[Any]]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_TEXT = {"text", "word", "numbers", "names", "gases", "places"}


def _nobody_else() -> Columns:
    return {"diver": np.zeros(0, object), "date": np.zeros(0, "datetime64[s]"), "suit": np.zeros(0, object)}


@dataclass(frozen=True)
class Records:
    """All records of a book, or those that bear on some divers, in file order.

    Parameters
    ----------
    divers, gear, dives, checks : Columns
        One column set for each table of `leadline.records`.
    worn : Columns
        Dives of others, who need not be among the divers, that count as wear: `diver`, `date`, `suit`.
    """

    divers: Columns
    gear: Columns
    dives: Columns
    checks: Columns
    worn: Columns = field(default_factory=_nobody_else)


@dataclass(frozen=True)
class Occasions:
    """Who enters which water, when and in what kit; *n* dives, planned dives or surface checks.

    Parameters
    ----------
    diver : ndarray of int, shape (n,)
        Row of the diver in the divers table.
    date : ndarray of datetime64[s], shape (n,)
        Date; NaT where unknown.
    body_mass : ndarray, shape (n,)
        Latest body mass known on that date; NaN where none is. [kg]
    dives_made : ndarray, shape (n,)
        Dives made before this one; NaN where the number before the first record is unknown. [-]
    dives_logged : ndarray, shape (n,)
        Dives in the records before this one. [-]
    water : ndarray of str, shape (n,)
        fresh, brackish, salt or empty.
    salinity, temperature, altitude, max_depth : ndarray, shape (n,)
        NaN where not given. [g/kg, °C, m, m]
    suit : ndarray of int, shape (n, S)
        Rows of the gear table; -1 pads.
    suit_dives : ndarray, shape (n, S)
        Dives each suit had seen before; NaN where unknown or padded. [-]
    undersuit, bc : ndarray of int, shape (n, U) and (n, B)
        Rows of the gear table; -1 pads.
    other : ndarray of int, shape (n, K)
        Rows of the gear table; -1 pads.
    cylinder : ndarray of int, shape (n, C)
        Rows of the gear table; -1 pads.
    oxygen, helium : ndarray, shape (n, C)
        Mole fractions; air (0.2095, 0) where not given. [-]
    start, stop : ndarray, shape (n, C)
        Gauge pressures at the start and at the stop (the end pressure where no stop pressure is
        noted); NaN where unknown. [bar]
    carried : ndarray of bool, shape (n, C)
        False where the cylinder was not carried at the stop, and where padded.
    """

    diver: IntArray
    date: NDArray[np.datetime64]
    body_mass: FloatArray
    dives_made: FloatArray
    dives_logged: FloatArray
    water: NDArray[np.object_]
    salinity: FloatArray
    temperature: FloatArray
    altitude: FloatArray
    max_depth: FloatArray
    suit: IntArray
    suit_dives: FloatArray
    undersuit: IntArray
    bc: IntArray
    other: IntArray
    cylinder: IntArray
    oxygen: FloatArray
    helium: FloatArray
    start: FloatArray
    stop: FloatArray
    carried: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.diver.shape[0])

    def take(self, rows: NDArray[Any] | slice) -> Occasions:
        """The occasions at `rows` (indices, a mask or a slice), in that order."""
        return Occasions(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def columns_from_rows(table: Table, rows: Sequence[Mapping[str, Any]]) -> Columns:
    """Column set of `table` from dictionaries in house units; missing cells become missing values.

    Parameters
    ----------
    table : Table
        Declaration, from `leadline.records`.
    rows : sequence of mapping
        One mapping a row, column name to value; dates as ISO text or datetime.

    Returns
    -------
    Columns
        Every column of the table, arrays of shape (len(rows),).

    Raises
    ------
    RecordError
        If a row names a column that the table does not have.

    Examples
    --------
    >>> from leadline.records import DIVERS
    >>> columns_from_rows(DIVERS, [{"diver": "Ines", "mass_kg": 64}])["mass_kg"]
    array([64.])
    """
    unknown = sorted({name for row in rows for name in row} - set(table.by_name))
    if unknown:
        raise RecordError(
            f"{table.name} have no column {', '.join(unknown)}; known: {', '.join(table.by_name)}"
        )
    columns: dict[str, NDArray[Any]] = {}
    for column in table.columns:
        cells = [row.get(column.name) for row in rows]
        if column.kind in _TEXT:
            columns[column.name] = np.array(["" if c is None else str(c) for c in cells], object)
        elif column.kind == "date":
            columns[column.name] = np.array(
                ["NaT" if c in (None, "") else str(c).replace(" ", "T") for c in cells], "datetime64[s]"
            )
        else:
            columns[column.name] = np.array([np.nan if c in (None, "") else float(c) for c in cells], float)
    return columns


def _padded(texts: NDArray[Any], parse: Callable[[str], list[Any]], fill: Any, dtype: Any) -> NDArray[Any]:
    """Split every distinct text once; shape (n, longest)."""
    if len(texts) > 1 and texts.strides == (0,):  # one value stands in many places
        return np.repeat(_padded(texts[:1], parse, fill, dtype), len(texts), axis=0)
    memo: dict[str, list[Any]] = {text: parse(text) for text in set(texts.tolist())}
    width = max((len(v) for v in memo.values()), default=0) or 1
    table = np.full((len(memo), width), fill, dtype)
    for i, values in enumerate(memo.values()):
        table[i, : len(values)] = values
    position = {text: i for i, text in enumerate(memo)}
    codes = np.fromiter(map(position.__getitem__, texts.tolist()), np.int64, len(texts))
    return table[codes] if len(texts) else np.full((0, width), fill, dtype)


def _split(text: str) -> list[str]:
    return [part.strip() for part in text.split(";")] if text.strip() else []


def _numbers(text: str) -> list[float]:
    return [-np.inf if p == "-" else float(p) if p else np.nan for p in _split(text)]


def _oxygen(text: str) -> list[float]:
    return [0.2095 if p in ("", "air") else float(p.split("/")[0]) / 100 for p in _split(text)]


def _helium(text: str) -> list[float]:
    return [float(p.split("/")[1]) / 100 if "/" in p else 0.0 for p in _split(text)]


def _item_parser(index: Mapping[str, int], column: str) -> Callable[[str], list[int]]:
    def parse(text: str) -> list[int]:
        try:
            return [index[part] for part in _split(text) if part]
        except KeyError as missing:
            raise UnknownNameError(f"{column}: no item {missing.args[0]!r} in the gear table") from None

    return parse


def _each(texts: NDArray[Any], parse: Callable[[str], list[float]], fill: float, width: int) -> FloatArray:
    """A value for each of `width` cylinders; where there is a single one it serves them all."""
    found = np.full((len(texts), width), fill)
    lists = _padded(texts, lambda text: v * width if len(v := parse(text)) == 1 else v, fill, float)
    found[:, : lists.shape[1]] = lists[:, :width]
    return found


def _carry_forward(order: IntArray, diver: IntArray, value: FloatArray, initial: FloatArray) -> FloatArray:
    """Latest non-NaN `value` of the diver up to each row, in `order`; else `initial`; else the next told."""
    d, rank, told = diver[order], np.arange(len(order)), ~np.isnan(value[order])
    v = np.append(value[order], np.nan)
    last = np.maximum.accumulate(np.where(told, rank, -1))
    ahead = np.minimum.accumulate(np.where(told, rank, len(order))[::-1])[::-1]
    first, after = runs(d)
    before = np.where(last >= first, v[last], initial[d])
    out = np.empty(len(order))
    out[order] = np.where(np.isnan(before) & (ahead < after), v[ahead], before)
    return out


def _count_before(order: IntArray, key: IntArray, counts: NDArray[np.bool_]) -> FloatArray:
    """Rows with `counts` and the same key that come earlier in `order`."""
    k = key[order]
    by_key = np.argsort(k, kind="stable")
    k, hit = k[by_key], counts[order][by_key].astype(float)
    running = np.cumsum(hit) - hit
    out = np.empty(len(order))
    out[order[by_key]] = running - running[runs(k)[0]]
    return out


def _suit_dives(
    suit: IntArray,
    date: NDArray[np.datetime64],
    diver: IntArray,
    order: IntArray,
    is_dive: NDArray[np.bool_],
    gear: Columns,
) -> FloatArray:
    """Dives each suit had seen; an item that several divers wear on one day is a kind, and they share it."""
    n, width = suit.shape
    flat = suit.ravel()
    worn = np.flatnonzero(flat >= 0)
    out = np.full(n * width, np.nan)
    if not len(worn):
        return out.reshape(n, width)
    row = worn // width
    rank = np.empty(n, np.int64)
    rank[order] = np.arange(n)
    by_time = np.argsort(rank[row], kind="stable")
    before = _count_before(by_time, flat[worn], is_dive[row])
    day = date[row].astype("datetime64[D]").astype(np.int64)
    pieces = _pieces(flat[worn], day, diver[row], is_dive[row])
    out[worn] = gear["dives_before"][flat[worn]] + before / pieces
    return out.reshape(n, width)


def _wear(
    records: Records,
    suit: IntArray,
    date: NDArray[np.datetime64],
    diver: IntArray,
    is_dive: NDArray[np.bool_],
    parse: Callable[[str], list[int]],
) -> FloatArray:
    """Dives each suit had seen, those of others counted in; shape (n, S)."""
    worn, n = records.worn, len(suit)
    names = worn["diver"].tolist()
    others_at = {name: place for place, name in enumerate(set(names), len(records.divers["diver"]))}
    everyone = np.concatenate([records.divers["diver"], np.array([*others_at], object)])
    who = np.concatenate([diver, np.fromiter(map(others_at.__getitem__, names), np.int64, len(names))])
    others = _padded(worn["suit"], parse, -1, np.int64)
    suits = np.full((n + len(others), max(suit.shape[1], others.shape[1])), -1)
    suits[:n, : suit.shape[1]], suits[n:, : others.shape[1]] = suit, others
    dates = np.concatenate([date, worn["date"]])
    dived = np.concatenate([is_dive, np.ones(len(others), bool)])
    late = np.where(np.isnat(dates), np.datetime64("9999-12-31", "s"), dates)
    # Who is first on a day is told by name: the order of a file must not change what a suit has seen.
    order = np.lexsort((np.arange(len(who)), ranks(everyone)[who], late))
    return _suit_dives(suits, dates, who, order, dived, records.gear)[:n, : suit.shape[1]]


def ranks(names: NDArray[np.object_]) -> IntArray:
    """Place of each name in their sorted order, whatever the order of the file; equal names share one."""
    return np.unique(names.astype(str), return_inverse=True)[1].reshape(-1)


def _pieces(item: IntArray, day: IntArray, diver: IntArray, counts: NDArray[np.bool_]) -> IntArray:
    """Most divers seen in an item on one day, up to the day of each row: later records change nothing."""
    undated = day == np.datetime64("NaT").astype(np.int64)
    first, latest = (day[~undated].min(), day[~undated].max()) if not undated.all() else (0, 0)
    key = item * (latest - first + 2) + np.where(undated, latest + 1, day) - first
    who = int(diver.max(initial=0)) + 1
    seen = np.sort(key[counts] * who + diver[counts])
    seen = seen[np.diff(seen, prepend=-1) > 0] // who
    days, wearers = np.unique(seen, return_counts=True)
    owner = days // (latest - first + 2)
    many = int(wearers.max(initial=1)) + 1
    most = np.maximum.accumulate(wearers + owner * many) - owner * many
    place = np.searchsorted(days, key, side="right") - 1
    known = (place >= 0) & (len(days) > 0)
    pieces = np.ones(len(item), np.int64)
    known[known] = owner[place[known]] == item[known]
    pieces[known] = most[place[known]]
    return pieces


def occasions(
    records: Records, rows: Columns, *, counts_as_dive: NDArray[np.bool_] | None = None
) -> Occasions:
    """Arrays of who, when, in what kit and water, with each diver's history counted.

    Parameters
    ----------
    records : Records
        Divers and gear that the rows name.
    rows : Columns
        Dives, plans or (resolved) checks; all the rows whose history is to count, in file order.
    counts_as_dive : ndarray of bool, shape (n,), optional
        False for rows that are no dive (checks, plans), so that they do not count as experience or
        wear; default all True.

    Returns
    -------
    Occasions
        In the order of `rows`.

    Raises
    ------
    UnknownNameError
        If a row names a diver or an item that the records do not have.
    """
    n = len(rows["diver"])
    is_dive = np.ones(n, bool) if counts_as_dive is None else counts_as_dive
    diver_index = {name: i for i, name in enumerate(records.divers["diver"].tolist())}
    try:
        diver = np.fromiter(map(diver_index.__getitem__, rows["diver"].tolist()), np.int64, n)
    except KeyError as missing:
        raise UnknownNameError(f"no diver {missing.args[0]!r} in the divers table") from None
    item_index = {name: i for i, name in enumerate(records.gear["item"].tolist())}

    def items(column: str) -> IntArray:
        return _padded(rows[column], _item_parser(item_index, column), -1, np.int64)

    date = rows["date"]
    late = np.where(np.isnat(date), np.datetime64("9999-12-31", "s"), date)
    order = np.lexsort((np.arange(n), late, diver))
    logged = _count_before(order, diver, is_dive)
    suit, cylinder = items("suit"), items("cylinder")
    width = cylinder.shape[1]
    present = cylinder >= 0

    def noted(column: str) -> FloatArray:
        return _each(rows[column], _numbers, np.nan, width)

    start = noted("start_bar") if "start_bar" in rows else np.full((n, width), np.nan)
    stop = noted("end_bar" if "end_bar" in rows else "bar")
    left = np.isneginf(stop)
    stop[left] = np.nan
    if "stop_bar" in rows:
        read = noted("stop_bar")
        left |= np.isneginf(read)
        stop = np.where(np.isnan(read) | np.isneginf(read), stop, read)
    return Occasions(
        diver=diver,
        date=date,
        body_mass=_carry_forward(order, diver, rows["body_mass_kg"], records.divers["mass_kg"]),
        dives_made=records.divers["dives_before"][diver] + logged,
        dives_logged=logged,
        water=rows["water"],
        salinity=rows["salinity_gkg"],
        temperature=rows["water_temp_c"],
        altitude=rows["altitude_m"],
        max_depth=rows.get("max_depth_m", np.full(n, np.nan)),
        suit=suit,
        suit_dives=_wear(records, suit, date, diver, is_dive, _item_parser(item_index, "suit")),
        undersuit=items("undersuit"),
        bc=items("bc"),
        other=items("other"),
        cylinder=cylinder,
        oxygen=_each(rows["gas"], _oxygen, 0.2095, width),
        helium=_each(rows["gas"], _helium, 0.0, width),
        start=np.where(np.isneginf(start), np.nan, start),
        stop=stop,
        carried=present & ~left,
    )


def empty(table: str) -> Columns:
    """Column set of the table called `table` with no rows."""
    return columns_from_rows(TABLES[table], [])
