"""One planned dive from the command line: kit taken over, judged by the rules of the book, assessed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final, NoReturn

from leadline.cli.holding import Holding, near
from leadline.cli.output import note
from leadline.cli.planned import in_options, own_words, today
from leadline.errors import RecordError, UnknownNameError
from leadline.frozen import dataclass

if TYPE_CHECKING:
    from leadline.arrays import Columns
    from leadline.book import Book
    from leadline.decide.answering import Taken
    from leadline.decide.assessment import Assessment

__all__ = ["Planned", "assumed", "diver_in", "judged", "known_diver", "plan_one", "unknown_diver"]

_TOGETHER: Final = ("cylinder", "gas", "stop_bar")
"""Lists that the rules hold against each other, so that they are judged together."""


_ASSUMED: Final = {"suit": "no suit", "cylinder": "a usual cylinder", "bc": "a usual BC"}
"""Column that is empty -> what is reckoned."""


@dataclass(frozen=True)
class Planned:
    """One planned dive with all that is known of its diver.

    Parameters
    ----------
    holding : Holding
        The book, as far as it bears on this diver.
    assessment : Assessment
        Records, fit and the plan of one row.
    taken : Taken
        What was named and what was taken over.
    """

    holding: Holding
    assessment: Assessment
    taken: Taken

    @property
    def plan(self) -> Columns:
        """The plan, one row."""
        return self.assessment.line.plan


def assumed(assessment: Assessment) -> str:
    """What is reckoned with where the first row of a plan names none, such as `a usual BC`; may be empty."""
    from leadline.timeline import PLAN

    row, plan = assessment.line.at(PLAN)[0], assessment.line.plan
    gaps = [text for name, text in _ASSUMED.items() if not plan[name][0]]
    if assessment.rigs.dry[row] and not plan["undersuit"][0]:
        gaps.append("a usual undersuit")
    return " and ".join(gaps)


def known_diver(holding: Holding, name: str) -> str:
    """The diver's name as it stands in the book.

    Raises
    ------
    UnknownNameError
        With close matches, if there is none.
    """
    names = holding.records.divers["diver"].tolist()
    return plain if (plain := name.strip()) in names else unknown_diver(plain, names)


def diver_in(book: Book, name: str) -> str:
    """As `known_diver`, of an open book.

    Raises
    ------
    UnknownNameError
        With close matches, if there is none.
    """
    return plain if book.has_diver(plain := name.strip()) else unknown_diver(plain, book.names("divers"))


def unknown_diver(name: str, names: list[str]) -> NoReturn:
    """Refuse a name that is not among the divers.

    Raises
    ------
    UnknownNameError
        With close matches.
    """
    from leadline.book.hint import close_matches

    close = ", ".join(close_matches(name, names))
    hint = f"closest: {close}" if close else "`leadline load --divers` brings divers in"
    raise UnknownNameError(f"no diver {name!r} in the book; {hint}")


def plan_one(book: Path | None, cells: dict[str, str]) -> Planned:
    """Assess one planned dive.

    Parameters
    ----------
    book : Path or None
        The file; None for the default one.
    cells : dict of str to str
        What was named: column, or imperial twin, to cell.

    Returns
    -------
    Planned
        The date is today's where none was named.

    Raises
    ------
    LeadlineError
        If the diver or an item is unknown, or a cell unsound.
    """
    from leadline.book import Book
    from leadline.decide.answering import taken_over

    with Book.open(book) as opened:
        diver = diver_in(opened, cells["diver"])
        holding = near(opened, {diver}, suits={cells.get("suit", "")})
        taken = taken_over(holding.records, {"date": today(), **cells, "diver": diver})
        with own_words():
            plan = _as_before(cells, taken) or judged(opened, taken.cells, known=taken.taken)
    return Planned(holding, holding.assessment(plan), taken)


def _as_before(cells: dict[str, str], taken: Taken) -> Columns | None:
    """The row, where all of it stands in the book and has been judged; None where anything else was named."""
    from leadline.arrays import columns_from_rows
    from leadline.records import DIVES

    if not taken.source or set(cells) - {"diver", "suit"} or cells.get("suit", taken.suit) != taken.suit:
        return None
    return columns_from_rows(DIVES, [taken.cells])


def judged(
    book: Book,
    cells: dict[str, str],
    *,
    known: Collection[str] = (),
    underway: bool = False,
    options: Mapping[str, str] | None = None,
) -> Columns:
    """The row as a plan file of one row would be read; what is hardly true is noted.

    Parameters
    ----------
    book : Book
        Open; the row may name its divers and gear.
    cells : dict of str to str
        Column, or imperial twin, to cell.
    known : collection of str
        Columns whose cells stand in the book and were judged when they came in.
    underway : bool
        Whether start pressures are those of now, which may lie below the reserve.
    options : mapping of str to str, optional
        Column to option, where the command has another one than a plan.

    Returns
    -------
    Columns
        One row, in house units.

    Raises
    ------
    RecordError
        If a cell is unsound; the text gives the first reasons.
    """
    import csv
    import tempfile

    from leadline.arrays import columns_from_rows
    from leadline.records import DIVES

    together = {*_TOGETHER, "water"} if "salinity_gkg" in set(cells) - set(known) else {*_TOGETHER}
    kept = {name: cell for name, cell in cells.items() if name in known and name not in together}
    asked = {name: cell for name, cell in cells.items() if name not in kept}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "plan.csv"
        with file.open("w", encoding="utf-8", newline="") as out:
            csv.writer(out).writerows([list(asked), list(asked.values())])
        told: list[str] = []
        try:
            found = book.read_plan(file, underway=underway, notify=told.append, as_named=True)
        except RecordError as fault:
            plain = str(fault).removeprefix(f"{file}: ").replace("row 2: ", "")
            raise type(fault)(plain) from None
    for text in told:
        note(f"note: {in_options(text.removeprefix(f'{file}: row 2: '), options)}")
    before = columns_from_rows(DIVES, [kept])
    return {name: before[name] if name in kept else values for name, values in found.items()}
