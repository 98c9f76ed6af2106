"""A table for people, with its cells laid out where Rich would put them.

Rich takes a second for a thousand dives. Where no cell has to be broken a table is nothing but texts filled
up to the width of their columns, and that is done here, so that a table may also stand on a page of words
(`leadline.cli.paragraph`). What does not fit, and letters that are not one cell wide, are left to Rich.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from leadline.cli.paragraph import Part, Piece, broken, one_cell_each
from leadline.frozen import dataclass

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
    from rich.table import Table

__all__ = ["Grid"]

_UNBOUND: Final = 1_000_000
_GAP: Final = 3  # beside each column [cells]
_WORD: Final = 24  # a longer word, such as the path of a page, is parted as before [characters]
_FIGURE: Final = (
    16  # a text with figures up to this length, such as `-1.3 to 3.3`, is read as one [characters]
)


@dataclass(frozen=True)
class Grid(Part):
    """Cells under their headers, numbers to the right.

    Where no cell has to be broken, a column is one cell with many lines, which is laid out at once. On a
    narrow terminal text goes on in the next line, but a figure is never parted: 14 kg read as 1 over 4
    hurts. Where that does not fit either, each row becomes lines of header and cell.

    Parameters
    ----------
    title : str
        May be empty.
    headers : sequence of str
        Of the columns.
    right : sequence of bool
        Columns of numbers.
    rows : sequence of sequence of str
        Cells. None of the texts holds control characters.
    """

    title: str
    headers: Sequence[str]
    right: Sequence[bool]
    rows: Sequence[Sequence[str]]

    def lines(self, width: int) -> Iterator[list[Piece]]:
        """Each line as pieces in their styles; no wider than `width` [cells] where that can be."""
        widths = self._plain_widths()
        if widths and sum(widths) + _GAP * len(widths) - 1 <= width:
            yield from self._laid_out(widths)
        else:
            yield from self._by_rich(width)

    def _plain_widths(self) -> list[int]:
        """Width of each column where a letter is a cell and the output has the sign of a rule; else none."""
        encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
        texts = [[header, *cells] for header, *cells in zip(self.headers, *self.rows, strict=True)]
        everything = self.title + "".join("".join(column) for column in texts)
        if len(self.rows) < 2 or not encoding.lower().startswith("utf") or not one_cell_each(everything):
            return []
        return [max(map(len, column)) for column in texts]

    def _laid_out(self, widths: Sequence[int]) -> Iterator[list[Piece]]:
        between, inner = " " * _GAP, sum(widths) + _GAP * (len(widths) - 1)
        if self.title:
            for each in broken(self.title, inner + 2):
                yield [(each, "italic")]
        yield [(" " * (inner + 2), "")]
        head: list[Piece] = []
        for i, cell in enumerate(self._filled(self.headers, widths)):
            # A style for each piece, as Rich writes them.
            head += [(" ", ""), (" ", "bold"), (cell, "bold")] if i else [(" ", ""), (cell, "bold")]
            head += [(" ", "bold")] if i + 1 < len(widths) else [(" ", "")]
        yield head
        yield [(f" {'─' * inner} ", "")]
        for row in self.rows:
            yield [(f" {between.join(self._filled(row, widths))} ", "")]
        yield [(" " * (inner + 2), "")]

    def _filled(self, cells: Sequence[str], widths: Sequence[int]) -> list[str]:
        return [
            cell.rstrip().rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(cells, widths, self.right, strict=True)
        ]

    def _by_rich(self, width: int) -> Iterator[list[Piece]]:
        from rich.console import Console
        from rich.segment import Segment

        console = Console(markup=False, highlight=False, emoji=False, width=width)
        for segments in Segment.split_lines(console.render(self, console.options)):
            yield [
                (text, "bold" if style and style.bold else "italic" if style and style.italic else "")
                for text, style, _ in segments
            ]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """The same for Rich, whatever the width and the letters."""
        from rich.measure import Measurement

        if len(self.rows) > 1:
            whole = self._made(
                [["\n".join(column) for column in zip(*self.rows, strict=True)]], unbroken=True
            )
            if (
                Measurement.get(console, options.update(max_width=_UNBOUND), whole).maximum
                <= options.max_width
            ):
                yield whole
                return
        if widths := self._widths(options.max_width):
            yield self._made(self.rows, widths=widths)
        else:
            yield from self._stacked()

    def _widths(self, most: int) -> list[int]:
        """Width of each column where no figure is parted, in cells; none where they do not fit."""
        from rich.cells import cell_len

        columns = zip(*self.rows, strict=True) if self.rows else [()] * len(self.headers)
        texts = [[header, *cells] for header, cells in zip(self.headers, columns, strict=True)]
        widths = [
            max((cell_len(part) for text in cells for part in _parts(text)), default=0) for cells in texts
        ]
        wanted = [max(map(cell_len, cells)) - width for cells, width in zip(texts, widths, strict=True)]
        spare = most - sum(widths) - _GAP * len(widths)
        if spare < 0:
            return []
        # What is left over goes to the columns of text, first to those that need little of it.
        for left, i in enumerate(sorted(range(len(wanted)), key=wanted.__getitem__)):
            given = min(wanted[i], spare // (len(wanted) - left))
            widths[i] += given
            spare -= given
        return widths

    def _stacked(self) -> Iterator[RenderableType]:
        from rich.table import Table
        from rich.text import Text

        if self.title:
            yield Text(self.title, style="italic")
        for row in self.rows:
            lines = Table.grid(padding=(0, 2))
            lines.add_column(no_wrap=True)
            lines.add_column(overflow="fold")
            for header, cell in zip(self.headers, row, strict=True):
                if cell:
                    lines.add_row(header, cell)
            yield Text("")
            yield lines

    def _made(
        self, rows: Sequence[Sequence[str]], *, unbroken: bool = False, widths: Sequence[int] = ()
    ) -> Table:
        from rich import box
        from rich.table import Table

        made = Table(title=self.title or None, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
        for i, (header, right) in enumerate(zip(self.headers, self.right, strict=True)):
            made.add_column(
                header,
                justify="right" if right else "left",
                overflow="fold",
                no_wrap=unbroken,
                width=widths[i] if widths else None,
            )
        for row in rows:
            made.add_row(*row)
        return made


def _parts(text: str) -> list[str]:
    """What must stay on one line: a short text with figures whole, any other word by word."""
    if len(text) <= _FIGURE and any(sign.isdigit() for sign in text):
        return [text]
    return [word[:_WORD] for word in text.split()]
