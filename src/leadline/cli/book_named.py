"""The book that a command acted on, in what is printed: in the next commands, and by its name."""

from __future__ import annotations

from pathlib import Path
from shlex import quote

from leadline.cli.output import note

__all__ = ["on_book", "say_book"]


def on_book(text: str, book: Path | None) -> str:
    """A text whose commands, each in back quotes, act on the same book when they are pasted.

    Parameters
    ----------
    text : str
        Such as the library writes it, which knows no options.
    book : Path or None
        As --book named it; None where the default one was taken, which a paste takes again.

    Examples
    --------
    >>> on_book("run `leadline learn` again", Path("our club.duckdb"))
    "run `leadline --book 'our club.duckdb' learn` again"
    """
    return text if book is None else text.replace("`leadline ", f"`leadline --book {quote(str(book))} ")


def say_book(path: Path, book: Path | None) -> None:
    """Note which book was changed where nobody named one.

    Parameters
    ----------
    path : Path
        The book's file.
    book : Path or None
        As --book named it.
    """
    if book is None:
        note(f"the book that was changed is {path}, for --book was not given")
