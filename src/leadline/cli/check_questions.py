"""The questions of `leadline check` on a terminal, in the order in which one looks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from leadline.cli.check_parse import conditions_of, number_of, word_of
from leadline.cli.options import Units
from leadline.cli.output import note
from leadline.cli.questions import ask
from leadline.errors import BookError, LeadlineError
from leadline.records import CHECKS, DIVERS, DIVES, KIT, Column

__all__ = ["check"]

_PERSON: Final = ("mass_kg", "height_cm", "sex", "birth_year", "dives_before")
_KIT: Final = ("suit", "undersuit", "bc", "cylinder", "gas", "other")
_NONE: Final = "-"


def check(book: Path | None, units: Units, before: Mapping[str, str] | None = None) -> dict[str, str]:
    """Ask for one check; the book is closed while a question waits.

    Parameters
    ----------
    book : Path or None
        The book; None for the default one, which need not exist.
    units : {"metric", "imperial"}
        Units of the answers.
    before : mapping of str to str, optional
        Answers that did not hold together: Enter keeps each, so that nothing has to be typed twice.

    Returns
    -------
    dict of str to str
        Answers under the names that the options of the command have; what was left empty is not there.
    """
    divers, items = _names(book)
    answers: dict[str, str] = {}
    given = before or {}
    who = _diver(divers, given.get("diver", ""))
    if who:
        answers["diver"] = who
    else:
        for name in _PERSON:
            key = f"person_{name}"
            text = _text(DIVERS.column(name), units)
            answers[key] = _until(text, given.get(key, ""), _of_body(name, units))
    last = _last(book, who)
    note("Enter keeps what stands in brackets, - says none.")
    for name in ("water", *_KIT):
        answers[name] = _kit(DIVES.column(name), given.get(name, last.get(name, "")), items)
    return {name: text for name, text in (answers | _seen(units, given)).items() if text}


def _of_body(name: str, units: Units) -> Callable[[str], object]:
    """Judge of an answer on somebody's body."""
    if DIVERS.column(name).words:
        return lambda answer: word_of(name, answer, DIVERS)
    return lambda answer: number_of(name, answer, units, DIVERS)


def _names(book: Path | None) -> tuple[list[str], list[str]]:
    """Divers and items of the book; none where there is none."""
    from leadline.book import Book, default_path

    if book is None and not default_path().exists():
        return [], []
    with Book.open(book) as opened:
        return opened.names("divers"), opened.names("gear")


def _last(book: Path | None, who: str) -> dict[str, str]:
    """The diver's latest dive."""
    from leadline.book import Book

    if not who:
        return {}
    try:
        with Book.open(book) as opened:
            return opened.last_dive(who)
    except BookError:
        return {}  # it only spares typing; the answer itself will say what is wrong with the book


def _diver(divers: Sequence[str], default: str) -> str:
    """A diver of the book by name; empty for one who is not in it."""
    from leadline.book.hint import close_matches

    while divers:
        who = ask("Diver (empty: one who is not in the book)", default)
        if not who or who in divers:
            return who
        close = ", ".join(close_matches(who, divers))
        note(f"no such diver{f'; closest: {close}' if close else ' in the book'}")
    return ""


def _text(column: Column, units: Units) -> str:
    unit = column.unit
    if units == "imperial" and column.twin:
        unit = {"degF": "°F"}.get(column.twin.unit, column.twin.unit)
    choice = f" ({'/'.join(column.words)})" if column.words else ""
    return f"{column.help.rstrip('.')}{choice}{f' [{unit}]' if unit else ''}"


def _until(text: str, default: str, sound: Callable[[str], object]) -> str:
    """Ask until the answer holds; an empty one always does."""
    while True:
        answer = ask(text, default)
        try:
            if answer:
                sound(answer)
            return answer
        except LeadlineError as reason:
            note(str(reason))


def _kit(column: Column, default: str, items: Sequence[str]) -> str:
    """Items of the book, or their description; `-` for none, so that nothing is taken over."""
    from leadline.decide.check_kit import described

    def sound(answer: str) -> None:
        if column.name in KIT:
            described({column.name: answer}, items)

    if column.name == "water":
        return _until(_text(column, "metric"), default, lambda answer: word_of("water", answer))
    return _until(f"{column.help.rstrip('.')}", default or _NONE, sound)


def _seen(units: Units, given: Mapping[str, str]) -> dict[str, str]:
    """Lead, pressure, and what is seen."""

    def number(name: str) -> Callable[[str], object]:
        return lambda answer: [number_of(name, part, units) for part in answer.split(";")]

    def word(name: str) -> Callable[[str], object]:
        return lambda answer: word_of(name, answer)

    found: dict[str, str] = {}
    for option, name in (("lead_kg", "lead_kg"), ("start_bar", "bar")):
        while not found.get(option):
            found[option] = _until(_text(CHECKS.column(name), units), given.get(option, ""), number(name))
    while not (found.get("waterline") or found.get("exhale_sinks")):
        for name in ("waterline", "breath", "exhale_sinks"):
            default = given.get(name, CHECKS.column(name).default)
            found[name] = _until(_text(CHECKS.column(name), units), default, word(name))
    found["still"] = _until(
        "Still: no finning, no sculling, no hand on anything (yes/no)",
        given.get("still", ""),
        lambda answer: conditions_of(answer, None),
    )
    found["minutes"] = _until(
        "Minutes in the water", given.get("minutes", ""), lambda answer: conditions_of(None, answer)
    )
    return found
