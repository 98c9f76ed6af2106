"""One planned dive from the command line: kit taken over, judged by the rules of the book, assessed."""

from __future__ import annotations

import csv
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from leadline.cli.holding import Holding, read
from leadline.cli.planned import today
from leadline.errors import RecordError, UnknownNameError

if TYPE_CHECKING:
    from leadline.arrays import Columns
    from leadline.decide.answering import Taken
    from leadline.decide.assessment import Assessment

__all__ = ["Planned", "kit_of", "known_diver", "plan_one", "water_of"]

_WORN: Final = ("suit", "undersuit", "bc", "cylinder", "other")


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
    plan = _judged(book, taken.cells)
    suits = {part.strip() for part in plan["suit"][0].split(";")}
    near = holding.about({diver}, suits=suits)
    return Planned(near, near.assessment(plan), taken)


def _judged(book: Path | None, cells: dict[str, str]) -> Columns:
    """The row as a plan file of one row would be read."""
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


def kit_of(plan: Columns, row: int = 0) -> tuple[str, ...]:
    """Labels of what is worn and carried in one row of a plan, and the gas where it is not air."""
    labels = [part.strip() for name in _WORN for part in plan[name][row].split(";") if part.strip()]
    gas = plan["gas"][row]
    if gas and set(gas.split(";")) != {"air"}:
        labels.append(f"gas {gas}")
    return tuple(labels)


def water_of(plan: Columns, row: int = 0) -> str:
    """The water of one row of a plan in words, such as `salt water, 14 °C, 1480 m up`."""
    parts = [f"{plan['water'][row]} water" if plan["water"][row] else "water not named"]
    if plan["salinity_gkg"][row] == plan["salinity_gkg"][row]:
        parts.append(f"{plan['salinity_gkg'][row]:g} g/kg")
    if plan["water_temp_c"][row] == plan["water_temp_c"][row]:
        parts.append(f"{plan['water_temp_c'][row]:g} °C")
    if plan["altitude_m"][row] > 0:
        parts.append(f"{plan['altitude_m'][row]:g} m up")
    return ", ".join(parts)
