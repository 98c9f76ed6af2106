"""The questions of `leadline log` on a terminal: short, and answered by Enter where nothing has changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Final
from unicodedata import normalize

import typer

from leadline.cli.options import Units
from leadline.cli.output import note, plain
from leadline.records import DIVES, Column

__all__ = ["ask", "dive", "today"]

# Kit and water mostly stay as they were; pressures and what was seen never carry over from another dive.
_KEPT: Final = ("site", "water", "suit", "undersuit", "bc", "cylinder", "gas", "other", "lead_kg")
_ASKED: Final = ("dive", "date", *_KEPT, "start_bar", "end_bar", "descent", "stop_result", "bc_state")
_DRY: Final = ("dry_membrane", "dry_foam")
_NONE: Final = "-"


def today() -> str:
    """Today's date where the user is."""
    return date.today().isoformat()


def ask(text: str, default: str) -> str:
    """One answer from the terminal.

    Parameters
    ----------
    text : str
        The question.
    default : str
        Taken for Enter; shown in brackets unless empty.

    Returns
    -------
    str
        Trimmed, accents as the book has them.
    """
    answer = str(typer.prompt(plain(text), default=default, show_default=bool(default), err=True))
    return normalize("NFC", answer.strip())


def _header(column: Column, units: Units) -> str:
    return column.twin.name if units == "imperial" and column.twin else column.name


def _text(column: Column, units: Units) -> str:
    unit = column.unit
    if units == "imperial" and column.twin:
        unit = {"degF": "°F"}.get(column.twin.unit, column.twin.unit)
    choice = f" ({'/'.join(column.words)})" if column.words else ""
    return f"{column.help.rstrip('.')}{choice}{f' [{unit}]' if unit else ''}"


def _default(column: Column, units: Units, last: Mapping[str, str]) -> str:
    kept = last.get(column.name, "")
    if not kept or units == "metric" or column.twin is None:
        return kept
    from leadline.units import to_imperial

    return f"{float(to_imperial(float(kept), column.twin.unit)):.4g}"


def _wanted(name: str, answers: Mapping[str, str], dry: Sequence[str]) -> bool:
    """Whether a question makes sense after the answers so far."""
    is_dry = any(part.strip() in dry for part in answers.get("suit", "").split(";"))
    if name in ("undersuit", "suit_gas"):
        return is_dry
    return name != "bc_gas_l" or answers.get("bc_state", "").strip().casefold() == "gas"


def dive(book: Path | None, units: Units) -> dict[str, str]:
    """Ask for one dive; the book is closed while a question waits.

    Parameters
    ----------
    book : Path or None
        The book.
    units : {"metric", "imperial"}
        Units of the answers.

    Returns
    -------
    dict of str to str
        Header to cell, judged sound; to be written by the caller.
    """
    from leadline.book import Book

    with Book.open(book) as opened:
        divers = opened.names("divers")
        dry = opened.names("gear", styles=_DRY)
    who = _diver(divers)
    with Book.open(book) as opened:
        last = {name: text for name, text in opened.last_dive(who).items() if name in _KEPT}
        last["dive"] = opened.next_dive(who)
    last["date"] = today()
    note("Enter keeps what stands in brackets, - leaves it empty.")
    answers = {"diver": who}
    for name in (*_ASKED, "bc_gas_l", "suit_gas"):
        if _wanted(name, answers, dry):
            _question(DIVES.column(name), answers, units, last)
    return _settled(book, answers, units)


def _diver(divers: Sequence[str]) -> str:
    """A diver of the book, by name."""
    from leadline.book.hint import close_matches

    while True:
        who = ask("Diver", "")
        if who in divers:
            return who
        close = ", ".join(close_matches(who, divers)) or "`leadline load --divers` brings divers in"
        note(f"no such diver; closest: {close}" if divers else "no divers in the book yet")


def _question(
    column: Column,
    answers: dict[str, str],
    units: Units,
    last: Mapping[str, str],
    why: str = "",
    *,
    keep: bool = False,
) -> None:
    """Ask for one cell; to keep what was answered, Enter is enough."""
    if why:
        note(why)
    default = answers.get(_header(column, units), "") if keep else _default(column, units, last)
    answer = ask(_text(column, units), default)
    if answer == _NONE:  # among pressures - says: not carried at the stop, but one of them was
        answer = ""
    header = _header(column, units)
    answers.pop(header, None)
    if answer:
        answers[header] = answer


def _settled(book: Path | None, answers: dict[str, str], units: Units) -> dict[str, str]:
    """Ask again, with the reason, for every answer that does not hold, and once for what is hardly true."""
    from leadline.book import Book

    headers = {_header(column, units): column for column in DIVES.columns}
    told: set[str] = set()
    while True:
        with Book.open(book) as opened:
            faults = opened.judge("dives", [answers])
            taken = opened.has_dive(answers.get("dive", ""), answers["diver"])
            doubts = [] if faults or taken else [d for d in opened.doubts(answers) if d not in told]
        asked: set[str] = set()
        if taken:
            asked.add("dive")
            _question(DIVES.column("dive"), answers, units, {}, "this dive is in the book already")
        for fault in faults:
            column = headers.get(fault.column)
            if column is None or column.name in asked or column.name == "diver":
                continue
            asked.add(column.name)
            _question(column, answers, units, {}, fault.reason)
        for text in doubts:
            told.add(text)
            _doubted(text, headers, answers, units)
        if not asked and not doubts:
            return answers


def _doubted(text: str, headers: Mapping[str, Column], answers: dict[str, str], units: Units) -> None:
    """Ask again for what is hardly true; a dive that seems to be there already is given up unless wanted."""
    column = headers.get(text.partition(" ")[0])
    if column is not None:
        _question(column, answers, units, {}, text.removesuffix("; kept as it is"), keep=True)
        return
    note(text.rpartition("; ")[0])
    if ask("Add it all the same (yes/no)", "no").casefold() not in ("yes", "y"):
        raise typer.Abort
