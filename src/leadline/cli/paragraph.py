"""Text in lines that stay readable: a paragraph, words with what they say beside them, a page of both.

All of it looks as Rich would show it. Whoever stands at the water's edge waits for what an answer loads, and
Rich takes longer to load than the answer takes to be reckoned: words in lines are laid out here, tables that
fit in `leadline.cli.grid`, and Rich is there for what does not fit and letters that are not one cell wide.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Final

import typer

from leadline.cli.output import plain
from leadline.frozen import dataclass

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult

__all__ = ["BLANK", "Page", "Part", "Piece", "broken", "facts", "line", "one_cell_each", "wrapped"]

Piece = tuple[str, str]
"""A text, and its style: empty, bold, italic, or bold reverse."""

_LINE: Final = 78
_WORD: Final = 13
"""Letters of a line, and of those the ones that a word with its distance takes. [-]"""

_TOGETHER: Final = re.compile(r"( *)(\d[\d.]* (?:kg|lb)(?![^\W\d])[^ ]*|[^ ]+)")
"""Spaces, and a word or a mass with its unit: a number at the end of a line is read as another lead."""

_ACCENTS: Final = "\u0300"
"""From here on letters may take no cell or two; before it all take one."""

_ONE_CELL: Final = frozenset("−–—‘’“”…≈≤≥×")
"""Signs beyond that take one cell too."""

_OTHERWISE: Final = re.compile(f"[^\x00-{chr(ord(_ACCENTS) - 1)}{''.join(sorted(_ONE_CELL))}]")
"""A letter that takes another number of cells, as far as is known here."""


class Part(ABC):
    """Some lines, one under the other."""

    @abstractmethod
    def lines(self, width: int) -> Iterator[list[Piece]]:
        """Each line as pieces in their styles; no wider than `width` [cells] where that can be."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """The same for Rich, so that tables may stand between parts."""
        from rich.segment import Segment
        from rich.style import Style

        for pieces in self.lines(options.max_width):
            yield from (Segment(text, Style.parse(style) if style else None) for text, style in pieces)
            yield Segment.line()


def wrapped(text: str) -> Part:
    """A paragraph that stays readable where the line is long."""
    return _Paragraph(plain(text))


def facts(rows: Sequence[tuple[str, str]]) -> Part:
    """Words in bold, and beside each what it says.

    Parameters
    ----------
    rows : sequence of (str, str)
        The word, of no more than eleven letters, and a text.

    Returns
    -------
    Part
        Two columns; fits 80 where the terminal does.
    """
    return _Facts(tuple((word, plain(text)) for word, text in rows))


def line(*pieces: Piece | str) -> Part:
    """One line, of pieces in their styles; several where the width is less.

    A piece that does not fit any more begins the next line, indented as the first. Only one that fits no line
    is parted, at a space, and never between a mass and its unit; a piece with a style never is.
    """
    return _Line(tuple((piece, "") if isinstance(piece, str) else piece for piece in pieces))


def one_cell_each(text: str) -> bool:
    """Whether each letter of a text takes one cell; no where it takes Rich to tell."""
    return text.isascii() or _OTHERWISE.search(text) is None


def _cells(text: str) -> int:
    """How wide a text is. [cells]."""
    if one_cell_each(text):
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)


def broken(text: str, width: int) -> Iterable[str]:
    """Lines of a text, each filled up to a width."""
    longest = max(map(len, text.split()), default=0)
    if one_cell_each(text) and "\n" not in text and longest <= width:
        single = text.isprintable() and "  " not in text and text == text.strip()
        found = _words(text, width) if single else wrap(text, max(width, 1), break_on_hyphens=False)
        return [each.ljust(width) for each in found or [""]]
    from rich.console import Console
    from rich.text import Text

    folded = Text(text).wrap(Console(), width, overflow="fold")
    return [each.plain + " " * (width - each.cell_len) for each in folded]


def _words(text: str, width: int) -> list[str]:
    """Words with single spaces between them, none wider than `width`, as `textwrap` puts them in lines."""
    found, start = [], 0
    while len(text) - start > width:
        end = text.rindex(" ", start, start + width + 1)
        found.append(text[start:end])
        start = end + 1
    return [*found, text[start:]]


def _styled(text: str, style: str) -> str:
    if not style:
        return text
    bold, italic, reverse = (name in style or None for name in ("bold", "italic", "reverse"))
    return typer.style(text, bold=bold, italic=italic, reverse=reverse)


@dataclass(frozen=True)
class _Line(Part):
    pieces: tuple[Piece, ...]

    def lines(self, width: int) -> Iterator[list[Piece]]:
        room, used = min(_LINE, width), 0
        indent = gap = self._indent
        made: list[Piece] = []
        for text, style in self.pieces:
            for before, word in self._words(text, style, room - len(indent)):
                gap = before or gap
                if made and used + len(gap) + _cells(word) > room:
                    yield made
                    made, used, gap = [], 0, indent
                made += [(gap, ""), (word, style)]
                used += len(gap) + _cells(word)
                gap = ""
            gap = "" if style else " " * (len(text) - len(text.rstrip(" ")))
        yield made

    @property
    def _indent(self) -> str:
        first = self.pieces[0][0] if self.pieces else ""
        return " " * (len(first) - len(first.lstrip(" ")))

    @staticmethod
    def _words(text: str, style: str, room: int) -> list[tuple[str, str]]:
        """What stays together, each with the spaces before it."""
        core = text.strip(" ")
        if style:
            return [("", text)]
        if _cells(core) <= room:
            return [(" " * (len(text) - len(text.lstrip(" "))), core)] if core else []
        return [(spaces, word) for spaces, word in _TOGETHER.findall(text)]


@dataclass(frozen=True)
class _Paragraph(Part):
    """As a table with one cell, whose column is no wider than `_LINE`."""

    text: str

    def lines(self, width: int) -> Iterator[list[Piece]]:
        for each in broken(self.text, min(_LINE, width, _cells(self.text))):
            yield [(each, "")]


@dataclass(frozen=True)
class _Facts(Part):
    """As a table with a column as wide as the longest word may be and one for the texts."""

    rows: tuple[tuple[str, str], ...]

    def lines(self, width: int) -> Iterator[list[Piece]]:
        widest = max([1, *(_cells(text) for _, text in self.rows)])
        room = min(max(min(_LINE, width) - _WORD, 1), widest)
        for word, text in self.rows:
            for number, each in enumerate(broken(text, room)):
                yield [(" " * _WORD, "") if number else (word.ljust(_WORD), "bold"), (each, "")]


@dataclass(frozen=True)
class Page(Part):
    """Parts one under the other.

    Parameters
    ----------
    parts : tuple of Part
        From the top.
    """

    parts: tuple[Part, ...]

    def lines(self, width: int) -> Iterator[list[Piece]]:
        """Lines of all parts."""
        for part in self.parts:
            yield from part.lines(width)

    def text(self, width: int) -> str:
        """The page as a terminal shows it: styles as its codes."""
        shown = ("".join(_styled(*piece) for piece in pieces) for pieces in self.lines(width))
        return "".join(f"{each}\n" for each in shown)


BLANK: Final = line()
"""An empty line."""
