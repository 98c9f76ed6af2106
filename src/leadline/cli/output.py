"""Printing: facts to standard output, as a table or as JSON; notes, progress, errors to standard error."""

from __future__ import annotations

import codecs
import json
import math
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from shutil import get_terminal_size
from typing import TYPE_CHECKING, Any, Final

import typer

from leadline.errors import LeadlineError, OptionError, OutOfRangeError

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from leadline.cli.grid import Grid

__all__ = [
    "MOST_SHOWN", "error", "note", "option_values", "plain", "progress", "quantity", "show", "streams",
    "table", "user_errors",
]  # fmt: skip

MOST_SHOWN: Final = 100
"""Rows that are printed where a file or page holds them all: nobody reads a thousand in a terminal. [-]"""

_WIDE: Final = 240  # columns of a table that goes to a file or a pipe, where nothing should be cut
_UNSTYLED: Final = ("dumb", "unknown")  # terminals that show the codes of a style as they are
# Control characters can drive a terminal, and marks of direction can turn a line round: neither is text.
_CONTROL: Final = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_IMPERIAL: Final = {"kg": "lb", "bar": "psi", "m": "ft", "cm": "in", "mm": "in_mm", "°C": "degF"}
_SYMBOL: Final = {"degF": "°F", "in_mm": "in"}
# Where a terminal or a pipe has no such sign; a minus that goes missing would turn a number round.
_SPELT: Final = {"\u2212": "-", "\u2013": "-", "─": "-", "±": "+-", "°": "deg", "…": "..."}


def streams() -> None:
    """Make standard output and error take every text, whatever their encoding, or where they are closed.

    What an encoding does not have is spelt in letters that it has: the base letter, a hyphen for a minus,
    else a question mark.
    """
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115
        elif hasattr(stream := getattr(sys, name), "reconfigure"):
            codecs.register_error("leadline.spelt", _spelt)
            stream.reconfigure(errors="leadline.spelt")


def _spelt(fault: UnicodeError) -> tuple[str, int]:
    from unicodedata import normalize

    if not isinstance(fault, UnicodeEncodeError):
        raise fault
    found = []
    for sign in fault.object[fault.start : fault.end]:
        base = "".join(part for part in normalize("NFKD", sign) if part.isascii())
        found.append(_SPELT.get(sign) or base or "?")
    return "".join(found), fault.end


def _encodes(text: str) -> bool:
    try:
        text.encode(sys.stdout.encoding or "utf-8")
    except (LookupError, UnicodeEncodeError):
        return False
    return True


def plain(text: str) -> str:
    """Text from a book made safe for a terminal line: control characters become spaces."""
    return _CONTROL.sub(" ", text)


def error(text: str) -> None:
    """Print an error as one line on standard error."""
    typer.echo(f"Error: {plain(text)}", err=True)


def note(text: str) -> None:
    """Print a note as one line on standard error."""
    typer.echo(plain(text), err=True)


@contextmanager
def user_errors() -> Iterator[None]:
    """Turn what a user can meet into one line on standard error and exit status 1, or 2 for wrong usage.

    Raises
    ------
    typer.Exit
        With status 2 after an OptionError, 1 after another LeadlineError, or where the system refuses a file.
    """
    try:
        yield
    except LeadlineError as reason:
        error(str(reason))
        raise typer.Exit(2 if isinstance(reason, OptionError) else 1) from None
    except BrokenPipeError:
        raise  # the reader of our output has gone; nothing to tell
    except OSError as reason:
        where = f"{reason.filename}: " if reason.filename else ""
        if isinstance(reason, (FileExistsError, NotADirectoryError)):
            error(f"{where}a file, and a folder is needed there; give another folder")
        elif isinstance(reason, IsADirectoryError):
            error(f"{where}a folder, and a file is needed there; give a file")
        else:
            error(f"{where}{reason.strerror or reason}; check the file, its folder and the space left")
        raise typer.Exit(1) from None


@contextmanager
def option_values() -> Iterator[None]:
    """Read what was typed for options: what is no value of one is wrong usage.

    Raises
    ------
    OptionError
        For an OutOfRangeError.
    """
    try:
        yield
    except OutOfRangeError as reason:
        raise OptionError(str(reason)) from None


def _console() -> Console:
    from rich.console import Console

    # Names may hold brackets and colons: no markup, no emoji codes, no guessed highlighting.
    width = None if sys.stdout.isatty() else _WIDE
    return Console(markup=False, highlight=False, emoji=False, width=width)


def _cleaned(document: Any) -> Any:
    """The document with NaN, NaT and infinities as null, which JSON has no other word for."""
    if isinstance(document, dict):
        return {str(key): _cleaned(value) for key, value in document.items()}
    if isinstance(document, (list, tuple)):
        return [_cleaned(value) for value in document]
    if isinstance(document, float):
        return document if math.isfinite(document) else None
    return document


def _print(shown: RenderableType) -> None:
    """Words in lines as they are; only what takes more has to wait for Rich."""
    from leadline.cli.paragraph import Page

    if isinstance(shown, str):
        typer.echo(plain(shown))
    elif isinstance(shown, Page):
        styled = sys.stdout.isatty() and os.environ.get("TERM") not in _UNSTYLED
        width = get_terminal_size().columns if sys.stdout.isatty() else _WIDE
        typer.echo(shown.text(width), nl=False, color=styled)
    else:
        _console().print(shown)


def show(document: Any, view: Callable[[], RenderableType], *, as_json: bool) -> None:
    """Print facts: one JSON document, or what `view` makes for people.

    Parameters
    ----------
    document : dict or list, or callable
        JSON-ready facts, or what makes them where they are many; NaN becomes null.
    view : callable
        Makes a table, a page or a text; called only where it is needed.
    as_json : bool
        Whether --json was given.
    """
    if as_json:
        facts = _cleaned(document() if callable(document) else document)
        text = json.dumps(facts, ensure_ascii=False, indent=2, allow_nan=False)
        if not _encodes(text):  # a name spelt otherwise would be another name
            text = json.dumps(facts, indent=2, allow_nan=False)
        typer.echo(text)
    else:
        _print(view())


def table(title: str, headers: Sequence[str], rows: Sequence[Sequence[object]]) -> Grid:
    """Table for people: text to the left, numbers to the right, missing values empty.

    Parameters
    ----------
    title : str
        Heading; may be empty.
    headers : sequence of str
        Column headings.
    rows : sequence of sequence
        Cells; numbers as numbers.

    Returns
    -------
    Grid
        For the `view` of `show`, or as a part of a page.
    """
    from leadline.cli.grid import Grid

    numeric = [
        bool(rows) and all(isinstance(row[i], (int, float)) or row[i] is None for row in rows)
        for i in range(len(headers))
    ]
    return Grid(
        plain(title), [plain(h) for h in headers], numeric, [[_shown(c) for c in row] for row in rows]
    )


def _shown(cell: object) -> str:
    if cell is None or (isinstance(cell, float) and math.isnan(cell)):
        return ""
    return plain(str(cell))


def quantity(value: float, unit: str, *, units: str = "metric", digits: int = 1) -> str:
    """A quantity with its unit, in the units asked for.

    Parameters
    ----------
    value : float
        In the house unit. NaN gives an empty text.
    unit : str
        House unit: kg, bar, m, cm, mm, °C; any other is printed as it is.
    units : {"metric", "imperial"}
        What to print.
    digits : int
        Digits after the point.

    Returns
    -------
    str
        Such as ``4.5 kg`` or ``9.9 lb``.

    Examples
    --------
    >>> quantity(4.5, "kg"), quantity(4.5, "kg", units="imperial")
    ('4.5 kg', '9.9 lb')
    """
    if math.isnan(value):
        return ""
    other = _IMPERIAL.get(unit)
    if units == "imperial" and other:
        from leadline.units import to_imperial

        value, unit = float(to_imperial(value, other)), _SYMBOL.get(other, other)
    return f"{round(value, digits) + 0.0:.{digits}f} {unit}"  # no minus before a zero


@contextmanager
def progress(label: str) -> Iterator[None]:
    """Show that something is under way, on standard error and only on a terminal."""
    if not sys.stderr.isatty():
        yield
        return
    # What comes next is written over it.
    sys.stderr.write(f"{plain(label)} ...\r")
    sys.stderr.flush()
    try:
        yield
    finally:
        sys.stderr.write(" " * len(f"{label} ...") + "\r")
        sys.stderr.flush()
