"""One planned dive from the command line: kit taken over, judged by the rules of the book, assessed."""

from __future__ import annotations

import csv
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from leadline.cli.holding import Holding, read
from leadline.cli.planned import today
from leadline.errors import RecordError, UnknownNameError

if TYPE_CHECKING:
    from leadline.arrays import Columns
    from leadline.decide.answering import Taken
    from leadline.decide.assessment import Assessment

__all__ = ["Planned", "judged", "known_diver", "plan_one"]


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


def known_diver(holding: Holding, name: str) -> str:
    """The diver's name as it stands in the book.

    Raises
    ------
    UnknownNameError
        With close matches, if there is none.
    """
    from leadline.book.hint import close_matches

    names = holding.records.divers["diver"].tolist()
    if (plain := name.strip()) in names:
        return plain
    close = ", ".join(close_matches(plain, names))
    hint = f"closest: {close}" if close else "`leadline load --divers` brings divers in"
    raise UnknownNameError(f"no diver {plain!r} in the book; {hint}")


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
    from leadline.decide.answering import taken_over

    holding, _ = read(book)
    diver = known_diver(holding, cells["diver"])
    taken = taken_over(holding.records, {"date": today(), **cells, "diver": diver})
    plan = judged(book, taken.cells)
    suits = {part.strip() for part in plan["suit"][0].split(";")}
    near = holding.about({diver}, suits=suits)
    return Planned(near, near.assessment(plan), taken)


def judged(book: Path | None, cells: dict[str, str]) -> Columns:
    """The row as a plan file of one row would be read.

    Parameters
    ----------
    book : Path or None
        The file whose divers and gear the row may name; None for the default one.
    cells : dict of str to str
        Column, or imperial twin, to cell.

    Returns
    -------
    Columns
        One row, in house units.

    Raises
    ------
    RecordError
        If a cell is unsound; the text gives the first reasons.
    """
    from leadline.book import Book

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "plan.csv"
        with file.open("w", encoding="utf-8", newline="") as out:
            csv.writer(out).writerows([list(cells), list(cells.values())])
        try:
            with Book.open(book) as opened:
                return opened.read_plan(file)
        except RecordError as fault:
            plain = str(fault).removeprefix(f"{file}: ").replace("row 2: ", "")
            raise RecordError(plain) from None
