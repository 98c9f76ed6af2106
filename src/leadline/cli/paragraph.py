"""Text in lines that stay readable: a paragraph, and words with what they say beside them.

Both look as a table of Rich would, without the work of one: it measures every letter of every cell, more
often than once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Final

from leadline.cli.output import plain
from leadline.frozen import dataclass

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult

__all__ = ["facts", "wrapped"]

_LINE: Final = 78
_WORD: Final = 13
"""Letters of a line, and of those the ones that a word with its distance takes. [-]"""


def wrapped(text: str) -> RenderableType:
    """A paragraph that stays readable where the line is long."""
    return _Paragraph(plain(text))


def facts(rows: Sequence[tuple[str, str]]) -> RenderableType:
    """Words in bold, and beside each what it says.

    Parameters
    ----------
    rows : sequence of (str, str)
        The word, of no more than eleven letters, and a text.

    Returns
    -------
    rich renderable
        Two columns; fits 80 where the terminal does.
    """
    return _Facts(tuple((word, plain(text)) for word, text in rows))


def _lines(console: Console, text: str, width: int) -> Iterator[str]:
    """Lines of a text, each filled up to a width that is no wider than the widest text."""
    from rich.cells import cell_len
    from rich.text import Text

    longest = max(map(len, text.split()), default=0)
    if cell_len(text) == len(text) and "\n" not in text and longest <= width:
        # Each letter takes one cell, so that nobody has to measure them again.
        broken = wrap(text, max(width, 1), break_on_hyphens=False)
        yield from (line.ljust(width) for line in broken or [""])
        return
    for line in Text(text).wrap(console, width, overflow="fold"):
        yield line.plain + " " * (width - line.cell_len)


@dataclass(frozen=True)
class _Paragraph:
    """As a table with one cell, whose column is no wider than `_LINE`."""

    text: str

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        from rich.cells import cell_len
        from rich.segment import Segment

        width = min(_LINE, options.max_width, cell_len(self.text))
        for line in _lines(console, self.text, width):
            yield Segment(line)
            yield Segment.line()


@dataclass(frozen=True)
class _Facts:
    """As a table with a column as wide as the longest word may be and one for the texts."""

    rows: tuple[tuple[str, str], ...]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        from rich.cells import cell_len
        from rich.segment import Segment
        from rich.style import Style

        widest = max([1, *(cell_len(text) for _, text in self.rows)])
        width = max(min(_LINE, options.max_width) - _WORD, 1)
        bold, empty = Style(bold=True), " " * _WORD
        for word, text in self.rows:
            for number, line in enumerate(_lines(console, text, min(width, widest))):
                yield Segment(empty) if number else Segment(word.ljust(_WORD), bold)
                yield Segment(line)
                yield Segment.line()
