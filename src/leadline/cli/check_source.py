"""Where a surface check is made: the diver, known or not, the kit, in a book or in words, and the water."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from leadline.cli.holding import Holding, near
from leadline.cli.output import note
from leadline.cli.planned import in_options, own_words
from leadline.errors import OptionError, OutOfRangeError, RecordError, UnknownNameError
from leadline.frozen import dataclass
from leadline.records import KIT

if TYPE_CHECKING:
    from leadline.arrays import Columns, Records
    from leadline.book import Book
    from leadline.decide.answering import Taken
    from leadline.decide.check_look import Look

__all__ = ["Place", "counted_once", "find_place", "save"]

_OPTIONS: Final = {"start_bar": "bar", "stop_bar": "reserve"}
_WATER: Final = ("salinity_gkg", "water_temp_c")


@dataclass(frozen=True)
class Place:
    """Who is checked, in what and where.

    Parameters
    ----------
    holding : Holding
        Records that bear on the diver, and the fit.
    plan : Columns
        The dive to come, one row.
    taken : Taken
        What was named and what was taken over.
    dive : str
        Dive of that day that the check is made on; empty where there is none.
    unsaved : str
        Why the check cannot be kept in the book; empty where it can.
    kept : str
        Check of the book that the look of now is; empty where there is none.
    kept_in_fit : bool
        Whether the fit has seen it as it stands now.
    """

    holding: Holding
    plan: Columns
    taken: Taken
    dive: str
    unsaved: str
    kept: str = ""
    kept_in_fit: bool = False


def find_place(
    book: Path | None, cells: dict[str, str], *, person: dict[str, str] | None = None, on: str = ""
) -> Place:
    """Bring together what is known before the check.

    Parameters
    ----------
    book : Path or None
        The file; None for the default one, which need not exist.
    cells : dict of str to str
        What was named of the dive: column, or imperial twin, to cell; with a date.
    person : dict of str to str, optional
        What was said of a diver who is not in the book: columns of the divers.
    on : str
        Key of the dive whose kit and water are used.

    Returns
    -------
    Place
        Everything judged by the rules of the book.

    Raises
    ------
    LeadlineError
        If the named book is missing, a diver or an item is unknown, or a cell is unsound.
    """
    from leadline.cli.kit import judged
    from leadline.decide.answering import taken_over
    from leadline.decide.check_kit import described

    with _opened(book) as opened, own_words(_OPTIONS):
        name, guest = _diver(opened, cells.get("diver", ""), person or {})
        if guest and not cells.get("suit", "").strip():
            raise RecordError("a diver who is not in the book: give --suit (or --suit - for none)")
        holding = _holding(opened, name, cells.get("suit", ""))
        records, dive = (holding.records, "") if not on else _only(holding.records, on, name, cells)
        taken = taken_over(records, {**cells, "diver": name})
        gear = described(taken.cells, holding.records.gear["item"].tolist())
        if guest or gear or opened is None:
            plan, holding = _in_words(holding, taken.cells, guest=guest, gear=gear)
        else:
            plan = judged(opened, taken.cells, known=taken.taken, underway=True, options=_OPTIONS)
    if dive and any(records.dives[name][0] and not plan[name][0] for name in KIT):
        dive = ""  # a check on a dive has its kit where it names none, and this one was made without
    reason = "the diver is not in the book" if guest else ""
    if gear and not guest:
        reason = f"not among the gear of the book: {', '.join(str(row['item']) for row in gear)}"
    return Place(holding, plan, taken, dive, reason)


@contextmanager
def _opened(path: Path | None) -> Iterator[Book | None]:
    """The book; None where no option names it and it does not exist: an answer comes first."""
    import os

    from leadline.book import Book, default_path

    if path is None and not default_path().exists():
        if os.environ.get("LEADLINE_BOOK"):
            note(f"note: no book at {default_path()}, which LEADLINE_BOOK names; this answer goes without it")
        yield None
        return
    with Book.open(path) as book:
        yield book


def _holding(book: Book | None, diver: str, suit: str) -> Holding:
    """What the book holds on the diver; nothing where there is none."""
    if book is not None:
        return near(book, {diver}, suits={suit})
    import numpy as np

    from leadline.decide.check_kit import nothing
    from leadline.model.population import prior_fit

    return Holding("", nothing(), 0, prior_fit(), None, np.zeros(0, bool), np.zeros(0, bool))


def _diver(book: Book | None, name: str, person: dict[str, str]) -> tuple[str, dict[str, str]]:
    """Name of the diver, and what was said of one who is not in the book."""
    from leadline.cli.kit import diver_in, unknown_diver
    from leadline.decide.check_kit import STRANGER

    plain = name.strip()
    known = book is not None and book.has_diver(plain)
    if known and person:
        raise OutOfRangeError(
            f"{plain} is in the book, body and all; give --body-mass for a mass that has changed"
        )
    if known:
        return plain, {}
    if plain and not person:
        return (unknown_diver(plain, []) if book is None else diver_in(book, plain)), {}
    plain = plain or STRANGER
    return plain, {"diver": plain, **person}


def _only(records: Records, on: str, diver: str, cells: dict[str, str]) -> tuple[Records, str]:
    """The records with that dive alone, no check beside it; its key if it was made on the day of this one."""
    import numpy as np

    from leadline.book.hint import close_matches

    dives = records.dives
    own = dives["diver"] == diver
    row = np.flatnonzero(own & (dives["dive"] == on.strip()))
    if not len(row):
        close = ", ".join(close_matches(on.strip(), dives["dive"][own].tolist()))
        hint = f"closest: {close}" if close else "leave --on out, or give the kit"
        raise UnknownNameError(f"no dive {on.strip()!r} of {diver} in the book; {hint}")
    for name in _WATER:
        if not np.isnan(dives[name][row[0]]) and not {"water", name} & set(cells):
            cells.setdefault(name, f"{dives[name][row[0]]:g}")
    day = dives["date"][row[0]]
    same = not np.isnat(day) and str(day)[:10] == cells["date"][:10]
    alone = replace(
        records,
        dives={k: v[row] for k, v in dives.items()},
        checks={k: v[:0] for k, v in records.checks.items()},
    )
    return alone, on.strip() if same else ""


def _in_words(
    holding: Holding, cells: dict[str, str], *, guest: dict[str, str], gear: Sequence[dict[str, Any]]
) -> tuple[Columns, Holding]:
    """The plan judged in a book made for it alone, and the records with guest and kit added."""
    import numpy as np

    from leadline.book import Book
    from leadline.cli.kit import judged
    from leadline.decide.check_kit import extended

    worn = {part.strip().casefold() for name in KIT for part in cells.get(name, "").split(";")}
    table = holding.records.gear
    rows = [i for i, item in enumerate(table["item"].tolist()) if item.casefold() in worn]
    listed = [{name: _plain(values[i]) for name, values in table.items()} for i in rows]
    with Book.scratch() as scratch:
        report = scratch.upsert("divers", [guest or _body(holding.records, cells["diver"])])
        for text in report.notes if guest else ():
            note(f"note: {in_options(text)}")
        for row in gear:
            if faults := scratch.judge("gear", [row]):
                raise OptionError(f"{row['item']!r}: {faults[0].reason}")
        if listed or gear:
            scratch.upsert("gear", [*listed, *gear])
        made = scratch.records()
        plan = judged(scratch, cells, underway=True, options=_OPTIONS)
    records = extended(
        holding.records,
        divers={k: v[: len(v) if guest else 0] for k, v in made.divers.items()},
        gear={k: v[np.arange(len(v)) >= len(listed)] for k, v in made.gear.items()},
    )
    return plan, replace(holding, records=records)


def _body(records: Records, diver: str) -> dict[str, str]:
    """Name, mass and height of a diver of the book, which a new mass is held against."""
    row = records.divers["diver"].tolist().index(diver)
    return {name: _plain(records.divers[name][row]) for name in ("diver", "mass_kg", "height_cm")}


def _plain(value: Any) -> str:
    """A cell as a file would have it."""
    if isinstance(value, str) or value != value:
        return value if isinstance(value, str) else ""
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def counted_once(
    place: Place, cells: dict[str, str], again: Sequence[Look], look: Look | None, *, timed: bool
) -> tuple[Place, list[Look]]:
    """Looks that are typed once more, and looks that are in the book already, counted once.

    Parameters
    ----------
    place : Place
        Where the check is made.
    cells : dict of str to str
        As for `find_place`.
    again : sequence of Look
        Earlier ones, in order of time.
    look : Look or None
        Of now; None where that is no check, for the diver was not still.
    timed : bool
        Whether the time of day was named.

    Returns
    -------
    place : Place
        Without the check that is the look of now, so that the same words twice give the same answer twice.
    again : list of Look
        Those that the book does not have of that day, each once, and none that is the look of now.
    """
    import numpy as np

    from leadline.decide.same_look import kept_already, on_record, unlike
    from leadline.timeline import resolve_checks

    held, plan = place.holding, place.plan
    checks, diver, day = resolve_checks(held.records), str(plan["diver"][0]), plan["date"][0]
    single = unlike(again) if look is None else unlike([*again, look])[:-1]
    new = [one for one in single if not len(on_record(one, checks, diver=diver, day=day))]
    row = None if look is None else kept_already(look, plan, checks, timed=timed)
    if row is None:
        if len(single) < len(again):
            note("note: of looks that show the same, with the same lead and pressures, one counts")
        return place, new
    left = np.arange(len(checks["check"])) != row
    records = replace(
        held.records, checks={name: values[left] for name, values in held.records.checks.items()}
    )
    key = str(checks["check"][row])
    return replace(
        place,
        holding=replace(held, records=records, checks_in_fit=held.checks_in_fit[left]),
        taken=_first_taken(place.taken, key, records, {**cells, "diver": diver}),
        kept=key,
        kept_in_fit=bool(held.checks_in_fit[row]),
    ), new


def _first_taken(taken: Taken, key: str, records: Records, cells: dict[str, str]) -> Taken:
    """Where kit was taken over from when that check was made, if the same was taken over then."""
    from leadline.decide.answering import taken_over

    if (taken.word, taken.source) != ("check", key):
        return taken
    try:
        first = taken_over(records, cells)
    except RecordError:  # what was named then is taken from the check now
        return taken
    return first if first.cells == taken.cells else taken


def save(book: Path | None, place: Place, looks: Sequence[Look]) -> list[str]:
    """Keep looks in the book, each under a key of its own; the book is locked only for this.

    Parameters
    ----------
    book : Path or None
        The file; None for the default one.
    place : Place
        Where the check was made.
    looks : sequence of Look
        In order of time.

    Returns
    -------
    list of str
        The keys.

    Raises
    ------
    BookError
        If the book cannot be written.
    """
    from leadline.book import Book
    from leadline.decide.check import check_rows

    stamp = str(place.plan["date"][0]).replace("T", " ").removesuffix(" 00:00:00")
    diver = place.plan["diver"][0]
    with Book.open(book, write=True) as opened:
        used = set(opened.names("checks"))
        keys: list[str] = []
        number = 1
        while len(keys) < len(looks):
            key = f"{diver} {stamp}" + (f" ({number})" if number > 1 else "")
            number += 1
            if key not in used:
                keys.append(key)
        columns = check_rows(place.plan, looks, keys, dive=place.dive)
        rows = [
            {name: text for name, values in columns.items() if (text := _plain(values[i]))}
            for i in range(len(looks))
        ]
        opened.upsert("checks", rows)
    return keys
